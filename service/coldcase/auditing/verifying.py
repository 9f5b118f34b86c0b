"""Verification: every seal recomputed from the records themselves, and each thing that is not as it was sealed, named."""

import hashlib
from collections import Counter
from datetime import UTC, datetime, timedelta
from typing import NamedTuple
from uuid import UUID

from msgspec.structs import replace
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.auditing import acknowledging, guards
from coldcase.auditing.archives import Archives
from coldcase.auditing.sealing import BEFORE_ALL, members, record_leaf
from coldcase.auditing.verification import Trouble, Verification
from coldcase.core import merkle
from coldcase.core.leaves import FORMAT, KINDS, WORDS, DecisionRow, broken_words, odd_columns
from coldcase.db import checks, seals
from coldcase.db.checks import Checked, Loose
from coldcase.db.seals import Member, Seal
from coldcase.errors import Busy

SLOW = {1: timedelta(minutes=10), 2: timedelta(minutes=2)}
"""How long before its transaction begins to write a record may say that it was made, by the format of the seal before it.

Since format 2 the database refuses a record whose time is more than a minute from its own, and seals by its own clock; a batch
is on its way for seconds.
"""


async def verify(conn: AsyncConnection, *, expect: bytes | None = None, every_digest: bool = False) -> Verification:
    """Recomputes every seal, in a transaction that has read nothing yet and that can write nothing.

    `expect` is a head that was kept elsewhere: it must be one of the chain's. With `every_digest` the digests of all
    troubles are kept.
    """
    await checks.begin(conn)
    return await _verify(conn, expect, every_digest=every_digest)


async def verify_alone(conn: AsyncConnection, *, expect: bytes | None = None) -> Verification:
    """As `verify`, if no other verification runs on this record. Raises Busy."""
    await checks.begin(conn)
    if not await checks.take_turn(conn):
        raise Busy("Another verification is running.")
    return await _verify(conn, expect, every_digest=False)


async def _verify(conn: AsyncConnection, expect: bytes | None, *, every_digest: bool) -> Verification:
    report = Verification(digests=set() if every_digest else None)
    async with seals.as_auditor(conn):
        await acknowledging.read(conn, report)
        chain = await seals.seals(conn)
        _check_chain(chain, expect, report)
        archives = await Archives.read(conn, report)
        for place, seal in enumerate(chain):
            await _check_seal(conn, _Link(seal, chain[place - 1] if place else None), archives, report)
        await archives.settle(conn)
        await _check_all_loose(conn, chain, report)
        await _check_erasures(conn, report)
        for breach in await guards.check(conn):
            report.add(Trouble(**breach._asdict()))
    return report


def _check_chain(chain: list[Seal], expect: bytes | None, report: Verification) -> None:
    previous = BEFORE_ALL
    for number, seal in enumerate(chain, start=1):
        if seal.number != number or seal.previous != previous:
            report.add(Trouble(what="chain", seal=seal.number, detail=f"seal {seal.number} does not follow from the one before it"))
        if merkle.head(members(seal)) != seal.head:
            told = f"what seal {seal.number} says of itself is not what its head stands for"
            report.add(Trouble(what="head", seal=seal.number, detail=told))
        previous = seal.head
    report.seals, report.epochs = len(chain), len({seal.epoch for seal in chain})
    report.head = chain[-1].head.hex() if chain else None
    if expect is not None and expect not in {seal.head for seal in chain}:
        told = f"no seal has the expected head {expect.hex()}: the chain was cut short or made anew"
        report.add(Trouble(what="expected", detail=told))


class _Link(NamedTuple):
    """A seal, and the one before it in its epoch: transactions of two clusters cannot be compared."""

    seal: Seal
    before: Seal | None


async def _check_seal(conn: AsyncConnection, link: _Link, archives: Archives, report: Verification) -> None:
    seal, tree, ordered = link.seal, merkle.Tree(), True
    async for batch in checks.members(conn, seal.number):
        for member, row in batch:
            ordered = ordered and member.position == tree.count
            tree.add(member.leaf)
            _check_member(link, (member, row), archives, report)
    report.records += tree.count
    if tree.count != seal.count or not ordered:
        told = f"seal {seal.number} was made over {seal.count} records and holds {tree.count}"
        report.add(Trouble(what="count", seal=seal.number, detail=told))
    if tree.root() != seal.root:
        told = f"the records of seal {seal.number} were exchanged, reordered or sealed anew: their hashes do not make its root"
        report.add(Trouble(what="root", seal=seal.number, detail=told))


