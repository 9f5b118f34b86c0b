"""How people come in and where they go: logging in with a key and out again, the first page, and the files
that pages load.
"""

from typing import Annotated, Any

import msgspec
from litestar import Response, get, post
from msgspec import Meta

from coldcase.db.keys import ALL_SCOPES
from coldcase.errors import NotFound
from coldcase.web import parsing, rendering, sessions
from coldcase.web.problems import problem_headers
from coldcase.web.route import HTML, Call, form_route, page_route
from coldcase.web.services import services

MEDIA_TYPES = {
    "js": "text/javascript; charset=utf-8",
    "css": "text/css; charset=utf-8",
    "svg": "image/svg+xml",
}
FOR_EVER = "public, max-age=31536000, immutable"

OwnPath = Annotated[str, Meta(pattern=r"^/(?![/\\])[\x21-\x5b\x5d-\x7e]{0,2000}\Z")]
"""A place on this service: nothing that a browser would take for another host."""


class LoginQuery(msgspec.Struct, frozen=True):
    """Where to go on to."""

    next: OwnPath = "/"


class LoginForm(msgspec.Struct, frozen=True):
    """A key, and where to go on to."""

    key: Annotated[str, Meta(max_length=200)] = ""
    next: OwnPath = "/"


class NoFields(msgspec.Struct, frozen=True):
    """A form that is a button alone."""


@get("/login", **page_route("showLogin", query=LoginQuery))
async def show_login(request: Call) -> Response[Any]:
    """Where a person shows a key"""
    query = parsing.parse_page_query(request, LoginQuery)
    return rendering.page(request, "login.html", next=query.next, refused=False)


@post("/login", **form_route("logIn", LoginForm))
async def log_in(request: Call) -> Response[Any]:
    """Exchanges a key for a session"""
    sessions.check_site(request)
    sent = await parsing.parse_form(request, LoginForm)
    known = services(request)
    key = await known.keys.find(sent.key.strip().encode())
    if key is None:
        shown = rendering.page(request, "login.html", status=401, next=sent.next, refused=True)
        shown.headers.update(problem_headers("unauthenticated"))
        return shown
    token, seconds = await known.sessions.begin(key)
    return _gone_on(sent.next, sessions.cookie(request, token, seconds))


@post("/logout", **form_route("logOut", NoFields, scopes=ALL_SCOPES))
async def log_out(request: Call) -> Response[Any]:
    """Ends the session"""
    await parsing.parse_form(request, NoFields)
    token = sessions.token_of(request)
    if token is not None:
        await services(request).sessions.end(token)
    return _gone_on("/login", sessions.cookie(request, "", 0))


def _gone_on(path: str, cookie: str) -> Response[Any]:
    headers = {"Location": path, "Set-Cookie": cookie}
    return Response(b"", status_code=303, media_type=HTML, headers=headers)


@get("/", **page_route("showHome", scopes=ALL_SCOPES))
async def show_home(request: Call) -> Response[Any]:
    """Where a person can go"""
    return rendering.page(request, "home.html")


@get(
    "/pages/{digest:str}/{name:str}",
    **page_route("showAsset", answers={200: {"*/*": bytes}}, problems=("not_found",)),
)
async def show_asset(request: Call) -> Response[bytes]:
    """A file that pages load; its address changes with its content"""
    place = "/".join(request.path_params[part] for part in ("digest", "name"))
    found = rendering.ASSETS.contents.get(place)
    media_type = MEDIA_TYPES.get(place.rpartition(".")[2])
    if found is None or media_type is None:
        raise NotFound("There is no such file.")
    return Response(found, media_type=media_type, headers={"Cache-Control": FOR_EVER})
