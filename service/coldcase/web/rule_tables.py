"""Versions of the rule table: listed, and whole as JSON or as a CSV of frequencies."""

import csv
import io
import re
from collections.abc import Iterator
from typing import Any, cast

import msgspec
from litestar import Response, get

from coldcase.core.rule_table import Finding, Gate, RuleTable
from coldcase.db import rule_tables
from coldcase.db.rule_tables import StoredTable, is_draft
from coldcase.errors import NotFound, ScopeMissing
from coldcase.governing import shaped_table
from coldcase.web import parsing, schemas
from coldcase.web.route import CSV, ETAG, JSON, Call, route
from coldcase.web.services import services

LAST = 2_147_483_647
VERSION = {"type": "integer", "minimum": 1, "maximum": LAST}
# Litestar's own `int` takes `1_0`, `-1` and numbers that no column holds.
WHOLE_NUMBER = re.compile("[1-9][0-9]{0,9}")
TABLE_SCOPES = ("tables:read",)
DRAFT_SCOPES = ("tables:draft", "tables:approve")
"""Either lets a key see drafts: whoever approves one has to look at it."""
WHOLE_TABLE = {200: {JSON: schemas.TableEnvelope, CSV: str}}


@get(
    "/v1/rule-tables",
    **route("listRuleTables", "Rule tables", {200: {JSON: schemas.TableList}}, scopes=TABLE_SCOPES),
)
async def list_rule_tables(request: Call) -> Response[bytes]:
    """All versions, the newest first"""
    service = services(request)
    async with service.transaction() as conn:
        rows = await rule_tables.list_tables(conn)
    listed = schemas.TableList(
        items=[table_summary(row, service.rule_tables.current.version) for row in rows], next=None
    )
    return Response(msgspec.json.encode(listed), media_type=JSON)


@get(
    "/v1/rule-tables/current",
    **route(
        "showCurrentRuleTable",
        "Rule tables",
        {200: {JSON: schemas.CurrentTable, CSV: str}},
        scopes=TABLE_SCOPES,
    ),
)
async def show_current(request: Call) -> Response[bytes]:
    """The version that answers now

    With `Accept: text/csv` its natural frequencies, one row for each finding, outcome and cause.
    """
    return await _whole(request, None)


@get(
    "/v1/rule-tables/{version:str}",
    **route(
        "showRuleTable",
        "Rule tables",
        WHOLE_TABLE,
        scopes=(*TABLE_SCOPES, *DRAFT_SCOPES),
        path={"version": VERSION},
        sends={200: (ETAG,)},
        problems=("not_found", "bad_rule_table"),
    ),
)
async def show_table(request: Call) -> Response[bytes]:
    """One version

    With `Accept: text/csv` its natural frequencies, one row for each finding, outcome and cause. A draft may
    be flawed; to see one takes the scope `tables:draft` or `tables:approve`, and its `ETag` is what
    `If-Match` wants when it is changed.
    """
    return await _whole(request, version_of(request))


def version_of(request: Call) -> int:
    """The number in the path. Raises NotFound."""
    text = request.path_params["version"]
    if not WHOLE_NUMBER.fullmatch(text) or int(text) > LAST:
        raise NotFound("A rule table is named by its number, or as `current`.")
    return int(text)


def require_sight(request: Call, stored: StoredTable) -> None:
    """Raises ScopeMissing for a table that the key may not see: a draft, or any without `tables:read`."""
    scopes = request.auth.scopes
    if scopes.isdisjoint(DRAFT_SCOPES) and (is_draft(stored) or scopes.isdisjoint(TABLE_SCOPES)):
        raise ScopeMissing(f"Rule table {stored.version} is a draft: it needs the scope `tables:draft`.")


async def _whole(request: Call, version: int | None) -> Response[bytes]:
    service = services(request)
    async with service.transaction() as conn:
        stored = await (
            rule_tables.current_table(conn) if version is None else rule_tables.get_table(conn, version)
        )
    require_sight(request, stored)
    tag = {"ETag": f'"{stored.digest}"'}
    if parsing.preferred(request, (JSON, CSV)) == CSV:
        return Response(frequencies(shaped_table(stored)), media_type=CSV, headers=tag)
    envelope = schemas.TableEnvelope(
        **_members(stored, service.rule_tables.current.version),
        content=cast("Any", msgspec.Raw(stored.document)),
    )
    return Response(msgspec.json.encode(envelope), media_type=JSON, headers=tag)


def table_summary(row: rule_tables.ListedTable | StoredTable, current: int | None) -> schemas.TableSummary:
    """A version as lists and changes tell of it."""
    return schemas.TableSummary(**_members(row, current))


def _members(row: rule_tables.ListedTable | StoredTable, current: int | None) -> dict[str, Any]:
    named = ("version", "digest", "state", "based_on", "note", "created_at")
    return {name: getattr(row, name) for name in named} | {"current": row.version == current}


def frequencies(table: RuleTable) -> bytes:
    """The natural frequencies as CSV: of 100 failures from `cause` in which `finding` was looked at, how many
    show `outcome`.

    `machines` names those that a row is for; it is empty where a row is for all.
    """
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(["finding", "outcome", "cause", "per_hundred", "machines"])
    for code, finding in table.findings.items():
        writer.writerows(_shares(code, finding, finding.background, finding.per_hundred, ""))
        for rows in finding.on_machines:
            writer.writerows(_shares(code, finding, rows.background, rows.per_hundred, _machines(rows.when)))
    for code, pattern in table.patterns.items():
        for cause, share in {"background": pattern.background, **pattern.per_hundred}.items():
            writer.writerow([code, "present", cause, share, ""])
    return text.getvalue().encode()


def _shares(
    code: str,
    finding: Finding,
    background: list[float] | None,
    per_hundred: dict[str, list[float]],
    machines: str,
) -> Iterator[list[str | float]]:
    rows = per_hundred if background is None else {"background": background, **per_hundred}
    for cause, shares in rows.items():
        for outcome, share in zip(finding.outcomes, shares, strict=True):
            yield [code, outcome.code, cause, share, machines]


def _machines(gate: Gate) -> str:
    return " ".join([*gate.motors, *gate.connections, *gate.compressor_types])
