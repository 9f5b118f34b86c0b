"""What is wrong with a rule table's gates and conditions: machines, fields, findings and outcomes that there
are not.
"""

from collections.abc import Iterator
from typing import Any, Literal, get_args, get_origin, get_type_hints

import msgspec

from coldcase.core.case import UNIT_LABELS, Opening, Unit
from coldcase.core.conditions import findings_in, parts
from coldcase.core.rule_table import (
    COMPRESSOR_TYPES,
    CONNECTIONS,
    MOTORS,
    Condition,
    Gate,
    RuleTable,
    SafetyGroup,
    When,
)
from coldcase.core.table_shape import as_far_as_read
from coldcase.errors import Flaw

_FIELDS = {"motors": MOTORS, "connections": CONNECTIONS, "compressor_types": COMPRESSOR_TYPES}
_UNIT_FIELDS = {
    *(field.name for field in msgspec.structs.fields(Unit) if field.name not in UNIT_LABELS),
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


@as_far_as_read
def gate_flaws(place: str, gate: Gate) -> Iterator[Flaw]:
    """Values of no machine in a gate at `place`."""
    for field, known in _FIELDS.items():
        yield from _machines(f"{place}/{field}", getattr(gate, field), known)


@as_far_as_read
def _machines(place: str, values: list[str], known: tuple[str, ...]) -> Iterator[Flaw]:
    for value in values:
        if value not in known:
            yield Flaw(place, f"'{value}' is none of {', '.join(known)}.")


@as_far_as_read
def when_flaws(place: str, when: When, table: RuleTable) -> Iterator[Flaw]:
    """What an action, caution, discount or limit asks for at `place` that there is not."""
    yield from _part_flaws(f"{place}/unit", when.unit, _UNIT_FIELDS, table)
    yield from _part_flaws(f"{place}/opening", when.opening, _OPENING_FIELDS, table)
    if when.observed is not None:
        yield from condition_flaws(f"{place}/observed", when.observed, table)


@as_far_as_read
def _part_flaws(
    place: str, wanted: dict[str, list[Any]], fields: set[str], table: RuleTable
) -> Iterator[Flaw]:
    holder, unsaid = ("A unit", "unknown") if place.endswith("/unit") else ("An opening", "not_stated")
    for field, values in wanted.items():
        if field not in fields:
            yield Flaw(f"{place}/{field}", f"{holder} has no '{field}' that is weighed.")
        yield from _value_flaws(f"{place}/{field}", values, unsaid, table)


@as_far_as_read
def _value_flaws(place: str, values: list[Any], unsaid: str, table: RuleTable) -> Iterator[Flaw]:
    known = _known_values(place.rpartition("/")[2], table)
    for value in values:
        if known and value not in (*known, unsaid):
            yield Flaw(place, f"'{value}' is none of its values.")


def _known_values(field: str, table: RuleTable) -> list[Any]:
    """The values that a condition may name; none where any text will do."""
    if field == "refrigerant_class":
        return [row.class_ for row in table.refrigerants.values()]
    if field == "refrigerant_safety":
        return list(get_args(SafetyGroup))
    return _VALUES.get(field, [])


@as_far_as_read
def condition_flaws(place: str, condition: Condition, table: RuleTable) -> Iterator[Flaw]:
    """Parts of a condition at `place` that are of no form, or name what there is not."""
    for part in parts(condition):
        forms = [part.all, part.any, part.not_, part.unless, part.finding]
        if sum(form is not None for form in forms) != 1 or (part.finding is None) != (part.outcomes is None):
            yield Flaw(place, "A condition is one of: all, any, not, unless, or finding with in.")
    for finding, outcomes in findings_in(condition):
        yield from outcome_flaws(place, finding, outcomes, table)


@as_far_as_read
def outcome_flaws(place: str, code: str, outcomes: list[str], table: RuleTable) -> Iterator[Flaw]:
    """Outcomes that the finding `code` has not, or none at all, where they are named at `place`."""
    finding = table.findings.get(code)
    if finding is None:
        yield Flaw(place, f"There is no finding '{code}'.")
        return
    if not outcomes:
        yield Flaw(place, f"No outcome of '{code}' is named.")
    known = {outcome.code for outcome in finding.outcomes}
    for outcome in outcomes:
        if outcome not in known:
            yield Flaw(place, f"'{code}' has no outcome '{outcome}'.")
