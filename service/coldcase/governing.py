"""Use case: the rule tables that answer. The current one and others by number, compiled and kept at hand."""

import asyncio

import msgspec
import structlog

from coldcase.core.compiled import Book, compile_table
from coldcase.core.rule_table import RuleTable, canonical, digest
from coldcase.db import rule_tables
from coldcase.db.rule_tables import StoredTable
from coldcase.db.transactions import Transaction
from coldcase.errors import ScopeMissing

log = structlog.get_logger()

KEPT = 8


def bind(stored: StoredTable) -> Book:
    """The book of a rule table on record, ready for its first case."""
    book = compile_table(msgspec.json.decode(stored.document, type=RuleTable), version=stored.version, digest=stored.digest)
    book.make_pages()
    return book


async def open_shelf(transaction: Transaction, starter: RuleTable) -> "Shelf":
    """The rule tables on record; on a record without one, the starter table becomes version 1."""
    async with transaction() as conn:
        named = digest(starter)
        await rule_tables.publish_first(conn, canonical(starter), named)
        current = await rule_tables.current(conn)
        if not await rule_tables.is_known(conn, named):
            detail = (
                "This release's starter table is not on record: the service answers by the current one, `coldcase classify` by the starter."
            )
            log.warning("starter table not on record", starter=named, current=current.digest, version=current.version, detail=detail)
        return Shelf(current, transaction)


class Shelf:
    """Compiled rule tables: the current one always, a few others as they are asked for.

    A table takes half a second to compile: that is done in a thread, for those asked for by number one at a time, and
    once for all who ask for the same one meanwhile.
    """

    def __init__(self, current: StoredTable, transaction: Transaction) -> None:
        self.current = bind(current)
        self._transaction = transaction
        self._kept: dict[int | str, Book] = {}
        self._running: dict[int | str, asyncio.Task[Book]] = {}
        self._turn = asyncio.Lock()

    async def refresh(self) -> None:
        """Looks which table is the current one. Raises StoreAway."""
        async with self._transaction() as conn:
            stored = await rule_tables.current(conn)
        if stored.version != self.current.version:
            # Out of turn: everybody is to be answered by it within two seconds.
            self.current = await asyncio.to_thread(bind, stored)

    async def book(self, version: int | None, *, drafts: bool = False) -> Book:
        """The current book, or that of a version. Raises NotFound, StoreAway, or ScopeMissing for a draft unless `drafts` may be seen."""
        if version is None or version == self.current.version:
            return self.current
        if version in self._kept:
            return self._again(version)
        async with self._transaction() as conn:
            stored = await rule_tables.get(conn, version)
        if stored.state == "draft" and not drafts:
            raise ScopeMissing(f"Rule table {version} is a draft: it needs the scope `tables:draft`.")
        # A draft is known by its digest, so that each request looks whether the draft may be seen and what it has become.
        name = stored.digest if stored.state == "draft" else version
        if name in self._kept:
            return self._again(name)
        if name not in self._running:
            self._running[name] = asyncio.create_task(self._compile(name, stored), name=f"compile rule table {version}")
        return await asyncio.shield(self._running[name])

    def _again(self, name: int | str) -> Book:
        """One that is kept, as the one that was asked for last."""
        self._kept[name] = self._kept.pop(name)
        return self._kept[name]

    async def _compile(self, name: int | str, stored: StoredTable) -> Book:
        try:
            async with self._turn:
                book = await asyncio.to_thread(bind, stored)
        finally:
            del self._running[name]
        if len(self._kept) >= KEPT:
            del self._kept[next(iter(self._kept))]
        self._kept[name] = book
        return book
