"""History as a whole: a body of any size, answered and recorded line by line."""

import asyncio
from collections.abc import AsyncGenerator
from contextlib import aclosing
from typing import BinaryIO, Literal, get_args

import msgspec
from litestar import post
from litestar.types import ASGIApp, Receive, Scope, Send

from coldcase.core.case import Label
from coldcase.errors import Malformed
from coldcase.importing.orders import ImportOrder, RowCrosswalk
from coldcase.importing.spooling import ContentEncoding, Spool
from coldcase.importing.supervising import BrokenOff
from coldcase.web import parsing
from coldcase.web.classifications import PREFER
from coldcase.web.imports import Imports
from coldcase.web.own_words import CONTENT_PROFILE, content_profile
from coldcase.web.problems import TooSlow, as_raised, problem
from coldcase.web.route import CSV, NDJSON, Call, Header, route
from coldcase.web.services import services
from coldcase.web.streams import Streamed
from coldcase.web.verdicts import request_actor

IMPORT_KEY = Header(
    "Idempotency-Key",
    "The import's key, the empty one if not said: a line is known again by the client, this key, its content "
    "and how often that came before in the import; for good.",
    {"type": "string", "pattern": "^[!-~]{1,200}$"},
)
CONTENT_ENCODING = Header(
    "Content-Encoding",
    "`gzip` or `zstd`.",
    {"title": "ContentEncoding", "enum": list(get_args(ContentEncoding))},
)
ENCODINGS = ("gzip", "zstd")


class BulkQuery(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What is answered: a few members of each line's answer, or all of it (`full`), next checks too; and of
    CSV that is read by a crosswalk the column of the client's own code.
    """

    answer: Literal["short", "full"] = "short"
    own_code: Label | None = None


@post(
    "/v1/classifications/bulk",
    request_max_body_size=None,
    **route(
        "classifyBulk",
        "Classifying",
        {200: {NDJSON: str}},
        scopes=("decisions:write",),
        body=str,
        body_media=(NDJSON, CSV),
        encodings=ENCODINGS,
        query=BulkQuery,
        takes=(IMPORT_KEY, CONTENT_ENCODING, CONTENT_PROFILE, PREFER),
        problems=("bad_encoding", "spool_full", "bad_case"),
    ),
)
async def classify_bulk(request: Call) -> ASGIApp:
    """History: many cases, each a line, answered and recorded line by line

    A line is a case, or `{"case": {…}, "verdict": {…}, "own_code": "…"}`: history knows its outcomes. Blank
    lines are none. Each line is answered by `{"line", "job_ref", "id", "cause", "status", "confidence",
    "replayed"}`, with `other_on_line` where an earlier line says something else of the same `job.ref`, or by
    `{"line", "problem"}`; a bad line never stops the rest. The last line is `{"summary": {"lines",
    "recorded", "replayed", "refused", "verdicts", "rule_table"}}`; without it the answer is unfinished, and
    what was answered is on record. A last line `{"problem"}` then says why.

    Posting the same again, whenever, records no line twice and gives the same ids. What is the same: the
    client, the `Idempotency-Key`, all that the line says, and how often that came before. Where an import is
    posted in parts, `"occurrence"` beside `case` says how often the same content came in it before.

    CSV has a header of members (`job.ref`, `unit.compressor_type`, `observations.copper_plating`,
    `readings.suction_pressure [psig]`, `own_code`, `verdict.cause`); several signs of a finding are parted by
    `;`, and an empty cell is what was not looked at. With `Content-Profile` its columns are the client's own.

    One rule table, the current one as the lines begin, answers all of them. Without `answer=full` no next
    checks are worked out, nor recorded.
    """
    service = services(request)
    query = parsing.parse_query(request, BulkQuery)
    profile = await content_profile(request)
    order = ImportOrder(
        database_url=service.imports.database_url,
        client_id=request.auth.client_id,
        key=request.auth.id,
        actor=request_actor(request),
        import_key=parsing.idempotency_key(request) or "",
        rule_table=_current(service.rule_tables.current.version),
        whole_answers=query.answer == "full",
        lenient=parsing.lenient(request),
        crosswalk=None if profile is None else RowCrosswalk(profile.name, profile.version, profile.document),
        media="csv" if parsing.media_type(request, (CSV,)) else "ndjson",
        own_code=query.own_code,
        spool_folder=service.imports.room.settings.folder,
    )
    encoding = parsing.content_encoding(request)
    return _Import(service.imports, order, encoding)  # type: ignore[arg-type]  # checked by the guard


def _current(version: int | None) -> int:
    assert version is not None  # noqa: S101 - a service answers by a table on record only
    return version


class _Import:
    """One import, as an ASGI application: the body first, to its end, then the answer."""

    def __init__(self, imports: Imports, order: ImportOrder, encoding: ContentEncoding) -> None:
        self._imports = imports
        self._order = order
        self._encoding = encoding

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Takes the body and sends the answer. What goes wrong before the first line is raised before
        anything is sent.
        """
        with self._imports.places.place(self._order.client_id):
            spool = Spool(self._imports.room, self._encoding)
            try:
                await _take(spool, receive)
                file = await asyncio.to_thread(spool.finish)
                await Streamed(self._lines(file), NDJSON)(scope, receive, send)
            finally:
                spool.close()

    async def _lines(self, file: BinaryIO) -> AsyncGenerator[bytes, None]:
        begun = False
        try:
            async with aclosing(self._imports.workers.lines(self._order, file)) as answered:
                async for lines in answered:
                    begun = True
                    yield lines
        except BrokenOff as error:
            failure = error.failure
            if not begun:
                raise as_raised(failure.code, failure.detail, failure.flaws) from error
            told = problem(failure.code, failure.detail, failure.flaws)
            yield msgspec.json.encode({"problem": told}) + b"\n"


async def _take(spool: Spool, receive: Receive) -> None:
    """Spools the whole body. Raises TooSlow where nothing comes any more, Malformed where it breaks off, and
    as the spool does.
    """
    more = True
    while more:
        try:
            async with asyncio.timeout(parsing.BODY_SECONDS):
                message = await receive()
        except TimeoutError as error:
            raise TooSlow from error
        if message["type"] != "http.request":
            raise Malformed("The connection ended within the body.")
        if piece := message.get("body"):
            # Decoding and writing are for a thread: the loop has other callers.
            await asyncio.to_thread(spool.write, piece)
        more = message.get("more_body", False)
