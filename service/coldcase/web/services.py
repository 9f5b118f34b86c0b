"""What handlers work with: one value, made by `app` when the service starts, and reached through
`services(request)`.
"""

import asyncio
from dataclasses import dataclass
from typing import cast

from coldcase.answering import AnswerBatcher
from coldcase.auditing.proving import Trees
from coldcase.backtesting.supervising import Backtests
from coldcase.db.recorder import Recorder
from coldcase.db.transactions import Transaction
from coldcase.governing import RuleTables
from coldcase.proposing.evidence import EvidenceDesk
from coldcase.web.auth import ApiKeyCache
from coldcase.web.imports import Imports
from coldcase.web.link_addresses import LinkDesk
from coldcase.web.metrics import Metrics
from coldcase.web.route import Call
from coldcase.web.sessions import Sessions
from coldcase.web.shares import Shares
from coldcase.web.streams import Exports


@dataclass(frozen=True, slots=True)
class Services:
    """The parts of a running service; `places` are those of requests in flight, by client, `strangers` of
    those who read the record with a link.

    Exports have connections of their own, one for each that may run at a time, so that slow readers hold up
    nobody else; so have verifications, which take minutes.
    """

    rule_tables: RuleTables
    batcher: AnswerBatcher
    recorder: Recorder
    keys: ApiKeyCache
    sessions: Sessions
    links: LinkDesk
    strangers: asyncio.Semaphore
    transaction: Transaction
    audit_transaction: Transaction
    verifying: asyncio.Lock
    places: Shares
    exports: Exports
    imports: Imports
    trees: Trees
    backtests: Backtests
    evidence: EvidenceDesk
    metrics: Metrics
    metrics_open: bool
    most_open_drafts: int


def services(request: Call) -> Services:
    """The running service behind a request."""
    return cast("Services", request.app.state.services)
