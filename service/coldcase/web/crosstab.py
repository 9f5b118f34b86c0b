"""A client's own codes against ours: what the decisions that carry a code of the client's were coded here."""

from collections.abc import Sequence
from itertools import groupby
from typing import Annotated, Literal

import msgspec
from litestar import Response, get
from msgspec import Meta

from coldcase.core.answer import Status
from coldcase.core.case import CompressorType, Label
from coldcase.db import decisions, statistics
from coldcase.db.statistics import Counted
from coldcase.feedback import calibrating
from coldcase.feedback.calibrating import Interval
from coldcase.web import parsing
from coldcase.web.filters import Moment, Origin, WhichTime, decision_filter, order_of
from coldcase.web.route import JSON, Call, route
from coldcase.web.services import services


class CrosstabQuery(msgspec.Struct, frozen=True, rename={"from_": "from"}):
    """Which decisions to set against each other; `from` is included, `to` is not; `by` says which time they
    mean.
    """

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


class CauseOfCode(msgspec.Struct, frozen=True):
    """How often decisions of one own code name a cause, and which share that is."""

    cause: str
    counted: Interval


class CodeRow(msgspec.Struct, frozen=True):
    """One own code: how many decisions carry it, and what these name, the most frequent first."""

    own_code: str
    count: int
    causes: list[CauseOfCode]


class Crosstab(msgspec.Struct, frozen=True, kw_only=True):
    """Own codes, the most frequent first; `without_code` decisions carry none; `truncated` if there are more
    codes than were asked for.
    """

    items: list[CodeRow]
    without_code: int
    next: str | None
    truncated: bool


@get(
    "/v1/statistics/crosstab",
    **route(
        "showCrosstab",
        "Statistics",
        {200: {JSON: Crosstab}},
        scopes=("decisions:read",),
        query=CrosstabQuery,
    ),
)
async def show_crosstab(request: Call) -> Response[bytes]:
    """The client's own codes against ours

    Of each `own_code` that decisions came with, what they were coded here, with 95 % intervals. Counted are
    the client's own decisions that stand: of a chain of `supersedes` the newest. A code that scatters over
    many causes says little; one that lies with a single cause of ours can be its code in a crosswalk.
    """
    query, client = parsing.parse_query(request, CrosstabQuery), request.auth.client_id
    wanted = msgspec.structs.replace(
        decision_filter(query, request.auth, by=order_of(query.by)), client_id=client
    )
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, client)
        # One more for those without a code, one more to see whether there are more.
        rows = await statistics.causes(conn, "own_code", wanted, most=query.limit + 2)
    return Response(msgspec.json.encode(crosstab_of(rows, most=query.limit)), media_type=JSON)


def crosstab_of(rows: Sequence[Counted], *, most: int) -> Crosstab:
    """The `most` frequent own codes against ours, of what was counted by own codes of two groups more."""
    groups = [list(members) for _, members in groupby(rows, lambda row: row.group)]
    coded = [_row(members) for members in groups if members[0].group is not None]
    without = sum(row.count for row in rows if row.group is None)
    return Crosstab(items=coded[:most], without_code=without, next=None, truncated=len(coded) > most)


def _row(rows: list[Counted]) -> CodeRow:
    first = rows[0]
    causes = [CauseOfCode(row.cause, calibrating.interval(row.count, row.total)) for row in rows]
    return CodeRow(str(first.group), first.total, causes)
