"""Use case: the rule tables that answer, the current one and others by number, compiled and kept at hand; and
the documents of drafts.

A replica takes a published table over by `refresh`, when the listener hears of it. What is done to tables is
done by the database (`db/table_changes.py`); here is what it is handed.
"""

import asyncio
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import msgspec
import rfc8785
import structlog

from coldcase.core import checking, sheet_merging, sheet_reading, table_sheets
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.rule_table import RuleTable, canonical_table, digest_of, from_document
from coldcase.db import rule_tables
from coldcase.db.rule_tables import StoredTable, is_draft
from coldcase.db.transactions import Transaction
from coldcase.errors import BadRuleTable, BadTableRequest, Flaw, ScopeMissing, TooLarge
from coldcase.proof.canonical import canonical_json

_logger = structlog.get_logger()

MOST_CACHED_TABLES = 8
LARGEST_TABLE = 4 * 1024 * 1024
"""Bytes of a rule table's canonical text; the starter's has an eighth of it."""


def compile_stored(stored: StoredTable) -> CompiledTable:
    """A rule table on record, compiled: a published one ready for any case, a draft (which changes, and which
    few cases meet) for its first. Raises BadRuleTable for a draft that is flawed.
    """
    if is_draft(stored):
        return compile_table(sound_table(stored), version=stored.version, digest=stored.digest)
    return _published(stored.version, stored.digest, stored.document)


@lru_cache(maxsize=1)
def _published(version: int, digest: str, document: bytes) -> CompiledTable:
    """One that never changes. The last one is kept: a process that starts a service anew needs it again."""
    table = msgspec.json.decode(document, type=RuleTable)
    compiled = compile_table(table, version=version, digest=digest)
    compiled.make_models()
    return compiled


def sound_table(stored: StoredTable) -> RuleTable:
    """The table of a document without flaws. Raises BadRuleTable with every flaw."""
    return checking.read_table(msgspec.json.decode(stored.document))


def shaped_table(stored: StoredTable) -> RuleTable:
    """As `shaped_document`."""
    return shaped_document(stored.document)


def shaped_document(document: bytes) -> RuleTable:
    """The table of a document whose shape is right, whatever its meaning. Raises BadRuleTable with every flaw
    of one whose is not.
    """
    try:
        return msgspec.json.decode(document, type=RuleTable)
    except msgspec.ValidationError:
        return checking.read_table(msgspec.json.decode(document))


def flaws_of(stored: StoredTable) -> tuple[Flaw, ...]:
    """Every flaw of a table or draft."""
    try:
        sound_table(stored)
    except BadRuleTable as error:
        return error.flaws
    return ()


def draft_document(sent: Any) -> bytes:
    """The canonical text of a draft's document: of a table whose shape is right the one by which its digest
    is known everywhere.

    `sent` may be what the service hands out, the document under `content`. Raises BadTableRequest for what is
    no JSON object or has no canonical text, TooLarge.
    """
    if isinstance(sent, dict) and isinstance(sent.get("content"), dict):
        sent = sent["content"]
    if not isinstance(sent, dict):
        raise BadTableRequest((Flaw("", "A rule table is a JSON object."),))
    try:
        document = canonical_table(from_document(sent))
    except msgspec.ValidationError:
        document = _canonical(sent)
    if len(document) > LARGEST_TABLE:
        raise TooLarge("A rule table may have 4 MiB at most, in its canonical text.")
    return document


def _canonical(sent: dict[str, Any]) -> bytes:
    try:
        return canonical_json(sent)
    except rfc8785.CanonicalizationError as error:
        raise BadTableRequest(
            (Flaw("", f"The document has no canonical text (RFC 8785): {error}."),)
        ) from None


def sheets_of(document: bytes) -> dict[str, str]:
    """The three sheets of a document, by name, as CSV. Raises BadRuleTable if its shape is wrong."""
    return table_sheets.sheets(_plain(document))


