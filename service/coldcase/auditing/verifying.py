"""Verification: every seal recomputed from the records themselves, and each thing that is not as it was
sealed, named.
"""

import hashlib
from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple
from uuid import UUID

import msgspec
from msgspec.structs import replace
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.auditing import acknowledging, guards
from coldcase.auditing.archives import Archives
from coldcase.auditing.sealing import BEFORE_FIRST_SEAL, head_members, record_leaf
from coldcase.auditing.verification import Discrepancy, Verification
from coldcase.db import seals, verification
from coldcase.db.seals import Member, Seal
from coldcase.db.verification import Checked, UnsealedRecord
from coldcase.errors import Busy
from coldcase.proof import merkle
from coldcase.proof.decision_columns import StoredDecision
from coldcase.proof.leaves import (
    ERASED_TEXT,
    LEAF_FORMAT,
    PERSONAL_TEXTS,
    RECORD_KINDS,
    inconsistent_columns,
    is_as_sent,
    mismatched_texts,
)
from coldcase.proof.verdict_prints import verdict_fingerprint

LATEST_WRITE = {1: timedelta(minutes=10), 2: timedelta(minutes=2)}
"""How long before its transaction begins to write a record may say that it was made, by the format of the
seal before it.

Since format 2 the database refuses a record whose time is more than a minute from its own, and seals by its
own clock; a batch is on its way for seconds.
"""


async def verify(
    conn: AsyncConnection, *, expect: bytes | None = None, every_digest: bool = False
) -> Verification:
    """Recomputes every seal, in a transaction that has read nothing yet and that can write nothing.

    `expect` is a head that was kept elsewhere: it must be one of the chain's. With `every_digest` the digests
    of all troubles are kept.
    """
    await verification.begin(conn)
    return await _verify(conn, expect, every_digest=every_digest)


async def verify_alone(conn: AsyncConnection, *, expect: bytes | None = None) -> Verification:
    """As `verify`, if no other verification runs on this record. Raises Busy."""
    await verification.begin(conn)
    if not await verification.take_turn(conn):
        raise Busy("Another verification is running.")
    return await _verify(conn, expect, every_digest=False)


async def _verify(conn: AsyncConnection, expect: bytes | None, *, every_digest: bool) -> Verification:
    report = Verification(digests=set() if every_digest else None)
    async with seals.as_auditor(conn):
        await acknowledging.read_acknowledgements(conn, report)
        chain = await seals.list_seals_after(conn)
        _check_chain(chain, expect, report)
        archives = await Archives.read(conn, report)
        for place, seal in enumerate(chain):
            await _check_seal(conn, _Link(seal, chain[place - 1] if place else None), archives, report)
        await archives.settle(conn)
        await _check_unsealed(conn, chain, report)
        await _check_erasures(conn, report)
        for breach in await guards.check_guards(conn):
            report.add(Discrepancy(**breach._asdict()))
    return report


def _check_chain(chain: list[Seal], expect: bytes | None, report: Verification) -> None:
    previous = BEFORE_FIRST_SEAL
    for number, seal in enumerate(chain, start=1):
        if seal.number != number or seal.previous != previous:
            report.add(
                Discrepancy(
                    what="chain",
                    seal=seal.number,
                    detail=f"seal {seal.number} does not follow from the one before it",
                )
            )
        if merkle.head(head_members(seal)) != seal.head:
            detail = f"what seal {seal.number} says of itself is not what its head stands for"
            report.add(Discrepancy(what="head", seal=seal.number, detail=detail))
        previous = seal.head
    report.seals, report.epochs = len(chain), len({seal.epoch for seal in chain})
    report.head = chain[-1].head.hex() if chain else None
    if expect is not None and expect not in {seal.head for seal in chain}:
        detail = f"no seal has the expected head {expect.hex()}: the chain was cut short or made anew"
        report.add(Discrepancy(what="expected", detail=detail))


