"""What a route promises: scopes, body, query, answers, headers. One declaration rules the guard and the
OpenAPI document.
"""

from dataclasses import dataclass, field
from typing import Any

import msgspec
from litestar import Request
from litestar.datastructures import State

from coldcase.db.keys import ApiKey

JSON = "application/json"
HTML = "text/html"
CSV = "text/csv"
NDJSON = "application/x-ndjson"
PLAIN_TEXT = "text/plain"
FORM = "application/x-www-form-urlencoded"
MERGE_PATCH = "application/merge-patch+json"

Call = Request[None, ApiKey, State]
"""A request as handlers see it: `auth` is the API key behind it."""


@dataclass(frozen=True, slots=True)
class Header:
    """A request or response header with its JSON schema."""

    name: str
    says: str
    schema: dict[str, Any] = field(default_factory=lambda: {"type": "string"})


ETAG = Header("ETag", "Changes with what it is about.")
IF_MATCH = Header("If-Match", "The `ETag` of what the caller has seen and changes.")
IF_NONE_MATCH = Header("If-None-Match", "The `ETag` of what the caller has; `304` if it is still the same.")


@dataclass(frozen=True, slots=True)
class RouteSpec:
    """The specification of one route: what it promises.

    `answers` gives for each status the type of each media type; an empty dict is an answer without a body.
    `body` is of one of the media types `body_media`, `dict` where it is any JSON object, and `str`
    where it is text; `encodings` are the codings that it may be sent in, besides none.
    `path` has the schemas of path parameters that are neither UUID nor code. The key needs any one of
    `scopes`. `problems` are error codes beyond those that follow from the other members. A `page` is for
    people alone: it is not in the OpenAPI document, and may change without notice.
    """

    operation: str
    tag: str
    answers: dict[int, dict[str, Any]]
    scopes: tuple[str, ...] = ()
    body: type[msgspec.Struct] | type[dict[str, Any]] | type[str] | None = None
    body_media: tuple[str, ...] = (JSON,)
    encodings: tuple[str, ...] = ()
    query: type[msgspec.Struct] | None = None
    path: dict[str, dict[str, Any]] = field(default_factory=dict)
    takes: tuple[Header, ...] = ()
    sends: dict[int, tuple[Header, ...]] = field(default_factory=dict)
    problems: tuple[str, ...] = ()
    examples: dict[str, Any] = field(default_factory=dict)
    page: bool = False

    @property
    def offers(self) -> tuple[str, ...]:
        """The media types that this route can produce, the preferred one first."""
        return tuple(dict.fromkeys(media for bodies in self.answers.values() for media in bodies))

    @property
    def codes(self) -> tuple[str, ...]:
        """The error codes of every problem that this route can answer with."""
        found = [
            "bad_request",
            "not_acceptable",
            "too_slow",
            "headers_too_large",
            "internal",
            "overloaded",
            "stopping",
        ]
        found += (
            ["unauthenticated", "scope_missing", "too_many_at_once", "store_away", "busy"]
            if self.scopes
            else []
        )
        found += ["bad_cursor"] if self.query and "cursor" in self.query.__struct_fields__ else []
        found += ["malformed", "unsupported_media_type", "too_large"] if self.body else []
        return tuple(dict.fromkeys([*found, *self.problems]))


def page_route(operation: str, **promises: Any) -> dict[str, Any]:
    """Arguments for a Litestar route decorator of a page for people; `scopes`, `query` and so on as of
    `route`.
    """
    return route(operation, "Pages", promises.pop("answers", {200: {HTML: str}}), page=True, **promises)


def form_route(operation: str, body: type[msgspec.Struct], **promises: Any) -> dict[str, Any]:
    """The same of what a page's form is sent to; it leads on to another page (303)."""
    return page_route(operation, body=body, body_media=(FORM,), answers={303: {HTML: str}}, **promises)


def route(operation: str, tag: str, answers: dict[int, dict[str, Any]], **promises: Any) -> dict[str, Any]:
    """Arguments for a Litestar route decorator that carry a `RouteSpec`."""
    return {
        "opt": {"spec": RouteSpec(operation, tag, answers, **promises)},
        "operation_id": operation,
        "status_code": min(answers),
    }
