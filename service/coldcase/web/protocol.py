"""HTTP/1.1 on one connection: Uvicorn's parser and cycle, with a limit to everything that a peer can make it
hold or wait for.
"""

import asyncio
import re
from typing import Any

import httptools
from uvicorn.protocols.http.httptools_impl import STATUS_LINE, HttpToolsProtocol, RequestResponseCycle

from coldcase.web import problems, secure
from coldcase.web.connections import Connections

_HOST = re.compile(rb"(?:[A-Za-z0-9._~!$&'()*+,;=%-]+|\[[0-9A-Fa-f:.v]+\])(?::[0-9]*)?\Z")
_LOOKED_AT = frozenset({b"host", b"expect", b"content-length"})

MALFORMED = "bad_request", "This is not a well-formed HTTP/1.1 request."
HOST = "bad_request", "An HTTP/1.1 request has exactly one `Host` (RFC 9112, section 3.2)."
FRAGMENT = "bad_request", "A request target has no fragment."
TOO_LARGE = "headers_too_large", problems.meaning("headers_too_large")
PIPELINED = "overloaded", "Too many requests were sent ahead of their answers."
NO_ROOM = "overloaded", "As many connections are open as this service takes."
TOO_SLOW = "too_slow", problems.meaning("too_slow")


class _Refused(Exception):
    """The request is refused; the parser stops."""


