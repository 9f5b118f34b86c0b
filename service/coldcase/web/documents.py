"""The service's description of itself: the OpenAPI document, a page to read it, and what each problem means."""

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property

import msgspec
from litestar import Response, get
from litestar.routes import BaseRoute

from coldcase.core.compiled import Book
from coldcase.errors import NotFound
from coldcase.web import contract, pages, strict
from coldcase.web.face import ETAG, HTML, IF_NONE_MATCH, JSON, Call, face
from coldcase.web.problems import KINDS, Problem, meaning, problem


@dataclass(frozen=True, slots=True)
class Document:
    """A text that is made once, with its strong `ETag`."""

    body: bytes
    media_type: str
    tag: str
    cache: str = "public, no-cache"

    @classmethod
    def of(cls, body: bytes, media_type: str) -> "Document":
        """The document of a text."""
        return cls(body, media_type, f'"{hashlib.sha256(body).hexdigest()[:32]}"')

    def answer(self, request: Call) -> Response[bytes]:
        """The document, or 304 to a caller who has it."""
        headers = {"ETag": self.tag, "Cache-Control": self.cache}
        if strict.unchanged(request, self.tag):
            return Response(b"", status_code=304, headers=headers)
        return Response(self.body, media_type=self.media_type, headers=headers)


class Documents:
    """What the service says of itself, each part made when it is first asked for and kept: anyone may ask, as often as they like."""

    def __init__(self, routes: Callable[[], Iterable[BaseRoute]]) -> None:
        self._routes = routes
        self._vocabulary: tuple[Book, Document] | None = None

    def vocabulary(self, book: Book, spell: Callable[[Book], bytes]) -> Document:
        """The words of a rule table as `spell` gives them; kept until another table answers."""
        if self._vocabulary is None or self._vocabulary[0] is not book:
            tag = f'"{book.digest.removeprefix("sha256:")[:32]}-{book.version}"'
            self._vocabulary = book, Document(spell(book), JSON, tag, "private, no-cache")
        return self._vocabulary[1]

    @cached_property
    def openapi(self) -> Document:
        """The OpenAPI document."""
        return Document.of(contract.text(self._routes()), JSON)

    @cached_property
    def docs(self) -> Document:
        """The same as a page."""
        return Document.of(pages.docs(msgspec.json.decode(self.openapi.body)).encode(), HTML)

    @cached_property
    def problems(self) -> dict[str, Document]:
        """What each kind of problem means, by its code."""
        return {code: Document.of(msgspec.json.encode(problem(code, meaning(code))), JSON) for code in KINDS}


KEPT = {"takes": (IF_NONE_MATCH,), "sends": {200: (ETAG,), 304: (ETAG,)}}


def documents(request: Call) -> Documents:
    """The documents of the application behind a request."""
    found: Documents = request.app.state.documents
    return found


@get("/openapi.json", **face("showOpenapi", "Operation", {200: {JSON: dict}, 304: {}}, **KEPT))
async def show_openapi(request: Call) -> Response[bytes]:
    """The OpenAPI document"""
    return documents(request).openapi.answer(request)


@get("/docs", **face("showDocs", "Operation", {200: {HTML: str}, 304: {}}, **KEPT))
async def show_docs(request: Call) -> Response[bytes]:
    """The same for people; needs no internet"""
    return documents(request).docs.answer(request)


@get("/problems/{code:str}", **face("showProblem", "Operation", {200: {JSON: Problem}, 304: {}}, problems=("not_found",), **KEPT))
async def show_problem(request: Call) -> Response[bytes]:
    """What a problem's `type` means"""
    code: str = request.path_params["code"]
    found = documents(request).problems.get(code)
    if found is None:
        raise NotFound(f"There is no kind of problem '{code[:64]}'.")
    return found.answer(request)
