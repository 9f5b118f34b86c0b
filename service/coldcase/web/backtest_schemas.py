"""Envelopes of backtests."""

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec

from coldcase.backtesting.comparing import BacktestResult
from coldcase.core.answer import TableName
from coldcase.db.backtests import BacktestState


class _Part(msgspec.Struct, frozen=True):
    pass


class BacktestSummary(_Part, frozen=True, kw_only=True):
    """A backtest of a rule table as it was when it was started: on which decisions, and how far it is.

    `total` is known once it runs. `of_all_clients`: on all clients' decisions, not only on those of the
    client who asked. `filter` and `person` are told to that client, and to keys that read all.
    """

    id: UUID
    rule_table: TableName
    state: BacktestState
    of_all_clients: bool
    filter: dict[str, Any] | None
    sample: int | None
    library: str | None
    person: str | None
    created_at: datetime
    started_at: datetime | None
    ended_at: datetime | None
    done: int
    total: int | None
    failed_because: str | None


class BacktestReport(BacktestSummary, frozen=True, kw_only=True):
    """A backtest with what it has found, so far or in the end."""

    result: BacktestResult | None


class BacktestList(_Part, frozen=True, kw_only=True):
    """A page of backtests."""

    items: list[BacktestSummary]
    next: str | None
