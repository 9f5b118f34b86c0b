"""Verdicts, the ground truth: what a person established to be the cause, set beside the decision for good."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any
from uuid import UUID

import msgspec
from msgspec import Meta
from sqlalchemy.ext.asyncio import AsyncConnection
from uuid_utils import compat

from coldcase.core.case import Code, Label, Text
from coldcase.core.case_checks import FIRST_YEAR
from coldcase.core.case_reader import member_flaws
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.rule_table import UNLISTED
from coldcase.core.suggesting import nearest
from coldcase.db import verdicts
from coldcase.db.events import Actor, act_as
from coldcase.db.verdicts import Basis, NewVerdict, StoredVerdict
from coldcase.db.verification import archives
from coldcase.db.waiting import year_of
from coldcase.decision_record import require_decision
from coldcase.errors import Archived, Flaw, Flawed, NotFound, ScopeMissing
from coldcase.proof.leaves import ERASED_TEXT
from coldcase.proof.verdict_prints import verdict_fingerprint


class BadVerdict(Flawed):
    """The verdict cannot be taken as it is; `errors` lists every flaw found."""

    code = "bad_verdict"


class GivenVerdict(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The cause that was established, or that it cannot be determined; by what, by whom and when; and what
    else there is to say.
    """

    cause: Code | None = None
    not_determinable: Annotated[bool, Meta(description="`true` in place of a cause")] = False
    basis: Basis
    note: Text | None = None
    established_by: (
        Annotated[Label, Meta(description="who established it, where that is not the key's own person")]
        | None
    ) = None
    established_at: Annotated[datetime, Meta(tz=True, description="when; not in the future")] | None = None

    def __post_init__(self) -> None:
        """One spelling of a label and of a time, so that a retry is known by it."""
        if self.established_by is not None:
            msgspec.structs.force_setattr(self, "established_by", self.established_by.strip())
        if self.established_at is not None:
            msgspec.structs.force_setattr(self, "established_at", self.established_at.astimezone(UTC))


CLOCK_GRACE = timedelta(minutes=1)
"""How far the clock of whoever sends a verdict may be ahead of the database's."""


class Judged(msgspec.Struct, frozen=True):
    """What a verdict is about: the rule table that answered, and when the machine failed, if it says so."""

    rule_table: int
    failed_at: datetime | None


def parse_verdict(
    raw: object, compiled_tables: tuple[CompiledTable, ...], *, failed_at: datetime | None, now: datetime
) -> GivenVerdict:
    """The verdict of a JSON value; `compiled_tables` are the rule tables whose causes may be named,
    `failed_at` is when the machine failed. Raises BadVerdict with every flaw.
    """
    if not isinstance(raw, dict):
        raise BadVerdict((Flaw("", "A verdict is a JSON object."),))
    flaws = [*_shape_flaws(raw), *_cause_flaws(raw, compiled_tables), *_origin_flaws(raw, failed_at, now)]
    if flaws:
        raise BadVerdict(tuple(flaws))
    return msgspec.convert(raw, GivenVerdict)


def _shape_flaws(raw: dict[str, Any]) -> list[Flaw]:
    return [
        flaw
        for flaw in member_flaws(raw, GivenVerdict)
        if not (flaw.pointer == "/cause" and isinstance(raw["cause"], str))
    ]


def _cause_flaws(raw: dict[str, Any], compiled_tables: tuple[CompiledTable, ...]) -> Iterator[Flaw]:
    cause, open_ = raw.get("cause"), raw.get("not_determinable", False)
    if isinstance(open_, bool) and (cause is None) != open_:
        yield Flaw("/cause", "Name a cause, or say `not_determinable: true`; one of the two.")
    known = {UNLISTED, *(code for compiled in compiled_tables for code in compiled.table.causes)}
    retired = {code for compiled in compiled_tables for kind, _, code in compiled.retired if kind == "cause"}
    if isinstance(cause, str) and cause not in known | retired:
        yield Flaw(
            "/cause", f"'{cause[:64]}' is none of {', '.join(sorted(known))}.", nearest(cause, sorted(known))
        )


