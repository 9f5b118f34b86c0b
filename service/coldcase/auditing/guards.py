"""What the seals cannot show: whether keys and clients are as their sealed events say, and the database's
guards as they were made.

A key's row is under no seal, for it changes when it is revoked. The events of its making and its end are, and
hold all that matters.
"""

import hashlib
from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime
from typing import Any, Literal, NamedTuple
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db import guards, holders
from coldcase.db.engine import current_revision
from coldcase.db.guards import GuardDifference
from coldcase.db.holders import HolderEvent, KeyRow
from coldcase.proof.leaves import ERASED_TEXT


class Breach(NamedTuple):
    """One thing that is wrong beside the seals; `kind` says what `record` is, where there is one."""

    what: Literal["key", "client", "guard", "inserted"]
    detail: str
    kind: str | None = None
    record: UUID | None = None
    client_id: int | None = None


async def check_guards(conn: AsyncConnection) -> list[Breach]:
    """All that is wrong. The connection's role must see every row."""
    holder_events = await holders.holder_events(conn)
    return [
        *_clients(holder_events, await holders.clients(conn)),
        *_keys(holder_events, await holders.keys(conn)),
        *[_misplaced(verdict, client) for verdict, client in await holders.misplaced_verdicts(conn)],
        *[
            _untold("rule_table_event", str(event), UUID(int=event))
            for event in await holders.table_events_without_audit(conn)
        ],
        *[
            _untold("verdict", str(verdict), verdict, client)
            for verdict, client in await holders.verdicts_without_audit(conn)
        ],
        *await _guards(conn),
    ]


async def _guards(conn: AsyncConnection) -> list[Breach]:
    wanted, there = guards.expected_guards(), await current_revision(conn)
    if there != wanted.revision:
        detail = (
            f"the database is at revision {there}, this release knows the guards of "
            f"{wanted.revision}: they were not compared"
        )
        return [Breach("guard", detail)]
    return [
        Breach("guard", _named(one))
        for one in guards.differences(wanted.guards, await guards.look_at_guards(conn))
    ]


def _named(one: GuardDifference) -> str:
    name = f"{one.kind} {one.name}"
    if one.found is None:
        return f"{name} is missing"
    if one.wanted is None:
        return f"{name} is none that `coldcase migrate` makes"
    return f"{name} is not as `coldcase migrate` makes it: {_otherwise(one.wanted.value, one.found.value)}"


def _otherwise(wanted: Any, found: Any) -> str:
    if isinstance(wanted, dict) and isinstance(found, dict):
        members = sorted(
            member for member in wanted.keys() | found.keys() if wanted.get(member) != found.get(member)
        )
        return ", ".join(f"{member} is {found.get(member)}" for member in members)
    return f"it is {found}"


def _misplaced(verdict: UUID, client: int) -> Breach:
    return Breach(
        "key",
        f"verdict {verdict} stands under the idempotency keys of another client",
        "verdict",
        verdict,
        client,
    )


def _untold(kind: str, name: str, record: UUID, client: int | None = None) -> Breach:
    return Breach(
        "inserted",
        f"{kind} {name} has no audit event: it was inserted, or its event was deleted",
        kind,
        record,
        client,
    )


def _by_subject(holder_events: list[HolderEvent], *actions: str) -> dict[str, list[HolderEvent]]:
    found: dict[str, list[HolderEvent]] = defaultdict(list)
    for event in holder_events:
        if event.action in actions:
            found[event.subject].append(event)
    return found


def _clients(holder_events: list[HolderEvent], rows: dict[int, str]) -> Iterator[Breach]:
    made, renamed = (
        _by_subject(holder_events, "client.created", "client.adopted"),
        _by_subject(holder_events, "client.renamed"),
    )
    for number, name in rows.items():
        events = made.get(str(number), [])
        if len(events) != 1:
            yield Breach("client", f"client {number} ({name}) {_no_single(events)}", client_id=number)
            continue
        last = [*events, *renamed.get(str(number), [])][-1].details.get("client")
        if last != name:
            yield Breach(
                "client",
                f"client {number} is named {name}; by its events its name is {last}",
                client_id=number,
            )
    there = {str(number) for number in rows}
    for subject, events in made.items():
        if subject not in there:
            yield Breach("client", f"client {subject} was deleted", client_id=events[0].client_id)


def _no_single(events: list[HolderEvent]) -> str:
    return (
        "was inserted: no event tells of it" if not events else f"was made {len(events)} times by the events"
    )


def _keys(holder_events: list[HolderEvent], rows: list[KeyRow]) -> Iterator[Breach]:
    made, revoked = (
        _by_subject(holder_events, "key.created", "key.adopted"),
        _by_subject(holder_events, "key.revoked"),
    )
    for row in rows:
        # Events of the first releases hold scopes and an end only; the keys of then were adopted with an
        # event of their own.
        events = [event for event in made.get(str(row.id), []) if "secret" in event.details]
        wrong = (
            list(_of_key(row, events, revoked.get(str(row.id), [])))
            if len(events) == 1
            else [_no_single(events)]
        )
        for detail in wrong:
            yield Breach("key", f"key {row.id} {detail}", "api_key", row.id, row.client_id)
    there = {str(row.id) for row in rows}
    for subject, events in made.items():
        if subject not in there:
            yield Breach("key", f"key {subject} was deleted", "api_key", _uuid(subject), events[0].client_id)


def _of_key(row: KeyRow, made: list[HolderEvent], revoked: list[HolderEvent]) -> Iterator[str]:
    by_event = made[0].details
    for member in ("client_id", "scopes"):
        if by_event.get(member) != getattr(row, member):
            yield f"was changed: its {member} is {getattr(row, member)}, by its event {by_event.get(member)}"
    for member in ("created_at", "expires_at"):
        if _moment(by_event.get(member)) != getattr(row, member):
            yield f"was changed: its {member} is {getattr(row, member)}, by its event {by_event.get(member)}"
    if by_event["secret"] != row.secret:
        yield "was given another secret"
    if not _person_holds(row, by_event.get("person_sha256")):
        yield "was given to another person"
    end = next(
        (
            _moment(event.details.get("revoked_at"))
            for event in (*made, *revoked)
            if event.details.get("revoked_at")
        ),
        None,
    )
    if end != row.revoked_at:
        yield f"was changed: it is revoked at {row.revoked_at}, by its events {end}"


def _person_holds(row: KeyRow, by_event: str | None) -> bool:
    if by_event != (None if row.person_sha256 is None else row.person_sha256.hex()):
        return False
    if row.salt is None:
        return row.person == ERASED_TEXT or (row.person is None and by_event is None)
    if row.person is None or row.person_sha256 is None:
        return row.person is None and row.person_sha256 is None
    return hashlib.sha256(row.salt + f"person={row.person}".encode()).digest() == row.person_sha256


def _moment(by_event: object) -> object:
    """The time that an event tells, or what else stands in its place: an event may have been tampered
    with.
    """
    try:
        return datetime.fromisoformat(by_event) if isinstance(by_event, str) else by_event
    except ValueError:
        return by_event


def _uuid(text: str) -> UUID | None:
    try:
        return UUID(text)
    except ValueError:
        return None
