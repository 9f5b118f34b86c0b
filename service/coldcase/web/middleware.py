"""Middleware around every request: its id, its path's form, the cap on requests in flight, HEAD, headers of
every answer, counts.
"""

import asyncio
import re
import time
import uuid
from collections.abc import Callable, Iterable

import structlog
from litestar.routes import BaseRoute
from litestar.types import ASGIApp, HTTPResponseStartEvent, HTTPScope, Message, Receive, Send

from coldcase.web import problems, secure
from coldcase.web.connections import ThrottledLog
from coldcase.web.metrics import Metrics
from coldcase.web.route import RouteSpec

_logger = structlog.get_logger()
_SANE_ID = re.compile(rb"[A-Za-z0-9][A-Za-z0-9._-]{0,63}\Z")
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
# No path of ours needs an escape, an empty segment or one that begins with a dot; other spellings would pass
# by a proxy's rules.
_NORMAL_PATH = re.compile(rb"/(?:[\w~!$&'()*+,;=:@-][\w.~!$&'()*+,;=:@-]*(?:/(?!\Z)|\Z))*\Z", re.ASCII)


class _RouteHeaders:
    """What the headers of an answer say of its path template: its methods, and what it hangs on besides the
    address: who asks, and which of several answers `Accept` chooses.
    """

    def __init__(self, routes: Iterable[BaseRoute]) -> None:
        methods: dict[str, set[str]] = {}
        self.varies: dict[str, bytes] = {}
        self.private: set[str] = set()
        for route in routes:
            known = {str(method) for method in getattr(route, "methods", ())}
            # Litestar's own `Allow` names the methods of the first handler alone.
            methods.setdefault(route.path_format, set()).update(
                known | ({"HEAD"} if "GET" in known else set())
            )
            found = [handler.opt.get("spec") for handler in getattr(route, "route_handlers", ())]
            specs = [spec for spec in found if isinstance(spec, RouteSpec)]
            said = ["Accept"] if any(len(spec.offers) > 1 or spec.page for spec in specs) else []
            if any(spec.scopes for spec in specs):
                self.private.add(route.path_format)
                said += ["Authorization", "Cookie"]
            if said:
                self.varies[route.path_format] = ", ".join(said).encode()
        self.allow = {path: ", ".join(sorted(names)).encode() for path, names in methods.items()}


class Gateway:
    """The one middleware: wraps the application, with one object a request.

    A place among the requests in flight is given back when the answer is made, not when it is read. With a
    `metrics_port`, `/metrics` is there and nothing else.
    """

    def __init__(
        self,
        inner: ASGIApp,
        *,
        most_in_flight: int,
        log_requests: bool,
        metrics: Metrics,
        routes: Callable[[], Iterable[BaseRoute]],
        metrics_port: int | None = None,
    ) -> None:
        self.inner = inner
        self.most_in_flight = most_in_flight
        self.log_requests = log_requests
        self.metrics = metrics
        self.metrics_port = metrics_port
        self.in_flight = 0
        self.say = ThrottledLog(metrics)
        self._routes = routes
        self._promises: _RouteHeaders | None = None

    async def __call__(self, scope: HTTPScope, receive: Receive, send: Send) -> None:
        """Answers one HTTP request."""
        exchange = _Exchange(self, scope, send)
        if _NORMAL_PATH.match(scope["raw_path"]) is None or (self.metrics_port and self._is_elsewhere(scope)):
            await exchange.refuse("not_found")
        elif self.in_flight >= self.most_in_flight and not scope["path"].startswith("/health/"):
            self.say("request refused", "too many requests in flight", None)
            await exchange.refuse("overloaded")
        else:
            await exchange.go_in(receive)

    def _is_elsewhere(self, scope: HTTPScope) -> bool:
        server = scope["server"]
        return (server is not None and server[1] == self.metrics_port) != (scope["path"] == "/metrics")

    @property
    def promises(self) -> _RouteHeaders:
        """What the routes promise; they are all there at the first request."""
        if self._promises is None:
            self._promises = _RouteHeaders(self._routes())
        return self._promises


