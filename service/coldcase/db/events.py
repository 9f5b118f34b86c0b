"""Audit events: the database writes them, whoever acts only says who he is; and reading them."""

from datetime import datetime
from typing import Any, Literal
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, case, func, insert, literal_column, null, select, text, true
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.tables import audit_event

EventAction = Literal[
    "client.created",
    "client.renamed",
    "client.adopted",
    "key.created",
    "key.revoked",
    "key.adopted",
    "rule_table.draft",
    "rule_table.edit",
    "rule_table.approve",
    "rule_table.publish",
    "rule_table.withdraw",
    "rule_table.backtest_started",
    "rule_table.backtest_running",
    "rule_table.backtest_finished",
    "rule_table.backtest_cancelled",
    "rule_table.backtest_failed",
    "rule_table.proposed",
    "rule_table.proposal_cancelled",
    "rule_table.remarked",
    "rule_table.remark_answered",
    "rule_table.remark_settled",
    "crosswalk.put",
    "decisions.imported",
    "verdicts.imported",
    "verdict.recorded",
    "link.made",
    "link.revoked",
    "words.erased",
    "year.archived",
    "guards.mended",
    "record.acknowledged",
    "record.restored",
]
"""What events tell of; `…adopted` stands for what was there before there were events."""


class Actor(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Who acts: the API key and the person behind it, from which address, in which request."""

    key: UUID | None = None
    person: str | None = None
    remote: str | None = None
    request_id: str | None = None


class Event(msgspec.Struct, frozen=True, kw_only=True):
    """A change of a key, a rule table, a verdict or the record as a whole; `details` depend on the action."""

    id: int
    at: datetime
    action: str
    subject: str
    by_role: str
    by_key: UUID | None
    person: str | None
    remote: str | None
    request_id: str | None
    details: dict[str, Any]


async def act_as(conn: AsyncConnection, actor: Actor) -> None:
    """For the rest of this transaction, every event is this actor's."""
    await conn.execute(
        text("SELECT set_config('coldcase.actor', :actor, true)"),
        {"actor": msgspec.json.encode(actor).decode()},
    )


RECORD_WIDE = audit_event.c.client_id.is_(None) & (
    func.current_setting("coldcase.reads_all", true()).is_distinct_from("on")
)
"""What was done to the record as a whole or to rule tables, seen by one client: who did it, from where, is
not told."""


WITHOUT_CLIENT: "ColumnElement[Any]" = literal_column(
    "CASE WHEN details IS JSON OBJECT THEN (details::jsonb - 'client' - 'client_id')::text ELSE '{}' END"
)


async def find_events(
    conn: AsyncConnection,
    *,
    action: str | None = None,
    subject: str | None = None,
    person: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    before: int | None = None,
    limit: int,
) -> list[Event]:
    """At most `limit` events that may be seen, newest first, those before a number only; `since` is included,
    `until` is not. By a person are only those found that tell who it was.
    """
    query = select(*map(_shown, Event.__struct_fields__)).order_by(audit_event.c.id.desc()).limit(limit)
    for column, value in (("action", action), ("subject", subject)):
        if value is not None:
            query = query.where(audit_event.c[column] == value)
    if person is not None:
        query = query.where(audit_event.c.person == person, ~RECORD_WIDE)
    if since is not None:
        query = query.where(audit_event.c.at >= since)
    if until is not None:
        query = query.where(audit_event.c.at < until)
    if before is not None:
        query = query.where(audit_event.c.id < before)
    return [
        Event(**{**row._asdict(), "details": msgspec.json.decode(row.details)})
        for row in await conn.execute(query)
    ]


def _shown(name: str) -> "ColumnElement[Any]":
    column = audit_event.c[name]
    if name in ("by_key", "person", "remote", "request_id"):
        return case((RECORD_WIDE, null()), else_=column).label(name)
    if name == "details":
        # How much was archived or erased is all clients' volume.
        # Of rule tables everybody is told what was done, but not by which client.
        return case(
            (RECORD_WIDE & ~audit_event.c.action.startswith("rule_table."), "{}"),
            (RECORD_WIDE, WITHOUT_CLIENT),
            else_=column,
        ).label(name)
    return column


async def write_event(
    conn: AsyncConnection, *, action: str, subject: str, details: dict[str, Any], actor: Actor
) -> None:
    """Writes an event that no change of a row stands for, at the database's time of this moment; only the
    owner may.
    """
    values = {"action": action, "subject": subject, "details": msgspec.json.encode(details).decode()}
    # A transaction may have begun long ago.
    made = {"at": func.clock_timestamp(), "by_role": text("session_user")}
    named = {
        "by_key": actor.key,
        "person": actor.person,
        "remote": actor.remote,
        "request_id": actor.request_id,
    }
    await conn.execute(insert(audit_event).values(**values, **made, **named))
