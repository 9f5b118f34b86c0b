"""The OpenAPI 3.1 document: paths from the route table and each route's `Face`, schemas from msgspec.

Litestar's own generator loses limits of members, closed objects and unions (its issue 4575); msgspec's schemas keep
them, and they come from the very types that decode a body. `openapi/openapi.json` is this document, committed.
"""

import inspect
from collections.abc import Iterable, Iterator
from typing import Any
from uuid import UUID

import msgspec
from litestar.handlers import HTTPRouteHandler
from litestar.routes import BaseRoute, HTTPRoute

from coldcase import __version__
from coldcase.web.face import JSON, Face, Header
from coldcase.web.problems import KINDS, MEDIA_TYPE, Problem

REF = "#/components/schemas/{name}"
INTRODUCTION = (
    "Coldcase answers one question: why did this refrigeration compressor fail? It weighs what was found, names the initiating cause "
    "with a confidence, or says that it cannot, and keeps every decision on record."
)
PATH_TYPES: dict[Any, dict[str, Any]] = {
    UUID: {"type": "string", "format": "uuid"},
    str: {"type": "string", "pattern": "^[a-z][a-z0-9_]{0,63}$"},
}
PLAIN: dict[Any, dict[str, Any]] = {str: {"type": "string"}, bytes: {"type": "string", "format": "binary"}, dict: {"type": "object"}}


def document(routes: Iterable[BaseRoute]) -> dict[str, Any]:
    """The OpenAPI document of an application's routes."""
    described = [(route, handler, handler.opt["face"]) for route, handler in _handlers(routes)]
    names, schemas = _schemas(face for _, _, face in described)
    paths: dict[str, dict[str, Any]] = {}
    for route, handler, face in described:
        methods = paths.setdefault(route.path_format, {})
        methods[_method(handler)] = _operation(route, handler, face, names)
    return {
        "openapi": "3.1.0",
        "info": {"title": "Coldcase", "version": __version__, "description": INTRODUCTION},
        "servers": [{"url": "/"}],
        "paths": dict(sorted(paths.items())),
        "components": {
            "schemas": schemas,
            "securitySchemes": {"key": {"type": "http", "scheme": "bearer", "description": "An API key from `coldcase keys create`."}},
        },
    }


def text(routes: Iterable[BaseRoute]) -> bytes:
    """The document as it is committed and served."""
    return msgspec.json.format(msgspec.json.encode(document(routes)), indent=2) + b"\n"


def _handlers(routes: Iterable[BaseRoute]) -> Iterator[tuple[HTTPRoute, HTTPRouteHandler]]:
    for route in routes:
        if isinstance(route, HTTPRoute):
            yield from ((route, handler) for handler in route.route_handlers if "face" in handler.opt)


def _method(handler: HTTPRouteHandler) -> str:
    return next(iter(handler.http_methods)).lower()


def _operation(route: HTTPRoute, handler: HTTPRouteHandler, face: Face, names: dict[Any, Any]) -> dict[str, Any]:
    summary, _, description = inspect.cleandoc(handler.fn.__doc__ or "").partition("\n")
    scopes = f"Scope: {' or '.join(f'`{scope}`' for scope in face.scopes)}." if face.scopes else ""
    operation: dict[str, Any] = {
        "operationId": face.operation,
        "tags": [face.tag],
        "summary": summary,
        "description": "\n\n".join(part for part in (description.strip(), scopes) if part),
        "parameters": [*_path_parameters(route, face), *_query_parameters(face), *_header_parameters(face)],
        "responses": dict(sorted((_answers(face, names) | _problems(face)).items())),
        "security": [{"key": [scope]} for scope in face.scopes],
    }
    if face.body is not None:
        content: dict[str, Any] = {"schema": names[face.body]}
        if face.examples:
            content["examples"] = face.examples
        operation["requestBody"] = {"required": True, "content": {JSON: content}}
    return operation


