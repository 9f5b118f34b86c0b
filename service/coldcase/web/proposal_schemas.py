"""Envelopes of proposals, and of what verdicts have seen of a rule table."""

from datetime import datetime
from uuid import UUID

import msgspec

from coldcase.core.answer import TableName
from coldcase.core.learning import PriorStrength
from coldcase.core.verdict_counts import RowEvidence
from coldcase.db.proposals import ProposalState
from coldcase.proposing.summary import ProposalSummary


class ListedProposal(msgspec.Struct, frozen=True, kw_only=True):
    """A proposal: on which version it is based, how far it is, and which draft came of it.

    `done` of `total` readings of a case: each is read twice, to be counted and to be tried. `draft` is the
    version that was made. `of_all_clients`: learned from all clients' verdicts, not only from those of the
    client who asked. `person` is told to that client, and to keys that read all.
    """

    id: UUID
    rule_table: TableName
    state: ProposalState
    of_all_clients: bool
    strength: PriorStrength
    person: str | None
    created_at: datetime
    started_at: datetime | None
    ended_at: datetime | None
    done: int
    total: int | None
    failed_because: str | None
    draft: int | None


class ProposalReport(ListedProposal, frozen=True, kw_only=True):
    """A proposal with what it was learned from, and how it did."""

    summary: ProposalSummary | None


class ProposalList(msgspec.Struct, frozen=True):
    """A page of proposals."""

    items: list[ListedProposal]
    next: str | None


class EvidenceReport(msgspec.Struct, frozen=True, kw_only=True):
    """How often verdicts saw each row of a rule table, as of a minute ago at most.

    `judged` cases count, `left_out` counts cases, and single observations, that do not, by reason.
    `of_all_clients`: all clients' verdicts, not only those of the client who asked.
    """

    rule_table: TableName
    of_all_clients: bool
    judged: int
    left_out: dict[str, int]
    rows: list[RowEvidence]
