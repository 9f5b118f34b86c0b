"""What stands on the page of figures, worked out before the template sees it."""

from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import Any, NamedTuple

from coldcase.core.compiled_table import CompiledTable
from coldcase.db.statistics import Counted
from coldcase.feedback.calibrating import Calibration, Reliability, interval
from coldcase.web.crosstab import Crosstab
from coldcase.web.pages import drawing, rule_words
from coldcase.web.pages.drawing import Whisker
from coldcase.web.pages.table_backtests import (
    GIVEN,
    interval_words,
    of_how_many,
    reliability_curve,
    reliability_rows,
)
from coldcase.web.pages.trade_names import trade_name

MOST_DRAWN = 10
"""Causes that are drawn; the table beside has all."""
MOST_OVER_TIME = 6
MOST_IN_GROUP = 4
MOST_OF_CODE = 6
MOST_FILLED = 60
"""Months without a decision that are filled in, at most."""


class FigureCounts(NamedTuple):
    """What the record says, as the functions of the statistics' calls give it."""

    whole: list[Counted]
    months: list[Counted]
    circuits: list[Counted]
    refrigerants: list[Counted]
    types: list[Counted]
    calibration: list[Calibration]
    codes: Crosstab


def figures_context(asked: Any, counts: FigureCounts, compiled: CompiledTable) -> dict[str, Any]:
    """What the template is filled with; `asked` has the filters as they were sent."""
    total = counts.whole[0].total if counts.whole else 0
    return {
        "asked": asked,
        "filtered": any(getattr(asked, name) is not None for name in asked.__struct_fields__),
        "total": total,
        "causes": _causes("causes", "Causes of all decisions", counts.whole, compiled, most=MOST_DRAWN),
        "time": _over_time(counts.months, compiled),
        "groups": [
            (title, about, _groups(name, rows, compiled))
            for name, title, about, rows in (
                ("circuit", "By circuit", "no circuit named", counts.circuits),
                ("refrigerant", "By refrigerant", "no refrigerant named", counts.refrigerants),
                ("type", "By type of compressor", "type not known", counts.types),
            )
        ],
        "calibration": _calibration(counts.calibration),
        "codes": _codes(counts.codes, compiled),
    }


def _causes(
    name: str, title: str, rows: Sequence[Counted], compiled: CompiledTable, *, most: int
) -> dict[str, Any]:
    """Causes of some decisions: the most frequent drawn, all of them in the table."""
    found = [(trade_name(row.cause, compiled), interval(row.count, row.total)) for row in rows]
    return {
        "picture": drawing.whiskers(
            name,
            title,
            [Whisker(label, of_how_many(of), of.share, of.low, of.high) for label, of in found[:most]],
        ),
        "drawn": min(most, len(found)),
        "rows": [(label, interval_words(of)) for label, of in found],
    }


def _groups(name: str, rows: Iterable[Counted], compiled: CompiledTable) -> list[dict[str, Any]]:
    return [
        {
            "group": rule_words.plain(group) if group and name == "type" else group,
            "total": members[0].total,
            **_causes(
                f"{name}-{place}", f"Causes, {group or 'none named'}", members, compiled, most=MOST_IN_GROUP
            ),
        }
        for place, (group, members) in enumerate(
            (group, list(found)) for group, found in groupby(rows, lambda row: row.group)
        )
    ]


def _over_time(rows: Sequence[Counted], compiled: CompiledTable) -> dict[str, Any] | None:
    """FigureCounts by month of the most frequent causes, months without any filled in."""
    if not rows:
        return None
    named = _filled(sorted({str(row.group) for row in rows}))
    totals: dict[str, int] = {}
    for row in rows:
        totals[row.cause] = totals.get(row.cause, 0) + row.count
    most = sorted(totals, key=lambda cause: (-totals[cause], cause))[:MOST_OVER_TIME]
    by_month = {(str(row.group), row.cause): row.count for row in rows}
    of_month = {str(row.group): row.total for row in rows}
    lines = [
        (trade_name(cause, compiled), [by_month.get((month, cause), 0) for month in named]) for cause in most
    ]
    return {
        "picture": drawing.months("months", "Causes by month", lines, named[0], named[-1]),
        "months": [
            {
                "month": month,
                "cells": [
                    _short_interval(by_month.get((month, cause), 0), of_month[month]) for cause in most
                ],
                "total": of_month[month],
            }
            for month in reversed(named)
            if month in of_month
        ],
        "titles": [title for title, _ in lines],
    }


def _short_interval(count: int, of: int) -> str:
    """A count and the interval of its share, as short as a table of many wants it; empty for none."""
    found = interval(count, of)
    return f"{count} ({found.low:.0%} to {found.high:.0%})" if count else ""


def _filled(months: list[str]) -> list[str]:
    """Every month from the first to the last; those alone that are there where that would be very many."""
    first, last = (int(month[:-3]) * 12 + int(month[-2:]) - 1 for month in (months[0], months[-1]))
    if last - first - len(months) > MOST_FILLED:
        return months
    return [f"{place // 12:04d}-{place % 12 + 1:02d}" for place in range(first, last + 1)]


def _calibration(found: Sequence[Calibration]) -> dict[str, Any] | None:
    """One curve of all answers with a verdict, and the figures of each rule table and status; None without
    any.
    """
    judged = sum(one.right.of for one in found)
    if not judged:
        return None
    bins = combined([one.reliability for one in found])
    return {
        "judged": judged,
        "coverage": interval_words(
            interval(sum(one.coverage.count for one in found), sum(one.coverage.of for one in found))
        ),
        "picture": reliability_curve("calibration", "Stated certainty and how often it was right", bins),
        "rows": reliability_rows(bins),
        "tables": [
            (
                one.rule_table,
                GIVEN.get(one.status, one.status),
                interval_words(one.coverage),
                interval_words(one.right),
                one.not_determinable,
            )
            for one in found
            if one.coverage.count
        ],
    }


def combined(found: Sequence[Sequence[Reliability]]) -> list[Reliability]:
    """The bins of several groups of answers put together; all have the same edges."""
    put: list[Reliability] = []
    for bins in zip(*found, strict=True):
        of = sum(one.right.of for one in bins)
        sure = sum((one.mean_confidence or 0) * one.right.of for one in bins)
        put.append(
            Reliability(
                bins[0].above,
                bins[0].up_to,
                sure / of if of else None,
                interval(sum(one.right.count for one in bins), of),
            )
        )
    return put


def _codes(found: Crosstab, compiled: CompiledTable) -> dict[str, Any] | None:
    """Own codes against ours: how firmly each lies with one of ours. None where no decision has one."""
    if not found.items:
        return None
    rows = [
        {
            "code": row.own_code,
            "count": row.count,
            "causes": [
                (trade_name(of.cause, compiled), interval_words(of.counted))
                for of in row.causes[:MOST_OF_CODE]
            ],
            "more": max(0, len(row.causes) - MOST_OF_CODE),
        }
        for row in found.items
    ]
    firsts = [
        Whisker(
            f"{row.own_code}: {trade_name(row.causes[0].cause, compiled)}",
            of_how_many(row.causes[0].counted),
            row.causes[0].counted.share,
            row.causes[0].counted.low,
            row.causes[0].counted.high,
        )
        for row in found.items[:MOST_DRAWN]
    ]
    return {
        "rows": rows,
        "picture": drawing.whiskers("codes", "The cause that each own code lies with most", firsts),
        "without": found.without_code,
        "truncated": found.truncated,
    }
