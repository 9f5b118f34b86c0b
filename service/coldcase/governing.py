"""Use case: the rule tables that answer. The current one and others by number, compiled and kept at hand."""

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
    """Compiled rule tables: the current one always, a few others as they are asked for."""

    def __init__(self, current: StoredTable, transaction: Transaction) -> None:
        self.current = bind(current)
        self._transaction = transaction
        self._kept: dict[int, Book] = {}

    async def refresh(self) -> None:
        """Looks which table is the current one. Raises StoreAway."""
        async with self._transaction() as conn:
            stored = await rule_tables.current(conn)
        if stored.version != self.current.version:
            self.current = bind(stored)

    async def book(self, version: int | None, *, drafts: bool = False) -> Book:
        """The current book, or that of a version. Raises NotFound, StoreAway, or ScopeMissing for a draft unless `drafts` may be seen."""
        if version is None or version == self.current.version:
            return self.current
        kept = self._kept.get(version)
        if kept is None:
            async with self._transaction() as conn:
                stored = await rule_tables.get(conn, version)
            if stored.state == "draft":
                # Not kept: the next who asks may not see it, and it may change.
                return self._draft(stored, drafts=drafts)
            kept = bind(stored)
            if len(self._kept) >= KEPT:
                self._kept.pop(next(iter(self._kept)))
            self._kept[version] = kept
        return kept

    @staticmethod
    def _draft(stored: StoredTable, *, drafts: bool) -> Book:
        if not drafts:
            raise ScopeMissing(f"Rule table {stored.version} is a draft: it needs the scope `tables:draft`.")
        return bind(stored)