def edited_by_sheets(base: bytes, changed: Mapping[str, str], draft: bytes | None = None) -> bytes:
    """The canonical document that a base becomes by its edited sheets; or a draft of which they are not, by
    what was edited against the base.

    Raises BadRuleTable if a shape is wrong, BadTableRequest with every cell that cannot be read or that the
    draft has otherwise since, TooLarge.
    """
    before = _plain(base)
    edited = sheet_reading.applied(before, changed)
    if draft is not None and draft != base:
        edited = sheet_merging.carried_over(before, edited, _plain(draft))
    return draft_document(edited)


def _plain(document: bytes) -> dict[str, Any]:
    built: dict[str, Any] = msgspec.to_builtins(shaped_document(document))
    return built


def merge_patch(target: Any, patch: Any) -> Any:
    """The target with a JSON Merge Patch applied (RFC 7386); neither is changed."""
    if not isinstance(patch, dict):
        return patch
    merged = dict(target) if isinstance(target, dict) else {}
    for name, value in patch.items():
        if value is None:
            merged.pop(name, None)
        else:
            merged[name] = merge_patch(merged.get(name), value)
    return merged


async def load_rule_tables(transaction: Transaction, starter: RuleTable) -> "RuleTables":
    """The rule tables on record; on a record without one, the starter table becomes version 1."""
    document = canonical_table(starter)
    named = digest_of(document)
    async with transaction() as conn:
        first = await rule_tables.publish_first(conn, document, named)
        current = await rule_tables.current_table(conn)
        known = await rule_tables.is_known(conn, named)
    if not known:
        detail = (
            "This release's starter table is not on record: the service answers by the "
            "current one, `coldcase classify` by the starter. `coldcase table import` makes it a draft."
        )
        _logger.warning(
            "starter table not on record",
            starter=named,
            current=current.digest,
            version=current.version,
            detail=detail,
        )
    made = RuleTables(current, transaction, starter=named, starter_known=known)
    made.just_published = first
    return made


class RuleTables:
    """A cache of compiled rule tables: the current one always, a few others as they are asked for.

    A table takes half a second to compile: that is done in a thread, for those asked for by number one at a
    time, and once for all who ask for the same one meanwhile. `just_published` says that this process made
    the first one of the record.
    """

    def __init__(
        self, current: StoredTable, transaction: Transaction, *, starter: str, starter_known: bool
    ) -> None:
        self.current = compile_stored(current)
        self.starter = starter
        self.starter_known = starter_known
        self.just_published = False
        self._refreshing = asyncio.Lock()
        self._transaction = transaction
        self._cache: dict[int | str, CompiledTable] = {}
        self._running: dict[int | str, asyncio.Task[CompiledTable]] = {}
        self._one_at_a_time = asyncio.Lock()

    async def refresh(self) -> None:
        """Looks which table is the current one. Raises StoreAway."""
        # One at a time, so that who looked first is not the last to say.
        async with self._refreshing:
            async with self._transaction() as conn:
                stored = await rule_tables.current_table(conn)
                self.starter_known = await rule_tables.is_known(conn, self.starter)
            if stored.version != self.current.version:
                # Out of turn: everybody is to be answered by it within two seconds.
                self.current = await asyncio.to_thread(compile_stored, stored)

    async def compiled(self, version: int | None, *, drafts: bool = False) -> CompiledTable:
        """The current one, or that of a version. Raises NotFound, StoreAway, BadRuleTable for a draft that is
        flawed, or ScopeMissing for a draft unless `drafts` may be seen.
        """
        if version is None or version == self.current.version:
            return self.current
        if version in self._cache:
            return self._from_cache(version)
        async with self._transaction() as conn:
            stored = await rule_tables.get_table(conn, version)
        if is_draft(stored) and not drafts:
            raise ScopeMissing(f"Rule table {version} is a draft: it needs the scope `tables:draft`.")
        # A draft is known by its digest, so that each request looks whether the draft may be seen and what it
        # has become.
        name = stored.digest if is_draft(stored) else version
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
