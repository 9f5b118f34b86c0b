"""Problem documents (RFC 9457): one table from error code to status, title and retry; exceptions to
responses.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any, cast
from urllib.parse import urlencode

import msgspec
import structlog
from litestar import Request, Response
from litestar.exceptions import HTTPException
from litestar.types import ExceptionHandlersMap

from coldcase.errors import ColdcaseError, Flaw, Flawed, as_told
from coldcase.web import rendering

_logger = structlog.get_logger()

MEDIA_TYPE = "application/problem+json"


class Unauthenticated(ColdcaseError):
    """Send an API key: `Authorization: Bearer <key>`. The key is missing, unknown, expired or revoked."""

    code = "unauthenticated"


class BadRequest(Flawed):
    """A query parameter or header cannot be taken as it is; `errors` lists every flaw found."""

    code = "bad_request"


class NotAcceptable(ColdcaseError):
    """None of the media types in `Accept` can be produced here."""

    code = "not_acceptable"


class UnsupportedMediaType(ColdcaseError):
    """The body must be `application/json` (of a `PATCH` `application/merge-patch+json`, of a sheet
    `text/csv`), in UTF-8, not compressed.
    """

    code = "unsupported_media_type"


class TooSlow(ColdcaseError):
    """The request did not arrive whole within ten seconds; nothing was recorded."""

    code = "too_slow"


class HeadersTooLarge(ColdcaseError):
    """A request may have 100 header fields and 32 KiB of request target and headers at most."""

    code = "headers_too_large"


class Stopping(ColdcaseError):
    """The service stopped before the answer was ready. It may be on record: send again, with the same
    `Idempotency-Key`.
    """

    code = "stopping"


class Overloaded(ColdcaseError):
    """The service has as many requests in flight as it takes; send again a little later."""

    code = "overloaded"


class TooManyAtOnce(ColdcaseError):
    """The client holds as many places as one client may; send again when one of its requests has ended."""

    code = "too_many_at_once"


@dataclass(frozen=True, slots=True)
class ProblemKind:
    """What an error code means over HTTP; `retry_after` is in seconds."""

    status: int
    title: str
    retry_after: int | None = None


PROBLEM_KINDS = {
    "malformed": ProblemKind(400, "The body is not well-formed JSON"),
    "bad_encoding": ProblemKind(400, "The body is not what its `Content-Encoding` says"),
    "bad_request": ProblemKind(400, "The HTTP message, a query parameter or a header is wrong"),
    "bad_cursor": ProblemKind(400, "The cursor is not one of this list's"),
    "unauthenticated": ProblemKind(401, "A valid API key is needed"),
    "scope_missing": ProblemKind(403, "The API key does not carry the scope"),
    "foreign_request": ProblemKind(403, "Not sent from a page of this service"),
    "person_needed": ProblemKind(403, "A person has to stand behind the key"),
    "own_draft": ProblemKind(403, "Nobody approves a draft of their own"),
    "not_found": ProblemKind(404, "Not found"),
    "not_sealed": ProblemKind(404, "Not under a seal yet", retry_after=60),
    "method_not_allowed": ProblemKind(405, "This path does not know the method"),
    "not_acceptable": ProblemKind(406, "No acceptable representation"),
    "too_slow": ProblemKind(408, "The request did not arrive in time"),
    "key_in_flight": ProblemKind(409, "The first request with this key is still in flight", retry_after=1),
    "not_as_sealed": ProblemKind(409, "Not as it was sealed"),
    "wrong_state": ProblemKind(409, "The state of the rule table does not allow it"),
    "digest_stale": ProblemKind(409, "The digest is not that of the rule table as it is now"),
    "not_approved": ProblemKind(409, "The rule table is not approved"),
    "not_backtested": ProblemKind(409, "The rule table has no finished backtest"),
    "nothing_to_propose": ProblemKind(409, "Too few verdicts to learn from"),
    "not_current": ProblemKind(409, "Another rule table is the current one"),
    "still_current": ProblemKind(409, "The current rule table cannot be withdrawn"),
    "already_on_record": ProblemKind(409, "The same content is on record already"),
    "too_many_drafts": ProblemKind(409, "The client has as many open drafts as one may have"),
    "archived": ProblemKind(410, "Taken out of the record into an archive"),
    "precondition_failed": ProblemKind(412, "Changed meanwhile"),
    "too_large": ProblemKind(413, "The body is too large"),
    "unsupported_media_type": ProblemKind(415, "The body has the wrong media type"),
    "bad_case": ProblemKind(422, "The case cannot be taken as it is"),
    "bad_line": ProblemKind(422, "The line cannot be taken as it is"),
    "bad_verdict": ProblemKind(422, "The verdict cannot be taken as it is"),
    "bad_link": ProblemKind(422, "The link cannot be made as it is"),
    "bad_crosswalk": ProblemKind(422, "The crosswalk cannot be kept as it is"),
    "bad_rule_table": ProblemKind(422, "The rule table cannot be used as it is"),
    "bad_table_request": ProblemKind(422, "What was sent for the rule table cannot be taken as it is"),
    "supersedes_unknown": ProblemKind(422, "The superseded decision is not known"),
    "not_recordable": ProblemKind(422, "The record cannot hold this case"),
    "key_reused": ProblemKind(422, "The idempotency key was used for something else"),
    "precondition_required": ProblemKind(428, "`If-Match` is needed"),
    "busy": ProblemKind(429, "The record is busy", retry_after=1),
    "too_many_at_once": ProblemKind(429, "One client may not hold more at once", retry_after=1),
    "headers_too_large": ProblemKind(431, "The headers are too large"),
    "internal": ProblemKind(500, "Something went wrong on our side"),
    "overloaded": ProblemKind(503, "The service is at its capacity", retry_after=1),
    "stopping": ProblemKind(503, "The service is stopping", retry_after=2),
    "store_away": ProblemKind(503, "The record is away", retry_after=2),
    "outcome_unknown": ProblemKind(503, "Outcome unknown: send again with the same key", retry_after=2),
    "spool_full": ProblemKind(507, "There is no room for the body", retry_after=30),
}

_FOR_STATUS = {400: "bad_request", 404: "not_found", 405: "method_not_allowed", 413: "too_large"}
_DETAIL = {
    "not_found": "There is nothing at this path.",
    "method_not_allowed": "`Allow` lists the methods that this path knows.",
    "too_large": "A case may have 64 KiB at most, a rule table 4 MiB.",
    "internal": (
        "It is logged under the request id. Nothing was half written; the request can be sent "
        "again with the same key."
    ),
    # An import that breaks off has the same code and more to say.
    "stopping": (
        "The service stopped before the answer was ready. It may be on record: send again, with the same "
        "`Idempotency-Key`."
    ),
}


class Complaint(msgspec.Struct, frozen=True, omit_defaults=True):
    """One flaw: where (RFC 6901 pointer into the body, or the name of a query parameter or header), what, and
    what was likely meant.
    """

    pointer: str
    detail: str
    suggestion: str | None = None


class Problem(msgspec.Struct, frozen=True, omit_defaults=True):
    """A problem document (RFC 9457). `type` is stable; `errors` lists every flaw of what was sent."""

    type: str
    title: str
    status: int
    detail: str
    request_id: str | None = None
    errors: list[Complaint] = []


def type_uri(code: str) -> str:
    """The stable identity of a kind of problem; `GET` of it describes the kind."""
    return f"/problems/{code}"


@cache
def meaning(code: str) -> str:
    """What an error code means, in a sentence or two."""
    meanings = {kind.code: (kind.__doc__ or "").strip() for kind in _family(ColdcaseError)}
    return _DETAIL.get(code) or meanings[code]


def _family(kind: type[ColdcaseError]) -> list[type[ColdcaseError]]:
    return [kind, *(member for child in kind.__subclasses__() for member in _family(child))]


def problem(code: str, detail: str, flaws: tuple[Flaw, ...] = ()) -> Problem:
    """The problem document of an error code."""
    kind = PROBLEM_KINDS[code]
    complaints = [Complaint(flaw.pointer, flaw.detail, flaw.suggestion) for flaw in flaws]
    return Problem(
        type=type_uri(code), title=kind.title, status=kind.status, detail=detail, errors=complaints
    )


def problem_headers(code: str) -> dict[str, str]:
    """The headers that go with an error code."""
    kind = PROBLEM_KINDS[code]
    found = {} if kind.retry_after is None else {"Retry-After": str(kind.retry_after)}
    return found | {"WWW-Authenticate": 'Bearer realm="coldcase"'} if kind.status == 401 else found


def as_raised(code: str, detail: str, flaws: tuple[Flaw, ...]) -> ColdcaseError:
    """An error that was raised in another process."""
    error = Flawed(flaws, detail) if flaws else ColdcaseError(detail)
    error.code = code
    return error


def problem_message(
    code: str, detail: str, *, request_id: str | None = None
) -> tuple[int, list[tuple[bytes, bytes]], bytes]:
    """A whole answer for where no framework is at hand: status, headers and body."""
    document = msgspec.structs.replace(problem(code, detail), request_id=request_id)
    body = msgspec.json.encode(document)
    named = {"Content-Type": MEDIA_TYPE, "Content-Length": str(len(body)), **problem_headers(code)}
    return document.status, [(name.lower().encode(), value.encode()) for name, value in named.items()], body


def request_id(request: Request[Any, Any, Any]) -> str | None:
    """The id under which this request is logged."""
    return cast("str | None", request.scope["state"].get("request_id"))


def _answer(request: Request[Any, Any, Any], document: Problem, extra: dict[str, str]) -> Response[Any]:
    """The document; for a browser a page that says it in words, or the way to the login page."""
    named = msgspec.structs.replace(document, request_id=request_id(request))
    cast("Any", request.app).gateway.metrics.problems.labels(document.type.removeprefix(type_uri(""))).inc()
    if rendering.wants_html(request):
        if document.status == 401 and (path := _after_login(request)) is not None:
            return Response(b"", status_code=303, headers={"Location": f"/login?{urlencode({'next': path})}"})
        return rendering.html_response(
            rendering.render(
                "problem.html", problem=named, viewer=rendering.viewer(request), here=request.scope["path"]
            ),
            status=document.status,
            headers=extra,
        )
    return Response(
        msgspec.json.encode(named), status_code=document.status, media_type=MEDIA_TYPE, headers=extra
    )


def _after_login(request: Request[Any, Any, Any]) -> str | None:
    """What a person asked for who has shown no key yet; None for what cannot be asked for again."""
    scope = request.scope
    if scope["method"] != "GET" or any(name == b"authorization" for name, _ in scope["headers"]):
        return None
    query = scope["query_string"].decode("latin-1")
    return f"{scope['path']}?{query}" if query else scope["path"]


def from_domain(request: Request[Any, Any, Any], error: ColdcaseError) -> Response[Any]:
    """The response to a domain error."""
    flaws = as_told(error.flaws) if isinstance(error, Flawed) else ()
    return _answer(request, problem(error.code, error.detail, flaws), problem_headers(error.code))


def from_http(request: Request[Any, Any, Any], error: HTTPException) -> Response[Any]:
    """The response to an error that Litestar raises itself: no route, wrong method, body too large."""
    code = _FOR_STATUS.get(error.status_code)
    if code is None:
        return from_surprise(request, error)
    return _answer(
        request,
        problem(code, _DETAIL.get(code, error.detail)),
        problem_headers(code) | dict(error.headers or {}),
    )


def from_surprise(request: Request[Any, Any, Any], error: Exception) -> Response[Any]:
    """The response to an error that nobody foresaw: logged with its trace, told without it."""
    _logger.error(
        "unforeseen error",
        method=request.method,
        path=request.scope["path"],
        request_id=request_id(request),
        exc_info=error,
    )
    return _answer(request, problem("internal", _DETAIL["internal"]), problem_headers("internal"))


HANDLERS: ExceptionHandlersMap = {
    ColdcaseError: from_domain,
    HTTPException: from_http,
    Exception: from_surprise,
}
