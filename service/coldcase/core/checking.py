"""What is wrong with a rule table: every flaw, each with its place."""

from collections.abc import Iterator
from typing import Any, Literal, get_args, get_origin, get_type_hints

import msgspec

from coldcase.core.case import Opening, Unit
from coldcase.core.conditions import findings_in, necessary, parts
from coldcase.core.fixed_point import TEN_THOUSAND
from coldcase.core.frequencies import hundredths
from coldcase.core.rule_table import (
    COMPRESSOR_TYPES,
    CONNECTIONS,
    MOTORS,
    NO_FAULT,
    UNDETERMINED,
    UNLISTED,
    Closed,
    Condition,
    Discount,
    Finding,
    Gate,
    Override,
    RowsOn,
    RuleTable,
    SafetyGroup,
    When,
)
from coldcase.core.table_shape import LEAST_SHARE, misshapen, row_flaws, sums
from coldcase.errors import BadRuleTable, Flaw

MOST_WITHOUT_FAULT = hundredths(0.3)
"""`no_fault_found` shows damage, or an outside fault with a cause of its own, at most this often."""

SUPPORT = 2.0
"""A cause without a finding at least twice as frequent as in the background could never be found."""

_FIELDS = {"motors": MOTORS, "connections": CONNECTIONS, "compressor_types": COMPRESSOR_TYPES}
_UNIT_FIELDS = {
    *(field.name for field in msgspec.structs.fields(Unit)),
    "refrigerant_class",
    "refrigerant_safety",
}
_OPENING_FIELDS = {field.name for field in msgspec.structs.fields(Opening)}


def _choices(hint: Any) -> Iterator[Any]:
    """The values of a member that takes only named ones, or true and false."""
    if get_origin(hint) is Literal:
        yield from get_args(hint)
    elif hint is bool:
        yield from (True, False)
    for part in get_args(hint) if get_origin(hint) is not Literal else ():
        yield from _choices(part)


_VALUES = {
    name: [*_choices(hint)] for shape in (Unit, Opening) for name, hint in get_type_hints(shape).items()
}


def read_table(document: Any) -> RuleTable:
    """The table of a JSON document. Raises `BadRuleTable` with every flaw; those of meaning, but for sums,
    once the shape is right.
    """
    try:
        table = msgspec.convert(document, RuleTable)
    except msgspec.ValidationError:
        raise BadRuleTable((*misshapen(document), *sums(document))) from None
    found = tuple(flaws(table))
    if found:
        raise BadRuleTable(found)
    return table


def flaws(table: RuleTable) -> Iterator[Flaw]:
    """Every flaw of a table whose shape is right."""
    yield from _base_rates(table)
    for code, finding in table.findings.items():
        yield from _finding(code, finding, table)
    yield from _patterns(table)
    yield from _causes(table)
    yield from _groups(table)
    yield from _conditional_rows(table)
    yield from _limits(table)
    yield from _links(table)
    yield from _retired(table)


def _base_rates(table: RuleTable) -> Iterator[Flaw]:
    wanted = {*table.causes, UNLISTED}
    for code in sorted(wanted - table.base_rates.keys()):
        yield Flaw("/base_rates", f"'{code}' has no base rate.")
    for code in sorted(table.base_rates.keys() - wanted):
        yield Flaw(f"/base_rates/{code}", f"There is no cause '{code}'.")
    for code in (UNLISTED, UNDETERMINED):
        if code in table.causes:
            yield Flaw(f"/causes/{code}", "This code is kept for the service itself.")
    if NO_FAULT not in table.causes:
        yield Flaw("/causes", f"There is no cause '{NO_FAULT}'.")
    for index, override in enumerate(table.base_rate_overrides):
        yield from _override(f"/base_rate_overrides/{index}", override, wanted)


def _override(place: str, override: Override, causes: set[str]) -> Iterator[Flaw]:
    yield from _gate(f"{place}/when", override.when)
    for code in sorted(override.rates.keys() - causes):
        yield Flaw(f"{place}/rates/{code}", f"There is no cause '{code}'.")


