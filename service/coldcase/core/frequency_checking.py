"""What is wrong with a rule table's findings and patterns: their arithmetic, and what they name."""

from collections.abc import Iterator

from coldcase.core.condition_checking import condition_flaws, gate_flaws
from coldcase.core.conditions import necessary
from coldcase.core.fixed_point import TEN_THOUSAND
from coldcase.core.frequencies import hundredths
from coldcase.core.rule_table import NO_FAULT, Finding, Gate, Outcome, Pattern, RowsOn, RuleTable
from coldcase.core.table_shape import as_far_as_read
from coldcase.errors import Flaw

LEAST_SHARE = hundredths(0.1)
"""A cell that can be is at least 0.1 in 100; what cannot be is gated."""

MOST_WITHOUT_FAULT = hundredths(0.3)
"""`no_fault_found` shows damage, or an outside fault with a cause of its own, at most this often."""


@as_far_as_read
def finding_flaws(table: RuleTable) -> Iterator[Flaw]:
    """Every flaw of every finding."""
    for code, finding in table.findings.items():
        place = f"/findings/{code}"
        for check in (_station, _group, _outcome_codes, _successor, _row_basis, _supersedes):
            yield from check(place, finding, table)
        for gates in (_gates, _rows, _rows_on_machines):
            yield from gates(place, finding, table)


@as_far_as_read
def _station(place: str, finding: Finding, table: RuleTable) -> Iterator[Flaw]:
    if finding.station not in table.stations:
        yield Flaw(f"{place}/station", f"There is no station '{finding.station}'.")


@as_far_as_read
def _group(place: str, finding: Finding, table: RuleTable) -> Iterator[Flaw]:
    if finding.group not in table.groups:
        yield Flaw(f"{place}/group", f"There is no group '{finding.group}'.")


@as_far_as_read
def _outcome_codes(place: str, finding: Finding, _: RuleTable) -> Iterator[Flaw]:
    codes = [outcome.code for outcome in finding.outcomes]
    if len(codes) < (2 if finding.kind == "one" else 1) or len(set(codes)) < len(codes):
        yield Flaw(f"{place}/outcomes", "A finding has at least two outcomes, each named once.")


@as_far_as_read
def _successor(place: str, finding: Finding, table: RuleTable) -> Iterator[Flaw]:
    successor = finding.succeeded_by
    if successor is None:
        return
    row = table.findings.get(successor)
    if row is None or row is finding:
        yield Flaw(f"{place}/succeeded_by", f"There is no other finding '{successor}'.")
    elif row.succeeded_by is not None:
        yield Flaw(f"{place}/succeeded_by", f"'{successor}' is itself no longer asked.")


@as_far_as_read
def _row_basis(place: str, finding: Finding, _: RuleTable) -> Iterator[Flaw]:
    for cause in sorted(finding.row_basis.keys() - finding.per_hundred.keys()):
        yield Flaw(f"{place}/row_basis/{cause}", f"There is no row of '{cause}'.")


@as_far_as_read
def _supersedes(place: str, finding: Finding, table: RuleTable) -> Iterator[Flaw]:
    for other in finding.supersedes:
        row = table.findings.get(other)
        if row is None or row is finding:
            yield Flaw(f"{place}/supersedes", f"There is no other finding '{other}'.")


@as_far_as_read
def _gates(place: str, finding: Finding, _: RuleTable) -> Iterator[Flaw]:
    yield from gate_flaws(f"{place}/gate", finding.gate)
    for outcome in finding.outcomes:
        yield from _outcome_gate(place, outcome)


@as_far_as_read
def _outcome_gate(place: str, outcome: Outcome) -> Iterator[Flaw]:
    yield from gate_flaws(f"{place}/outcomes/{outcome.code}/gate", outcome.gate)


@as_far_as_read
def _rows(place: str, finding: Finding, table: RuleTable) -> Iterator[Flaw]:
    yield from row_flaws(f"{place}/background", finding.background, finding)
    yield from _causes_of_rows(place, finding, table)
    yield from _shares(place, finding, finding)
    yield from _without_fault(place, finding.per_hundred.get(NO_FAULT, finding.background), finding)


@as_far_as_read
def _rows_on_machines(place: str, finding: Finding, table: RuleTable) -> Iterator[Flaw]:
    for index, rows in enumerate(finding.on_machines):
        yield from _on_machines(f"{place}/on_machines/{index}", rows, finding, table)