def _path_parameters(route: HTTPRoute, face: Face) -> list[dict[str, Any]]:
    return [
        {"name": name, "in": "path", "required": True, "schema": face.path.get(name) or PATH_TYPES[definition.type]}
        for name, definition in route.path_parameters.items()
    ]


def _query_parameters(face: Face) -> list[dict[str, Any]]:
    if face.query is None:
        return []
    _, shapes = msgspec.json.schema_components([face.query], ref_template=REF)
    properties = _tidy(shapes[face.query.__name__])["properties"]
    return [{"name": name, "in": "query", "required": False, "schema": _one_value(schema)} for name, schema in properties.items()]


def _one_value(schema: dict[str, Any]) -> dict[str, Any]:
    """A query parameter is text or absent; `null` is how our types say absent."""
    arms = [arm for arm in schema.get("anyOf", [schema]) if arm.get("type") != "null"]
    rest = {name: value for name, value in schema.items() if name != "anyOf" and value is not None}
    found = {**rest, **arms[0]}
    if None in found.get("enum", ()):
        found["enum"] = [value for value in found["enum"] if value is not None]
    return found


def _header_parameters(face: Face) -> list[dict[str, Any]]:
    return [
        {"name": header.name, "in": "header", "required": False, "description": header.says, "schema": header.schema}
        for header in face.takes
    ]


def _answers(face: Face, names: dict[Any, Any]) -> dict[str, Any]:
    return {
        str(status): {
            "description": {200: "Done", 201: "Recorded", 304: "Not changed"}[status],
            "headers": _sent(face.sends.get(status, ())),
            **({"content": {media: {"schema": names.get(kind) or PLAIN[kind]} for media, kind in bodies.items()}} if bodies else {}),
        }
        for status, bodies in face.answers.items()
    }


def _sent(headers: Iterable[Header]) -> dict[str, Any]:
    always = Header("X-Request-Id", "The id under which the request is logged; the caller's own, if it sent a sane one.")
    return {header.name: {"description": header.says, "schema": header.schema} for header in (*headers, always)}


def _problems(face: Face) -> dict[str, Any]:
    by_status: dict[str, list[str]] = {}
    for code in face.codes:
        by_status.setdefault(str(KINDS[code].status), []).append(code)
    return {
        status: {
            "description": "; ".join(f"`{code}`: {KINDS[code].title}" for code in codes),
            "headers": _sent(_problem_headers(codes)),
            "content": {MEDIA_TYPE: {"schema": {"$ref": REF.format(name="Problem")}}},
        }
        for status, codes in by_status.items()
    }


def _problem_headers(codes: list[str]) -> list[Header]:
    if any(KINDS[code].retry_after is not None for code in codes):
        return [Header("Retry-After", "Seconds to wait before sending again.", {"type": "integer", "minimum": 1})]
    if "unauthenticated" in codes:
        return [Header("WWW-Authenticate", "How to authenticate.")]
    return []


def _schemas(faces: Iterable[Face]) -> tuple[dict[Any, Any], dict[str, Any]]:
    kinds: dict[Any, None] = {Problem: None}
    for face in faces:
        found = [face.body, *(kind for bodies in face.answers.values() for kind in bodies.values())]
        kinds |= dict.fromkeys(kind for kind in found if isinstance(kind, type) and issubclass(kind, msgspec.Struct))
    references, components = msgspec.json.schema_components(list(kinds), ref_template=REF)
    return dict(zip(kinds, references, strict=True)), _tidy(dict(sorted(components.items())))


def _tidy(schema: Any) -> Any:
    """Docstrings without their indentation, and patterns without the guard that only Python's `$` needs."""
    if isinstance(schema, list):
        return [_tidy(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    tidied = {name: _tidy(part) for name, part in schema.items()}
    if isinstance(tidied.get("description"), str):
        tidied["description"] = inspect.cleandoc(tidied["description"])
    if isinstance(tidied.get("pattern"), str):
        tidied["pattern"] = tidied["pattern"].removesuffix(r"(?!\n)")
    return tidied
