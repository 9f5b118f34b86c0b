"""What stands on the page of one cause of a rule table."""

from math import log
from typing import Any, NamedTuple

from coldcase.core.rule_table import Finding, RuleTable
from coldcase.web.pages import drawing, rule_words
from coldcase.web.pages.table_frame import TablePage, share, times
from coldcase.web.pages.trade_names import TRADE_NAMES

SAYS_SOMETHING = 1.5
"""A share this many times another, or more, tells the two apart; less is not listed as a sign."""
FIRST_SIGNS = 12
"""Signs that are shown at once; the others are folded away."""


class Sign(NamedTuple):
    """How often one outcome is seen after this cause and after others, of 100."""

    finding: str
    outcome: str
    here: float
    elsewhere: float


def cause_context(page: TablePage, code: str) -> dict[str, Any]:
    """What the template is filled with."""
    cause, words = page.table.causes[code], page.words
    signs = sorted(_signs(page.table, code), key=lambda sign: -abs(_weight(sign)))
    return {
        "page": page,
        "code": code,
        "cause": cause,
        "trade_name": TRADE_NAMES.get(code, cause.title),
        "family": rule_words.family(cause.family),
        "gate": rule_words.gate(cause.gate),
        "rate": _rate(page, code),
        "chain": [(step.step, _seen(page, step.seen_as)) for step in cause.chain],
        "more": _signs_shown(page, [sign for sign in signs if sign.here > sign.elsewhere]),
        "less": _signs_shown(page, [sign for sign in signs if sign.here < sign.elsewhere]),
        "first": FIRST_SIGNS,
        "contrast": [
            (words.cause(row.against), page.cause_path(row.against), row.check) for row in cause.contrast
        ],
        "mistaken_for": [
            (words.cause(other), page.cause_path(other), row.check)
            for other, theirs in page.table.causes.items()
            for row in theirs.contrast
            if row.against == code and other not in {own.against for own in cause.contrast}
        ],
        "leads_to": [
            _link(page, row.leads_to, row.per_hundred, row.basis)
            for row in page.table.links
            if row.cause == code
        ],
        "begun_by": [
            _link(page, row.cause, row.per_hundred, row.basis)
            for row in page.table.links
            if row.leads_to == code
        ],
        "actions": [(row.text, words.when(row.when), row.basis) for row in cause.actions],
        "remarks": page.remarks_at(f"/causes/{code}", f"/base_rates/{code}"),
        "pointer": f"/causes/{code}",
    }


def _rate(page: TablePage, code: str) -> str | None:
    """Of 1000 failures before anything is known, how many this cause begins."""
    rates = page.table.base_rates
    return None if code not in rates else f"{rates[code] * 1000 / sum(rates.values()):.0f}"


def _link(page: TablePage, code: str, per_hundred: float, basis: str) -> dict[str, Any]:
    return {
        "title": page.words.cause(code),
        "path": page.cause_path(code),
        "per_hundred": share(per_hundred) if per_hundred else None,
        "basis": basis,
    }


def _seen(page: TablePage, seen_as: dict[str, list[str]]) -> list[tuple[str, str, str | None]]:
    """What shows a step, what is still asked first."""
    asked = sorted(seen_as.items(), key=lambda item: _no_longer_asked(page.table, item[0]))
    return [
        (page.words.finding(code), page.words.outcomes(code, outcomes), page.finding_path(code, outcomes[0]))
        for code, outcomes in asked
        if outcomes and not _no_longer_asked(page.table, code)
    ]


def _no_longer_asked(table: RuleTable, code: str) -> bool:
    return code in table.findings and table.findings[code].succeeded_by is not None


def _signs(table: RuleTable, code: str) -> list[Sign]:
    found = [
        sign
        for name, row in table.findings.items()
        if row.succeeded_by is None
        for sign in _of_finding(name, row, code)
    ]
    found += [
        Sign(name, "present", row.per_hundred[code], row.background)
        for name, row in table.patterns.items()
        if code in row.per_hundred
    ]
    return [sign for sign in found if abs(_weight(sign)) >= log(SAYS_SOMETHING)]


def _of_finding(name: str, row: Finding, code: str) -> list[Sign]:
    shares = row.per_hundred.get(code)
    if shares is None:
        return []
    return [
        Sign(name, outcome.code, here, elsewhere)
        for outcome, here, elsewhere in zip(row.outcomes, shares, row.background, strict=False)
    ]


def _weight(sign: Sign) -> float:
    """How far apart the two are; a sign that is rare after both stands behind one that is often seen."""
    return log(max(sign.here, 0.1) / max(sign.elsewhere, 0.1))


def _signs_shown(page: TablePage, signs: list[Sign]) -> list[dict[str, Any]]:
    return [
        {
            "finding": page.words.finding(sign.finding),
            "outcome": ""
            if sign.finding in page.table.patterns
            else rule_words.lower(page.words.outcome(sign.finding, sign.outcome)),
            "path": page.finding_path(sign.finding, sign.outcome),
            "here": share(sign.here),
            "elsewhere": share(sign.elsewhere),
            "times": times(sign.here, sign.elsewhere),
            "picture": drawing.pair(sign.here, sign.elsewhere),
        }
        for sign in signs
    ]


def causes_by_family(page: TablePage) -> list[tuple[str, list[dict[str, Any]]]]:
    """The causes by family, by title."""
    families: dict[str, list[dict[str, Any]]] = {}
    for code, cause in rule_words.in_families(page.table.causes):
        families.setdefault(cause.family, []).append(
            {
                "title": cause.title,
                "trade_name": TRADE_NAMES.get(code, ""),
                "summary": cause.summary,
                "path": page.cause_path(code),
            }
        )
    return [(rule_words.family(code), causes) for code, causes in families.items()]
