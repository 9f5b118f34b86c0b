"""The OpenAPI 3.1 document: paths from the route table and each route's `RouteSpec`, schemas from msgspec.

Litestar's own generator loses limits of members, closed objects and unions (its issue 4575); msgspec's
schemas keep them, and they come from the very types that decode a body. `openapi/openapi.json` is this
document, committed.
"""

import inspect
from collections.abc import Iterable, Iterator
from typing import Any
from uuid import UUID

import msgspec
from litestar.handlers import HTTPRouteHandler
from litestar.routes import BaseRoute, HTTPRoute

from coldcase import __version__
from coldcase.web import openapi_examples
from coldcase.web.openapi_shapes import REF, Shapes, texts
from coldcase.web.problems import MEDIA_TYPE, PROBLEM_KINDS, Problem
from coldcase.web.route import Header, RouteSpec

INTRODUCTION = (
    "Coldcase answers one question: why did this refrigeration compressor fail? It weighs what was "
    "found, names the initiating cause "
    "with a confidence, or says that it cannot, and keeps every decision on record."
)
PATH_TYPES: dict[Any, dict[str, Any]] = {
    UUID: {"type": "string", "format": "uuid"},
    str: {"type": "string", "pattern": "^[a-z][a-z0-9_]{0,63}$"},
}
PLAIN: dict[Any, dict[str, Any]] = {
    str: {"type": "string"},
    bytes: {"type": "string", "format": "binary"},
    dict: {"type": "object"},
}


def document(routes: Iterable[BaseRoute]) -> dict[str, Any]:
    """The OpenAPI document of an application's routes."""
    described = [(route, handler, handler.opt["spec"]) for route, handler in _handlers(routes)]
    shapes = _shapes([spec for _, _, spec in described])
    paths: dict[str, dict[str, Any]] = {}
    for route, handler, spec in described:
        methods = paths.setdefault(route.path_format, {})
        methods[_method(handler)] = _operation(route, handler, spec, shapes)
    return {
        "openapi": "3.1.0",
        "info": {"title": "Coldcase", "version": __version__, "description": INTRODUCTION},
        "servers": [{"url": "/"}],
        "paths": dict(sorted(paths.items())),
        "components": {
            "schemas": shapes.sorted(),
            "examples": openapi_examples.problem_examples(),
            "securitySchemes": {
                "key": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "An API key from `coldcase keys create`.",
                }
            },
        },
    }


def document_text(routes: Iterable[BaseRoute]) -> bytes:
    """The document as it is committed and served."""
    return msgspec.json.format(msgspec.json.encode(document(routes)), indent=2) + b"\n"


def _handlers(routes: Iterable[BaseRoute]) -> Iterator[tuple[HTTPRoute, HTTPRouteHandler]]:
    for route in routes:
        if isinstance(route, HTTPRoute):
            yield from (
                (route, handler)
                for handler in route.route_handlers
                if "spec" in handler.opt and not handler.opt["spec"].page
            )


def _method(handler: HTTPRouteHandler) -> str:
    return next(iter(handler.http_methods)).lower()


def _operation(
    route: HTTPRoute, handler: HTTPRouteHandler, spec: RouteSpec, shapes: Shapes
) -> dict[str, Any]:
    summary, _, description = inspect.cleandoc(handler.fn.__doc__ or "").partition("\n")
    scopes = f"Scope: {' or '.join(f'`{scope}`' for scope in spec.scopes)}." if spec.scopes else ""
    operation: dict[str, Any] = {
        "operationId": spec.operation,
        "tags": [spec.tag],
        "summary": summary,
        "description": "\n\n".join(part for part in (description.strip(), scopes) if part),
        "parameters": [
            *_path_parameters(route, spec, shapes),
            *_query_parameters(spec, shapes),
            *_header_parameters(spec, shapes),
        ],
        "responses": dict(sorted((_answers(spec, shapes) | _problems(spec, _method(handler))).items())),
        "security": [{"key": [scope]} for scope in spec.scopes],
    }
    if spec.body is not None:
        schema = shapes.of(spec.body) or PLAIN[spec.body]
        operation["requestBody"] = {
            "required": True,
            "content": {
                media: {"schema": schema, **openapi_examples.sent(spec, media)} for media in spec.body_media
            },
        }
    return operation


def _path_parameters(route: HTTPRoute, spec: RouteSpec, shapes: Shapes) -> list[dict[str, Any]]:
    return [
        {
            "name": name,
            "in": "path",
            "required": True,
            "description": texts().get(spec.operation, {}).get(name) or texts()["path"].get(name),
            "schema": shapes.titled(spec.path.get(name) or PATH_TYPES[definition.type]),
        }
        for name, definition in route.path_parameters.items()
    ]


def _query_parameters(spec: RouteSpec, shapes: Shapes) -> list[dict[str, Any]]:
    if spec.query is None:
        return []
    return [
        {"name": name, "in": "query", "required": False, **told}
        for name, told in shapes.query(spec.query).items()
    ]


def _header_parameters(spec: RouteSpec, shapes: Shapes) -> list[dict[str, Any]]:
    return [
        {
            "name": header.name,
            "in": "header",
            "required": False,
            "description": header.says,
            "schema": shapes.titled(header.schema),
        }
        for header in spec.takes
    ]


def _answers(spec: RouteSpec, shapes: Shapes) -> dict[str, Any]:
    return {
        str(status): {
            "description": {200: "Done", 201: "Recorded", 204: "Done", 304: "Not changed"}[status],
            "headers": _sent(spec.sends.get(status, ())),
            **(
                {
                    "content": {
                        media: {
                            "schema": shapes.of(kind) or PLAIN[kind],
                            **openapi_examples.example(spec, status, media),
                        }
                        for media, kind in bodies.items()
                    }
                }
                if bodies
                else {}
            ),
        }
        for status, bodies in spec.answers.items()
    }


def _sent(headers: Iterable[Header]) -> dict[str, Any]:
    always = Header(
        "X-Request-Id", "The id under which the request is logged; the caller's own, if it sent a sane one."
    )
    return {
        header.name: {"description": header.says, "schema": header.schema} for header in (*headers, always)
    }


def _problems(spec: RouteSpec, method: str) -> dict[str, Any]:
    by_status: dict[str, list[str]] = {}
    # Of a page of ours that calls it with a session; a client with a key never meets it.
    foreign = ("foreign_request",) if spec.scopes and method != "get" else ()
    for code in (*spec.codes, *foreign):
        by_status.setdefault(str(PROBLEM_KINDS[code].status), []).append(code)
    return {
        status: {
            "description": "; ".join(f"`{code}`: {PROBLEM_KINDS[code].title}" for code in codes),
            "headers": _sent(_problem_headers(codes)),
            "content": {
                MEDIA_TYPE: {
                    "schema": {"$ref": REF.format(name="Problem")},
                    "examples": openapi_examples.problem_references(codes),
                }
            },
        }
        for status, codes in by_status.items()
    }


def _problem_headers(codes: list[str]) -> list[Header]:
    if any(PROBLEM_KINDS[code].retry_after is not None for code in codes):
        return [
            Header("Retry-After", "Seconds to wait before sending again.", {"type": "integer", "minimum": 1})
        ]
    if "unauthenticated" in codes:
        return [Header("WWW-Authenticate", "How to authenticate.")]
    return []


def _shapes(specs: list[RouteSpec]) -> Shapes:
    answered = [kind for spec in specs for bodies in spec.answers.values() for kind in bodies.values()]
    return Shapes([spec.body for spec in specs], [*answered, Problem])
