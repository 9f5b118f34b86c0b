"""A rule table as sheets for a spreadsheet: handed out, and taken back into a draft."""

import asyncio
from typing import Annotated

import msgspec
from litestar import Response, get, put
from msgspec import Meta

from coldcase import governing
from coldcase.core.table_sheets import SHEETS
from coldcase.db.rule_tables import StoredTable
from coldcase.errors import Malformed, NotFound
from coldcase.web import parsing, schemas
from coldcase.web.route import CSV, ETAG, IF_MATCH, JSON, Call, route
from coldcase.web.rule_tables import DRAFT_SCOPES, LAST, TABLE_SCOPES, VERSION, version_of
from coldcase.web.table_changes import EDITS, LARGEST_DRAFT_BODY, edit_draft, seen_table

PLACE = {"version": VERSION, "sheet": {"title": "SheetName", "enum": list(SHEETS)}}


class BaseQuery(msgspec.Struct, frozen=True, kw_only=True):
    """The version that the sheet was made of; the draft itself where it is not named."""

    base: Annotated[int, Meta(ge=1, le=LAST)] | None = None


def _sheet_of(request: Call) -> str:
    name: str = request.path_params["sheet"]
    if name not in SHEETS:
        raise NotFound(f"There is no sheet '{name[:64]}': a rule table has {', '.join(SHEETS)}.")
    return name


@get(
    "/v1/rule-tables/{version:str}/sheets/{sheet:str}",
    **route(
        "showSheet",
        "Rule tables",
        {200: {CSV: str}},
        scopes=(*TABLE_SCOPES, *DRAFT_SCOPES),
        path=PLACE,
        sends={200: (ETAG,)},
        problems=("not_found", "bad_rule_table"),
    ),
)
async def show_sheet(request: Call) -> Response[bytes]:
    """A version as a sheet for a spreadsheet

    `frequencies`: a row for each finding and outcome, a column for each cause. `limits`: a row for each band.
    `texts`: a row for each text. The `ETag` is that of the version. A text that a spreadsheet would run as a
    formula has an apostrophe in front, which is taken off when it comes back.
    """
    name = _sheet_of(request)
    stored = await seen_table(request, version_of(request))
    made = await asyncio.to_thread(governing.sheets_of, stored.document)
    headers = {
        "ETag": f'"{stored.digest}"',
        "Content-Disposition": f'attachment; filename="{name}-{stored.version}.csv"',
    }
    return Response(made[name].encode(), media_type=CSV, headers=headers)


@put(
    "/v1/rule-tables/{version:str}/sheets/{sheet:str}",
    request_max_body_size=LARGEST_DRAFT_BODY,
    **route(
        "replaceSheet",
        "Rule tables",
        {200: {JSON: schemas.TableSummary}},
        scopes=("tables:draft",),
        body=str,
        body_media=(CSV,),
        query=BaseQuery,
        path=PLACE,
        takes=(IF_MATCH,),
        sends={200: (ETAG,)},
        problems=(*EDITS, "bad_rule_table", "outcome_unknown"),
    ),
)
async def replace_sheet(request: Call) -> Response[bytes]:
    """A draft changed by an edited sheet

    `?base=` names the version that the sheet was made of, the draft itself where it is left out: what was
    edited against it is changed in the draft, and nothing else. What the draft has otherwise since, too, is
    refused, and so is every cell that cannot be read, with its row (the header is 1) and column. Rows and
    columns may be left out; what is added or taken away is changed in the document.
    """
    name = _sheet_of(request)
    query = parsing.parse_query(request, BaseQuery)
    base = None if query.base is None else await seen_table(request, query.base)

    def edited(draft: StoredTable, body: bytes) -> bytes:
        try:
            sheet = {name: body.decode()}
        except UnicodeDecodeError as error:
            raise Malformed(f"The sheet is not UTF-8: save it as CSV in UTF-8 ({error.reason}).") from error
        whole = draft if base is None else base
        return governing.edited_by_sheets(whole.document, sheet, draft.document)

    return await edit_draft(request, edited)
