"""The decisions on record: one whole, or a page of those that match."""

from datetime import datetime
from typing import Annotated, Any, Literal, cast
from urllib.parse import urlencode

import msgspec
from litestar import Response, get
from msgspec import Meta

from coldcase import auditing
from coldcase.core.answer import Answer, Status, TableName
from coldcase.core.case import Code, CompressorType, Label
from coldcase.db import decisions
from coldcase.db.decisions import Decision, Search
from coldcase.db.keys import ApiKey
from coldcase.web import pages, strict, wire
from coldcase.web.face import HTML, JSON, Call, Header, face
from coldcase.web.house import house

READS_ALL = "decisions:read:all"
LINK = Header("Link", '`rel="next"`: the page after this one.')
Moment = Annotated[datetime, Meta(tz=True)]


class DecisionQuery(msgspec.Struct, frozen=True, rename={"from_": "from"}):
    """What to look for: all that is given must match. `from` is included, `to` is not; `by` says which time they mean."""

    cause: Code | None = None
    status: Status | None = None
    job_ref: Label | None = None
    circuit: Label | None = None
    compressor_type: CompressorType | None = None
    refrigerant: Label | None = None
    rule_table: Annotated[int, Meta(ge=1, le=2_147_483_647)] | None = None
    from_: Moment | None = None
    to: Moment | None = None
    by: Literal["closed_at", "recorded_at"] = "closed_at"
    cursor: Annotated[str, Meta(pattern=r"^[A-Za-z0-9_-]{34}$(?!\n)")] | None = None
    limit: Annotated[int, Meta(ge=1, le=500)] = 50


def reads_all(key: ApiKey) -> bool:
    """Whether the key shows every client's decisions."""
    return READS_ALL in key.scopes


@get(
    "/v1/decisions",
    **face(
        "searchDecisions",
        "Decisions",
        {200: {JSON: wire.DecisionList}},
        scopes=("decisions:read", READS_ALL),
        query=DecisionQuery,
        sends={200: (LINK,)},
        problems=("bad_cursor",),
    ),
)
async def search_decisions(request: Call) -> Response[bytes]:
    """Decisions that match, the newest first

    `from` and `to` go by `job.closed_at`, or where that is missing by the time of recording; `by=recorded_at` chooses
    the latter for all.
    """
    query = strict.query(request, DecisionQuery)
    wanted = _search(query, request.auth)
    after = None if query.cursor is None else decisions.place(wanted, query.cursor)
    async with house(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        rows = await decisions.search(conn, wanted, after=after, limit=query.limit + 1)
    following = decisions.cursor(wanted, rows[query.limit - 1]) if len(rows) > query.limit else None
    listed = msgspec.convert({"items": rows[: query.limit], "next": following}, wire.DecisionList, from_attributes=True)
    headers = {} if following is None else {"Link": f'<{_path(query, following)}>; rel="next"'}
    return Response(msgspec.json.encode(listed), media_type=JSON, headers=headers)


def _search(query: DecisionQuery, key: ApiKey) -> Search:
    given = {name: getattr(query, name) for name in Search.__struct_fields__ if hasattr(query, name) and name != "by"}
    return Search(**given, by="at" if query.by == "closed_at" else "recorded_at", client_id=None if reads_all(key) else key.client_id)


def _path(query: DecisionQuery, cursor: str) -> str:
    again = msgspec.to_builtins(msgspec.structs.replace(query, cursor=cursor))
    return "/v1/decisions?" + urlencode({name: value for name, value in again.items() if value is not None})


@get(
    "/v1/decisions/{id:uuid}",
    **face(
        "showDecision",
        "Decisions",
        {200: {JSON: wire.DecisionRecord, HTML: str}},
        scopes=("decisions:read", READS_ALL),
        problems=("not_found",),
    ),
)
async def show_decision(request: Call) -> Response[Any]:
    """The record: case, answer, table, chain, verdicts

    With `Accept: text/html` a report for people.
    """
    async with house(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        found, chain = await auditing.record(conn, request.path_params["id"])
    if strict.preferred(request, (JSON, HTML)) == HTML:
        answer, book = msgspec.json.decode(found.answer, type=Answer), await house(request).shelf.book(found.rule_table)
        return Response(pages.report(answer, msgspec.json.decode(found.case), book), media_type=HTML)
    return Response(msgspec.json.encode(_record(found, chain)), media_type=JSON)


def _record(found: Decision, chain: list[Decision]) -> wire.DecisionRecord:
    digest = msgspec.json.decode(found.answer, type=_Named).rule_table
    return wire.DecisionRecord(
        id=found.id,
        recorded_at=found.recorded_at,
        # The very text that was hashed and sent.
        case=cast("Any", msgspec.Raw(found.case)),
        answer=cast("Any", msgspec.Raw(found.answer)),
        rule_table=digest,
        chain=[wire.DecisionName(id=link.id, recorded_at=link.recorded_at) for link in chain],
        verdicts=[],
    )


class _Named(msgspec.Struct):
    rule_table: TableName
