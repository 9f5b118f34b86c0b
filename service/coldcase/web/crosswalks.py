"""A client's crosswalks: its own words and codes beside ours, each version kept."""

from typing import Annotated, cast

import msgspec
import rfc8785
from litestar import Response, get, put
from msgspec import Meta

from coldcase.core.crosswalk import Name
from coldcase.core.crosswalk_checking import BadCrosswalk, parse_crosswalk
from coldcase.core.strict_json import read_json
from coldcase.db import crosswalks, decisions
from coldcase.db.crosswalks import StoredCrosswalk
from coldcase.errors import Flaw, NotFound, PreconditionRequired
from coldcase.proof.canonical import canonical_json
from coldcase.web import crosswalk_schemas, parsing
from coldcase.web.filters import LINK, next_page
from coldcase.web.problems import BadRequest
from coldcase.web.route import ETAG, IF_MATCH, IF_NONE_MATCH, JSON, Call, Header, route
from coldcase.web.services import services
from coldcase.web.verdicts import request_actor

LARGEST_CROSSWALK = 1024 * 1024
"""Bytes of a crosswalk's document."""

CROSSWALK_SCOPES = ("decisions:write",)
CROSSWALK_NAME = {"name": {"type": "string", "pattern": "^[a-z][a-z0-9_-]{0,63}$"}}
IF_NONE_YET = Header("If-None-Match", "`*`: there is to be no crosswalk of this name yet.")
CROSSWALK_LOCATION = Header("Location", "The crosswalk's own path.")
NEITHER = (
    "A crosswalk is changed with `If-Match`, its `ETag` as the caller saw it; made with `If-None-Match: *`."
)
CROSSWALK_EXAMPLES = {
    "shop": {
        "summary": "An invented shop's codes, and its job form",
        "value": {
            "title": "Job form of the creamery on Tern Haven",
            "outbound": {"moisture": {"shop": "W-07", "reason": 31}, "oil_loss": "L-01"},
            "inbound": {
                "decimal": ",",
                "dates": "DD.MM.YYYY",
                "constants": {"/unit/motor": "three_phase"},
                "members": {
                    "Job": {"to": "/job/ref"},
                    "Kind": {
                        "to": "/unit/compressor_type",
                        "words": {"Scr": "scroll", "Pist": "reciprocating"},
                    },
                    "Copper": {
                        "to": "/observations/copper_plating",
                        "words": {"a lot": "heavy", "some": "light"},
                        "blank": "none",
                    },
                    "Suction": {"to": "/readings/suction_pressure", "unit": "barg"},
                },
            },
        },
    }
}


class CrosswalkQuery(msgspec.Struct, frozen=True):
    """From which name on to list."""

    cursor: Name | None = None
    limit: Annotated[int, Meta(ge=1, le=500)] = 50


class CrosswalkVersionQuery(msgspec.Struct, frozen=True):
    """Which version; the newest if not said."""

    version: Annotated[int, Meta(ge=1, le=2_147_483_647)] | None = None


def _told(found: StoredCrosswalk, *, status: int = 200) -> Response[bytes]:
    content = cast("dict[str, object]", msgspec.Raw(found.document.encode()))
    members = {name: getattr(found, name) for name in ("name", "version", "digest", "recorded_at")}
    told = crosswalk_schemas.CrosswalkVersion(**members, content=content)
    headers = {"ETag": f'"{found.digest}"'}
    if status == 201:
        headers["Location"] = f"/v1/crosswalks/{found.name}"
    return Response(msgspec.json.encode(told), status_code=status, media_type=JSON, headers=headers)


@get(
    "/v1/crosswalks",
    **route(
        "listCrosswalks",
        "Words",
        {200: {JSON: crosswalk_schemas.CrosswalkList}},
        scopes=CROSSWALK_SCOPES,
        query=CrosswalkQuery,
        sends={200: (LINK,)},
    ),
)
async def list_own_crosswalks(request: Call) -> Response[bytes]:
    """The client's crosswalks, by name

    Each in its newest version. Nobody sees another client's, not even a key that reads all decisions.
    """
    query = parsing.parse_query(request, CrosswalkQuery)
    client = request.auth.client_id
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, client)
        found = await crosswalks.list_crosswalks(conn, client, after=query.cursor, limit=query.limit + 1)
    following = found[query.limit - 1].name if len(found) > query.limit else None
    listed = msgspec.convert(
        {"items": found[: query.limit], "next": following},
        crosswalk_schemas.CrosswalkList,
        from_attributes=True,
    )
    headers = next_page("/v1/crosswalks", query, following)
    return Response(msgspec.json.encode(listed), media_type=JSON, headers=headers)