def _check_member(link: _Link, checked: Checked, archives: Archives, report: Verification) -> None:
    member, row = checked
    kind, seal = KINDS[member.kind], link.seal.number
    before = link.before if link.before is not None and link.before.epoch == link.seal.epoch else None
    about = Trouble(what="changed", detail="", seal=seal, kind=kind, record=member.record, client_id=member.client_id)
    name = _name(member)
    if row is None:
        gone = replace(about, what="missing", detail=f"{kind} {name} was deleted")
        if kind != "decision" or not archives.awaits(gone, _year(member.record)):
            report.add(gone)
        return
    about = replace(about, client_id=row.client_id if isinstance(row, DecisionRow) else row.get("client_id"))
    found = merkle.leaf_hash(record_leaf(kind, row, link.seal.format))
    if found != member.leaf:
        where = odd_columns(row) if isinstance(row, DecisionRow) else []
        told = f" ({', '.join(where)})" if where else ""
        report.add(replace(about, detail=f"{kind} {name} was changed{told}", state=found.hex()))
    if isinstance(row, DecisionRow):
        if before is not None and _is_backdated(int(row.xid), row.recorded_at, before):
            report.add(replace(about, what="backdated", detail=_backdated(kind, name, before), state=found.hex()))
    elif broken := broken_words(kind, row):
        state = hashlib.sha256(repr([(word, row[word]) for word in broken]).encode()).hexdigest()
        report.add(replace(about, what="words", detail=f"{' and '.join(broken)} of {kind} {name} changed", state=state))


async def _check_all_loose(conn: AsyncConnection, chain: list[Seal], report: Verification) -> None:
    # Until the first seal of an epoch nothing can be said of what the former one left.
    last = chain[-1] if chain and chain[-1].epoch == await checks.epoch(conn) else None
    for kind in KINDS:
        async for batch in checks.loose(conn, kind):
            wrong = [trouble for loose in batch if (trouble := _wrong_with(loose, last)) is not None]
            report.unsealed += len(batch) - len(wrong)
            rows = dict(await checks.records(conn, kind, [trouble.record for trouble in wrong if trouble.record is not None]))
            for trouble in wrong:
                assert trouble.record is not None  # noqa: S101 - `_wrong_with` names it
                found = merkle.leaf_hash(record_leaf(kind, rows[trouble.record], FORMAT))
                report.add(replace(trouble, state=found.hex()))


def _wrong_with(loose: Loose, last: Seal | None) -> Trouble | None:
    name = str(loose.record if loose.kind in ("decision", "verdict") else loose.record.int)
    about = Trouble(what="inserted", detail="", kind=loose.kind, record=loose.record, client_id=loose.client_id)
    if last is None:
        return None
    if loose.xid < last.up_to_xid:
        return replace(about, detail=f"{loose.kind} {name} was inserted: its transaction was sealed without it")
    if loose.to_come:
        return replace(about, detail=f"{loose.kind} {name} was inserted: no transaction has its number yet")
    if _is_backdated(loose.xid, loose.at, last):
        return replace(about, what="backdated", detail=_backdated(loose.kind, name, last))
    return None


def _is_backdated(xid: int, at: datetime, seal: Seal) -> bool:
    """Whether a record says that it is older than a seal after which its transaction began."""
    return xid >= seal.next_xid and at < seal.at - SLOW[seal.format]


def _backdated(kind: str, name: str, seal: Seal) -> str:
    return f"{kind} {name} was inserted: it says that it was recorded before seal {seal.number}, its transaction is younger"


async def _check_erasures(conn: AsyncConnection, report: Verification) -> None:
    """Of each word as many must be lost as events of erasure say: one that says more would cover for what is erased later."""
    told: Counter[str] = Counter()
    for details in await checks.erasures(conn):
        told.update(details["words"] if "words" in details else _every_word(details.get("records", {})))
    for kind in (kind for kind in KINDS if WORDS[kind]):
        found = await checks.erased(conn, kind)
        report.erased += found.pop("")
        for word, count in found.items():
            if count != told[f"{kind}.{word}"]:
                detail = f"{count} records of {kind} have lost their {word}, {told[f'{kind}.{word}']} by an event of erasure"
                report.add(Trouble(what="erased", kind=kind, detail=detail))


def _every_word(records: dict[str, int]) -> dict[str, int]:
    """What an event of the first releases stands for: the words of a record went together."""
    return {f"{kind}.{word}": count for kind, count in records.items() for word in WORDS.get(kind, ())}


def _year(id_: UUID) -> int:
    """The year that a UUIDv7 begins with."""
    return datetime.fromtimestamp((id_.int >> 80) / 1000, UTC).year


def _name(member: Member) -> str:
    return str(member.record if KINDS[member.kind] in ("decision", "verdict") else member.record.int)