def _finding(code: str, finding: Finding, table: RuleTable) -> Iterator[Flaw]:
    place = f"/findings/{code}"
    if finding.station not in table.stations:
        yield Flaw(f"{place}/station", f"There is no station '{finding.station}'.")
    if finding.group not in table.groups:
        yield Flaw(f"{place}/group", f"There is no group '{finding.group}'.")
    codes = [outcome.code for outcome in finding.outcomes]
    if len(codes) < (2 if finding.kind == "one" else 1) or len(set(codes)) < len(codes):
        yield Flaw(f"{place}/outcomes", "A finding has at least two outcomes, each named once.")
    if finding.succeeded_by is not None:
        yield from _successor(f"{place}/succeeded_by", code, finding.succeeded_by, table)
    for cause in finding.row_basis.keys() - finding.per_hundred.keys():
        yield Flaw(f"{place}/row_basis/{cause}", f"There is no row of '{cause}'.")
    yield from _gate(f"{place}/gate", finding.gate)
    for outcome in finding.outcomes:
        yield from _gate(f"{place}/outcomes/{outcome.code}/gate", outcome.gate)
    for other in finding.supersedes:
        if other not in table.findings or other == code:
            yield Flaw(f"{place}/supersedes", f"There is no other finding '{other}'.")
    yield from row_flaws(f"{place}/background", finding.background, finding)
    yield from _shares(place, finding.per_hundred, finding, table)
    yield from _without_fault(place, finding, finding.per_hundred.get(NO_FAULT, finding.background))
    for index, rows in enumerate(finding.on_machines):
        yield from _on_machines(f"{place}/on_machines/{index}", rows, finding, table)


def _successor(place: str, code: str, successor: str, table: RuleTable) -> Iterator[Flaw]:
    row = table.findings.get(successor)
    if row is None or successor == code:
        yield Flaw(place, f"There is no other finding '{successor}'.")
    elif row.succeeded_by is not None:
        yield Flaw(place, f"'{successor}' is itself no longer asked.")


def _on_machines(place: str, rows: RowsOn, finding: Finding, table: RuleTable) -> Iterator[Flaw]:
    yield from _gate(f"{place}/when", rows.when)
    if rows.when == Gate():
        yield Flaw(f"{place}/when", "Rows for every machine are the finding's own.")
    if rows.background is not None:
        yield from row_flaws(f"{place}/background", rows.background, finding)
    yield from _shares(place, rows.per_hundred, finding, table)
    general = finding.per_hundred.get(NO_FAULT, rows.background or finding.background)
    yield from _without_fault(place, finding, rows.per_hundred.get(NO_FAULT, general))


def _shares(
    place: str, per_hundred: dict[str, list[float]], finding: Finding, table: RuleTable
) -> Iterator[Flaw]:
    for cause, row in per_hundred.items():
        if cause not in table.causes:
            yield Flaw(f"{place}/per_hundred/{cause}", f"There is no cause '{cause}'.")
        yield from row_flaws(f"{place}/per_hundred/{cause}", row, finding)


def _without_fault(place: str, finding: Finding, row: list[float]) -> Iterator[Flaw]:
    for outcome, share in zip(finding.outcomes, row, strict=False):
        if outcome.shows in ("damage", "outside_fault") and hundredths(share) > MOST_WITHOUT_FAULT:
            detail = (
                f"'{outcome.code}' shows a fault, yet stands at {share:g} in 100 without one (0.3 at most)."
            )
            yield Flaw(f"{place}/per_hundred/{NO_FAULT}", detail)


def _patterns(table: RuleTable) -> Iterator[Flaw]:
    for code, pattern in table.patterns.items():
        place = f"/patterns/{code}"
        if code in table.findings:
            yield Flaw(place, "A finding has this code.")
        yield from _condition(f"{place}/when", pattern.when, table)
        for finding in pattern.subsumes:
            if finding not in table.findings:
                yield Flaw(f"{place}/subsumes", f"There is no finding '{finding}'.")
        if not necessary(pattern.when):
            yield Flaw(f"{place}/when", "The pattern could hold without anything having been seen.")
        for cause, share in {"background": pattern.background, **pattern.per_hundred}.items():
            where = f"{place}/{cause if cause == 'background' else f'per_hundred/{cause}'}"
            if cause != "background" and cause not in table.causes:
                yield Flaw(where, f"There is no cause '{cause}'.")
            if not LEAST_SHARE <= hundredths(share) <= TEN_THOUSAND:
                yield Flaw(where, "A share is from 0.1 to 100 in 100.")


