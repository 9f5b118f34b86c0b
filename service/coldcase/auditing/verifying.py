"""Verification: every seal recomputed from the records themselves, and each thing that is not as it was sealed, named."""

from collections import Counter
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from typing import Literal, NamedTuple
from uuid import UUID

import msgspec
from msgspec.structs import replace
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.auditing import guards
from coldcase.auditing.sealing import BEFORE_ALL, members, record_leaf
from coldcase.core import merkle
from coldcase.core.leaves import KINDS, WORDS, DecisionRow, broken_words, odd_columns
from coldcase.db import checks, seals
from coldcase.db.checks import Checked, Loose
from coldcase.db.seals import Member, Seal
from coldcase.errors import Busy

SLOW = timedelta(minutes=10)
"""How long before its transaction begins to write a record may say that it was made: a batch is on its way for seconds."""

MOST_NAMED = 1000

Wrong = Literal[
    "changed",
    "missing",
    "inserted",
    "backdated",
    "words",
    "root",
    "count",
    "chain",
    "head",
    "expected",
    "erased",
    "archive",
    "key",
    "client",
    "guard",
]


class Trouble(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that is wrong: with a record (`kind`, `record`), with a seal, or with the chain of seals."""

    what: Wrong
    detail: str
    seal: int | None = None
    kind: str | None = None
    record: UUID | None = None
    client_id: int | None = None


class Verification(msgspec.Struct, kw_only=True):
    """What a verification found. `good` unless something is wrong; `unsealed` records are too young to be under a seal.

    `taken_out` counts members whose year was archived: the chain holds over their stored hashes; the archive itself is
    checked with the file at hand. At most 1000 troubles are listed, `wrong` counts all.
    """

    seals: int = 0
    records: int = 0
    unsealed: int = 0
    taken_out: int = 0
    erased: int = 0
    head: str | None = None
    wrong: int = 0
    troubles: list[Trouble] = []

    @property
    def good(self) -> bool:
        """Whether nothing is wrong."""
        return self.wrong == 0

    def add(self, trouble: Trouble) -> None:
        """Notes one more thing that is wrong."""
        self.wrong += 1
        if len(self.troubles) < MOST_NAMED:
            self.troubles.append(trouble)


async def verify(conn: AsyncConnection, *, expect: bytes | None = None) -> Verification:
    """Recomputes every seal. `expect` is a head that was kept elsewhere: it must be one of the chain's."""
    report = Verification()
    async with seals.as_auditor(conn):
        chain = await seals.seals(conn)
        _check_chain(chain, expect, report)
        taken_out = {archive.year for archive in await checks.archives(conn)}
        for place, seal in enumerate(chain):
            await _check_seal(conn, _Link(seal, chain[place - 1] if place else None), taken_out, report)
        for kind in KINDS:
            async for batch in checks.loose(conn, kind):
                for loose in batch:
                    _check_loose(loose, chain[-1] if chain else None, report)
        await _check_erasures(conn, report)
        for breach in await guards.check(conn):
            report.add(Trouble(**breach._asdict()))
    return report


async def verify_alone(conn: AsyncConnection, *, expect: bytes | None = None) -> Verification:
    """As `verify`, if no other verification runs on this record. Raises Busy."""
    if not await checks.take_turn(conn):
        raise Busy("Another verification is running.")
    return await verify(conn, expect=expect)


def _check_chain(chain: list[Seal], expect: bytes | None, report: Verification) -> None:
    previous = BEFORE_ALL
    for number, seal in enumerate(chain, start=1):
        if seal.number != number or seal.previous != previous:
            report.add(Trouble(what="chain", seal=seal.number, detail=f"seal {seal.number} does not follow from the one before it"))
        if merkle.head(members(seal)) != seal.head:
            told = f"what seal {seal.number} says of itself is not what its head stands for"
            report.add(Trouble(what="head", seal=seal.number, detail=told))
        previous = seal.head
    report.seals = len(chain)
    report.head = chain[-1].head.hex() if chain else None
    if expect is not None and expect not in {seal.head for seal in chain}:
        told = f"no seal has the expected head {expect.hex()}: the chain was cut short or made anew"
        report.add(Trouble(what="expected", detail=told))


class _Link(NamedTuple):
    seal: Seal
    before: Seal | None


async def _check_seal(conn: AsyncConnection, link: _Link, taken_out: set[int], report: Verification) -> None:
    seal, tree, ordered = link.seal, merkle.Tree(), True
    async for batch in checks.members(conn, seal.number):
        for member, row in batch:
            ordered = ordered and member.position == tree.count
            tree.add(member.leaf)
            _check_member(link, (member, row), taken_out, report)
    report.records += tree.count
    if tree.count != seal.count or not ordered:
        told = f"seal {seal.number} was made over {seal.count} records and holds {tree.count}"
        report.add(Trouble(what="count", seal=seal.number, detail=told))
    if tree.root() != seal.root:
        told = f"the records of seal {seal.number} were exchanged, reordered or sealed anew: their hashes do not make its root"
        report.add(Trouble(what="root", seal=seal.number, detail=told))


def _check_member(link: _Link, checked: Checked, taken_out: set[int], report: Verification) -> None:
    member, row = checked
    kind, seal, before = KINDS[member.kind], link.seal.number, link.before
    if row is None:
        if kind == "decision" and _year(member.record) in taken_out:
            report.taken_out += 1
        else:
            report.add(Trouble(what="missing", seal=seal, kind=kind, record=member.record, detail=f"{kind} {_name(member)} was deleted"))
        return
    client = row.client_id if isinstance(row, DecisionRow) else row.get("client_id")
    name, about = _name(member), Trouble(what="changed", detail="", seal=seal, kind=kind, record=member.record, client_id=client)
    if merkle.leaf_hash(record_leaf(kind, row)) != member.leaf:
        where = odd_columns(row) if isinstance(row, DecisionRow) else []
        told = f" ({', '.join(where)})" if where else ""
        report.add(replace(about, detail=f"{kind} {name} was changed{told}"))
    if isinstance(row, DecisionRow):
        if before is not None and _is_backdated(int(row.xid), row.recorded_at, before):
            report.add(replace(about, what="backdated", detail=_backdated(kind, name, before)))
    elif broken := broken_words(kind, row):
        report.add(replace(about, what="words", detail=f"{' and '.join(broken)} of {kind} {name} changed"))


def _check_loose(loose: Loose, last: Seal | None, report: Verification) -> None:
    name = str(loose.record if loose.kind in ("decision", "verdict") else loose.record.int)
    about = Trouble(what="inserted", detail="", kind=loose.kind, record=loose.record, client_id=loose.client_id)
    if last is not None and loose.xid < last.up_to_xid:
        report.add(replace(about, detail=f"{loose.kind} {name} was inserted: its transaction was sealed without it"))
    elif last is not None and _is_backdated(loose.xid, loose.at, last):
        report.add(replace(about, what="backdated", detail=_backdated(loose.kind, name, last)))
    else:
        report.unsealed += 1


def _is_backdated(xid: int, at: datetime, seal: Seal) -> bool:
    """Whether a record says that it is older than a seal after which its transaction began."""
    return xid >= seal.next_xid and at < seal.at - SLOW


def _backdated(kind: str, name: str, seal: Seal) -> str:
    return f"{kind} {name} was inserted: it says that it was recorded before seal {seal.number}, its transaction is younger"


async def _check_erasures(conn: AsyncConnection, report: Verification) -> None:
    """Of each word no more may be lost than events of erasure say."""
    told: Counter[str] = Counter()
    for details in await checks.erasures(conn):
        told.update(details["words"] if "words" in details else _every_word(details.get("records", {})))
    for kind in (kind for kind in KINDS if WORDS[kind]):
        found = await checks.erased(conn, kind)
        report.erased += found.pop("")
        for word, count in found.items():
            if count > told[f"{kind}.{word}"]:
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


async def check_archive(conn: AsyncConnection, rows: AsyncIterator[list[DecisionRow]], year: int, report: Verification) -> None:
    """Compares an archive's decisions with the hashes under the seals."""
    found = 0
    async with seals.as_auditor(conn):
        expected = next((archive.count for archive in await checks.archives(conn) if archive.year == year), 0)
        async for batch in rows:
            known = await checks.known_leaves(conn, "decision", [row.id for row in batch])
            for row in batch:
                found += row.id in known
                if merkle.leaf_hash(record_leaf("decision", row)) != known.get(row.id):
                    what: Wrong = "changed" if row.id in known else "inserted"
                    detail = f"decision {row.id} in the archive of {year} was {what}"
                    report.add(Trouble(what=what, kind="decision", record=row.id, client_id=row.client_id, detail=detail))
    if found != expected:
        report.add(Trouble(what="archive", detail=f"the archive of {year} was made of {expected} decisions and holds {found}"))
