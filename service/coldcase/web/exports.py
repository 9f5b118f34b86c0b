"""Everything that matches, streamed: as NDJSON, CSV or Parquet, in constant memory."""

from collections.abc import AsyncGenerator
from contextlib import aclosing
from typing import Annotated, Any, Literal

import msgspec
from litestar import get
from litestar.types import ASGIApp
from msgspec import Meta

from coldcase.core.answer import Status
from coldcase.core.case import Code, CompressorType, Label
from coldcase.db import decisions, export
from coldcase.db.decisions import DecisionFilter
from coldcase.db.export import Exported
from coldcase.db.keys import ApiKey
from coldcase.web import parquet, parsing
from coldcase.web.filters import READS_ALL, Moment, Origin, WhichTime, decision_filter, order_of, reads_all
from coldcase.web.route import CSV, NDJSON, Call, route
from coldcase.web.services import services
from coldcase.web.streams import PIECE, Exports, Streamed

PARQUET = "application/vnd.apache.parquet"
FORMATS = {"ndjson": NDJSON, "csv": CSV, "parquet": PARQUET}


class ExportQuery(msgspec.Struct, frozen=True, rename={"from_": "from"}):
    """What to export: all that is given must match, as in a search. `format` beats `Accept`; `full` adds case
    and answer.

    CSV only: a text that a spreadsheet would run as a formula (it begins with `=`, `+`, `-`, `@`, tab or
    carriage return) gets an apostrophe in front; `safe=false` leaves it as it is.
    """

    format: Literal["ndjson", "csv", "parquet"] | None = None
    full: Literal["true", "false"] = "false"
    safe: Literal["true", "false"] = "true"
    cause: Code | None = None
    status: Status | None = None
    job_ref: Label | None = None
    circuit: Label | None = None
    compressor_type: CompressorType | None = None
    refrigerant: Label | None = None
    rule_table: Annotated[int, Meta(ge=1, le=2_147_483_647)] | None = None
    origin: Origin | None = None
    has_verdict: Literal["true", "false"] | None = None
    from_: Moment | None = None
    to: Moment | None = None
    by: WhichTime = "closed_at"


@get(
    "/v1/decisions/export",
    **route(
        "exportDecisions",
        "Decisions",
        {200: {NDJSON: str, CSV: str, PARQUET: bytes}},
        scopes=("decisions:read", READS_ALL),
        query=ExportQuery,
    ),
)
async def export_decisions(request: Call) -> ASGIApp:
    """All decisions that match, each with its newest verdict

    In the order of recording, as they stood when the export began; columns are the same in each format, with
    `full=true` also `case` and `answer`, the stored texts. Memory does not grow with the number of rows. An
    export that breaks off shows it: NDJSON ends with a line `{"summary": {"rows": n}}` or is unfinished, and
    a CSV or Parquet file is complete only if the HTTP message is.
    """
    query = parsing.parse_query(request, ExportQuery)
    wanted = decision_filter(query, request.auth, by=order_of(query.by))
    media = (
        FORMATS[query.format]
        if query.format
        else parsing.preferred(request, tuple(FORMATS.values())) or NDJSON
    )
    if media == PARQUET:
        parquet.require()
    running = services(request).exports
    pieces = _pieces(
        running, request.auth, wanted, media, full=query.full == "true", safe=query.safe == "true"
    )
    return Streamed(pieces, media)


async def _pieces(
    running: Exports, key: ApiKey, wanted: DecisionFilter, media: str, *, full: bool, safe: bool
) -> AsyncGenerator[bytes, None]:
    with running.place(key.client_id):
        async with running.transaction() as conn:
            await decisions.view_as(conn, key.client_id, reads_all=reads_all(key))
            match media:
                case "text/csv":
                    pieces = _joined(export.export_csv(conn, wanted, full=full, safe=safe))
                case "application/x-ndjson":
                    pieces = ndjson_lines(export.export_rows(conn, wanted, full=full), full=full)
                case _:
                    pieces = parquet.written(
                        export.export_csv(conn, wanted, full=full), export.columns(full=full)
                    )
            # What reads from the connection ends before the transaction does: an open COPY would hold up the
            # rollback for ever.
            async with aclosing(pieces):
                async for piece in pieces:
                    yield piece


async def _joined(records: AsyncGenerator[bytes, None]) -> AsyncGenerator[bytes, None]:
    """Records joined, so that not each is a chunk of its own."""
    held: list[bytes] = []
    size = 0
    async with aclosing(records):
        async for record in records:
            held.append(record)
            size += len(record)
            if size >= PIECE:
                yield b"".join(held)
                held, size = [], 0
    yield b"".join(held)


_encode = msgspec.json.Encoder().encode


async def ndjson_lines(
    batches: AsyncGenerator[list[Exported], None], *, full: bool
) -> AsyncGenerator[bytes, None]:
    """Rows as NDJSON, some at a time, and last a line that says how many there were."""
    names, rows = tuple(export.columns(full=full)), 0
    async with aclosing(batches):
        async for batch in batches:
            rows += len(batch)
            yield b"".join([_line(dict(zip(names, row, strict=True)), full=full) for row in batch])
    yield _encode({"summary": {"rows": rows}}) + b"\n"


def _line(members: dict[str, Any], *, full: bool) -> bytes:
    if full:
        # The very texts that were hashed and sent.
        members |= {name: msgspec.Raw(members[name].encode()) for name in export.FULL_EXPORT_COLUMNS}
    return _encode(members) + b"\n"
