"""Findings of kind `several`, taken apart: each sign becomes a finding that is seen or is not there.

The engine knows only findings whose outcomes exclude each other; a table is taken apart once, before it is
compiled, and what people read is put together again by `whole`.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple, TypeVar

import msgspec

from coldcase.core.case import Known, ObservationDetail, Outcomes, outcomes_of, signs_of
from coldcase.core.conditions import findings_in
from coldcase.core.rule_table import (
    Cause,
    Closed,
    Condition,
    Discount,
    Finding,
    Outcome,
    Pattern,
    RowsOn,
    RuleTable,
    When,
)

NOT_THERE, SEEN = "not_there", "seen"

_Conditional = TypeVar("_Conditional", bound=msgspec.Struct)


class Sight(NamedTuple):
    """What people call an outcome of the engine's: its finding, its code, and whether it was looked for and
    is not there.
    """

    finding: str
    outcome: str
    absent: bool


def sign_code(finding: str, sign: str) -> str:
    """The engine's code for a sign; no code of a table has a full stop."""
    return f"{finding}.{sign}"


def whole(code: str) -> str:
    """The finding that people know, of an engine's code."""
    return code.partition(".")[0]


def sight(code: str, outcome: str) -> Sight:
    """What people call an engine's finding and outcome."""
    finding, _, sign = code.partition(".")
    return Sight(finding, sign, outcome == NOT_THERE) if sign else Sight(finding, outcome, absent=False)


def engine_codes(code: str, findings: Mapping[str, Finding]) -> list[str]:
    """The engine's codes of a finding: one for each sign of a `several` finding, else its own."""
    row = findings[code]
    return [sign_code(code, outcome.code) for outcome in row.outcomes] if row.kind == "several" else [code]


def engine_observations(
    observations: Mapping[str, Outcomes], findings: Mapping[str, Finding]
) -> Iterator[tuple[str, tuple[str, ...], Known | None]]:
    """What was observed, by the engine's codes: outcomes that could not be told apart, and how it is known.

    `findings` are those of a table taken apart: what it does not have is of kind `several`.
    """
    for code, value in observations.items():
        known = value.known if isinstance(value, ObservationDetail) else None
        if code in findings:
            yield code, outcomes_of(value), known
            continue
        seen, not_seen = signs_of(value)
        for sign in seen:
            yield sign_code(code, sign), (SEEN,), known
        for sign in not_seen:
            yield sign_code(code, sign), (NOT_THERE,), known


def taken_apart(table: RuleTable) -> RuleTable:
    """The table with every sign of a `several` finding as a finding of its own."""
    signs = {
        code: tuple(outcome.code for outcome in row.outcomes)
        for code, row in table.findings.items()
        if row.kind == "several"
    }
    if not signs:
        return table
    return msgspec.structs.replace(
        table,
        findings=_findings(table.findings, signs),
        patterns={code: _pattern(row, signs) for code, row in table.patterns.items()},
        causes={code: _cause(row, signs) for code, row in table.causes.items()},
        discounts=[_discount(row, signs) for row in table.discounts],
        closed=[_closed(row, signs) for row in table.closed],
        lost=[_conditional(row, signs) for row in table.lost],
        cautions=[_conditional(row, signs) for row in table.cautions],
        limits=[_conditional(row, signs) for row in table.limits],
    )


_Signs = Mapping[str, tuple[str, ...]]


def _findings(findings: Mapping[str, Finding], signs: _Signs) -> dict[str, Finding]:
    apart: dict[str, Finding] = {}
    for code, published in findings.items():
        row = msgspec.structs.replace(published, supersedes=_codes(published.supersedes, signs))
        if code not in signs:
            apart[code] = row
            continue
        for place, outcome in enumerate(row.outcomes):
            apart[sign_code(code, outcome.code)] = _sign(row, place, outcome)
    return apart


