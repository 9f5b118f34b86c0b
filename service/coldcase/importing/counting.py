"""Where a line stands among the others of its import: how often its content came before, and on which line
its job: exact, in constant memory.

A table on disk (SQLite, of the standard library) in place of one in memory, because an import has as many
lines as it has; its pages that are not in use lie in the spool folder.
"""

import hashlib
import sqlite3
import tempfile
from pathlib import Path
from typing import NamedTuple

from coldcase.importing.lines import SentLine

CACHE_KIB = 16 * 1024

MAKE = """
PRAGMA journal_mode = OFF;
PRAGMA synchronous = OFF;
PRAGMA locking_mode = EXCLUSIVE;
CREATE TABLE content (print BLOB PRIMARY KEY, came INTEGER NOT NULL, first INTEGER) WITHOUT ROWID;
CREATE TABLE said (print BLOB, before INTEGER, PRIMARY KEY (print, before)) WITHOUT ROWID;
CREATE TABLE job (print BLOB PRIMARY KEY, content BLOB NOT NULL, line INTEGER NOT NULL) WITHOUT ROWID;
"""
COUNT = """
INSERT INTO content VALUES (?, 1, ?) ON CONFLICT (print) DO UPDATE SET came = came + 1
RETURNING came - 1, first
"""


class LineSeen(NamedTuple):
    """By what a line is known among the others: its content, how often it says that this came before, a print
    of its job, its number.
    """

    content: bytes
    before: int | None
    job: bytes | None
    number: int


class Place(NamedTuple):
    """Where a line stands: how often its content came before; the first line of its job, if that said
    something else; whether it is an earlier line over again, as one may be that says itself how often its
    content came before.
    """

    before: int
    other_on_line: int | None
    again: bool


def seen_line(line: SentLine, ref: str | None) -> LineSeen:
    """By what a line is known whose job has this reference."""
    job = None if ref is None else hashlib.sha256(ref.encode("utf-8", "surrogatepass")).digest()[:16]
    return LineSeen(line.content, line.before, job, line.number)


class Seen:
    """What came before in one import."""

    def __init__(self, folder: str | None) -> None:
        with tempfile.NamedTemporaryFile(prefix="coldcase-seen-", dir=folder, delete=False) as file:
            path = Path(file.name)
        try:
            self._table = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            self._table.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
            self._table.executescript(MAKE)
            self._table.execute("BEGIN")
        finally:
            # It lives on as long as it is open here, and no longer.
            path.unlink()

    def close(self) -> None:
        """Gives its disk space back."""
        self._table.close()

    def count(self, content: bytes) -> int:
        """How often this content came before; it has come once more now."""
        return int(self._table.execute(COUNT, (content, 0)).fetchone()[0])

    def place(self, line: LineSeen) -> Place:
        """Where a line stands among those before it; it has come now."""
        came, first = self._table.execute(COUNT, (line.content, line.before or 0)).fetchone()
        before = came if line.before is None else line.before
        return Place(before, self._other_of_job(line), came > 0 and self._again(line.content, before, first))

    def _again(self, content: bytes, before: int, first: int) -> bool:
        if before == first:
            return True
        # The first of a content stands with it, which spares a row for all that come once only.
        return not self._table.execute("INSERT OR IGNORE INTO said VALUES (?, ?)", (content, before)).rowcount

    def _other_of_job(self, line: LineSeen) -> int | None:
        """The first line of this job, if it said something else."""
        if line.job is None:
            return None
        row = (line.job, line.content, line.number)
        if self._table.execute("INSERT OR IGNORE INTO job VALUES (?, ?, ?)", row).rowcount:
            return None
        first, of = self._table.execute(
            "SELECT line, content FROM job WHERE print = ?", (line.job,)
        ).fetchone()
        return None if of == line.content else int(first)
