"""What stands on the pages of a rule table's limits, of the table as a whole, and of all its versions."""

from collections.abc import Sequence
from typing import Any

from coldcase.core.rule_table import Limit
from coldcase.db.rule_tables import ListedTable
from coldcase.db.table_history import TableEvent
from coldcase.web.pages import drawing, table_causes, table_findings
from coldcase.web.pages.differences import STATE_WORDS
from coldcase.web.pages.drawing import ScalePart
from coldcase.web.pages.table_frame import TablePage

DONE = {
    "draft": "drafted",
    "edit": "edited",
    "approve": "approved",
    "publish": "published: it answers from then on",
    "withdraw": "withdrawn",
}


def limits_context(page: TablePage) -> dict[str, Any]:
    """The limits by quantity, each with its place in the document."""
    grouped: dict[str, list[tuple[int, Limit]]] = {}
    for place, limit in enumerate(page.table.limits):
        grouped.setdefault(limit.quantity, []).append((place, limit))
    quantities = []
    for code, limits in grouped.items():
        row = page.table.quantities.get(code)
        quantities.append(
            {
                "code": code,
                "title": page.words.quantity(code),
                "unit": page.words.unit(code),
                "meaning": row.meaning if row else "",
                "credible": f"{row.lowest:g} to {row.highest:g}" if row else "",
                "limits": [_limit(page, place, limit) for place, limit in limits],
            }
        )
    return {"page": page, "quantities": quantities}


def _limit(page: TablePage, place: int, limit: Limit) -> dict[str, Any]:
    finding = page.words.finding(limit.finding)
    return {
        "id": f"limit-{place}",
        "finding": finding,
        "path": page.finding_path(limit.finding),
        "when": page.words.when(limit.when) or "on every machine",
        "bands": page.words.bands(limit),
        "picture": drawing.scale(
            f"scale-{place}",
            f"{page.words.quantity(limit.quantity)}: {finding}",
            [ScalePart(band.below, page.words.band(limit, band)) for band in limit.bands],
        )
        if limit.bands
        else "",
        "basis": limit.basis,
        "remarks": page.remarks_at(f"/limits/{place}"),
        "pointer": f"/limits/{place}",
    }


def table_context(
    page: TablePage, events: Sequence[TableEvent], current: int, *, drafts: bool
) -> dict[str, Any]:
    """The table as a whole; `drafts` says whether the key may see drafts, and so backtests."""
    table = page.table
    shown = [page.remark(one) for one in page.remarks]
    return {
        "page": page,
        "state": STATE_WORDS[page.stored.state],
        "current": page.stored.version == current,
        "events": [(event.at, DONE[event.kind], event.person, event.reason) for event in events],
        "families": table_causes.causes_by_family(page),
        "stations": table_findings.stations(page),
        "no_longer_asked": table_findings.no_longer_asked(page),
        "patterns": table_findings.patterns(page),
        "discounts": [
            (page.words.when(row.when), f"{row.keep * 100:.0f}", row.reason) for row in table.discounts
        ],
        "cautions": [(row.text, page.words.when(row.when), row.basis) for row in table.cautions],
        "open": [one for one in shown if one["said"].state != "settled"],
        "settled": [one for one in shown if one["said"].state == "settled"],
        "counts": (len(table.causes), len(table.findings), len(table.limits)),
        "drafts": drafts,
    }


def versions_context(rows: Sequence[ListedTable], current: int) -> dict[str, Any]:
    """All versions that the key may see, the newest first."""
    return {
        "versions": [
            {
                "row": row,
                "state": STATE_WORDS[row.state].removeprefix("a ").removeprefix("an "),
                "current": row.version == current,
            }
            for row in rows
        ],
    }