@as_far_as_read
def _on_machines(place: str, rows: RowsOn, finding: Finding, table: RuleTable) -> Iterator[Flaw]:
    yield from gate_flaws(f"{place}/when", rows.when)
    yield from _for_some(f"{place}/when", rows)
    if rows.background is not None:
        yield from row_flaws(f"{place}/background", rows.background, finding)
    yield from _causes_of_rows(place, rows, table)
    yield from _shares(place, rows, finding)
    general = rows.background if rows.background is not None else finding.background
    row = rows.per_hundred.get(NO_FAULT, finding.per_hundred.get(NO_FAULT, general))
    yield from _without_fault(place, row, finding)


@as_far_as_read
def _for_some(place: str, rows: RowsOn) -> Iterator[Flaw]:
    if rows.when == Gate():
        yield Flaw(place, "Rows for every machine are the finding's own.")


@as_far_as_read
def _causes_of_rows(place: str, rows: Finding | RowsOn | Pattern, table: RuleTable) -> Iterator[Flaw]:
    for cause in rows.per_hundred:
        if cause not in table.causes:
            yield Flaw(f"{place}/per_hundred/{cause}", f"There is no cause '{cause}'.")


@as_far_as_read
def _shares(place: str, rows: Finding | RowsOn, finding: Finding) -> Iterator[Flaw]:
    for cause, row in rows.per_hundred.items():
        yield from row_flaws(f"{place}/per_hundred/{cause}", row, finding)


@as_far_as_read
def _without_fault(place: str, row: list[float], finding: Finding) -> Iterator[Flaw]:
    for outcome, share in zip(finding.outcomes, row, strict=False):
        if outcome.shows in ("damage", "outside_fault") and hundredths(share) > MOST_WITHOUT_FAULT:
            detail = (
                f"'{outcome.code}' shows a fault, yet stands at {share:g} in 100 without one (0.3 at most)."
            )
            yield Flaw(f"{place}/per_hundred/{NO_FAULT}", detail)


@as_far_as_read
def row_flaws(place: str, row: list[float], finding: Finding) -> Iterator[Flaw]:
    """What is wrong with the numbers of one row."""
    if len(row) != len(finding.outcomes):
        yield Flaw(place, f"The row has {len(row)} numbers for {len(finding.outcomes)} outcomes.")
        return
    cells = [hundredths(share) for share in row]
    if any(abs(share * 100 - cell) > 1e-6 for share, cell in zip(row, cells, strict=True)):
        yield Flaw(place, "A frequency has more than two decimals.")
    if finding.kind == "one" and sum(cells) != TEN_THOUSAND:
        yield Flaw(place, f"The row sums to {sum(cells) / 100:g}, not to 100.")
    for outcome, cell in zip(finding.outcomes, cells, strict=True):
        if cell < LEAST_SHARE:
            yield Flaw(place, f"'{outcome.code}' stands below 0.1 in 100; what cannot be is gated, not zero.")
        if finding.kind == "several" and cell > TEN_THOUSAND - LEAST_SHARE:
            yield Flaw(place, f"'{outcome.code}' stands above 99.9 in 100; a sign may always be missing.")


@as_far_as_read
def pattern_flaws(table: RuleTable) -> Iterator[Flaw]:
    """Every flaw of every pattern."""
    for code, pattern in table.patterns.items():
        place = f"/patterns/{code}"
        yield from _pattern_code(code, table)
        yield from _pattern_condition(place, pattern, table)
        yield from _subsumed(place, pattern, table)
        yield from _pattern_shares(place, pattern)
        yield from _causes_of_rows(place, pattern, table)


@as_far_as_read
def _pattern_code(code: str, table: RuleTable) -> Iterator[Flaw]:
    if code in table.findings:
        yield Flaw(f"/patterns/{code}", "A finding has this code.")


@as_far_as_read
def _pattern_condition(place: str, pattern: Pattern, table: RuleTable) -> Iterator[Flaw]:
    yield from condition_flaws(f"{place}/when", pattern.when, table)
    if not necessary(pattern.when):
        yield Flaw(f"{place}/when", "The pattern could hold without anything having been seen.")


@as_far_as_read
def _subsumed(place: str, pattern: Pattern, table: RuleTable) -> Iterator[Flaw]:
    for finding in pattern.subsumes:
        if finding not in table.findings:
            yield Flaw(f"{place}/subsumes", f"There is no finding '{finding}'.")


@as_far_as_read
def _pattern_shares(place: str, pattern: Pattern) -> Iterator[Flaw]:
    yield from _share(f"{place}/background", pattern.background)
    for cause, share in pattern.per_hundred.items():
        yield from _share(f"{place}/per_hundred/{cause}", share)


@as_far_as_read
def _share(place: str, share: float) -> Iterator[Flaw]:
    if not LEAST_SHARE <= hundredths(share) <= TEN_THOUSAND:
        yield Flaw(place, "A share is from 0.1 to 100 in 100.")
