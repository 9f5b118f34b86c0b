"""What stands on the page of one finding, or of a pattern of findings, of a rule table."""

from typing import Any

from coldcase.core.rule_table import Finding, Group, Pattern, RowsOn
from coldcase.web.pages import drawing, rule_words
from coldcase.web.pages.drawing import DotOf
from coldcase.web.pages.table_frame import TablePage, share

MOST_TITLES = 3
"""Causes that are named below each picture; the table has all."""


def finding_context(page: TablePage, code: str, cause: str | None) -> dict[str, Any]:
    """What the template is filled with; `cause` is the one whose rows are to be pointed out."""
    row, words = page.table.findings[code], page.words
    return {
        "page": page,
        "code": code,
        "finding": row,
        "station": rule_words.station(row.station),
        "effort": rule_words.EFFORT_TOLD[row.effort],
        "before": rule_words.DEADLINES.get(row.before or ""),
        "gate": rule_words.gate(row.gate),
        "succeeded_by": None
        if row.succeeded_by is None
        else (words.finding(row.succeeded_by), page.finding_path(row.succeeded_by)),
        "precedes": [
            (words.finding(other), page.finding_path(other))
            for other, theirs in page.table.findings.items()
            if theirs.succeeded_by == code
        ],
        "supersedes": [(words.finding(other), page.finding_path(other)) for other in row.supersedes],
        "several": row.kind == "several",
        "outcomes": _outcomes(page, row, cause),
        "group": _group(page, row.group, code),
        "cause": (words.cause(cause), page.cause_path(cause)) if cause in page.table.causes else None,
        "tables": [
            _frequencies(page, row, cause, None),
            *(_frequencies(page, row, cause, rows) for rows in row.on_machines),
        ],
        "limits": [
            (words.quantity(limit.quantity), page.limit_path(place), limit.basis)
            for place, limit in enumerate(page.table.limits)
            if limit.finding == code
        ],
        "shown_by": [
            (cause.title, page.cause_path(name), step.step)
            for name, cause in page.table.causes.items()
            for step in cause.chain
            if code in step.seen_as
        ],
        "part_of": [
            (pattern.title, page.finding_path(name))
            for name, pattern in page.table.patterns.items()
            if code in pattern.subsumes
        ],
        "remarks": page.remarks_at(f"/findings/{code}"),
        "pointer": f"/findings/{code}",
    }


def _outcomes(page: TablePage, row: Finding, cause: str | None) -> list[dict[str, Any]]:
    return [
        {
            "code": outcome.code,
            "title": outcome.title,
            "definition": outcome.definition,
            "about": rule_words.about(outcome),
            "gate": rule_words.gate(outcome.gate),
            **_panel(
                page,
                (f"dots-{place}", f"{row.title}: {rule_words.lower(outcome.title)}"),
                {name: shares[place] for name, shares in row.per_hundred.items() if place < len(shares)},
                row.background[place] if place < len(row.background) else 0.0,
                cause,
            ),
        }
        for place, outcome in enumerate(row.outcomes)
    ]


def _panel(
    page: TablePage, named: tuple[str, str], shares: dict[str, float], usual: float, cause: str | None
) -> dict[str, Any]:
    """The picture of one outcome (`named`: its id and title): every cause over its share, and those that show
    it most by name.
    """
    alike = [code for code in page.table.causes if code not in shares]
    points = [DotOf(value, page.words.cause(code), code == cause) for code, value in shares.items()]
    points += [DotOf(usual, page.words.cause(code), code == cause) for code in alike]
    most = sorted(shares.items(), key=lambda item: (-item[1], item[0]))
    return {
        "picture": drawing.dots(*named, points, usual),
        "usual": share(usual),
        "most": [
            (page.words.cause(code), page.cause_path(code), share(value))
            for code, value in most[:MOST_TITLES]
            if value > usual
        ],
    }


