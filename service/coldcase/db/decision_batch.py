"""One statement that records many decisions, and what becomes of each: the part of group commit that speaks
SQL.

Here alone asyncpg is used: with 16 waiting requests it costs the event loop a third less than psycopg for the
same arrays.
"""

import hashlib
import time
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any, NamedTuple, Self
from uuid import UUID

import asyncpg
import msgspec
from sqlalchemy.dialects import postgresql
from sqlalchemy.engine import make_url

from coldcase.db.answers import DICTIONARIES, DICTIONARY_OF, PACKERS, STORED_COLUMNS, StoredAnswer
from coldcase.db.clock import DatabaseClock
from coldcase.db.engine import LEFT_MILLISECONDS, SERVER_KEEPALIVE
from coldcase.db.tables import decision
from coldcase.errors import NotRecordable
from coldcase.proof.decision_columns import PACKED_COLUMNS, NewDecision
from coldcase.proof.packing import Packer

BatchRow = tuple[Any, ...]
IdempotencySlot = tuple[int, str]
"""A client and one of its keys."""

DECISION_COLUMNS = {
    name: decision.c[name].type.compile(postgresql.dialect())  # type: ignore[no-untyped-call]
    for name in (*NewDecision.__struct_fields__, *PACKED_COLUMNS)
}
"""The type of each column that a batch writes, in the order of a row."""
COLUMN_NAMES = ", ".join(DECISION_COLUMNS)
PLACES = {name: place for place, name in enumerate(DECISION_COLUMNS)}
ARRAYS = ", ".join(f"${place}::{kind}[]" for place, kind in enumerate(DECISION_COLUMNS.values(), start=1))

# One statement is one round trip and one transaction. Keys are taken in one order everywhere, so that two
# replicas never wait for each other in a ring; a key that another transaction is just taking is waited for
# here, until lock_timeout. Of several rows with one key the first is taken.
INSERT_BATCH = f"""
WITH item AS (SELECT * FROM unnest({ARRAYS}) AS item ({COLUMN_NAMES})),
good AS (
    SELECT * FROM item WHERE supersedes IS NULL OR EXISTS (
        SELECT FROM decision AS earlier
        WHERE earlier.id = item.supersedes AND earlier.client_id = item.client_id
            AND earlier.job_ref IS NOT DISTINCT FROM item.job_ref)
),
won AS (
    INSERT INTO idempotency AS held (client_id, key, fingerprint, decision_id, expires_at)
    SELECT DISTINCT ON (client_id, idempotency_key COLLATE "C")
        client_id, idempotency_key, fingerprint, id, recorded_at + ${len(DECISION_COLUMNS) + 1}::interval
    FROM good WHERE idempotency_key IS NOT NULL ORDER BY client_id, idempotency_key COLLATE "C", id
    ON CONFLICT (client_id, key) DO UPDATE
        SET fingerprint = excluded.fingerprint, decision_id = excluded.decision_id,
            expires_at = excluded.expires_at
        WHERE held.expires_at <= now()
    RETURNING decision_id
),
kept AS (
    INSERT INTO decision ({COLUMN_NAMES})
    SELECT {COLUMN_NAMES} FROM good WHERE idempotency_key IS NULL OR id IN (SELECT decision_id FROM won)
)
SELECT decision_id AS id, true AS won FROM won
UNION ALL
SELECT id, false FROM item WHERE supersedes IS NOT NULL AND id NOT IN (SELECT id FROM good)
"""  # noqa: S608 - names of our own columns

FIND_IDEMPOTENCY_KEYS = f"""
SELECT held.client_id, held.key, held.fingerprint, held.decision_id, decision.id IS NOT NULL,
    {", ".join(f"decision.{name}" for name in STORED_COLUMNS)}
FROM unnest($1::integer[], $2::text[]) AS asked (client_id, key)
JOIN idempotency AS held USING (client_id, key)
LEFT JOIN decision ON decision.id = held.decision_id
"""  # noqa: S608 - as above

FIND_ANSWERS = f"SELECT id, {', '.join(STORED_COLUMNS)} FROM decision WHERE id = any($1::uuid[])"  # noqa: S608

ARCHIVED_YEARS = "SELECT year FROM audit_archive"

DELETE_EXPIRED_KEYS = """
DELETE FROM idempotency WHERE (client_id, key) IN (
    SELECT client_id, key FROM idempotency WHERE expires_at <= now() ORDER BY expires_at
        LIMIT $1 FOR UPDATE SKIP LOCKED)
"""

END_BACKEND = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE pid = $1 AND backend_start = $2"
WHO_AM_I = "SELECT pid, backend_start FROM pg_stat_activity WHERE pid = pg_backend_pid()"

