"""The service's description of itself: the OpenAPI document, a page to read it, and what each problem
means.
"""

import hashlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import msgspec
from litestar import Response, get
from litestar.routes import BaseRoute

from coldcase.core.compiled_table import CompiledTable
from coldcase.errors import NotFound
from coldcase.web import openapi, pages, parsing
from coldcase.web.problems import PROBLEM_KINDS, Problem, meaning, problem
from coldcase.web.rendering import html_headers
from coldcase.web.route import ETAG, HTML, IF_NONE_MATCH, JSON, Call, route

MOST_SCHEMAS = 4
"""JSON Schemas of cases that are kept: somebody compares two versions of the rule table, or tries a draft."""


@dataclass(frozen=True, slots=True)
class Document:
    """A text that is made once, with its strong `ETag`."""

    body: bytes
    media_type: str
    tag: str
    cache: str = "public, no-cache"
    headers: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, body: bytes, media_type: str) -> "Document":
        """The document of a text; of a page with the policy that fits it."""
        headers = html_headers(body.decode()) if media_type == HTML else {}
        return cls(body, media_type, f'"{hashlib.sha256(body).hexdigest()[:32]}"', headers=headers)

    def answer(self, request: Call) -> Response[bytes]:
        """The document, or 304 to a caller who has it."""
        headers = {"ETag": self.tag, "Cache-Control": self.cache, **self.headers}
        if parsing.unchanged(request, self.tag):
            return Response(b"", status_code=304, headers=headers)
        return Response(self.body, media_type=self.media_type, headers=headers)


class Documents:
    """What the service says of itself, each part made when it is first asked for and kept: anyone may ask, as
    often as they like.
    """

    def __init__(self, routes: Callable[[], Iterable[BaseRoute]]) -> None:
        self._routes = routes
        self._vocabulary: tuple[CompiledTable, Document] | None = None
        self._case_schemas: dict[str, Document] = {}

    def vocabulary(self, compiled: CompiledTable, spell: Callable[[CompiledTable], bytes]) -> Document:
        """The vocabulary of a rule table as `spell` gives them; kept until another table answers."""
        if self._vocabulary is None or self._vocabulary[0] is not compiled:
            tag = f'"{compiled.digest.removeprefix("sha256:")[:32]}-{compiled.version}"'
            self._vocabulary = compiled, Document(spell(compiled), JSON, tag, "private, no-cache")
        return self._vocabulary[1]

    def case_schema(self, compiled: CompiledTable, spell: Callable[[CompiledTable], bytes]) -> Document:
        """The JSON Schema of a case under a rule table; the last few are kept."""
        found = self._case_schemas.pop(compiled.digest, None)
        if found is None:
            body = spell(compiled)
            found = replace(Document.of(body, JSON), cache="private, no-cache")
        self._case_schemas[compiled.digest] = found
        while len(self._case_schemas) > MOST_SCHEMAS:
            del self._case_schemas[next(iter(self._case_schemas))]
        return found

    @cached_property
    def openapi(self) -> Document:
        """The OpenAPI document."""
        return Document.of(openapi.document_text(self._routes()), JSON)

    @cached_property
    def docs(self) -> Document:
        """The same as a page."""
        return Document.of(pages.docs(msgspec.json.decode(self.openapi.body)).encode(), HTML)

    @cached_property
    def problems(self) -> dict[str, Document]:
        """What each kind of problem means, by its code."""
        return {
            code: Document.of(msgspec.json.encode(problem(code, meaning(code))), JSON)
            for code in PROBLEM_KINDS
        }


CACHEABLE = {"takes": (IF_NONE_MATCH,), "sends": {200: (ETAG,), 304: (ETAG,)}}


def documents(request: Call) -> Documents:
    """The documents of the application behind a request."""
    found: Documents = request.app.state.documents
    return found


@get("/openapi.json", **route("showOpenapi", "Operation", {200: {JSON: dict}, 304: {}}, **CACHEABLE))
async def show_openapi(request: Call) -> Response[bytes]:
    """The OpenAPI document"""
    return documents(request).openapi.answer(request)


@get("/docs", **route("showDocs", "Operation", {200: {HTML: str}, 304: {}}, **CACHEABLE))
async def show_docs(request: Call) -> Response[bytes]:
    """The same for people; needs no internet"""
    return documents(request).docs.answer(request)


@get(
    "/problems/{code:str}",
    **route(
        "showProblem", "Operation", {200: {JSON: Problem}, 304: {}}, problems=("not_found",), **CACHEABLE
    ),
)
async def show_problem(request: Call) -> Response[bytes]:
    """What a problem's `type` means"""
    code: str = request.path_params["code"]
    found = documents(request).problems.get(code)
    if found is None:
        raise NotFound(f"There is no kind of problem '{code[:64]}'.")
    return found.answer(request)
