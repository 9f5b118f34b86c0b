"""Two rule tables compared, for a program, a terminal or a person who reviews."""

import asyncio

import msgspec
from litestar import Response, get

from coldcase import governing
from coldcase.core.answer import TableName
from coldcase.core.diff_text import diff_text
from coldcase.core.diffing import TableDiff, diff_tables
from coldcase.core.learning import LearnedNumber, with_confirmed
from coldcase.core.pointers import overlap
from coldcase.db import remarks
from coldcase.db.proposals import proposed_numbers
from coldcase.db.remarks import StoredRemark
from coldcase.db.rule_tables import StoredTable
from coldcase.web import pages, parsing, remark_schemas
from coldcase.web.remarks import shown_remark, still_stands
from coldcase.web.rendering import html_headers, viewer
from coldcase.web.route import HTML, JSON, PLAIN_TEXT, Call, route
from coldcase.web.rule_tables import DRAFT_SCOPES, TABLE_SCOPES, VERSION, version_of
from coldcase.web.services import services
from coldcase.web.table_changes import Version, seen_table

MOST_REMARKS = 500
"""Remarks of either kind that a comparison looks at, the newest."""


class ComparisonQuery(msgspec.Struct, frozen=True, kw_only=True):
    """The version to compare with: its base where it is not named, or the current one where it has none."""

    against: Version | None = None


@get(
    "/v1/rule-tables/{version:str}/diff",
    **route(
        "compareRuleTables",
        "Rule tables",
        {200: {JSON: remark_schemas.TableComparison, PLAIN_TEXT: str, HTML: str}},
        scopes=(*TABLE_SCOPES, *DRAFT_SCOPES),
        query=ComparisonQuery,
        path={"version": VERSION},
        problems=("not_found", "bad_rule_table"),
    ),
)
async def compare_rule_tables(request: Call) -> Response[bytes]:
    """What a version has otherwise than another one

    By station, the most consequential first: causes, findings, outcomes, frequencies with what they weigh
    (decibans against the background, before and after), limits, texts; and the remarks that it settles, or
    that stand open where something differs. Of a version that was proposed from verdicts each number that is
    as it was proposed says how many judged cases moved it (`confirmed`). `?against=` names the other version;
    its base where it is left out. With `Accept: text/html` a page for people, with `text/plain` a line a
    change.
    """
    query = parsing.parse_query(request, ComparisonQuery)
    new = await seen_table(request, version_of(request))
    current = services(request).rule_tables.current.version
    old = await seen_table(request, query.against or new.based_on or current or new.version)
    async with services(request).transaction() as conn:
        drafts = not request.auth.scopes.isdisjoint(DRAFT_SCOPES)
        settling, unsettled = await remarks.remarks_between(
            conn, old.version, new.version, drafts=drafts, limit=MOST_REMARKS
        )
        numbers = await proposed_numbers(conn, new.version)
    media = parsing.preferred(request, (JSON, PLAIN_TEXT, HTML)) or JSON

    def compared() -> bytes:
        tables = governing.shaped_table(old), governing.shaped_table(new)
        diff = diff_tables(*tables)
        if numbers is not None:
            diff = with_confirmed(diff, msgspec.json.decode(numbers, type=list[LearnedNumber]))
        about = _about(request, diff, new, settling, unsettled)
        if media == HTML:
            around = {"viewer": viewer(request), "here": request.scope["path"]}
            return pages.table_diff((old, new), tables, diff, about, **around).encode()
        return _spelled(media, (old, new), diff, about)

    text = await asyncio.to_thread(compared)
    headers = html_headers(text.decode()) if media == HTML else {}
    return Response(text, media_type=media, headers=headers)


def plain_comparison(old: StoredTable, new: StoredTable) -> str:
    """The page of two versions without the remarks on them, for somebody who has a link to it and no key."""
    tables = governing.shaped_table(old), governing.shaped_table(new)
    nothing = remark_schemas.ComparedRemarks(settles=[], unsettled=[], touches=[])
    return pages.table_diff((old, new), tables, diff_tables(*tables), nothing)


def _about(
    request: Call,
    diff: TableDiff,
    new: StoredTable,
    settling: list[StoredRemark],
    unsettled: list[StoredRemark],
) -> remark_schemas.ComparedRemarks:
    places = [change.pointer for one in diff.stations for change in one.changes]
    touched = [one for one in unsettled if any(overlap(one.pointer, place) for place in places)]
    return remark_schemas.ComparedRemarks(
        settles=[shown_remark(one, request.auth) for one in settling],
        unsettled=[one.id for one in settling if still_stands(one, new)],
        touches=[shown_remark(one, request.auth) for one in touched],
    )


def _spelled(
    media: str,
    stored: tuple[StoredTable, StoredTable],
    diff: TableDiff,
    about: remark_schemas.ComparedRemarks,
) -> bytes:
    if media == PLAIN_TEXT:
        names = [f"rule table {each.version} ({each.state}, {each.digest})" for each in stored]
        told = [
            ("remarks that it settles", [f"{one.pointer}: {one.text}" for one in about.settles]),
            (
                "remarks on what differs",
                [f"{one.pointer} ({one.state}): {one.text}" for one in about.touches],
            ),
        ]
        return diff_text(diff, names[0], names[1], told).encode()
    named = [TableName(version=each.version, digest=each.digest) for each in stored]
    return msgspec.json.encode(
        remark_schemas.TableComparison(old=named[0], new=named[1], diff=diff, remarks=about)
    )
