"""What is wrong with a rule table: every flaw, each with its place."""

from collections.abc import Iterator
from typing import Any

import msgspec

from coldcase.core.condition_checking import gate_flaws, outcome_flaws, when_flaws
from coldcase.core.frequency_checking import finding_flaws, pattern_flaws
from coldcase.core.rule_table import (
    NO_FAULT,
    UNDETERMINED,
    UNLISTED,
    Action,
    Cause,
    CauseLink,
    Caution,
    Closed,
    Contrast,
    Discount,
    Limit,
    Lost,
    Override,
    Retired,
    RuleTable,
    Step,
)
from coldcase.core.table_shape import as_far_as_read, read_shape
from coldcase.errors import BadRuleTable, Flaw

SUPPORT = 2.0
"""A cause without a finding at least twice as frequent as in the background could never be found."""


def read_table(document: Any) -> RuleTable:
    """The table of a JSON document. Raises `BadRuleTable` with every flaw: of shape, and of all that can be
    read beside it.
    """
    try:
        table = msgspec.convert(document, RuleTable)
    except msgspec.ValidationError:
        misshapen, readable = read_shape(document)
        raise BadRuleTable((*misshapen, *flaws(readable))) from None
    found = tuple(flaws(table))
    if found:
        raise BadRuleTable(found)
    return table


def flaws(table: RuleTable) -> Iterator[Flaw]:
    """Every flaw of meaning; of a table that could be read in part, as far as that goes."""
    yield from _base_rates(table)
    yield from _kept_codes(table)
    yield from _overrides(table)
    yield from finding_flaws(table)
    yield from pattern_flaws(table)
    yield from _causes(table)
    yield from _groups(table)
    yield from _discounts(table)
    yield from _closings(table)
    yield from _losses(table)
    yield from _cautions(table)
    yield from _limits(table)
    yield from _links(table)
    yield from _retired(table)


@as_far_as_read
def _base_rates(table: RuleTable) -> Iterator[Flaw]:
    wanted = {*table.causes, UNLISTED}
    for code in sorted(wanted - table.base_rates.keys()):
        yield Flaw("/base_rates", f"'{code}' has no base rate.")
    for code in sorted(table.base_rates.keys() - wanted):
        yield Flaw(f"/base_rates/{code}", f"There is no cause '{code}'.")


@as_far_as_read
def _kept_codes(table: RuleTable) -> Iterator[Flaw]:
    for code in (UNLISTED, UNDETERMINED):
        if code in table.causes:
            yield Flaw(f"/causes/{code}", "This code is kept for the service itself.")
    if NO_FAULT not in table.causes:
        yield Flaw("/causes", f"There is no cause '{NO_FAULT}'.")


@as_far_as_read
def _overrides(table: RuleTable) -> Iterator[Flaw]:
    for index, override in enumerate(table.base_rate_overrides):
        yield from _override(f"/base_rate_overrides/{index}", override, table)


@as_far_as_read
def _override(place: str, override: Override, table: RuleTable) -> Iterator[Flaw]:
    yield from gate_flaws(f"{place}/when", override.when)
    for code in sorted(override.rates.keys() - {*table.causes, UNLISTED}):
        yield Flaw(f"{place}/rates/{code}", f"There is no cause '{code}'.")


@as_far_as_read
def _causes(table: RuleTable) -> Iterator[Flaw]:
    for code, cause in table.causes.items():
        place = f"/causes/{code}"
        yield from _cause_gate(f"{place}/gate", cause)
        yield from _chain(f"{place}/chain", cause, table)
        yield from _contrasts(f"{place}/contrast", cause, table)
        yield from _actions(f"{place}/actions", cause, table)
        yield from _said(place, cause)
        yield from _remedies(f"{place}/actions", cause)
        yield from _support(code, table)


@as_far_as_read
def _cause_gate(place: str, cause: Cause) -> Iterator[Flaw]:
    yield from gate_flaws(place, cause.gate)


@as_far_as_read
def _chain(place: str, cause: Cause, table: RuleTable) -> Iterator[Flaw]:
    for index, step in enumerate(cause.chain):
        yield from _step(f"{place}/{index}", step, table)


@as_far_as_read
def _step(place: str, step: Step, table: RuleTable) -> Iterator[Flaw]:
    if not step.seen_as:
        yield Flaw(place, "The step names no finding that would show it.")
    for finding, outcomes in step.seen_as.items():
        yield from outcome_flaws(place, finding, outcomes, table)


