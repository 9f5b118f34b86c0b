"""Use case: the rule tables that answer. The current one and others by number, compiled and kept at hand.

A replica takes a published table over by `refresh`, when the listener hears of it. Nothing here publishes:
beyond version 1, which an empty record gets from the starter (`publish_first`), there is no operation to
draft, approve or publish a table yet.
"""

import asyncio

import msgspec
import structlog

from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.rule_table import RuleTable, canonical_table, table_digest
from coldcase.db import rule_tables
from coldcase.db.rule_tables import StoredTable
from coldcase.db.transactions import Transaction
from coldcase.errors import ScopeMissing

_logger = structlog.get_logger()

MOST_CACHED_TABLES = 8


def compile_stored(stored: StoredTable) -> CompiledTable:
    """A rule table on record, compiled, ready for its first case."""
    compiled = compile_table(
        msgspec.json.decode(stored.document, type=RuleTable), version=stored.version, digest=stored.digest
    )
    compiled.make_models()
    return compiled


async def load_rule_tables(transaction: Transaction, starter: RuleTable) -> "RuleTables":
    """The rule tables on record; on a record without one, the starter table becomes version 1."""
    async with transaction() as conn:
        named = table_digest(starter)
        await rule_tables.publish_first(conn, canonical_table(starter), named)
        current = await rule_tables.current_table(conn)
        if not await rule_tables.is_known(conn, named):
            detail = (
                "This release's starter table is not on record: the service answers by the "
                "current one, `coldcase classify` by the starter."
            )
            _logger.warning(
                "starter table not on record",
                starter=named,
                current=current.digest,
                version=current.version,
                detail=detail,
            )
        return RuleTables(current, transaction)


class RuleTables:
    """A cache of compiled rule tables: the current one always, a few others as they are asked for.

    A table takes half a second to compile: that is done in a thread, for those asked for by number one at a
    time, and once for all who ask for the same one meanwhile.
    """

    def __init__(self, current: StoredTable, transaction: Transaction) -> None:
        self.current = compile_stored(current)
        self._transaction = transaction
        self._cache: dict[int | str, CompiledTable] = {}
        self._running: dict[int | str, asyncio.Task[CompiledTable]] = {}
        self._one_at_a_time = asyncio.Lock()

    async def refresh(self) -> None:
        """Looks which table is the current one. Raises StoreAway."""
        async with self._transaction() as conn:
            stored = await rule_tables.current_table(conn)
        if stored.version != self.current.version:
            # Out of turn: everybody is to be answered by it within two seconds.
            self.current = await asyncio.to_thread(compile_stored, stored)

    async def compiled(self, version: int | None, *, drafts: bool = False) -> CompiledTable:
        """The current one, or that of a version. Raises NotFound, StoreAway, or ScopeMissing for a draft
        unless `drafts` may be seen.
        """
        if version is None or version == self.current.version:
            return self.current
        if version in self._cache:
            return self._from_cache(version)
        async with self._transaction() as conn:
            stored = await rule_tables.get_table(conn, version)
        if stored.state == "draft" and not drafts:
            raise ScopeMissing(f"Rule table {version} is a draft: it needs the scope `tables:draft`.")
        # A draft is known by its digest, so that each request looks whether the draft may be seen and what it
        # has become.
        name = stored.digest if stored.state == "draft" else version
        if name in self._cache:
            return self._from_cache(name)
        if name not in self._running:
            self._running[name] = asyncio.create_task(
                self._compile(name, stored), name=f"compile rule table {version}"
            )
        return await asyncio.shield(self._running[name])

    def _from_cache(self, name: int | str) -> CompiledTable:
        """One that is kept, as the one that was asked for last."""
        self._cache[name] = self._cache.pop(name)
        return self._cache[name]

    async def _compile(self, name: int | str, stored: StoredTable) -> CompiledTable:
        try:
            async with self._one_at_a_time:
                compiled = await asyncio.to_thread(compile_stored, stored)
        finally:
            del self._running[name]
        if len(self._cache) >= MOST_CACHED_TABLES:
            del self._cache[next(iter(self._cache))]
        self._cache[name] = compiled
        return compiled