def _condition(place: str, condition: Condition, table: RuleTable) -> Iterator[Flaw]:
    for part in parts(condition):
        forms = [part.all, part.any, part.not_, part.unless, part.finding]
        if sum(form is not None for form in forms) != 1 or (part.finding is None) != (part.outcomes is None):
            yield Flaw(place, "A condition is one of: all, any, not, unless, or finding with in.")
    for finding, outcomes in findings_in(condition):
        yield from _outcome_flaws(place, finding, outcomes, table)


def _outcome_flaws(place: str, code: str, outcomes: list[str], table: RuleTable) -> Iterator[Flaw]:
    finding = table.findings.get(code)
    if finding is None:
        yield Flaw(place, f"There is no finding '{code}'.")
        return
    known = {outcome.code for outcome in finding.outcomes}
    for outcome in outcomes:
        if outcome not in known:
            yield Flaw(place, f"'{code}' has no outcome '{outcome}'.")
    if not outcomes:
        yield Flaw(place, f"No outcome of '{code}' is named.")


def _causes(table: RuleTable) -> Iterator[Flaw]:
    for code, cause in table.causes.items():
        place = f"/causes/{code}"
        yield from _gate(f"{place}/gate", cause.gate)
        for index, step in enumerate(cause.chain):
            if not step.seen_as:
                yield Flaw(f"{place}/chain/{index}", "The step names no finding that would show it.")
            for finding, outcomes in step.seen_as.items():
                yield from _outcome_flaws(f"{place}/chain/{index}", finding, outcomes, table)
        for index, contrast in enumerate(cause.contrast):
            if contrast.against not in table.causes or contrast.against == code:
                yield Flaw(f"{place}/contrast/{index}", f"There is no other cause '{contrast.against}'.")
        if not cause.chain or not cause.actions:
            yield Flaw(place, "A cause has a chain and actions.")
        if cause.system_borne and not any(action.when.siblings for action in cause.actions):
            yield Flaw(
                f"{place}/actions",
                "A cause that the system carries says what to do for the sister compressors (`siblings`).",
            )
        if not _supported(code, table):
            yield Flaw(
                place,
                "No finding is twice as frequent with this cause as in the background: it could "
                "never be found.",
            )


def _supported(cause: str, table: RuleTable) -> bool:
    for finding in table.findings.values():
        row = finding.per_hundred.get(cause, [])
        if any(
            share >= SUPPORT * background
            for share, background in zip(row, finding.background, strict=False)
            if background
        ):
            return True
    return any(p.per_hundred.get(cause, 0) >= SUPPORT * p.background for p in table.patterns.values())


def _groups(table: RuleTable) -> Iterator[Flaw]:
    used = {finding.group for finding in table.findings.values()}
    for code in table.groups.keys() - used:
        yield Flaw(f"/groups/{code}", "No finding belongs to this group.")


def _gate(place: str, gate: Gate) -> Iterator[Flaw]:
    for field, known in _FIELDS.items():
        for value in getattr(gate, field):
            if value not in known:
                yield Flaw(f"{place}/{field}", f"'{value}' is none of {', '.join(known)}.")


def _conditional_rows(table: RuleTable) -> Iterator[Flaw]:
    for index, discount in enumerate(table.discounts):
        yield from _discount(f"/discounts/{index}", discount, table)
    for index, lost in enumerate(table.lost):
        yield from _when(f"/lost/{index}/when", lost.when, table)
    for index, closed in enumerate(table.closed):
        yield from _closed(f"/closed/{index}", closed, table)
    for index, caution in enumerate(table.cautions):
        yield from _when(f"/cautions/{index}/when", caution.when, table)
    for code, cause in table.causes.items():
        for index, action in enumerate(cause.actions):
            yield from _when(f"/causes/{code}/actions/{index}/when", action.when, table)


def _discount(place: str, discount: Discount, table: RuleTable) -> Iterator[Flaw]:
    yield from _when(f"{place}/when", discount.when, table)
    tags = {
        tag for finding in table.findings.values() for outcome in finding.outcomes for tag in outcome.tags
    }
    for tag in discount.tags:
        if tag not in tags:
            yield Flaw(f"{place}/tags", f"No outcome bears the tag '{tag}'.")
    for finding in discount.findings:
        if finding not in table.findings:
            yield Flaw(f"{place}/findings", f"There is no finding '{finding}'.")
    if not (discount.tags or discount.findings or discount.efforts):
        yield Flaw(place, "The discount touches nothing.")