class _Link(NamedTuple):
    """A seal, and the one before it in its epoch: transactions of two clusters cannot be compared."""

    seal: Seal
    before: Seal | None


async def _check_seal(conn: AsyncConnection, link: _Link, archives: Archives, report: Verification) -> None:
    seal, tree, ordered = link.seal, merkle.Tree(), True
    async for batch in verification.members_with_records(conn, seal.number):
        for member, row in batch:
            ordered = ordered and member.position == tree.count
            tree.add(member.leaf)
            _check_member(link, (member, row), archives, report)
    report.records += tree.count
    if tree.count != seal.count or not ordered:
        detail = f"seal {seal.number} was made over {seal.count} records and holds {tree.count}"
        report.add(Discrepancy(what="count", seal=seal.number, detail=detail))
    if tree.root() != seal.root:
        detail = (
            f"the records of seal {seal.number} were exchanged, reordered or sealed anew: their "
            "hashes do not make its root"
        )
        report.add(Discrepancy(what="root", seal=seal.number, detail=detail))


def _check_member(link: _Link, checked: Checked, archives: Archives, report: Verification) -> None:
    member, row = checked
    kind, seal = RECORD_KINDS[member.kind], link.seal.number
    before = link.before if link.before is not None and link.before.epoch == link.seal.epoch else None
    about = Discrepancy(
        what="changed", detail="", seal=seal, kind=kind, record=member.record, client_id=member.client_id
    )
    name = _name(member)
    if row is None:
        gone = replace(about, what="missing", detail=f"{kind} {name} was deleted")
        if kind != "decision" or not archives.awaits(gone, _year(member.record)):
            report.add(gone)
        return
    about = replace(
        about, client_id=row.client_id if isinstance(row, StoredDecision) else row.get("client_id")
    )
    found = merkle.leaf_hash(record_leaf(kind, row, link.seal.format))
    if found != member.leaf:
        where = inconsistent_columns(row) if isinstance(row, StoredDecision) else []
        columns = f" ({', '.join(where)})" if where else ""
        report.add(replace(about, detail=f"{kind} {name} was changed{columns}", state=found.hex()))
    if isinstance(row, StoredDecision):
        if found == member.leaf and not _stands_for_sent(row):
            state = hashlib.sha256(repr(row.own_words).encode()).hexdigest()
            report.add(replace(about, detail=f"{kind} {name} was changed (own_words)", state=state))
        if before is not None and _is_backdated(int(row.xid), row.recorded_at, before):
            report.add(
                replace(about, what="backdated", detail=_backdated(kind, name, before), state=found.hex())
            )
    elif broken := _mismatched(kind, row, intact=found == member.leaf):
        state = hashlib.sha256(repr([(word, row[word]) for word in broken]).encode()).hexdigest()
        report.add(
            replace(
                about, what="words", detail=f"{' and '.join(broken)} of {kind} {name} changed", state=state
            )
        )


def _stands_for_sent(row: StoredDecision) -> bool:
    """Whether case and own words are what the sealed fingerprint stands for."""
    if row.own_words is None and hashlib.sha256(row.case_text.encode()).digest() == row.fingerprint:
        return True
    return is_as_sent(row.case_text, row.fingerprint, msgspec.json.decode(row.answer_text), row.own_words)


def _mismatched(kind: str, row: Mapping[str, Any], *, intact: bool) -> list[str]:
    """The texts beside a leaf that are not what stands in it.

    Who established a verdict and when stand in it by the fingerprint, which can be made again of an `intact`
    leaf as long as neither they nor the note were erased.
    """
    broken = mismatched_texts(kind, row)
    erased = kind == "verdict" and ERASED_TEXT in (row["established_by"], row["note"])
    if kind != "verdict" or broken or erased or not intact:
        return broken
    stands = verdict_fingerprint(row["decision_id"], row) == row["fingerprint"]
    return [] if stands else ["established_by", "established_at"]


