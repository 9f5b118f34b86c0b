"""Figures over the decisions that stand: causes counted, and how often a stated confidence was right."""

from itertools import groupby
from typing import Annotated, Literal

import msgspec
from litestar import Response, get
from msgspec import Meta

from coldcase.core.answer import Status
from coldcase.core.case import Code, CompressorType, Label
from coldcase.db import decisions, statistics
from coldcase.db.statistics import Counted, GroupBy
from coldcase.db.verdicts import Basis
from coldcase.errors import ScopeMissing
from coldcase.feedback import calibrating
from coldcase.web import parsing, schemas
from coldcase.web.filters import READS_ALL, Moment, Origin, WhichTime, decision_filter, order_of, reads_all
from coldcase.web.route import JSON, Call, route
from coldcase.web.services import services

STATISTICS_SCOPES = ("decisions:read", READS_ALL)


class CauseQuery(msgspec.Struct, frozen=True, rename={"from_": "from"}):
    """What to count and by what; `from` is included, `to` is not; `by` says which time they and
    `group_by=month` mean.
    """

    group_by: GroupBy | None = None
    cause: Code | None = None
    status: Status | None = None
    circuit: Label | None = None
    compressor_type: CompressorType | None = None
    refrigerant: Label | None = None
    rule_table: Annotated[int, Meta(ge=1, le=2_147_483_647)] | None = None
    origin: Origin | None = None
    has_verdict: Literal["true", "false"] | None = None
    from_: Moment | None = None
    to: Moment | None = None
    by: WhichTime = "closed_at"
    limit: Annotated[int, Meta(ge=1, le=1000)] = 100


@get(
    "/v1/statistics/causes",
    **route(
        "countCauses",
        "Statistics",
        {200: {JSON: schemas.CauseCounts}},
        scopes=STATISTICS_SCOPES,
        query=CauseQuery,
    ),
)
async def count_causes(request: Call) -> Response[bytes]:
    """Causes: how many, which share, and the share's 95 % interval

    Counted are decisions that stand: of a chain of `supersedes` the newest. With `group_by`, within each of
    the `limit` largest groups (of months the latest); `truncated` says that there are more. `group_by=client`
    needs the scope `decisions:read:all`.
    """
    query = parsing.parse_query(request, CauseQuery)
    if query.group_by == "client" and not reads_all(request.auth):
        raise ScopeMissing(f"Grouping by client needs the scope `{READS_ALL}`.")
    wanted = decision_filter(query, request.auth, by=order_of(query.by))
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        rows = await statistics.causes(conn, query.group_by, wanted, most=query.limit + 1)
    groups = [_group(list(members)) for _, members in groupby(rows, lambda row: row.group)]
    counts = schemas.CauseCounts(items=groups[: query.limit], next=None, truncated=len(groups) > query.limit)
    return Response(msgspec.json.encode(counts), media_type=JSON)


def _group(rows: list[Counted]) -> schemas.CauseGroup:
    causes = [
        schemas.CauseCount(cause=row.cause, counted=calibrating.interval(row.count, row.total))
        for row in rows
    ]
    return schemas.CauseGroup(group=rows[0].group, count=rows[0].total, causes=causes)


class CalibrationQuery(msgspec.Struct, frozen=True, rename={"from_": "from"}):
    """Which decisions to look at, and with `basis` by which verdicts only; `from` is included, `to` is
    not.
    """

    rule_table: Annotated[int, Meta(ge=1, le=2_147_483_647)] | None = None
    status: Status | None = None
    engine: Label | None = None
    origin: Origin | None = None
    basis: Basis | None = None
    from_: Moment | None = None
    to: Moment | None = None
    by: WhichTime = "closed_at"


@get(
    "/v1/statistics/calibration",
    **route(
        "showCalibration",
        "Statistics",
        {200: {JSON: schemas.CalibrationList}},
        scopes=STATISTICS_SCOPES,
        query=CalibrationQuery,
    ),
)
async def show_calibration(request: Call) -> Response[bytes]:
    """How often a stated confidence was right

    By the newest verdict on each decision that stands, for each rule table, status and engine. People choose
    what they look into and have read our answer: read the figures with `coverage`, `basis` and
    `not_determinable` beside them.
    """
    query = parsing.parse_query(request, CalibrationQuery)
    wanted = decision_filter(query, request.auth, by=order_of(query.by))
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        found = await calibrating.calibration(conn, wanted, query.basis)
    return Response(msgspec.json.encode(schemas.CalibrationList(items=found, next=None)), media_type=JSON)