# libpq knows these in a URL, asyncpg would send them to the server as settings.
ONLY_LIBPQ = (
    "connect_timeout",
    "keepalives",
    "keepalives_idle",
    "keepalives_interval",
    "keepalives_count",
    "channel_binding",
)

LOOK_AGAIN_S = 60.0
"""After so long it is looked again whether a rule table without a dictionary has got one."""

LOST = (OSError, asyncpg.InterfaceError, asyncpg.InternalClientError, asyncpg.PostgresConnectionError)
"""The connection broke or hung (TimeoutError is an OSError): what was under way may have been committed or
not."""


class BatchOutcome(msgspec.Struct, frozen=True):
    """What a batch's statement said: the ids whose key was free (new, or expired and taken over), and
    those that supersede nothing known.
    """

    won: frozenset[UUID]
    superseding_nothing: frozenset[UUID]


class StoredIdempotencyKey(msgspec.Struct, frozen=True):
    """What a key stands for already; without an answer if the decision's year was taken out of the record."""

    id: UUID
    fingerprint: bytes
    answer: bytes | None


class _PackerOf(NamedTuple):
    """What packs the answers of a rule table, None without a dictionary, and when that was looked up."""

    packer: Packer | None
    looked_at: float


class RecorderConnection:
    """The recorder's own connection, as the service's role, seeing all clients' rows: a batch holds several
    clients' requests.
    """

    def __init__(self, raw: Any, insert: Any, backend: tuple[int, datetime]) -> None:
        self.raw = raw
        self.backend = backend
        self._insert = insert
        self._packers: dict[int, _PackerOf] = {}

    @classmethod
    async def open(
        cls,
        url: str,
        clock: DatabaseClock,
        *,
        connect_seconds: float,
        command_seconds: float,
        lock_seconds: float,
    ) -> Self:
        """Connects. Raises what LOST names or an asyncpg.PostgresError when there is no server that takes
        records.
        """
        raw = await asyncpg.connect(
            make_url(url)
            .set(drivername="postgresql")
            .difference_update_query(ONLY_LIBPQ)
            .render_as_string(hide_password=False),
            timeout=connect_seconds,
            command_timeout=command_seconds,
            # A standby takes no records.
            target_session_attrs="read-write",
            server_settings={
                "application_name": "coldcase recorder",
                "coldcase.reads_all": "on",
                "lock_timeout": milliseconds(lock_seconds),
                # For a backend that we gave up and could not end.
                "statement_timeout": milliseconds(2 * command_seconds),
                "idle_in_transaction_session_timeout": milliseconds(8 * command_seconds),
                "client_connection_check_interval": f"{LEFT_MILLISECONDS}ms",
                **{name: str(value) for name, value in SERVER_KEEPALIVE.items()},
                # The arrays tell the planner nothing; planning anew for each batch would cost more than the
                # batch.
                "plan_cache_mode": "force_generic_plan",
            },
        )
        try:
            me = await raw.fetchrow(WHO_AM_I)
            made = cls(raw, await raw.prepare(INSERT_BATCH), (me["pid"], me["backend_start"]))
            await made.read(clock)
        except BaseException:
            raw.terminate()
            raise
        return made

    async def insert(self, rows: Sequence[BatchRow], keys_live: timedelta) -> BatchOutcome:
        """Records the rows in one transaction; has returned only after its commit."""
        fetched = await self._insert.fetch(*zip(*await self._packed(rows), strict=True), keys_live)
        return BatchOutcome(
            won=frozenset(id_ for id_, won in fetched if won),
            superseding_nothing=frozenset(id_ for id_, won in fetched if not won),
        )

    async def copy(self, rows: Sequence[BatchRow]) -> None:
        """Records rows without keys that supersede nothing, by COPY; within a transaction of the caller's."""
        packed = await self._packed(rows)
        await self.raw.copy_records_to_table("decision", records=packed, columns=list(DECISION_COLUMNS))

    async def stored(self, slots: Sequence[IdempotencySlot]) -> dict[IdempotencySlot, StoredIdempotencyKey]:
        """What these keys stand for."""
        rows = await self.raw.fetch(
            FIND_IDEMPOTENCY_KEYS, [client for client, _ in slots], [key for _, key in slots]
        )
        kept = {row["decision_id"]: StoredAnswer(*row[5:]) for row in rows if row[4]}
        await self._learn(kept.values())
        # asyncpg's UUID is a class of its own, which not everything that writes JSON knows.
        return {
            (client, key): StoredIdempotencyKey(
                id=UUID(bytes=id_.bytes),
                fingerprint=fingerprint,
                answer=PACKERS.text(kept[id_]).encode() if on_record else None,
            )
            for client, key, fingerprint, id_, on_record, *_ in rows
        }

    async def answers(self, ids: Sequence[UUID]) -> dict[UUID, bytes]:
        """The answers of those of these decisions that are on record."""
        rows = {row[0]: StoredAnswer(*row[1:]) for row in await self.raw.fetch(FIND_ANSWERS, ids)}
        await self._learn(rows.values())
        return {UUID(bytes=id_.bytes): PACKERS.text(stored).encode() for id_, stored in rows.items()}

    async def _learn(self, stored: Iterable[StoredAnswer]) -> None:
        missing = PACKERS.missing(stored)
        for row in await self.raw.fetch(DICTIONARIES, list(missing)) if missing else ():
            PACKERS.add(row["content"])

    async def _packed(self, rows: Sequence[BatchRow]) -> list[BatchRow]:
        """The rows as they are stored: the answer packed where its rule table has a dictionary."""
        for version in {row[PLACES["rule_table"]] for row in rows}:
            known = self._packers.get(version)
            if known is None or (known.packer is None and time.monotonic() - known.looked_at > LOOK_AGAIN_S):
                content = await self.raw.fetchval(DICTIONARY_OF, version)
                packer = None if content is None else PACKERS.add(content)
                self._packers[version] = _PackerOf(packer, time.monotonic())
        return [_packed(row, self._packers[row[PLACES["rule_table"]]].packer) for row in rows]

    async def read(self, clock: DatabaseClock) -> None:
        """Sets a clock by the server's; returns if the server is there."""
        asked = time.monotonic()
        clock.set(await self.raw.fetchval("SELECT clock_timestamp()"), asked)

    async def would_take(self, row: BatchRow, keys_live: timedelta) -> None:
        """Records a row and undoes it. Raises what recording it raises."""
        undone = self.raw.transaction()
        await undone.start()
        try:
            await self._insert.fetch(*zip(*await self._packed([row]), strict=True), keys_live)
        finally:
            await undone.rollback()

    async def archived(self) -> set[int]:
        """The years that were taken out of the record."""
        return {row["year"] for row in await self.raw.fetch(ARCHIVED_YEARS)}

    async def end(self, backend: tuple[int, datetime]) -> bool:
        """Ends another of our backends, if it is still there; whether it was."""
        return bool(await self.raw.fetch(END_BACKEND, *backend))

    async def wait_for_locks(self, seconds: float) -> None:
        """How long a statement waits, from now on, for what another transaction holds."""
        await self.raw.execute("SELECT set_config('lock_timeout', $1, false)", milliseconds(seconds))

    async def sweep(self, most: int) -> None:
        """Removes keys that have expired, the oldest first."""
        await self.raw.execute(DELETE_EXPIRED_KEYS, most)

    async def present(self, ids: Sequence[UUID]) -> set[UUID]:
        """Those of these decisions that are on record."""
        return {
            row["id"]
            for row in await self.raw.fetch("SELECT id FROM decision WHERE id = any($1::uuid[])", ids)
        }

    async def make_partitions(self) -> int:
        """Makes the yearly partitions that are missing; how many."""
        made: int = await self.raw.fetchval("SELECT ensure_partitions()")
        return made


