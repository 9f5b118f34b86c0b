"""Templates to answers: what every page has around it, and which styles its policy lets in."""

import base64
import hashlib
import json
import re
from collections.abc import Mapping
from functools import cache, cached_property, lru_cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader
from litestar import Request, Response
from litestar.datastructures.headers import Accept
from litestar.routes import HTTPRoute
from markupsafe import Markup, escape

from coldcase.db.keys import ApiKey
from coldcase.web.route import HTML, RouteSpec

AnyRequest = Request[Any, Any, Any]

DESTINATIONS = (
    ("/decisions", "Reports", "Decisions on record: search them, read and share their reports."),
    ("/case", "New case", "Say what was found; see what it points to; put it on record."),
    (
        "/tables",
        "Rule tables",
        "What is weighed and why: causes, findings, limits, and what was said of them.",
    ),
    (
        "/figures",
        "Figures",
        "Causes over time and by circuit; how often a stated certainty turned out right.",
    ),
    ("/training", "Training", "Cases with a known end: judge them yourself first."),
    ("/docs", "For programs", "The calls of this service, for whoever writes a client."),
)
"""What the navigation leads to, each with what is there; shown where it exists and the key may."""

STYLE = re.compile(r"<style>(.*?)</style>", re.DOTALL)
POLICY = (
    "default-src 'none'; style-src {styles}; script-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
"""No script but files of ours, no style but what the page itself came with, no other host at all."""


class Assets:
    """The files that pages load (`pages/static`), each under an address that changes with its content."""

    @cached_property
    def contents(self) -> dict[str, bytes]:
        """The files by `<digest>/<name>`."""
        found = {}
        for file in sorted(
            files("coldcase.web").joinpath("pages", "static").iterdir(), key=lambda one: one.name
        ):
            body = file.read_bytes()
            found[f"{hashlib.sha256(body).hexdigest()[:16]}/{file.name}"] = body
        return found

    @cached_property
    def paths(self) -> dict[str, str]:
        """The address of each file by its name."""
        return {place.partition("/")[2]: f"/pages/{place}" for place in self.contents}


ASSETS = Assets()


@cache
def templates() -> Environment:
    """The templates, compiled once each."""
    made = Environment(
        loader=PackageLoader("coldcase.web", "pages"),
        autoescape=True,
        trim_blocks=True,
    )
    made.filters |= {"ticks": _ticks, "bdi": _bdi, "pretty": _pretty}
    made.globals |= {"asset": lambda name: ASSETS.paths[name], "viewer": None, "here": None}
    return made


def _ticks(text: str) -> Markup:
    """Backticks as code; everything else escaped."""
    return Markup(re.sub(r"`([^`]+)`", r"<code>\1</code>", str(escape(text))))  # noqa: S704  # escaped just there


def _pretty(value: Any) -> str:
    """JSON as people read it, short lists and objects on one line."""
    flat = json.dumps(value, ensure_ascii=False)
    if len(flat) <= 90 or not isinstance(value, list | dict):
        return flat
    inner = (
        [f"{json.dumps(name, ensure_ascii=False)}: {_pretty(part)}" for name, part in value.items()]
        if isinstance(value, dict)
        else [_pretty(part) for part in value]
    )
    lines = ",\n".join(inner).replace("\n", "\n  ")
    begin, end = "{}" if isinstance(value, dict) else "[]"
    return f"{begin}\n  {lines}\n{end}"


def _bdi(text: Any) -> Markup:
    """Text that somebody typed: escaped, and set apart so that its direction moves nothing around it."""
    return Markup("<bdi>{}</bdi>").format(text)


def render(template: str, **context: Any) -> str:
    """A page as text, for whoever has no request: the command line, and what is made once for everybody."""
    return templates().get_template(template).render(context)


def page(request: AnyRequest, template: str, *, status: int = 200, **context: Any) -> Response[str]:
    """A page for the person behind a request, with the way to the other pages that they may see. Templates
    know `viewer` (None without a key), `here` (the path) and `asset(name)`.
    """
    around = {"viewer": viewer(request), "here": request.scope["path"]}
    return html_response(render(template, **(around | context)), status=status)


def html_response(text: str, *, status: int = 200, headers: Mapping[str, str] | None = None) -> Response[str]:
    """A page with the policy that fits it."""
    return Response(
        text, status_code=status, media_type=HTML, headers={**html_headers(text), **(headers or {})}
    )


def html_headers(text: str) -> dict[str, str]:
    """The headers of a page: a policy that lets in its own styles, by their digest, and no others. Forms tell
    their origin to this service alone.
    """
    styles = [f"'sha256-{_sha256(style)}'" for style in STYLE.findall(text)]
    policy = POLICY.format(styles=" ".join(styles) or "'none'")
    return {"Content-Security-Policy": policy, "Referrer-Policy": "same-origin"}


@lru_cache(maxsize=64)
def _sha256(style: str) -> str:
    return base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()


def viewer(request: AnyRequest) -> dict[str, Any] | None:
    """Who looks, and where they may go; None without a key."""
    key: ApiKey | None = request.scope.get("auth")
    if key is None:
        return None
    known = _page_scopes(request)
    return {
        "client": key.client,
        "person": key.person,
        "scopes": key.scopes,
        "form_token": request.scope["state"].get("form_token"),
        "places": [
            place
            for place in DESTINATIONS
            if place[0] in known and (not known[place[0]] or not key.scopes.isdisjoint(known[place[0]]))
        ],
    }


def _page_scopes(request: AnyRequest) -> dict[str, tuple[str, ...]]:
    """The scopes of what stands at a path, of those that exist."""
    state = request.app.state
    known: dict[str, tuple[str, ...]] | None = state.get("page_scopes")
    if known is None:
        known = state["page_scopes"] = {}
        for route in request.app.routes:
            for handler in route.route_handlers if isinstance(route, HTTPRoute) else ():
                spec = handler.opt.get("spec")
                if isinstance(spec, RouteSpec) and "GET" in handler.http_methods:
                    known[route.path_format] = spec.scopes
    return known


def wants_html(request: AnyRequest) -> bool:
    """Whether whoever asks is a browser that shows a page: `Accept` names HTML, and likes it better than
    problem documents.
    """
    sent = next((value for name, value in request.scope["headers"] if name == b"accept"), b"")
    if b"text/html" not in sent.lower():
        return False
    return (
        Accept(sent.decode("latin-1")).best_match(["application/problem+json", "application/json", HTML])
        == HTML
    )