def _closed(place: str, closed: Closed, table: RuleTable) -> Iterator[Flaw]:
    yield from _when(f"{place}/when", closed.when, table)
    for station in closed.stations:
        if station not in table.stations:
            yield Flaw(f"{place}/stations", f"There is no station '{station}'.")
    for finding in closed.findings:
        if finding not in table.findings:
            yield Flaw(f"{place}/findings", f"There is no finding '{finding}'.")


def _known_values(field: str, table: RuleTable) -> list[Any]:
    """The values that a condition may name; none where any text will do."""
    if field == "refrigerant_class":
        return [row.class_ for row in table.refrigerants.values()]
    if field == "refrigerant_safety":
        return list(get_args(SafetyGroup))
    return _VALUES.get(field, [])


def _when(place: str, when: When, table: RuleTable) -> Iterator[Flaw]:
    for field in when.unit.keys() - _UNIT_FIELDS:
        yield Flaw(f"{place}/unit/{field}", f"A unit has no '{field}'.")
    for field in when.opening.keys() - _OPENING_FIELDS:
        yield Flaw(f"{place}/opening/{field}", f"An opening has no '{field}'.")
    for part, wanted, unsaid in (("unit", when.unit, "unknown"), ("opening", when.opening, "not_stated")):
        for field, values in wanted.items():
            known = _known_values(field, table)
            strange = [value for value in values if known and value not in (*known, unsaid)]
            yield from (
                Flaw(f"{place}/{part}/{field}", f"'{value}' is none of its values.") for value in strange
            )
    if when.observed is not None:
        yield from _condition(f"{place}/observed", when.observed, table)


def _limits(table: RuleTable) -> Iterator[Flaw]:
    for index, limit in enumerate(table.limits):
        place = f"/limits/{index}"
        if limit.quantity not in table.quantities:
            yield Flaw(f"{place}/quantity", f"There is no quantity '{limit.quantity}'.")
        outcomes = [band.outcome for band in limit.bands if band.outcome is not None]
        if limit.finding in table.findings and table.findings[limit.finding].kind == "several":
            yield Flaw(
                f"{place}/finding",
                "A limit yields an outcome of a finding whose outcomes exclude each other.",
            )
        yield from _outcome_flaws(place, limit.finding, outcomes, table)
        yield from _when(f"{place}/when", limit.when, table)
        edges = [band.below for band in limit.bands]
        inner = [edge for edge in edges[:-1] if edge is not None]
        if len(inner) != len(edges) - 1 or inner != sorted(set(inner)):
            yield Flaw(f"{place}/bands", "Bands rise; all but the last have `below`.")


def _links(table: RuleTable) -> Iterator[Flaw]:
    named: set[tuple[str, str]] = set()
    begun: dict[str, float] = {}
    for index, link in enumerate(table.links):
        for member in ("cause", "leads_to"):
            if getattr(link, member) not in table.causes:
                yield Flaw(f"/links/{index}/{member}", f"There is no cause '{getattr(link, member)}'.")
        if link.cause == link.leads_to or (link.cause, link.leads_to) in named:
            yield Flaw(f"/links/{index}", "A link joins two causes, and each pair is named once.")
        named.add((link.cause, link.leads_to))
        begun[link.cause] = begun.get(link.cause, 0) + link.per_hundred
        if begun[link.cause] >= 100:
            detail = f"Of 100 failures that '{link.cause}' began, the links leave none in which it was alone."
            yield Flaw(f"/links/{index}/per_hundred", detail)


def _retired(table: RuleTable) -> Iterator[Flaw]:
    for index, row in enumerate(table.retired):
        place = f"/retired/{index}"
        if row.kind == "outcome" and row.finding not in table.findings:
            yield Flaw(f"{place}/finding", "A retired outcome names its finding.")
            continue
        known: set[str] = {
            "cause": {*table.causes},
            "finding": {*table.findings},
            "outcome": {outcome.code for outcome in table.findings[row.finding or ""].outcomes}
            if row.finding in table.findings
            else set(),
        }[row.kind]
        if row.code in known:
            yield Flaw(f"{place}/code", f"'{row.code}' is still in use.")
        if row.renamed_to is not None and row.renamed_to not in known:
            yield Flaw(f"{place}/renamed_to", f"There is no {row.kind} '{row.renamed_to}'.")
