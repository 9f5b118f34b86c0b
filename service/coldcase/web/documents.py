"""The service's description of itself: the OpenAPI document, a page to read it, and what each problem means."""

from typing import Any

import msgspec
from litestar import Response, get

from coldcase.errors import NotFound
from coldcase.web import contract, pages
from coldcase.web.face import HTML, JSON, Call, face
from coldcase.web.problems import KINDS, Problem, meaning, problem


@get("/openapi.json", **face("showOpenapi", "Operation", {200: {JSON: dict}}))
async def show_openapi(request: Call) -> Response[bytes]:
    """The OpenAPI document"""
    return Response(contract.text(request.app.routes), media_type=JSON)


@get("/docs", **face("showDocs", "Operation", {200: {HTML: str}}))
async def show_docs(request: Call) -> Response[str]:
    """The same for people; needs no internet"""
    return Response(pages.docs(contract.document(request.app.routes)), media_type=HTML)


@get("/problems/{code:str}", **face("showProblem", "Operation", {200: {JSON: Problem}}, problems=("not_found",)))
async def show_problem(request: Call) -> Response[bytes]:
    """What a problem's `type` means"""
    code: Any = request.path_params["code"]
    if code not in KINDS:
        raise NotFound(f"There is no kind of problem '{code[:64]}'.")
    return Response(msgspec.json.encode(problem(code, meaning(code))), media_type=JSON)
