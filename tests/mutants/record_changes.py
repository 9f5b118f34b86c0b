"""Changes of keys, watching, the recorder, seals and verification."""

from tests.mutants.change import Change

DB = "service/coldcase/db/"
WEB = "service/coldcase/web/"
AUDITING = "service/coldcase/auditing/"
SEALS = ("tests/auditing/test_seals.py", "tests/auditing/test_inclusion.py")
SEALING = ("tests/auditing/test_sealing.py",)
ARCHIVING = "tests/auditing/test_archiving.py"
CLOCK = ("tests/db/test_clock.py",)
RECORDER = (
    "tests/db/test_recorder.py",
    "tests/db/test_recorder_keys.py",
    "tests/db/test_recorder_outages.py",
)
KEYS = ("tests/web/test_api_key_cache.py", "tests/web/test_access.py")
WATCHING = ("tests/db/test_change_listener.py", "tests/web/test_access.py")
FROZEN = ("tests/web/test_frozen_network.py",)
IN_ORDER = """\
    SELECT DISTINCT ON (client_id, idempotency_key COLLATE "C")
        client_id, idempotency_key, fingerprint, id, recorded_at + ${len(DECISION_COLUMNS) + 1}::interval
    FROM good WHERE idempotency_key IS NOT NULL ORDER BY client_id, idempotency_key COLLATE "C", id
"""