@as_far_as_read
def _contrasts(place: str, cause: Cause, table: RuleTable) -> Iterator[Flaw]:
    for index, contrast in enumerate(cause.contrast):
        yield from _contrast(f"{place}/{index}", contrast, cause, table)


@as_far_as_read
def _contrast(place: str, contrast: Contrast, cause: Cause, table: RuleTable) -> Iterator[Flaw]:
    other = table.causes.get(contrast.against)
    if other is None or other is cause:
        yield Flaw(place, f"There is no other cause '{contrast.against}'.")


@as_far_as_read
def _actions(place: str, cause: Cause, table: RuleTable) -> Iterator[Flaw]:
    for index, action in enumerate(cause.actions):
        yield from _condition(f"{place}/{index}/when", action, table)


@as_far_as_read
def _said(place: str, cause: Cause) -> Iterator[Flaw]:
    if not cause.chain or not cause.actions:
        yield Flaw(place, "A cause has a chain and actions.")


@as_far_as_read
def _remedies(place: str, cause: Cause) -> Iterator[Flaw]:
    if cause.system_borne and not any(action.when.siblings for action in cause.actions):
        yield Flaw(
            place,
            "A cause that the system carries says what to do for the sister compressors (`siblings`).",
        )


@as_far_as_read
def _support(code: str, table: RuleTable) -> Iterator[Flaw]:
    if not _supported(code, table):
        yield Flaw(
            f"/causes/{code}",
            "No finding is twice as frequent with this cause as in the background: it could never be found.",
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


@as_far_as_read
def _groups(table: RuleTable) -> Iterator[Flaw]:
    used = {finding.group for finding in table.findings.values()}
    for code in sorted(table.groups.keys() - used):
        yield Flaw(f"/groups/{code}", "No finding belongs to this group.")


@as_far_as_read
def _condition(place: str, row: Action | Caution | Lost, table: RuleTable) -> Iterator[Flaw]:
    yield from when_flaws(place, row.when, table)


@as_far_as_read
def _losses(table: RuleTable) -> Iterator[Flaw]:
    for index, lost in enumerate(table.lost):
        yield from _condition(f"/lost/{index}/when", lost, table)


@as_far_as_read
def _cautions(table: RuleTable) -> Iterator[Flaw]:
    for index, caution in enumerate(table.cautions):
        yield from _condition(f"/cautions/{index}/when", caution, table)


@as_far_as_read
def _discounts(table: RuleTable) -> Iterator[Flaw]:
    for index, discount in enumerate(table.discounts):
        place = f"/discounts/{index}"
        yield from _discount(place, discount, table)
        yield from _tags(f"{place}/tags", discount, table)
        yield from _named_findings(f"{place}/findings", discount, table)
        yield from _touched(place, discount)


@as_far_as_read
def _discount(place: str, discount: Discount, table: RuleTable) -> Iterator[Flaw]:
    yield from when_flaws(f"{place}/when", discount.when, table)


@as_far_as_read
def _tags(place: str, discount: Discount, table: RuleTable) -> Iterator[Flaw]:
    tags = {
        tag for finding in table.findings.values() for outcome in finding.outcomes for tag in outcome.tags
    }
    for tag in discount.tags:
        if tag not in tags:
            yield Flaw(place, f"No outcome bears the tag '{tag}'.")


@as_far_as_read
def _named_findings(place: str, row: Discount | Closed, table: RuleTable) -> Iterator[Flaw]:
    for finding in row.findings:
        if finding not in table.findings:
            yield Flaw(place, f"There is no finding '{finding}'.")


@as_far_as_read
def _touched(place: str, discount: Discount) -> Iterator[Flaw]:
    if not (discount.tags or discount.findings or discount.efforts):
        yield Flaw(place, "The discount touches nothing.")


@as_far_as_read
def _closings(table: RuleTable) -> Iterator[Flaw]:
    for index, closed in enumerate(table.closed):
        place = f"/closed/{index}"
        yield from _closed(place, closed, table)
        yield from _named_findings(f"{place}/findings", closed, table)


@as_far_as_read
def _closed(place: str, closed: Closed, table: RuleTable) -> Iterator[Flaw]:
    yield from when_flaws(f"{place}/when", closed.when, table)
    for station in closed.stations:
        if station not in table.stations:
            yield Flaw(f"{place}/stations", f"There is no station '{station}'.")


@as_far_as_read
def _limits(table: RuleTable) -> Iterator[Flaw]:
    for index, limit in enumerate(table.limits):
        place = f"/limits/{index}"
        yield from _quantity(f"{place}/quantity", limit, table)
        yield from _judged(place, limit, table)
        yield from _judged_by(f"{place}/bands", limit)
        yield from _where_it_fits(f"{place}/when", limit, table)


@as_far_as_read
def _quantity(place: str, limit: Limit, table: RuleTable) -> Iterator[Flaw]:
    if limit.quantity not in table.quantities:
        yield Flaw(place, f"There is no quantity '{limit.quantity}'.")


@as_far_as_read
def _judged(place: str, limit: Limit, table: RuleTable) -> Iterator[Flaw]:
    outcomes = [band.outcome for band in limit.bands if band.outcome is not None]
    yield from outcome_flaws(place, limit.finding, outcomes, table)
    if limit.finding in table.findings and table.findings[limit.finding].kind == "several":
        yield Flaw(
            f"{place}/finding",
            "A limit yields an outcome of a finding whose outcomes exclude each other.",
        )


@as_far_as_read
def _judged_by(place: str, limit: Limit) -> Iterator[Flaw]:
    edges = [band.below for band in limit.bands]
    inner = [edge for edge in edges[:-1] if edge is not None]
    if len(inner) != len(edges) - 1 or inner != sorted(set(inner)):
        yield Flaw(place, "Bands rise; all but the last have `below`.")


@as_far_as_read
def _where_it_fits(place: str, limit: Limit, table: RuleTable) -> Iterator[Flaw]:
    yield from when_flaws(place, limit.when, table)


@as_far_as_read
def _links(table: RuleTable) -> Iterator[Flaw]:
    named: set[tuple[str, str]] = set()
    begun: dict[str, float] = {}
    for index, link in enumerate(table.links):
        for member in ("cause", "leads_to"):
            yield from _linked(f"/links/{index}", link, member, table)
        yield from _pair(f"/links/{index}", link, named)
        yield from _left_alone(f"/links/{index}/per_hundred", link, begun)


@as_far_as_read
def _linked(place: str, link: CauseLink, member: str, table: RuleTable) -> Iterator[Flaw]:
    if getattr(link, member) not in table.causes:
        yield Flaw(f"{place}/{member}", f"There is no cause '{getattr(link, member)}'.")


@as_far_as_read
def _pair(place: str, link: CauseLink, named: set[tuple[str, str]]) -> Iterator[Flaw]:
    if link.cause == link.leads_to or (link.cause, link.leads_to) in named:
        yield Flaw(place, "A link joins two causes, and each pair is named once.")
    named.add((link.cause, link.leads_to))


@as_far_as_read
def _left_alone(place: str, link: CauseLink, begun: dict[str, float]) -> Iterator[Flaw]:
    begun[link.cause] = begun.get(link.cause, 0) + link.per_hundred
    if begun[link.cause] >= 100:
        detail = f"Of 100 failures that '{link.cause}' began, the links leave none in which it was alone."
        yield Flaw(place, detail)


@as_far_as_read
def _retired(table: RuleTable) -> Iterator[Flaw]:
    for index, row in enumerate(table.retired):
        yield from _retired_code(f"/retired/{index}", row, table)


@as_far_as_read
def _retired_code(place: str, row: Retired, table: RuleTable) -> Iterator[Flaw]:
    if row.kind == "outcome" and row.finding not in table.findings:
        yield Flaw(f"{place}/finding", "A retired outcome names its finding.")
        return
    known = _in_use(row, table)
    if row.code in known:
        yield Flaw(f"{place}/code", f"'{row.code}' is still in use.")
    if row.renamed_to is not None and row.renamed_to not in known:
        yield Flaw(f"{place}/renamed_to", f"There is no {row.kind} '{row.renamed_to}'.")


def _in_use(row: Retired, table: RuleTable) -> set[str]:
    """The codes of the same kind that the table has."""
    if row.kind == "outcome":
        return {outcome.code for outcome in table.findings[row.finding or ""].outcomes}
    return {*table.causes} if row.kind == "cause" else {*table.findings}