async def _check_unsealed(conn: AsyncConnection, chain: list[Seal], report: Verification) -> None:
    # Until the first seal of an epoch nothing can be said of what the former one left.
    last = chain[-1] if chain and chain[-1].epoch == await verification.epoch(conn) else None
    for kind in RECORD_KINDS:
        async for batch in verification.unsealed_rows(conn, kind):
            wrong = [
                discrepancy for unsealed in batch if (discrepancy := _wrong_with(unsealed, last)) is not None
            ]
            report.unsealed += len(batch) - len(wrong)
            rows = dict(
                await verification.records(
                    conn,
                    kind,
                    [discrepancy.record for discrepancy in wrong if discrepancy.record is not None],
                )
            )
            for discrepancy in wrong:
                assert discrepancy.record is not None  # noqa: S101 - `_wrong_with` names it
                found = merkle.leaf_hash(record_leaf(kind, rows[discrepancy.record], LEAF_FORMAT))
                report.add(replace(discrepancy, state=found.hex()))


def _wrong_with(unsealed: UnsealedRecord, last: Seal | None) -> Discrepancy | None:
    name = str(unsealed.record if unsealed.kind in ("decision", "verdict") else unsealed.record.int)
    about = Discrepancy(
        what="inserted", detail="", kind=unsealed.kind, record=unsealed.record, client_id=unsealed.client_id
    )
    if last is None:
        return None
    if unsealed.xid < last.up_to_xid:
        return replace(
            about, detail=f"{unsealed.kind} {name} was inserted: its transaction was sealed without it"
        )
    if unsealed.to_come:
        return replace(
            about, detail=f"{unsealed.kind} {name} was inserted: no transaction has its number yet"
        )
    if _is_backdated(unsealed.xid, unsealed.at, last):
        return replace(about, what="backdated", detail=_backdated(unsealed.kind, name, last))
    return None


def _is_backdated(xid: int, at: datetime, seal: Seal) -> bool:
    """Whether a record says that it is older than a seal after which its transaction began."""
    return xid >= seal.next_xid and at < seal.at - LATEST_WRITE[seal.format]


def _backdated(kind: str, name: str, seal: Seal) -> str:
    return (
        f"{kind} {name} was inserted: it says that it was recorded before seal {seal.number}, its "
        "transaction is younger"
    )


async def _check_erasures(conn: AsyncConnection, report: Verification) -> None:
    """Of each text as many must be lost as events of erasure say: one that says more would cover for what is
    erased later.
    """
    by_events: Counter[str] = Counter()
    for details in await verification.erasures(conn):
        by_events.update(details["words"] if "words" in details else _every_word(details.get("records", {})))
    for kind in (kind for kind in RECORD_KINDS if PERSONAL_TEXTS[kind]):
        found = await verification.erased(conn, kind)
        report.erased += found.pop("")
        for word, count in found.items():
            if count != by_events[f"{kind}.{word}"]:
                detail = (
                    f"{count} records of {kind} have lost their {word}, "
                    f"{by_events[f'{kind}.{word}']} by an event of erasure"
                )
                report.add(Discrepancy(what="erased", kind=kind, detail=detail))
    lost, told = await verification.establishers_erased(conn), by_events["verdict.established_by"]
    if lost != told:
        detail = f"{lost} records of verdict have lost their established_by, {told} by an event of erasure"
        report.add(Discrepancy(what="erased", kind="verdict", detail=detail))


def _every_word(records: dict[str, int]) -> dict[str, int]:
    """What an event of the first releases stands for: the texts of a record went together."""
    return {
        f"{kind}.{word}": count for kind, count in records.items() for word in PERSONAL_TEXTS.get(kind, ())
    }


def _year(id_: UUID) -> int:
    """The year that a UUIDv7 begins with."""
    return datetime.fromtimestamp((id_.int >> 80) / 1000, UTC).year


def _name(member: Member) -> str:
    return str(member.record if RECORD_KINDS[member.kind] in ("decision", "verdict") else member.record.int)
