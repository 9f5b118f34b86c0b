"""Strict parsing of what is taken from a request: media types, query parameters, headers. Lists every flaw
found.
"""

import asyncio
import re
from collections.abc import Collection, Sequence
from datetime import UTC, datetime
from functools import cache
from ipaddress import ip_address
from types import NoneType
from typing import Any, Literal, TypeVar, Union, get_args, get_origin
from urllib.parse import parse_qsl, urlencode
from uuid import UUID

import msgspec
from litestar.connection import ASGIConnection
from litestar.datastructures.headers import Accept
from litestar.exceptions import InternalServerException
from msgspec.structs import FieldInfo

from coldcase.core.suggesting import nearest
from coldcase.errors import BadCursor, Flaw, Malformed, PreconditionRequired
from coldcase.web.problems import BadRequest, NotAcceptable, TooSlow, UnsupportedMediaType
from coldcase.web.route import CSV, FORM, JSON, MERGE_PATCH, NDJSON, Call

QueryType = TypeVar("QueryType", bound=msgspec.Struct)
AnyConnection = ASGIConnection[Any, Any, Any, Any]

_BODIES = {
    media: re.compile(
        re.escape(media.encode()) + rb'[ \t]*(;[ \t]*charset[ \t]*=[ \t]*"?utf-8"?[ \t]*)?\Z', re.IGNORECASE
    )
    for media in (JSON, MERGE_PATCH, CSV, NDJSON, FORM)
}
_TAGS = re.compile(r'\s*(?:(W/)?"([\x21\x23-\x7e]*)"|,)\s*')
BODY_SECONDS = 10
"""For a body that is larger than those which the server waits for itself (`web/protocol.py`)."""
NAME = re.compile(r"[a-z][a-z0-9_-]{0,63}")
"""Of a thing that a client names itself."""
_KEY = re.compile(rb"[\x21-\x7e]{1,200}\Z")
_PREFER = re.compile(r'(?:\A|,)\s*handling\s*=\s*"?lenient"?\s*(?:;[^,]*)?(?=,|\Z)', re.IGNORECASE)


def request_headers(connection: AnyConnection) -> dict[bytes, bytes]:
    """The request's headers by lower-case name; repeated ones are joined by a comma, as RFC 9110 has it."""
    state = connection.scope["state"]
    known: dict[bytes, bytes] | None = state.get("headers")
    if known is None:
        known = state["headers"] = {}
        repeated: dict[bytes, list[bytes]] = {}
        for name, value in connection.scope["headers"]:
            if name in known:
                repeated.setdefault(name, [known[name]]).append(value)
            else:
                known[name] = value
        known |= {name: b", ".join(values) for name, values in repeated.items()}
    return known


def caller_address(connection: AnyConnection) -> str | None:
    """The caller's address, behind trusted proxies that of their caller; None for what is no address (a proxy
    may pass on anything).
    """
    try:
        return str(ip_address(connection.scope["client"][0])) if connection.scope["client"] else None
    except ValueError:
        return None


def check_accept(connection: AnyConnection, offers: tuple[str, ...]) -> None:
    """Raises `NotAcceptable` unless `Accept` leaves one of `offers`."""
    wanted = request_headers(connection).get(b"accept")
    if wanted in (None, b"*/*", b"application/json") and "application/json" in offers:
        return
    if offers and preferred(connection, offers) is None:
        raise NotAcceptable(f"This call can answer with {', '.join(offers)}.")


def preferred(connection: AnyConnection, offers: tuple[str, ...]) -> str | None:
    """The one of `offers` that `Accept` likes best; the first where it does not say."""
    wanted = request_headers(connection).get(b"accept", b"").decode("latin-1").strip()
    return Accept(wanted).best_match(list(offers)) if wanted else offers[0]


def check_body(connection: AnyConnection, media: tuple[str, ...], encodings: tuple[str, ...] = ()) -> None:
    """Raises `UnsupportedMediaType` unless the body is declared as of one of these kinds, in UTF-8, and not
    compressed in any way but these.
    """
    sent = content_encoding(connection)
    if media_type(connection, media) is None or sent not in ("identity", *encodings):
        kinds = " or ".join(f"`{kind}`" for kind in media)
        coded = f"as it is or in {' or '.join(encodings)}" if encodings else "not compressed"
        raise UnsupportedMediaType(f"The body must be {kinds}, in UTF-8, {coded}.")