@get(
    "/v1/crosswalks/{name:str}",
    **route(
        "showCrosswalk",
        "Words",
        {200: {JSON: crosswalk_schemas.CrosswalkVersion}, 304: {}},
        scopes=CROSSWALK_SCOPES,
        path=CROSSWALK_NAME,
        query=CrosswalkVersionQuery,
        takes=(IF_NONE_MATCH,),
        sends={200: (ETAG,), 304: (ETAG,)},
        problems=("not_found",),
    ),
)
async def show_crosswalk(request: Call) -> Response[bytes]:
    """One crosswalk, in its newest version or in `?version=`

    Versions are kept for good: each decision that was sent in the client's own words names the one that it
    was read by.
    """
    query = parsing.parse_query(request, CrosswalkVersionQuery)
    name, client = request.path_params["name"], request.auth.client_id
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, client)
        found = await crosswalks.find_crosswalk(conn, client, name, query.version)
    if found is None:
        which = "" if query.version is None else f" in version {query.version}"
        raise NotFound(f"There is no crosswalk '{name[:64]}'{which}.")
    if parsing.unchanged(request, f'"{found.digest}"'):
        return Response(b"", status_code=304, headers={"ETag": f'"{found.digest}"'})
    return _told(found)


@put(
    "/v1/crosswalks/{name:str}",
    request_max_body_size=LARGEST_CROSSWALK,
    **route(
        "putCrosswalk",
        "Words",
        {201: {JSON: crosswalk_schemas.CrosswalkVersion}, 200: {JSON: crosswalk_schemas.CrosswalkVersion}},
        scopes=CROSSWALK_SCOPES,
        body=dict,
        path=CROSSWALK_NAME,
        takes=(IF_MATCH, IF_NONE_YET),
        sends={201: (ETAG, CROSSWALK_LOCATION), 200: (ETAG,)},
        problems=(
            "not_found",
            "bad_crosswalk",
            "precondition_required",
            "precondition_failed",
            "outcome_unknown",
        ),
        examples=CROSSWALK_EXAMPLES,
    ),
)
async def put_own_crosswalk(request: Call) -> Response[bytes]:
    """A crosswalk made, or changed: a new version of it

    Every word of ours in it must be one of the current rule table's. The one before stays on record. What
    stands there already is no new version, so that a retry is safe. `DEVELOPERS.md` describes the document,
    which may have 1 MiB.
    """
    service, name = services(request), request.path_params["name"]
    if parsing.NAME.fullmatch(name) is None:
        raise BadRequest((Flaw("name", "a lower-case name of at most 64 letters, figures, _ and -"),))
    known = parsing.request_headers(request)
    fresh = known.get(b"if-none-match", b"").strip() == b"*"
    if b"if-match" not in known and not fresh:
        raise PreconditionRequired(NEITHER)
    if b"if-match" in known and b"if-none-match" in known:
        raise BadRequest((Flaw("If-None-Match", "goes without `If-Match`"),))
    seen = None if fresh else parsing.if_match(request)
    raw = read_json(await parsing.read_large_body(request))
    parse_crosswalk(raw, service.rule_tables.current)
    try:
        document = canonical_json(raw)
    except rfc8785.CanonicalizationError as error:
        raise BadCrosswalk((Flaw("", f"A number cannot be kept exactly: {error}."),)) from error
    async with service.transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id)
        version, _ = await crosswalks.put_crosswalk(
            conn, name, document, seen=seen, fresh=fresh, actor=request_actor(request)
        )
        found = await crosswalks.find_crosswalk(conn, request.auth.client_id, name, version)
    assert found is not None  # noqa: S101 - it was put there in this transaction
    return _told(found, status=201 if version == 1 else 200)
