"""Retention: a year of decisions written to a file, verified against its seals, and taken out; personal texts
erased.

The file is gzipped NDJSON, a decision a line with every column, written with mode 0600. The chain of seals
goes on holding over the hashes that stay; with the file at hand its contents are verified too.
"""

import gzip
import hashlib
import os
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, get_type_hints
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.auditing.archives import check_archive
from coldcase.auditing.verification import Discrepancy, Verification
from coldcase.db import archive as store
from coldcase.db import events, verification
from coldcase.db.archive import Erasable
from coldcase.db.events import Actor
from coldcase.errors import ColdcaseError
from coldcase.proof import merkle
from coldcase.proof.decision_columns import StoredDecision
from coldcase.proof.leaves import decision_leaf

LINES_AT_A_TIME = 500


class NotArchivable(ColdcaseError):
    """The year cannot be taken out of the record."""

    code = "not_archivable"


class FinishedArchive(msgspec.Struct, frozen=True):
    """A year that was taken out, and the file that it is in."""

    path: Path
    count: int
    sha256: str


async def archive_year(
    conn: AsyncConnection, year: int, folder: Path, *, drop: bool, actor: Actor
) -> FinishedArchive:
    """Writes a year that is over to a file, verifies the file against the seals, and detaches the year; as
    the owner.

    A decision is of the year in which it was recorded. The lock that detaching takes comes last, and each try
    waits so shortly for it that recording goes on. Raises NotArchivable, and then nothing was taken out and
    no file is left: the year is not over, not there or empty, a decision of it is not under a seal yet or not
    as it was sealed, the file is there already, somebody reads without an end.
    """
    if year >= await store.this_year(conn):
        raise NotArchivable(f"{year} is not over.")
    if year in {archive.year for archive in await verification.archives(conn)}:
        raise NotArchivable(f"{year} was taken out already.")
    if not await store.is_there(conn, year):
        raise NotArchivable(f"The record holds no year {year}.")
    path = folder / f"decisions-{year}.ndjson.gz"
    with _new_file(path) as file:
        count = await _write(conn, year, file)
        if count == 0:
            raise NotArchivable(f"The record holds no decision that was recorded in {year}.")
        await _compare(conn, path, count)
        _sync_folder(folder)
        digest = _digest(path)
        await store.note_archive(conn, year, count=count, file_sha256=digest)
        details = {"count": count, "file_sha256": digest.hex(), "dropped": drop}
        await events.write_event(
            conn, action="year.archived", subject=str(year), details=details, actor=actor
        )
        if not await store.take_out(conn, year, drop=drop):
            raise NotArchivable(
                f"Decisions are being read all the time, so {year} could not be taken out. Try again."
            )
    return FinishedArchive(path, count, digest.hex())


@contextmanager
def _new_file(path: Path) -> Iterator[BinaryIO]:
    """A file of mode 0600 that was not there; it is gone again if the block raises."""
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError as error:
        raise NotArchivable(f"{path}: {error.strerror}") from error
    with os.fdopen(handle, "wb") as file:
        try:
            yield file
        except BaseException:
            path.unlink(missing_ok=True)
            raise


async def _write(conn: AsyncConnection, year: int, raw: BinaryIO) -> int:
    count = 0
    with gzip.GzipFile(filename="", fileobj=raw, mode="wb", mtime=0, compresslevel=6) as file:
        async for batch in store.decisions_of_year(conn, year):
            count += len(batch)
            file.write(b"".join(msgspec.json.encode(_members(row)) + b"\n" for row in batch))
    raw.flush()
    os.fsync(raw.fileno())
    return count