def _group(page: TablePage, code: str, own: str) -> dict[str, Any]:
    """The findings that are signs of the same thing, and what a further one counts."""
    group: Group | None = page.table.groups.get(code)
    others = [
        (row.title, page.finding_path(name))
        for name, row in page.table.findings.items()
        if row.group == code and name != own and row.succeeded_by is None
    ]
    return {
        "says": group.says if group else rule_words.plain(code),
        "kept": None if group is None else f"{(1 - group.rho) * 100:.0f}",
        "next": None if group is None else f"{(1 - group.rho) ** 2 * 100:.0f}",
        "others": others,
    }


def _frequencies(page: TablePage, row: Finding, cause: str | None, machines: RowsOn | None) -> dict[str, Any]:
    """One table of frequencies: the general one, or one for some machines."""
    rows = row.per_hundred if machines is None else machines.per_hundred
    background = row.background if machines is None or machines.background is None else machines.background
    return {
        "machines": "" if machines is None else rule_words.gate(machines.when),
        "basis": row.basis if machines is None else machines.basis,
        "columns": [outcome.title for outcome in row.outcomes],
        "background": [share(value) for value in background],
        "rows": [
            {
                "id": f"row-{name}" if machines is None else "",
                "title": page.words.cause(name),
                "path": page.cause_path(name),
                "shares": [share(value) for value in shares],
                "marked": name == cause,
            }
            for name, shares in _by_title(page, rows)
        ],
        "reasons": [(page.words.cause(name), basis) for name, basis in row.row_basis.items()]
        if machines is None
        else [],
        "alike": [page.words.cause(name) for name in page.table.causes if name not in rows],
    }


def _by_title(page: TablePage, rows: dict[str, list[float]]) -> list[tuple[str, list[float]]]:
    return sorted(rows.items(), key=lambda item: page.words.cause(item[0]))


def pattern_context(page: TablePage, code: str, cause: str | None) -> dict[str, Any]:
    """The same of a pattern."""
    row: Pattern = page.table.patterns[code]
    shares = dict(row.per_hundred)
    return {
        "page": page,
        "code": code,
        "pattern": row,
        "when": page.words.tree(row.when),
        "subsumes": [(page.words.finding(name), page.finding_path(name)) for name in row.subsumes],
        "cause": (page.words.cause(cause), page.cause_path(cause)) if cause in page.table.causes else None,
        "panel": _panel(page, ("dots-0", row.title), shares, row.background, cause),
        "background": share(row.background),
        "rows": [
            {
                "id": f"row-{name}",
                "title": page.words.cause(name),
                "path": page.cause_path(name),
                "share": share(value),
                "marked": name == cause,
            }
            for name, value in sorted(shares.items(), key=lambda item: (-item[1], item[0]))
        ],
        "remarks": page.remarks_at(f"/patterns/{code}"),
        "pointer": f"/patterns/{code}",
    }


def stations(page: TablePage) -> list[tuple[str, list[dict[str, Any]]]]:
    """The findings that are asked, by station in the table's order, by title."""
    found: dict[str, list[dict[str, Any]]] = {station: [] for station in page.table.stations}
    for code, row in sorted(page.table.findings.items(), key=lambda item: item[1].title):
        if row.succeeded_by is None:
            found.setdefault(row.station, []).append(
                {
                    "title": row.title,
                    "question": row.question,
                    "effort": rule_words.EFFORT_TOLD[row.effort],
                    "path": page.finding_path(code),
                }
            )
    return [(rule_words.station(code), rows) for code, rows in found.items() if rows]


def no_longer_asked(page: TablePage) -> list[tuple[str, str | None, str, str | None]]:
    """Findings that another has taken the place of: both with their pages."""
    return [
        (
            row.title,
            page.finding_path(code),
            page.words.finding(row.succeeded_by),
            page.finding_path(row.succeeded_by),
        )
        for code, row in page.table.findings.items()
        if row.succeeded_by is not None
    ]


def patterns(page: TablePage) -> list[tuple[str, str | None]]:
    """The patterns, by title."""
    return [(row.title, page.finding_path(code)) for code, row in page.table.patterns.items()]