def media_type(connection: AnyConnection, media: tuple[str, ...]) -> str | None:
    """Which of these kinds the body is declared as, None for another."""
    said = request_headers(connection).get(b"content-type", b"")
    return next((kind for kind in media if _BODIES[kind].match(said)), None)


def content_encoding(connection: AnyConnection) -> str:
    """In which coding the body is declared to be."""
    return request_headers(connection).get(b"content-encoding", b"identity").decode("latin-1").strip().lower()


async def check_no_body(connection: AnyConnection, elsewhere: Sequence[str]) -> None:
    """Raises `BadRequest` if there is a body; `elsewhere` are the query parameters that it may have been
    meant for.
    """
    message = await connection.receive()
    while message.get("more_body") and not message.get("body"):
        message = await connection.receive()
    if message.get("body"):
        belongs = "".join(f"; `{name}` belongs in the query: `?{name}=`" for name in elsewhere)
        raise BadRequest((Flaw("", f"This call takes no body{belongs}."),))


async def read_body(call: Call) -> bytes:
    """The whole body. Raises `Malformed` if it breaks off; one that stalls never comes here
    (`web/protocol.py`).
    """
    try:
        return await call.body()
    except InternalServerException as error:
        # Litestar's word for a client that went away; nobody reads the answer, and it is no fault of ours.
        raise Malformed("The connection ended within the body.") from error


async def read_large_body(call: Call) -> bytes:
    """The whole body, of a call that takes more than the server waits for itself. Raises `Malformed` if it
    breaks off, `TooSlow` if it stalls.
    """
    try:
        async with asyncio.timeout(BODY_SECONDS):
            return await read_body(call)
    except TimeoutError as error:
        raise TooSlow from error


def idempotency_key(connection: AnyConnection) -> str | None:
    """The `Idempotency-Key`: 1 to 200 visible ASCII characters."""
    key = request_headers(connection).get(b"idempotency-key")
    if key is None:
        return None
    if _KEY.match(key) is None:
        raise BadRequest((Flaw("Idempotency-Key", "1 to 200 visible ASCII characters, sent once"),))
    return key.decode("ascii")


def form_key(typed: str) -> str | None:
    """The idempotency key that a form was made with, None where it is none."""
    try:
        return str(UUID(typed))
    except ValueError:
        return None


def lenient(connection: AnyConnection) -> bool:
    """Whether the caller prefers what is bad to be left out and named (RFC 7240 `handling=lenient`)."""
    wanted = request_headers(connection).get(b"prefer")
    return wanted is not None and _PREFER.search(wanted.decode("latin-1")) is not None


def unchanged(connection: AnyConnection, tag: str) -> bool:
    """Whether `If-None-Match` names this entity tag (weak comparison, as RFC 9110 has it for GET)."""
    known = request_headers(connection).get(b"if-none-match", b"").decode("latin-1")
    return any(part.strip().removeprefix("W/") in (tag, "*") for part in known.split(","))


def if_match(connection: AnyConnection) -> frozenset[str] | None:
    """The entity tags that `If-Match` names, without their quotes, weak ones left out (RFC 9110: they match
    nothing here); None for `*`. Raises `PreconditionRequired` without it, `BadRequest`.
    """
    sent = request_headers(connection).get(b"if-match")
    if sent is None:
        raise PreconditionRequired
    text = sent.decode("latin-1").strip()
    if text == "*":
        return None
    found, place = [], 0
    while tag := _TAGS.match(text, place):
        found.append(tag)
        place = tag.end()
    tags = [tag for tag in found if tag[2] is not None]
    if place < len(text) or not tags:
        raise BadRequest((Flaw("If-Match", "one or more entity tags in quotes, or `*`"),))
    return frozenset(tag[2] for tag in tags if not tag[1])


async def parse_form(call: Call, kind: type[QueryType]) -> QueryType:
    """The fields of a form as `kind`, those left empty as if not sent; raises `BadRequest` with every
    unknown, repeated or wrong one. The form token was looked at before (`web/auth.py`).
    """
    try:
        pairs = parse_qsl((await read_body(call)).decode("ascii"), errors="strict", max_num_fields=50)
    except ValueError as error:
        raise BadRequest((Flaw("", "the form is not percent-encoded UTF-8 of at most 50 fields"),)) from error
    return _members([pair for pair in pairs if pair[0] != "form_token"], kind)


