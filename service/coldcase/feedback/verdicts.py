"""Verdicts, the ground truth: what a person established to be the cause, set beside the decision for good."""

import hashlib
from collections.abc import Iterator
from typing import Annotated, Any
from uuid import UUID

import msgspec
from msgspec import Meta
from sqlalchemy.ext.asyncio import AsyncConnection
from uuid_utils import compat

from coldcase.core.case import Code, Text
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
from coldcase.proof.canonical import canonical_json


class BadVerdict(Flawed):
    """The verdict cannot be taken as it is; `errors` lists every flaw found."""

    code = "bad_verdict"


class GivenVerdict(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The cause that was established, or that it cannot be determined; by what; and what else there is to
    say.
    """

    cause: Code | None = None
    not_determinable: Annotated[bool, Meta(description="`true` in place of a cause")] = False
    basis: Basis
    note: Text | None = None


def parse_verdict(raw: object, compiled_tables: tuple[CompiledTable, ...]) -> GivenVerdict:
    """The verdict of a JSON value; `compiled_tables` are the rule tables whose causes may be named. Raises
    BadVerdict with every flaw.
    """
    if not isinstance(raw, dict):
        raise BadVerdict((Flaw("", "A verdict is a JSON object."),))
    flaws = [*_shape_flaws(raw), *_cause_flaws(raw, compiled_tables)]
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
    )
    await act_as(conn, actor)
    return await verdicts.add_verdict(conn, new)


def _fingerprint(decision: UUID, given: GivenVerdict) -> bytes:
    """What a retry is known by."""
    return hashlib.sha256(
        canonical_json({"decision": str(decision), "verdict": msgspec.to_builtins(given)})
    ).digest()


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


async def rule_table_of(conn: AsyncConnection, decision: UUID, *, judge: int | None) -> int:
    """The rule table that answered, for a verdict of the client `judge`, None for one that may judge any
    client's decisions.

    Raises NotFound, or ScopeMissing for a decision that may be seen but is another client's.
    """
    found = await require_decision(conn, decision)
    if judge not in (None, found.client_id):
        raise ScopeMissing("A verdict on another client's decision needs the scope `verdicts:write:all`.")
    return found.rule_table
