"""The changes: each takes a promise away, and names the tests that hold it."""

from typing import NamedTuple

CORE = "service/coldcase/core/"
DB = "service/coldcase/db/"
WEB = "service/coldcase/web/"
AUDITING = "service/coldcase/auditing/"


class Change(NamedTuple):
    """In `file`, `old` (which is there exactly once) becomes `new`; one of `tests` must fail."""

    name: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]


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
HTTP = (
    "tests/contract/test_limits.py",
    "tests/contract/test_unread.py",
    "tests/contract/test_http.py",
    "tests/contract/test_connections.py",
)
CACHE = ("tests/web/test_answer_cache.py",)
SESSIONS = ("tests/web/test_sessions.py",)
LINKS = ("tests/web/test_links.py",)
WORKERS = ("tests/workers/test_dying.py",)

IN_ORDER = """\
    SELECT DISTINCT ON (client_id, idempotency_key COLLATE "C")
        client_id, idempotency_key, fingerprint, id, recorded_at + ${len(DECISION_COLUMNS) + 1}::interval
    FROM good WHERE idempotency_key IS NOT NULL ORDER BY client_id, idempotency_key COLLATE "C", id
"""

CHANGES: tuple[Change, ...] = (
    # Answers.
    Change(
        "cached answers ignore readings",
        "service/coldcase/answering.py",
        "evidence=[], supersedes=None)",
        "evidence=[], supersedes=None, readings=type(parsed.case.readings)())",
        CACHE,
    ),
    Change(
        "cached answers ignore the opening",
        "service/coldcase/answering.py",
        "evidence=[], supersedes=None)",
        "evidence=[], supersedes=None, opening=type(parsed.case.opening)())",
        CACHE,
    ),
    Change(
        "cached answers outlive their rule table",
        "service/coldcase/answering.py",
        "encode_answer((compiled.digest, ",
        "encode_answer((",
        CACHE,
    ),
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
    # Figures.
    Change(
        "a provisional answer counts as right",
        "service/coldcase/feedback/calibrating.py",
        "self.right += leader == row.cause",
        "self.right += 1",
        ("tests/auditing/test_statistics.py",),
    ),
    # HTTP.
    Change(
        "headers without end",
        WEB + "protocol.py",
        "if self.head_bytes > self.limits.head_bytes or",
        "if",
        HTTP,
    ),
    Change(
        "fields without number", WEB + "protocol.py", " or self.fields > self.limits.head_fields:", ":", HTTP
    ),
    Change(
        "pipelining without end",
        WEB + "protocol.py",
        "if len(self.pipeline) >= self.limits.pipelined:",
        "if False:",
        HTTP,
    ),
    Change("two hosts are one", WEB + "protocol.py", "len(self.hosts) != 1 or ", "not self.hosts or ", HTTP),
    Change(
        "a trailer is a header",
        WEB + "protocol.py",
        "        if not self.in_head:\n            return\n",
        "",
        HTTP,
    ),
    Change(
        "unread answers are held",
        WEB + "protocol.py",
        "self.register.is_unread(self, self.loop.time())",
        "pass",
        HTTP,
    ),
    Change(
        "any number of requests in flight",
        WEB + "middleware.py",
        "elif self.in_flight >= self.most_in_flight and",
        "elif False and",
        ("tests/web/test_middleware.py",),
    ),
    Change(
        "paths in any form",
        WEB + "middleware.py",
        'if _NORMAL_PATH.match(scope["raw_path"]) is None or',
        "if",
        ("tests/web/test_middleware.py", "tests/contract/test_connections.py"),
    ),
    Change(
        "one client takes every place",
        WEB + "shares.py",
        "return max(1, int(of * part))",
        "return of",
        ("tests/contract/test_shares.py",),
    ),
    Change(
        "places are never given back",
        WEB + "shares.py",
        "self._held[client_id] -= 1",
        "pass",
        ("tests/contract/test_shares.py", "tests/auditing/test_export.py"),
    ),
    # The engine.
    Change(
        "a lone soft sign is enough",
        CORE + "coding.py",
        "        and not alone_and_soft\n",
        "",
        ("tests/core/test_coding.py",),
    ),
    Change(
        "a rival may be as near",
        CORE + "coding.py",
        "        and first >= bar.least_ratio * second\n",
        "",
        ("tests/core/test_coding.py",),
    ),
    Change(
        "nothing contradicts",
        CORE + "coding.py",
        "if against >= strong and against >=",
        "if against < 0 and against >=",
        ("tests/core/test_coding.py",),
    ),
    Change(
        "spoilt evidence speaks of the machine",
        CORE + "coding.py",
        "in weighed.items if item.keep >= HALF}",
        "in weighed.items}",
        ("tests/core/test_coding.py",),
    ),
    Change(
        "an undetermined answer names a cause",
        CORE + "answer_builder.py",
        'named = cause if coding.status != "undetermined" else None',
        "named = cause",
        ("tests/core", "tests/spec"),
    ),
    Change(
        "a number is touched by nine verdicts",
        CORE + "learning.py",
        "LEAST_VERDICTS = 10",
        "LEAST_VERDICTS = 9",
        ("tests/core/test_learning.py",),
    ),
    Change(
        "what was only told teaches",
        CORE + "verdict_counts.py",
        "elif item.keep < MILLION:",
        "elif item.keep < 0:",
        ("tests/core/test_learning.py",),
    ),
    Change(
        "rows of some machines learn from all",
        CORE + "verdict_counts.py",
        "if names_machine(rows.when, machine)]",
        "if machine]",
        ("tests/core/test_learning.py",),
    ),
    Change(
        "a background is pooled as verdicts came in",
        CORE + "learning.py",
        "sum(rates[cause] * rows[cause][place] for cause in rates) / total",
        "sum(rows[cause][place] for cause in rates) / len(rates)",
        ("tests/core/test_learning.py",),
    ),
    Change(
        "a proposal is tried on what taught it",
        "service/coldcase/proposing/learner.py",
        "if part not in left_out",
        "if left_out or part",
        ("tests/proposing",),
    ),
    Change(
        "circuits are parted at random",
        "service/coldcase/proposing/holding_out.py",
        "case.id if case.circuit is None else case.circuit",
        "case.id",
        ("tests/proposing",),
    ),
    Change(
        "a proposal says nothing of being worse",
        "service/coldcase/proposing/summary.py",
        "    if found.worse:\n",
        "    if not found:\n",
        ("tests/proposing",),
    ),
    Change(
        "an edited number is still what verdicts said",
        CORE + "learning.py",
        "if number is None or change.new != number.new:",
        "if number is None:",
        ("tests/web/test_proposals.py",),
    ),
    Change(
        "a case for training tells what it was to whoever has not answered",
        WEB + "training_pages.py",
        """    if said is None:
        return _gone_on(f"/training/{found.name}")
""",
        """    if said is None:
        said = TrainingAnswer(
            id=compat.uuid7(), client_id=key.client_id, by_key=key.id, case_name=found.name,
            causes=["moisture"], next_check=None, was_right=False, at=None,
        )
""",
        ("tests/web/test_training_pages.py",),
    ),
    Change(
        "drafts are listed to whoever reads tables",
        WEB + "table_pages.py",
        "seen = [row for row in rows if drafts or not is_draft(row)]",
        "seen = list(rows)",
        ("tests/web/test_table_pages.py",),
    ),
    Change(
        "a page shows a draft to whoever reads tables",
        WEB + "table_pages.py",
        "        require_sight(request, stored)\n",
        "",
        ("tests/web/test_table_pages.py",),
    ),
    # Browsers and links.
    Change(
        "a session changes things without a form token",
        WEB + "sessions.py",
        "if not hmac.compare_digest(sent.encode(), form_token(token).encode()):",
        "if not hmac:",
        SESSIONS,
    ),
    Change(
        "another site changes things with a session",
        WEB + "sessions.py",
        "    check_site(connection)\n    sent =",
        "    sent =",
        SESSIONS,
    ),
    Change(
        "somebody is logged in by another site",
        WEB + "entrance.py",
        "    sessions.check_site(request)\n",
        "",
        SESSIONS,
    ),
    Change(
        "logging in leads to other hosts",
        WEB + "entrance.py",
        r'''pattern=r"^/(?![/\\])[\x21-\x5b\x5d-\x7e]{0,2000}\Z"''',
        '''pattern=r"^.{0,2000}\\Z"''',
        SESSIONS,
    ),
    Change(
        "a session that has ended opens",
        DB + "sessions.py",
        ", web_session.c.expires_at > now)",
        ")",
        SESSIONS,
    ),
    Change(
        "logging out ends nothing",
        WEB + "entrance.py",
        "        await services(request).sessions.end(token)\n",
        "        pass\n",
        SESSIONS,
    ),
    Change(
        "an address of a link is not looked at",
        WEB + "link_addresses.py",
        "return id_ if hmac.compare_digest(sent[16:], await self._signature(id_)) else None",
        "return id_",
        LINKS,
    ),
    Change(
        "a link that has ended or was revoked opens",
        WEB + "sharing.py",
        "if found is None or not found.is_good(now()):",
        "if found is None:",
        LINKS,
    ),
    Change(
        "another client's decision is shared",
        WEB + "links.py",
        """        await require_decision(conn, id_)
    return await _made(""",
        """    return await _made(""",
        LINKS,
    ),
    Change(
        "what was typed into a report is markup",
        WEB + "rendering.py",
        'Markup("<bdi>{}</bdi>").format(text)',
        'Markup(f"<bdi>{text}</bdi>")',
        ("tests/web/test_reports.py",),
    ),
    # Workers.
    Change(
        "a killed worker is not started again",
        "service/coldcase/cli/supervising.py",
        "            again = True\n",
        "            return 0\n",
        WORKERS,
    ),
    Change(
        "workers outlive the first process",
        "service/coldcase/cli/supervising.py",
        "    server.handle_exit(signal.SIGTERM, None)\n",
        "    return\n",
        WORKERS,
    ),
    Change(
        "what a dead worker held of imports is never given back",
        "service/coldcase/cli/supervising.py",
        "            Shared(self._settings.bulk_streams, self._worker(place)).release()\n",
        "",
        WORKERS,
    ),
    Change(
        "each worker has places for imports of its own",
        "service/coldcase/workers.py",
        "        return self._cells.tolist().count(client_id)\n",
        "        return [self._cells[place] for place in self._own].count(client_id) if client_id else 0\n",
        WORKERS,
    ),
    Change(
        "figures are those of the worker that is asked",
        "service/coldcase/web/worker_metrics.py",
        """self._folder.glob("*.db")]""",
        """self._folder.glob(f"*_{__import__('os').getpid()}.db")]""",
        ("tests/workers/test_sharing.py",),
    ),
    Change(
        "a worker that stops while another seals leaves its records unsealed",
        "service/coldcase/auditing/sealing.py",
        "            if await self._seal_all() or self.oldest_unsealed_s is None:\n                break\n",
        "            await self._seal_all()\n            break\n",
        SEALING,
    ),
)