def milliseconds(seconds: float) -> str:
    """As PostgreSQL's settings take it."""
    return f"{seconds * 1000:.0f}ms"


def at_time(row: BatchRow, at: datetime) -> BatchRow:
    """The row at another time."""
    place = PLACES["recorded_at"]
    return (*row[:place], at, *row[place + 1 :])


def checked_row(new: NewDecision) -> BatchRow:
    """The decision as a row. Raises NotRecordable for what PostgreSQL's text cannot hold: NUL, lone
    surrogates.
    """
    row = msgspec.structs.astuple(new)
    texts = "".join(value for value in row if isinstance(value, str))
    try:
        texts.encode()
    except UnicodeError as bad:
        raise NotRecordable("The record holds valid UTF-8 only.") from bad
    if "\0" in texts:
        raise NotRecordable("The record cannot hold the character NUL.")
    return row


def _packed(row: BatchRow, packer: Packer | None) -> BatchRow:
    if packer is None:
        return (*row, None, None, None)
    place = PLACES["answer_text"]
    answer = row[place].encode()
    digest = hashlib.sha256(answer).digest()
    packed = packer.pack(answer, thoroughly=row[PLACES["origin"]] == "bulk")
    return (*row[:place], None, *row[place + 1 :], packed, digest, packer.dictionary_id)
