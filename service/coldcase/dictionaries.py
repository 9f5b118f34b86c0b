"""Use case: the dictionaries that answers are packed with, one a rule table, trained when it is published;
and the answers of before, packed.
"""

import asyncio
import hashlib
import time
from collections.abc import Callable
from uuid import UUID

import msgspec
import structlog
from sqlalchemy.ext.asyncio import AsyncEngine

from coldcase.core.compiled_table import CompiledTable
from coldcase.db import answers, rule_tables, unpacked
from coldcase.db.rule_tables import StoredTable
from coldcase.db.transactions import Transaction
from coldcase.db.unpacked import PackedAnswer, UnpackedAnswer
from coldcase.errors import ColdcaseError
from coldcase.proof import packing
from coldcase.proof.packing import Packer
from coldcase.sample_answers import sample_answers

_logger = structlog.get_logger()

PACKED_AT_ONCE = 500
"""Decisions of one transaction: some tens of milliseconds, in which a statement may wait for their rows."""

REUSE_AFTER = 50_000
"""Decisions whose texts make room before more room is taken."""

_last_trained: dict[str, bytes | None] = {}
"""By the table's digest; the last one is kept, for a process that starts a service on a new record again."""


def trained(compiled: CompiledTable) -> bytes | None:
    """The dictionary of a table, always the same one; None where its answers teach none. Takes a second or
    two.
    """
    if compiled.digest not in _last_trained:
        made = packing.train(sample_answers(compiled))
        _last_trained.clear()
        _last_trained[compiled.digest] = made
    return _last_trained[compiled.digest]


async def train_and_keep(transaction: Transaction, compiled: CompiledTable) -> None:
    """Gives a published table its dictionary, unless it has one: from then on its answers are packed. Without
    one they are recorded all the same, as text. Raises StoreAway.
    """
    version = compiled.version
    assert version is not None  # noqa: S101 - a published table has its number
    async with transaction() as conn:
        if await answers.has_dictionary(conn, version):
            return
    try:
        made = await asyncio.to_thread(trained, compiled)
    except Exception:
        _logger.exception("the engine cannot answer every case under this rule table", version=version)
        return
    if made is None:
        _logger.warning("no dictionary could be trained: answers are kept as text", version=version)
        return
    async with transaction() as conn:
        await answers.keep_dictionary(conn, version, made)


class Progress(msgspec.Struct):
    """How many answers were packed, and what they took before and take now, in bytes."""

    packed: int = 0
    before: int = 0
    now: int = 0


async def pack_texts(
    engine: AsyncEngine, compiled_of: Callable[[StoredTable], CompiledTable], progress: Progress
) -> None:
    """Packs every answer that is kept as text, beside a service that runs, and gives each rule table that it
    meets, the current one first, its dictionary.

    A batch is a transaction; the rows themselves say what is done, so that whoever is stopped goes on where
    he was. Works half of the time.
    """
    packers: dict[int, Packer] = {}

    async def packer_of(version: int) -> Packer:
        if version not in packers:
            packers[version] = await _packer_of(engine.begin, version, compiled_of)
        return packers[version]

    async with engine.begin() as conn:
        current = await rule_tables.current_version(conn)
    await packer_of(current)
    place, dead = UUID(int=0), 0
    while True:
        began = time.monotonic()
        async with engine.begin() as conn:
            rows = await unpacked.unpacked_answers(conn, after=place, limit=PACKED_AT_ONCE)
            made = [_packed(row, await packer_of(row.rule_table)) for row in rows]
            done = await unpacked.pack_answers(conn, made) if made else 0
        progress.packed += done
        progress.before += sum(len(row.answer) for row in rows)
        progress.now += sum(len(one.packed) for one in made)
        dead += done
        if dead >= REUSE_AFTER or (dead and not rows):
            await _reuse_space(engine)
            dead = 0
        if not rows:
            return
        place = rows[-1].id
        await asyncio.sleep(time.monotonic() - began)


async def _packer_of(
    begin: Transaction, version: int, compiled_of: Callable[[StoredTable], CompiledTable]
) -> Packer:
    """What packs the answers of a table: with its own dictionary, or else the current table's or none."""
    async with begin() as conn:
        stored = await rule_tables.get_table(conn, version)
        current = await rule_tables.current_version(conn)
    try:
        compiled = await asyncio.to_thread(compiled_of, stored)
    except (ColdcaseError, msgspec.ValidationError):
        _logger.warning("a rule table of before cannot be read any more", version=version)
    else:
        await train_and_keep(begin, compiled)
    async with begin() as conn:
        own = await answers.dictionary_of(conn, version)
        return Packer(own if own is not None else await answers.dictionary_of(conn, current))


def _packed(row: UnpackedAnswer, packer: Packer) -> PackedAnswer:
    """Packed, once it is seen that it comes back."""
    answer = row.answer.encode()
    frame = packer.pack(answer, thoroughly=True)
    packer.unpack(frame, hashlib.sha256(answer).digest())
    return PackedAnswer(row.id, frame, packer.dictionary_id)


async def _reuse_space(engine: AsyncEngine) -> None:
    async with engine.connect() as conn:
        await conn.execution_options(isolation_level="AUTOCOMMIT")
        await unpacked.reuse_space(conn)