class Protocol(HttpToolsProtocol):
    """One connection.

    A request is started when its body is there, so that a body that is withheld costs a connection and no
    more; larger ones than `Limits.body_bytes` are started at once, for the application to refuse.
    """

    def __init__(self, *args: Any, connections: Connections, **named: Any) -> None:
        super().__init__(*args, **named)
        self.register = connections
        self.limits = connections.limits
        self.held: tuple[RequestResponseCycle, Any] | None = None
        self.held_bytes = 0
        self.running: RequestResponseCycle | None = None
        self.refusal = MALFORMED
        self.ended = self.asked = False
        self.in_head = False
        self.bare = 0
        self.fields = self.head_bytes = self.rest_bytes = 0
        self.hosts: list[bytes] = []
        self.content_length = 0

    @property
    def address(self) -> str | None:
        """The peer's address."""
        return self.client[0] if self.client else None

    # The connection

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Takes a place among the open connections."""
        super().connection_made(transport)
        if self.register.admit(self, self.address):
            self.register.heads[self] = self.loop.time()
        else:
            self._end(*NO_ROOM)
            transport.close()

    def connection_lost(self, exc: Exception | None) -> None:
        """Gives the place back."""
        self._release_body()
        self._leave_request()
        self.register.leave(self, self.address)
        super().connection_lost(exc)

    def shutdown(self) -> None:
        """The server stops. What nobody has asked anything on yet may hold a request that has come and is not
        read.
        """
        if self.asked:
            super().shutdown()
        else:
            self.loop.call_later(self.limits.first_seconds, super().shutdown)

    def data_received(self, data: bytes) -> None:
        """Parses what came, within the limits."""
        if self.ended:
            return
        self._unset_keepalive_if_required()
        self.bare += len(data)
        try:
            self.parser.feed_data(data)
        except httptools.HttpParserUpgrade:
            # No other protocol is spoken here: what follows on this connection is in none that we know.
            self.ended, self.cycle.keep_alive = True, False
        except httptools.HttpParserError:
            self._refuse(*self.refusal)
        else:
            # The parser hands over whole headers only: a single one without end is seen by what came and led
            # to nothing.
            if self.bare > self.limits.head_bytes:
                self._refuse(*TOO_LARGE)

    def pause_writing(self) -> None:
        """The peer does not read."""
        super().pause_writing()
        self.register.is_unread(self, self.loop.time())

    def resume_writing(self) -> None:
        """The peer reads again."""
        super().resume_writing()
        self.register.is_read(self)

    # The parser's calls

    def on_message_begin(self) -> None:
        """A request begins."""
        if self.ended:
            raise _Refused
        if len(self.pipeline) >= self.limits.pipelined:
            self.refusal = PIPELINED
            raise _Refused
        self.in_head, self.bare = True, 0
        self.fields = self.head_bytes = self.content_length = 0
        self.hosts.clear()
        super().on_message_begin()

    def on_url(self, url: bytes) -> None:
        """A piece of the request target."""
        super().on_url(url)
        self._count(len(url))

    def on_header(self, name: bytes, value: bytes) -> None:
        """A header; or after the body a trailer, which counts and is no header."""
        self.bare = 0
        self.fields += 1
        self._count(len(name) + len(value))
        if not self.in_head:
            return
        name = name.lower()
        if name in _LOOKED_AT:
            self._look_at(name, value)
        self.headers.append((name, value))

    def _count(self, size: int) -> None:
        self.head_bytes += size
        if self.head_bytes > self.limits.head_bytes or self.fields > self.limits.head_fields:
            self.refusal = TOO_LARGE
            raise _Refused

    def _look_at(self, name: bytes, value: bytes) -> None:
        if name == b"host":
            self.hosts.append(value)
        elif name == b"content-length":
            self.content_length = int(value)
        else:
            self.expect_100_continue = value.lower() == b"100-continue"

    def on_headers_complete(self) -> None:
        """The head is there."""
        self.in_head, self.asked = False, True
        if (self.hosts or self.parser.get_http_version() != "1.0") and (
            len(self.hosts) != 1 or _HOST.match(self.hosts[0]) is None
        ):
            self.refusal = HOST
            raise _Refused
        if b"#" in self.url:
            self.refusal = FRAGMENT
            raise _Refused
        self.register.heads.pop(self, None)
        super().on_headers_complete()

    def on_body(self, body: bytes) -> None:
        """A piece of the body."""
        self.bare = 0
        super().on_body(body)
        if self.held is not None:
            self.held_bytes += len(body)
            self.register.holds_body(len(body))
            if self.held_bytes > self.limits.body_bytes:
                self._start_held()
        elif self.cycle.response_complete:
            self.rest_bytes += len(body)
            if self.rest_bytes > self.limits.rest_bytes:
                self.register.cut("it goes on sending what was refused", self.address)
                self.abort()

    def on_message_complete(self) -> None:
        """The request is there."""
        self.bare = 0
        super().on_message_complete()
        if self.held is not None:
            self._start_held()

    # The requests

    def _start_asgi_task(self, cycle: RequestResponseCycle, app: Any) -> None:
        """Starts a request whose turn has come; or waits for its body."""
        if cycle.more_body and self.content_length <= self.limits.body_bytes:
            self.held = cycle, app
            self.held_bytes = len(cycle.body)
            self.register.bodies[self] = self.loop.time()
            self.register.holds_body(self.held_bytes)
            if cycle.waiting_for_100_continue:
                self.transport.write(b"HTTP/1.1 100 Continue\r\n\r\n")
                cycle.waiting_for_100_continue = False
        else:
            self._start(cycle, app)

    def _start(self, cycle: RequestResponseCycle, app: Any) -> None:
        self.running = cycle
        super()._start_asgi_task(cycle, app)

    def _leave_request(self) -> None:
        """Lets the running request write no more. Uvicorn would tell the newest one only, which may still
        wait for its turn.
        """
        if self.running is not None:
            self.running.disconnected = True
            self.running.message_event.set()

    def _start_held(self) -> None:
        held = self.held
        self._release_body()
        if held is not None:
            self._start(*held)

    def _release_body(self) -> None:
        self.held = None
        self.register.bodies.pop(self, None)
        if self.held_bytes:
            self.register.holds_body(-self.held_bytes)
            self.held_bytes = 0

    def on_response_complete(self) -> None:
        """An answer is out; the next one in turn begins, or its head is waited for."""
        super().on_response_complete()
        if self.cycle.response_complete:
            self.rest_bytes = 0
            self.register.heads[self] = self.loop.time()

    # The register's calls

    def unsent(self) -> int:
        """How many bytes wait to be read by the peer."""
        return self.transport.get_write_buffer_size()

    def is_closing(self) -> bool:
        """Whether it was closed and only waits for its last bytes to be read."""
        return self.transport.is_closing()

    def abort(self) -> None:
        """Drops the connection with all that waits."""
        self.ended = True
        self._leave_request()
        self.transport.abort()

    def expire_head(self) -> None:
        """No whole head in time: whoever began one is told, whoever was silent is let go."""
        if self.in_head:
            self._refuse(*TOO_SLOW)
        elif not self.transport.is_closing():
            if not self.asked:
                self.register.cut("nothing was sent", self.address)
            self.transport.close()

    def expire_body(self) -> None:
        """No whole body in time."""
        self._refuse(*TOO_SLOW)

    def _refuse(self, code: str, detail: str) -> None:
        """Ends the connection with a problem document; after the answers that are still due, if there are
        any.
        """
        if self.ended:
            return
        self.register.cut(code, self.address)
        cycle: RequestResponseCycle | None = self.cycle
        due = cycle is not None and not cycle.response_complete and self.held is None
        self._release_body()
        if due:
            self.ended, self.cycle.keep_alive = True, False
        elif cycle is not None and cycle.response_complete and cycle.more_body:
            # The rest of a body whose request is answered: no second answer to it.
            self.abort()
        else:
            self._end(code, detail)

    def _end(self, code: str, detail: str) -> None:
        self.ended = True
        status, headers, body = problems.problem_message(code, detail)
        lines = [
            b"%s: %s\r\n" % pair for pair in (*self.server_state.default_headers, *headers, *secure.DEFAULTS)
        ]
        self.transport.write(b"".join([STATUS_LINE[status], *lines, b"connection: close\r\n\r\n", body]))
        # Only our half is closed: closing all of it would reset the connection under an answer that the peer
        # has not read.
        self.transport.write_eof()
        self.register.heads.pop(self, None)
        self.register.closing[self] = self.loop.time()