def _sync_folder(folder: Path) -> None:
    """A name is on the disk only once its folder is."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _members(row: StoredDecision) -> dict[str, object]:
    # In the order of the first files, so that a year that is written again is the same file.
    first = dict.fromkeys(("id", "client_id", "recorded_at", "xid"))
    members = {**first, **msgspec.structs.asdict(row), "fingerprint": row.fingerprint.hex()}
    usual = ADDED_LATER.items()
    return {name: value for name, value in members.items() if (name, value) not in usual}


async def _compare(conn: AsyncConnection, path: Path, count: int) -> None:
    """Reads the file back: every decision in it must be as it was sealed."""
    read = 0
    for batch in read_rows(path):
        known = await verification.known_leaves(conn, "decision", [row.id for row in batch])
        for row in batch:
            if row.id not in known:
                raise NotArchivable(f"Decision {row.id} is not under a seal yet.")
            sealed = known[row.id]
            if sealed.leaf != merkle.leaf_hash(decision_leaf(row, form=sealed.format)):
                raise NotArchivable(
                    f"Decision {row.id} is not as it was sealed: `coldcase verify` says more."
                )
        read += len(batch)
    if read != count:
        raise NotArchivable(f"{path} holds {read} decisions, {count} were written.")


ADDED_LATER: dict[str, str | None] = {"own_words": None, "origin": "live", "own_code": None}
"""Columns that the first files had not, with what they would have held."""

_Line = msgspec.defstruct(
    "_Line",
    [
        (name, str if name == "fingerprint" else kind)
        for name, kind in get_type_hints(StoredDecision).items()
        if name not in ADDED_LATER
    ]
    + [(name, str | None, usual) for name, usual in ADDED_LATER.items()],
)
"""A line holds every column, one that was added later only where it says something else than all did before;
JSON has no bytes, so the fingerprint is in hexadecimal.
"""

_decode = msgspec.json.Decoder(_Line).decode


def read_rows(path: Path) -> Iterator[list[StoredDecision]]:
    """The decisions of an archive, some at a time. Raises NotArchivable if it is none."""
    batch: list[StoredDecision] = []
    try:
        with gzip.open(path, "rb") as file:
            for line in file:
                members = msgspec.structs.asdict(_decode(line))
                batch.append(
                    StoredDecision(**{**members, "fingerprint": bytes.fromhex(members["fingerprint"])})
                )
                if len(batch) == LINES_AT_A_TIME:
                    yield batch
                    batch = []
    except (OSError, EOFError, msgspec.DecodeError, ValueError) as error:
        raise NotArchivable(f"{path} cannot be read as an archive: {error}") from error
    yield batch


def _digest(path: Path) -> bytes:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").digest()


async def check_archive_file(conn: AsyncConnection, path: Path, report: Verification) -> None:
    """Verifies an archived year with its file at hand, after `verify`. Raises NotArchivable if the file
    cannot be read at all.
    """
    digest = _digest(path).hex()
    known = {archive.file_sha256: archive.year for archive in report.archives}
    if digest not in known:
        report.add(
            Discrepancy(what="archive", detail=f"{path} is not the file of any archived year, byte for byte")
        )
    year = known.get(digest) or _year_in(path)

    async def rows() -> AsyncIterator[list[StoredDecision]]:
        for batch in read_rows(path):
            yield batch

    await check_archive(conn, rows(), year, report)


def _year_in(path: Path) -> int:
    digits = "".join(filter(str.isdigit, path.name.split(".")[0]))
    return int(digits[:4] or 0)


class Erasure(msgspec.Struct, frozen=True, kw_only=True):
    """What an erasure erases, or would: records by kind; personal texts by `kind.text`; and how many records
    go `whole`.

    Records of the first releases have one salt for all their texts, which can only go together.
    """

    records: dict[str, int]
    texts: dict[str, int]
    whole: int


async def erase_personal_texts(
    conn: AsyncConnection,
    *,
    person: str | None = None,
    addresses: bool = False,
    verdict: UUID | None = None,
    dry_run: bool = False,
    actor: Actor,
) -> Erasure:
    """Erases a person's label everywhere, or what was written in one verdict, with an event; as the owner.

    With `addresses` also the network addresses that stand beside the label; with `dry_run` nothing is erased.
    The event does not say which person, nor what the texts were. Raises ValueError unless exactly one of the
    two is named.
    """
    if (person is None) == (verdict is None):
        raise ValueError("name a person or a verdict, one of the two")
    wanted = store.of_verdict() if person is None else store.of_person(addresses=addresses)
    value = verdict if person is None else person
    assert value is not None  # noqa: S101 - one of the two is named
    keys = 0 if person is None else await store.keys_of(conn, person)
    established = 0 if person is None else await store.established_by(conn, person)
    found = _erasure(
        await (store.erasable_texts if dry_run else store.erase_texts)(conn, wanted, value), keys, established
    )
    if not dry_run and found.records:
        if person is not None:
            await store.erase_keys_label(conn, person)
            await store.erase_establisher(conn, person)
        details = {"records": found.records, "words": found.texts}
        subject = "person" if verdict is None else str(verdict)
        await events.write_event(conn, action="words.erased", subject=subject, details=details, actor=actor)
    return found


def _erasure(found: Sequence[Erasable], keys: int, established: int) -> Erasure:
    records = {one.kind: one.records for one in found}
    words = {f"{one.kind}.{word}": count for one in found for word, count in one.texts.items() if count}
    if keys:
        records["api_key"] = words["api_key.person"] = keys
    if established:
        words["verdict.established_by"] = established
        records["verdict"] = records.get("verdict", 0) + established
    return Erasure(records=records, texts=words, whole=sum(one.whole for one in found))
