"""The outermost layer of every request: its id, the cap on requests in flight, HEAD, the `Allow` header, counts."""

import re
import time
import uuid
from collections.abc import Callable, Iterable

import msgspec
import structlog
from litestar.routes import BaseRoute
from litestar.types import ASGIApp, HTTPResponseStartEvent, HTTPScope, Message, Receive, Send

from coldcase.web import problems
from coldcase.web.metrics import Metrics

log = structlog.get_logger()
_SANE_ID = re.compile(rb"[A-Za-z0-9][A-Za-z0-9._-]{0,63}\Z")
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})


def allowed(routes: Iterable[BaseRoute]) -> dict[str, bytes]:
    """For each path template the methods it knows; Litestar's own `Allow` names those of the first handler alone."""
    found: dict[str, set[str]] = {}
    for route in routes:
        methods = {str(method) for method in getattr(route, "methods", ())}
        found.setdefault(route.path_format, set()).update(methods | ({"HEAD"} if "GET" in methods else set()))
    return {path: ", ".join(sorted(methods)).encode() for path, methods in found.items()}


class Edge:
    """Wraps the application; one object a request, no other middleware."""

    def __init__(
        self, inner: ASGIApp, *, most_in_flight: int, log_requests: bool, metrics: Metrics, routes: Callable[[], Iterable[BaseRoute]]
    ) -> None:
        self.inner = inner
        self.most_in_flight = most_in_flight
        self.log_requests = log_requests
        self.metrics = metrics
        self.in_flight = 0
        self._routes = routes
        self._allowed: dict[str, bytes] | None = None

    async def __call__(self, scope: HTTPScope, receive: Receive, send: Send) -> None:
        """Answers one HTTP request."""
        passage = _Passage(self, scope, send)
        if self.in_flight >= self.most_in_flight and not scope["path"].startswith("/health/"):
            await passage.turn_away()
            return
        self.in_flight += 1
        self.metrics.in_flight.set(self.in_flight)
        try:
            await self.inner(passage.scope, receive, passage.send)
        finally:
            self.in_flight -= 1
            passage.close()

    def allow(self, template: str) -> bytes | None:
        """The `Allow` header of a path template."""
        if self._allowed is None:
            self._allowed = allowed(self._routes())
        return self._allowed.get(template)


class _Passage:
    __slots__ = ("began", "edge", "head", "id", "method", "outer", "scope", "status")

    def __init__(self, edge: Edge, scope: HTTPScope, outer: Send) -> None:
        self.edge, self.outer = edge, outer
        self.began = time.perf_counter()
        self.status = 0
        self.method: str = scope["method"]
        self.head = self.method == "HEAD"
        # A copy: the server reads the method from its own scope, and sends a HEAD no body.
        self.scope: HTTPScope = {**scope, "method": "GET"} if self.head else scope
        sent = next((value for name, value in scope["headers"] if name == b"x-request-id"), b"")
        self.id = sent if _SANE_ID.match(sent) else uuid.uuid4().hex.encode()
        self.scope.setdefault("state", {})["request_id"] = self.id.decode()

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self._start(message)
        elif self.head and message["type"] == "http.response.body":
            message["body"] = b""
        await self.outer(message)

    def _start(self, message: HTTPResponseStartEvent) -> None:
        self.status = message["status"]
        headers = [*message["headers"], (b"x-request-id", self.id)]
        if self.status == 405 or self.method == "OPTIONS":
            allow = self.edge.allow(self.scope.get("path_template") or self.scope["path"])
            headers = [pair for pair in headers if pair[0].lower() != b"allow"] + [(b"allow", allow)] if allow else headers
        message["headers"] = headers

    async def turn_away(self) -> None:
        document = msgspec.structs.replace(problems.problem("overloaded", problems.Overloaded().detail), request_id=self.id.decode())
        body = msgspec.json.encode(document)
        headers = {"content-type": problems.MEDIA_TYPE, "content-length": str(len(body)), **problems.headers("overloaded")}
        pairs = [(name.lower().encode(), value.encode()) for name, value in headers.items()]
        await self.send({"type": "http.response.start", "status": document.status, "headers": pairs})
        await self.send({"type": "http.response.body", "body": body, "more_body": False})
        self.close()

    def close(self) -> None:
        metrics = self.edge.metrics
        metrics.in_flight.set(self.edge.in_flight)
        method = self.method if self.method in _METHODS else "other"
        route = self.scope.get("path_template") or "unknown"
        metrics.answered(method, route, self.status, self.began)
        if self.edge.log_requests:
            log.info("request", method=self.method, route=route, status=self.status, request_id=self.id.decode())