RECORD_CHANGES: tuple[Change, ...] = (
    # Keys and who may do what.
    Change(
        "keys trusted for ever while nobody is heard",
        WEB + "auth.py",
        "if self._silent_s() > self._grace_s:",
        "if False:",
        KEYS,
    ),
    Change(
        "expiry is ignored",
        WEB + "auth.py",
        "return key if key is not None and key.is_good(self._clock()) else None",
        "return key",
        KEYS,
    ),
    Change(
        "a new key is not looked for",
        WEB + "auth.py",
        "self._known.get(digest) or await self._new(digest)",
        "self._known.get(digest)",
        KEYS,
    ),
    Change(
        "a key that nobody could look for is wrong",
        WEB + "auth.py",
        "        if not looked:\n            raise StoreAway\n",
        "",
        KEYS,
    ),
    Change(
        "unknown keys ask without end", WEB + "auth.py", "if self._asking >= MOST_ASKING:", "if False:", KEYS
    ),
    Change(
        "any scope will do",
        WEB + "auth.py",
        "if key.scopes.isdisjoint(spec.scopes):",
        "if not key.scopes:",
        ("tests/web/test_access.py", "tests/auditing/test_isolation.py"),
    ),
    Change(
        "everybody reads everything",
        DB + "decisions.py",
        '"on" if reads_all else "off"',
        '"on"',
        ("tests/auditing/test_isolation.py", "tests/db/test_decisions.py"),
    ),
    # Watching.
    Change(
        "the watch never watches",
        DB + "change_listener.py",
        "                await self._listen()\n",
        "                await asyncio.sleep(3600)\n",
        WATCHING,
    ),
    Change(
        "changed keys are not heard of",
        DB + "change_listener.py",
        "if mark_of_keys != self._seen_keys:",
        "if not self._seen_keys:",
        WATCHING,
    ),
    Change(
        "changed tables are not heard of",
        DB + "change_listener.py",
        "if mark_of_tables != self._seen_tables and",
        "if not self._seen_tables and",
        WATCHING,
    ),
    Change(
        "a change that was not taken over is forgotten",
        DB + "change_listener.py",
        "            await self._on_tables()\n            self._seen_tables = mark\n",
        "            self._seen_tables = mark\n            await self._on_tables()\n",
        WATCHING,
    ),
    Change(
        "silence is not noticed",
        DB + "change_listener.py",
        "            except TimeoutError:\n                self._missed()\n",
        "            except TimeoutError:\n                pass\n",
        FROZEN,
    ),
    Change("nobody is told of silence", DB + "pulse.py", "if patience <= silent_s:", "if False:", FROZEN),
    # The recorder.
    Change(
        "a lost backend is not ended",
        DB + "recorder.py",
        "while await conn.end(lost.backend):",
        "while False:",
        RECORDER,
    ),
    Change(
        "a hundred times the patience",
        DB + "recorder.py",
        "COMMAND_SECONDS = 1.2",
        "COMMAND_SECONDS = 120.0",
        RECORDER,
    ),
    Change(
        "a hundred times the patience for a connection",
        DB + "transactions.py",
        "LONGEST_CONNECT_S = 1.8",
        "LONGEST_CONNECT_S = 180.0",
        ("tests/db/test_transactions.py", *FROZEN),
    ),
    Change(
        "keys are not taken in one order",
        DB + "decision_batch.py",
        IN_ORDER,
        f"    SELECT * FROM ({IN_ORDER}    ) AS one ORDER BY random()\n",
        RECORDER,
    ),
    Change(
        "another case under a key is answered",
        DB + "recorder.py",
        "elif held.fingerprint != waiting.new.fingerprint:",
        "elif False:",
        RECORDER,
    ),
    Change(
        "a lost batch counts as recorded",
        DB + "recorder.py",
        "if waiting.new.id in present:",
        "if True:",
        RECORDER,
    ),
    Change(
        "the queue has no end",
        DB + "recorder.py",
        "if len(self._queue) >= self._most_waiting:",
        "if False:",
        RECORDER,
    ),
    Change(
        "expired keys are not taken over",
        DB + "decision_batch.py",
        "WHERE held.expires_at <= now()",
        "WHERE false",
        RECORDER,
    ),
    Change(
        "living keys are taken over",
        DB + "decision_batch.py",
        "WHERE held.expires_at <= now()",
        "WHERE true",
        RECORDER,
    ),
    Change(
        "expired keys are not swept",
        DB + "recorder.py",
        "await self._conn.sweep(SWEPT_EVERY * MOST_IN_BATCH)",
        "pass",
        RECORDER,
    ),
    Change(
        "closing loses who waits",
        DB + "recorder.py",
        "while self._queue or not self._closing.is_set():",
        "while not self._closing.is_set():",
        RECORDER,
    ),
    # Seals and verification.
    Change(
        "two replicas may seal at once",
        "migrations/versions/20261126_0500_sealed_by_the_database.py",
        "IN SHARE ROW EXCLUSIVE MODE",
        "IN ROW EXCLUSIVE MODE",
        ("tests/auditing/test_seals.py::test_one_replica_seals_at_a_time",),
    ),
    Change(
        "an archive does not lock its year",
        DB + "archive.py",
        "IN SHARE MODE",
        "IN ACCESS SHARE MODE",
        ("tests/auditing/test_archive.py",),
    ),
    Change(
        "the chain is not compared",
        AUDITING + "verifying.py",
        "if seal.number != number or seal.previous != previous:",
        "if seal.number != number:",
        SEALS,
    ),
    Change(
        "a record that is not as sealed is proved",
        AUDITING + "sealing.py",
        "if not merkle.proves(merkle.leaf_hash(entry), place.position, found.count, path, found.root):",
        "if False:",
        ("tests/auditing/test_audit.py",),
    ),
    Change(
        "a body that nobody reads is taken",
        WEB + "auth.py",
        "await parsing.check_no_body(connection, spec.query.__struct_fields__ if spec.query else ())",
        "pass",
        ("tests/auditing/test_audit.py",),
    ),
    Change(
        "who waits when it stops is reset",
        "service/coldcase/cli/server.py",
        "await _accept_all(sockets or [])",
        "pass",
        ("tests/contract/test_stopping.py",),
    ),
    Change(
        "a reader who leaves is an error",
        WEB + "streams.py",
        "if gone is None or not gone.done():",
        "if True:",
        ("tests/auditing/test_export_leavers.py",),
    ),
    Change(
        "the head is not recomputed",
        AUDITING + "verifying.py",
        "if merkle.head(head_members(seal)) != seal.head:",
        "if False:",
        SEALS,
    ),
    Change(
        "the root is not recomputed",
        AUDITING + "verifying.py",
        "if tree.root() != seal.root:",
        "if False:",
        SEALS,
    ),
    Change(
        "the count is not compared",
        AUDITING + "verifying.py",
        "if tree.count != seal.count or not ordered:",
        "if False:",
        SEALS,
    ),
    Change(
        "an expected head is not looked for",
        AUDITING + "verifying.py",
        "if expect is not None and expect not in",
        "if False and expect not in",
        SEALS,
    ),
    Change(
        "what lies loose under an old transaction is fine",
        AUDITING + "verifying.py",
        "if unsealed.xid < last.up_to_xid:",
        "if False:",
        SEALS,
    ),
    Change(
        "backdating is fine",
        AUDITING + "verifying.py",
        "return xid >= seal.next_xid and at < seal.at - LATEST_WRITE[seal.format]",
        "return False",
        SEALS,
    ),
    Change(
        "leaves and nodes hash alike",
        "service/coldcase/proof/merkle.py",
        'LEAF, NODE = b"\\x00", b"\\x01"',
        'LEAF, NODE = b"\\x01", b"\\x01"',
        ("tests/proof/test_merkle.py", *SEALS),
    ),
    Change(
        "keys and guards are not checked",
        AUDITING + "verifying.py",
        "for breach in await guards.check_guards(conn):",
        "for breach in ():",
        ("tests/auditing/test_guards.py",),
    ),
    Change(
        "a year is gone whatever is missing of it",
        AUDITING + "archives.py",
        "gone = self._gone[year] == by_event.count and left == 0",
        "gone = True",
        (ARCHIVING,),
    ),
    Change(
        "any event of an archive is believed",
        DB + "verification.py",
        "WHERE r.action = :action AND EXISTS",
        "WHERE r.action = :action OR EXISTS",
        SEALING,
    ),
    Change(
        "all troubles are known",
        AUDITING + "verification.py",
        "if place is None or discrepancy.what",
        "if discrepancy.what",
        SEALING,
    ),
    Change(
        "the last seal is left out",
        AUDITING + "sealing.py",
        "        for _ in range(LAST_TRIES):\n",
        "        for _ in range(0):\n",
        SEALING,
    ),
    Change(
        "transactions of two clusters are compared",
        AUDITING + "verifying.py",
        "last = chain[-1] if chain and chain[-1].epoch == await verification.epoch(conn) else None",
        "last = chain[-1] if chain else None",
        ("tests/auditing/test_restore.py",),
    ),
    Change(
        "seals go by the clock wherever it goes",
        "migrations/versions/20261126_0500_sealed_by_the_database.py",
        "made.at := greatest(now(), former.at);",
        "made.at := now();",
        # Not all of the file: what `verify` says of a changed function would be no merit of these tests.
        ("tests/auditing/test_sealing.py::test_no_seal_is_older_than_the_one_before_it",),
    ),
    Change(
        "a year is taken out without patience",
        DB + "archive.py",
        "LOCK_MILLISECONDS = 200",
        "LOCK_MILLISECONDS = 20000",
        (ARCHIVING,),
    ),
    Change(
        "records have the machine's time",
        "service/coldcase/answering.py",
        "named = on_record(answer, recorder.clock.now())",
        "from coldcase.clock import now; named = on_record(answer, now())",
        CLOCK,
    ),
    Change(
        "erasures are not counted",
        AUDITING + "verifying.py",
        "await _check_erasures(conn, report)",
        "pass",
        SEALS,
    ),
)
