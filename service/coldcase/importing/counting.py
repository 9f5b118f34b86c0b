"""How often a content came before in an import, and on which line its job: exact, in constant memory.

A table on disk (SQLite, of the standard library) in place of one in memory, because an import has as many
lines as it has; its pages that are not in use lie in the spool folder.
"""

import hashlib
import sqlite3
import tempfile
from pathlib import Path

CACHE_KIB = 16 * 1024

MAKE = """
PRAGMA journal_mode = OFF;
PRAGMA synchronous = OFF;
PRAGMA locking_mode = EXCLUSIVE;
CREATE TABLE content (print BLOB PRIMARY KEY, came INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE job (print BLOB PRIMARY KEY, content BLOB NOT NULL, line INTEGER NOT NULL) WITHOUT ROWID;
"""
COUNT = """
INSERT INTO content VALUES (?, 1) ON CONFLICT (print) DO UPDATE SET came = came + 1 RETURNING came - 1
"""


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
        return int(self._table.execute(COUNT, (content,)).fetchone()[0])

    def other_of_job(self, job_ref: str, content: bytes, line: int) -> int | None:
        """The first line of this job, if it said something else."""
        print_ = hashlib.sha256(job_ref.encode()).digest()[:16]
        added = self._table.execute("INSERT OR IGNORE INTO job VALUES (?, ?, ?)", (print_, content, line))
        if added.rowcount:
            return None
        first, of = self._table.execute("SELECT line, content FROM job WHERE print = ?", (print_,)).fetchone()
        return None if of == content else int(first)
