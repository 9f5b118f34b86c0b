"""Changes of HTTP, browsers, links and workers."""

from tests.mutants.change import Change

DB = "service/coldcase/db/"
WEB = "service/coldcase/web/"
SEALING = ("tests/auditing/test_sealing.py",)
HTTP = (
    "tests/contract/test_limits.py",
    "tests/contract/test_unread.py",
    "tests/contract/test_http.py",
    "tests/contract/test_connections.py",
)
SESSIONS = ("tests/web/test_sessions.py",)
LINKS = ("tests/web/test_links.py",)
WORKERS = ("tests/workers/test_dying.py",)

WEB_CHANGES: tuple[Change, ...] = (
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