def _origin_flaws(raw: dict[str, Any], failed_at: datetime | None, now: datetime) -> Iterator[Flaw]:
    """What cannot be, of who established it and when."""
    if isinstance(by := raw.get("established_by"), str) and by.strip() == ERASED_TEXT:
        yield Flaw("/established_by", f"'{ERASED_TEXT}' stands for a label that was erased.")
    try:
        at = msgspec.convert({"at": raw.get("established_at")}, _Moment).at
    except msgspec.ValidationError:
        return
    if at is None:
        return
    if at.year < FIRST_YEAR:
        yield Flaw("/established_at", f"The year {at.year} is not believable; leave out what is not known.")
    elif at > now + CLOCK_GRACE:
        yield Flaw(
            "/established_at", f"It is {now:%Y-%m-%dT%H:%M:%SZ} now; a verdict is of what was established."
        )
    elif failed_at is not None and at < failed_at:
        failed = failed_at.astimezone(UTC)
        yield Flaw(
            "/established_at", f"The machine failed later, at {failed:%Y-%m-%dT%H:%M:%SZ} (`job.failed_at`)."
        )


class _Moment(msgspec.Struct):
    at: Annotated[datetime, Meta(tz=True)] | None = None


async def record_verdict(
    conn: AsyncConnection, decision: UUID, given: GivenVerdict, *, actor: Actor, key: str | None
) -> tuple[StoredVerdict, bool]:
    """Records a verdict on a decision that may be seen; whether it is an earlier one again.

    Raises NotFound, KeyReused.
    """
    found = await require_decision(conn, decision)
    assert actor.key is not None  # noqa: S101 - a verdict comes in under an API key
    new = NewVerdict(
        id=compat.uuid7(),
        decision_id=decision,
        client_id=found.client_id,
        idempotency_key=key,
        fingerprint=_fingerprint(decision, given),
        cause=given.cause,
        not_determinable=given.not_determinable,
        basis=given.basis,
        by_key=actor.key,
        person=actor.person,
        note=given.note,
        established_by=given.established_by,
        established_at=given.established_at,
    )
    await act_as(conn, actor)
    return await verdicts.add_verdict(conn, new)


def _fingerprint(decision: UUID, given: GivenVerdict) -> bytes:
    """What a retry is known by."""
    return verdict_fingerprint(decision, msgspec.structs.asdict(given))


async def given_before(
    conn: AsyncConnection, decision: UUID, raw: object, *, by_key: UUID, key: str | None
) -> StoredVerdict:
    """The verdict that the idempotency key `key` stands for, on a decision that is not on record any more.

    Raises KeyReused where it stands for another; where it stands for none Archived if the decision's year was
    taken out, else NotFound.
    """
    if key is not None:
        # What is no verdict at all is none that was given before.
        shaped = isinstance(raw, dict) and not any(member_flaws(raw, GivenVerdict))
        fingerprint = _fingerprint(decision, msgspec.convert(raw, GivenVerdict)) if shaped else None
        held = await verdicts.of_key(conn, by_key, key, fingerprint=fingerprint)
        if held is not None:
            return held
    year = year_of(decision)
    if year in {archive.year for archive in await archives(conn)}:
        raise Archived(
            f"The decisions of {year} were taken out of the record into an archive; no verdict can be "
            "added to them."
        )
    raise NotFound


async def what_is_judged(conn: AsyncConnection, decision: UUID, *, judge: int | None) -> Judged:
    """What a verdict of the client `judge` is about, None for one that may judge any client's decisions.

    Raises NotFound, or ScopeMissing for a decision that may be seen but is another client's.
    """
    found = await require_decision(conn, decision)
    if judge not in (None, found.client_id):
        raise ScopeMissing("A verdict on another client's decision needs the scope `verdicts:write:all`.")
    return Judged(found.rule_table, msgspec.json.decode(found.case, type=_FailedCase).job.failed_at)


class _FailedJob(msgspec.Struct, frozen=True):
    failed_at: datetime | None = None


class _FailedCase(msgspec.Struct):
    job: _FailedJob = _FailedJob()