def no_query(connection: AnyConnection) -> None:
    """Raises `BadRequest` if there is any query parameter."""
    if connection.scope["query_string"]:
        _known_once(_query_pairs(connection), ())


def parse_query(connection: AnyConnection, kind: type[QueryType]) -> QueryType:
    """The query parameters as `kind`; raises `BadRequest` with every unknown, repeated or wrong one,
    `BadCursor` for a cursor alone.
    """
    return _members(_query_pairs(connection), kind)


def parse_page_query(connection: AnyConnection, kind: type[QueryType]) -> QueryType:
    """The same of a page's search form, which sends every field: those left empty are as if not sent."""
    return _members([pair for pair in _query_pairs(connection) if pair[1].strip()], kind)


def _members(pairs: list[tuple[str, str]], kind: type[QueryType]) -> QueryType:
    fields = _fields(kind)
    values: dict[str, Any] = {}
    flaws: list[Flaw] = []
    for name, text in _known_once(pairs, fields):
        try:
            values[fields[name].name] = _in_utc(_value(text, fields[name].type))
        except (msgspec.ValidationError, OverflowError) as error:
            flaws.append(_query_flaw(name, text, str(error), list(_words(fields[name].type))))
    flaws += [
        Flaw(name, "is needed")
        for name, field in fields.items()
        if field.required and field.name not in values and name not in {flaw.pointer for flaw in flaws}
    ]
    if [flaw.pointer for flaw in flaws] == ["cursor"]:
        raise BadCursor
    if flaws:
        raise BadRequest(tuple(flaws))
    return kind(**values)


@cache
def _fields(kind: type[msgspec.Struct]) -> dict[str, FieldInfo]:
    """The parameters that a query has, kept, for msgspec looks into the annotations anew each time."""
    return {field.encode_name: field for field in msgspec.structs.fields(kind)}


def _words(hint: Any) -> list[str]:
    """The words that a parameter takes, if it takes words alone."""
    if get_origin(hint) is Literal:
        return [str(word) for word in get_args(hint)]
    return [word for arm in get_args(hint) for word in _words(arm)]


def _in_utc(value: Any) -> Any:
    """A time in UTC: PostgreSQL knows no offset of more than 16 hours, RFC 3339 does."""
    return value.astimezone(UTC) if isinstance(value, datetime) else value


def _query_flaw(name: str, text: str, said: str, words: list[str]) -> Flaw:
    detail = f"'{text[:64]}' is none of {', '.join(words)}." if words else said
    return Flaw(name, detail, nearest(text, words))


def _value(text: str, hint: Any) -> Any:
    """What was sent for a parameter. Only a number is read laxly: msgspec would take `null` for None, `0.5`
    for a time of 1970.
    """
    arms = tuple(arm for arm in get_args(hint) if arm is not NoneType)
    kind = Union[arms] if NoneType in get_args(hint) else hint  # noqa: UP007  # built from a tuple
    return msgspec.convert(text, kind, strict=int not in (kind, *get_args(kind)))


def _query_pairs(connection: AnyConnection) -> list[tuple[str, str]]:
    try:
        return parse_qsl(
            connection.scope["query_string"].decode("ascii"),
            keep_blank_values=True,
            errors="strict",
            max_num_fields=50,
        )
    except ValueError as error:
        raise BadRequest(
            (Flaw("", "the query is not percent-encoded UTF-8 of at most 50 parameters"),)
        ) from error


def _known_once(pairs: list[tuple[str, str]], known: Collection[str]) -> list[tuple[str, str]]:
    names = [name for name, _ in pairs]
    flaws = [Flaw(name, "there is no such query parameter here") for name in names if name not in known]
    flaws += [Flaw(name, "sent more than once") for name in dict.fromkeys(names) if names.count(name) > 1]
    if flaws:
        raise BadRequest(tuple(flaws))
    return pairs


def again(path: str, asked: msgspec.Struct, **changed: str) -> str:
    """The address of the same query with some members changed."""
    members = msgspec.to_builtins(msgspec.structs.replace(asked, **changed))
    return f"{path}?{urlencode({name: value for name, value in members.items() if value is not None})}"