def _sign(row: Finding, place: int, outcome: Outcome) -> Finding:
    """One sign of a finding as a finding: not there or seen."""
    return msgspec.structs.replace(
        row,
        kind="one",
        title=row.title,
        outcomes=[
            Outcome(code=NOT_THERE, title=f"Not there: {outcome.title[0].lower()}{outcome.title[1:]}"),
            msgspec.structs.replace(outcome, code=SEEN, gate=type(outcome.gate)()),
        ],
        gate=outcome.gate if outcome.gate != type(outcome.gate)() else row.gate,
        background=_yes_or_no(row.background[place]),
        per_hundred={cause: _yes_or_no(shares[place]) for cause, shares in row.per_hundred.items()},
        on_machines=[_rows_on(rows, place) for rows in row.on_machines],
    )


def _rows_on(rows: RowsOn, place: int) -> RowsOn:
    return msgspec.structs.replace(
        rows,
        background=None if rows.background is None else _yes_or_no(rows.background[place]),
        per_hundred={cause: _yes_or_no(shares[place]) for cause, shares in rows.per_hundred.items()},
    )


def _yes_or_no(share: float) -> list[float]:
    """The shares of 100 of a sign that is not there, and that is seen."""
    return [round(100 - share, 2), share]


def _codes(codes: Iterable[str], signs: _Signs) -> list[str]:
    return [each for code in codes for each in _each(code, signs)]


def _each(code: str, signs: _Signs) -> list[str]:
    return [sign_code(code, sign) for sign in signs[code]] if code in signs else [code]


def _pattern(row: Pattern, signs: _Signs) -> Pattern:
    """The pattern; of a finding with signs it takes those that its condition names, for the rest say more."""
    when = _condition(row.when, signs)
    named = {code for code, _ in findings_in(when)}
    subsumes = [
        each
        for code in row.subsumes
        for each in ([sign for sign in _each(code, signs) if sign in named] or _each(code, signs))
    ]
    return msgspec.structs.replace(row, when=when, subsumes=subsumes)


def _cause(row: Cause, signs: _Signs) -> Cause:
    chain = [
        msgspec.structs.replace(
            step,
            seen_as={
                code: outcomes
                for finding, wanted in step.seen_as.items()
                for code, outcomes in _sights(finding, wanted, signs)
            },
        )
        for step in row.chain
    ]
    actions = [_conditional(action, signs) for action in row.actions]
    return msgspec.structs.replace(row, chain=chain, actions=actions)


def _sights(finding: str, wanted: list[str], signs: _Signs) -> list[tuple[str, list[str]]]:
    if finding not in signs:
        return [(finding, wanted)]
    return [(sign_code(finding, sign), [SEEN]) for sign in wanted]


def _discount(row: Discount, signs: _Signs) -> Discount:
    return _conditional(msgspec.structs.replace(row, findings=_codes(row.findings, signs)), signs)


def _closed(row: Closed, signs: _Signs) -> Closed:
    return _conditional(msgspec.structs.replace(row, findings=_codes(row.findings, signs)), signs)


def _conditional(row: _Conditional, signs: _Signs) -> _Conditional:
    """A row with a `when`, its condition on findings taken apart."""
    when: When = getattr(row, "when")  # noqa: B009 - every row that comes here has one
    if when.observed is None:
        return row
    observed = _condition(when.observed, signs)
    return msgspec.structs.replace(row, when=msgspec.structs.replace(when, observed=observed))


def _condition(condition: Condition, signs: _Signs) -> Condition:
    if condition.finding is not None and condition.finding in signs:
        sights = _sights(condition.finding, condition.outcomes or [], signs)
        return Condition(any=[Condition(finding=code, outcomes=outcomes) for code, outcomes in sights])
    return Condition(
        all=None if condition.all is None else [_condition(part, signs) for part in condition.all],
        any=None if condition.any is None else [_condition(part, signs) for part in condition.any],
        not_=None if condition.not_ is None else _condition(condition.not_, signs),
        unless=None if condition.unless is None else _condition(condition.unless, signs),
        finding=condition.finding,
        outcomes=condition.outcomes,
    )