class _Exchange:
    __slots__ = ("began", "gateway", "head", "id", "inside", "method", "outer", "scope", "start", "status")

    def __init__(self, gateway: Gateway, scope: HTTPScope, outer: Send) -> None:
        self.gateway, self.outer = gateway, outer
        self.began = time.perf_counter()
        self.status = 0
        self.inside = False
        self.start: HTTPResponseStartEvent | None = None
        self.method: str = scope["method"]
        self.head = self.method == "HEAD"
        # A copy: the server reads the method from its own scope, and sends a HEAD no body.
        self.scope: HTTPScope = {**scope, "method": "GET"} if self.head else scope
        sent = next((value for name, value in scope["headers"] if name == b"x-request-id"), b"")
        self.id = sent if _SANE_ID.match(sent) else uuid.uuid4().hex.encode()
        self.scope.setdefault("state", {}).update(request_id=self.id.decode(), head=self.head)

    async def go_in(self, receive: Receive) -> None:
        """Lets the application answer."""
        gateway = self.gateway
        self.inside = True
        gateway.in_flight += 1
        gateway.metrics.in_flight.set(gateway.in_flight)
        try:
            await self.gateway.inner(self.scope, receive, self.send)
        except asyncio.CancelledError:
            # Only the end of the drain cancels a request. What has begun to be sent shows that it broke off.
            if not self.status:
                await self.refuse("stopping")
        finally:
            self._leave()
            self._count()

    async def refuse(self, code: str) -> None:
        """Answers with a problem document, without the application."""
        self.gateway.metrics.problems.labels(code).inc()
        status, headers, body = problems.problem_message(
            code, problems.meaning(code), request_id=self.id.decode()
        )
        self.start = None
        await self.send({"type": "http.response.start", "status": status, "headers": headers})
        await self.send({"type": "http.response.body", "body": body, "more_body": False})
        if not self.inside:
            self._count()

    async def send(self, message: Message) -> None:
        """Sends what the application says; the head goes out with the first of the body, when the answer is
        made.
        """
        if message["type"] == "http.response.start":
            self.start = message
            return
        if message["type"] == "http.response.body":
            if not message.get("more_body", False):
                self._leave()
            if self.head:
                message["body"] = b""
        if self.start is not None:
            start, self.start = self.start, None
            self._add_headers(start)
            await self.outer(start)
        await self.outer(message)

    def _add_headers(self, start: HTTPResponseStartEvent) -> None:
        """The headers of every answer; what the protocol itself refuses (`Protocol._end`) does not come by
        here.
        """
        self.status = start["status"]
        template = self.scope.get("path_template") or self.scope["path"]
        promises, headers = self.gateway.promises, list(start["headers"])
        if self.status == 405 or self.method == "OPTIONS":
            allow = promises.allow.get(template)
            headers = (
                [pair for pair in headers if pair[0].lower() != b"allow"] + [(b"allow", allow)]
                if allow
                else headers
            )
        if (varies := promises.varies.get(template)) is not None:
            headers.append((b"vary", varies))
        headers += secure.headers({name for name, _ in headers}, private=template in promises.private)
        headers.append((b"x-request-id", self.id))
        start["headers"] = headers

    def _leave(self) -> None:
        """Gives the place back, once."""
        if self.inside:
            self.inside = False
            if (give_back := self.scope["state"].get("give_back")) is not None:
                give_back()
            self.gateway.in_flight -= 1
            self.gateway.metrics.in_flight.set(self.gateway.in_flight)

    def _count(self) -> None:
        method = self.method if self.method in _METHODS else "other"
        route = self.scope.get("path_template") or "unknown"
        self.gateway.metrics.answered(method, route, self.status, self.began)
        if self.gateway.log_requests:
            _logger.info(
                "request", method=self.method, route=route, status=self.status, request_id=self.id.decode()
            )
