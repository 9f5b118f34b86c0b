"""Three-valued logic over findings: true, false, or not known because nobody looked."""

from collections.abc import Callable, Iterator, Mapping
from operator import attrgetter
from typing import TypeAlias

from coldcase.core.case import Case, Unit
from coldcase.core.rule_table import Caution, Closed, Condition, Discount, Gate, Lost, RuleTable, When

Observed: TypeAlias = Mapping[str, frozenset[str]]
"""Each finding that was looked at, with the outcomes that its observer could not tell apart (usually one)."""

ConditionKey: TypeAlias = tuple[tuple[object, ...], tuple[object, ...]]
"""All that a table's conditions can ask of a machine and of how it was opened."""

MOST_CACHED_KEYS = 1000

Predicate: TypeAlias = Callable[[Observed], bool | None]


def predicate(condition: Condition) -> Predicate:
    """The condition as a function of what was observed: whether it holds, None while that is not decided."""
    if condition.finding is not None:
        return _atom(condition.finding, frozenset(condition.outcomes or ()))
    if condition.all is not None:
        return _every([predicate(part) for part in condition.all])
    if condition.any is not None:
        none_holds = _every([_negated(predicate(part)) for part in condition.any])
        return _negated(none_holds)
    if condition.not_ is not None:
        return _negated(predicate(condition.not_))
    if condition.unless is not None:
        inner = predicate(condition.unless)
        return lambda observed: inner(observed) is not True
    raise ValueError("a condition has none of its five forms")


def _atom(finding: str, wanted: frozenset[str]) -> Predicate:
    def atom(observed: Observed) -> bool | None:
        seen = observed.get(finding)
        if seen is None:
            return None
        if seen <= wanted:
            return True
        return False if seen.isdisjoint(wanted) else None

    return atom


def _every(inner: list[Predicate]) -> Predicate:
    def every(observed: Observed) -> bool | None:
        result: bool | None = True
        for part in inner:
            value = part(observed)
            if value is False:
                return False
            if value is None:
                result = None
        return result

    return every


def _negated(inner: Predicate) -> Predicate:
    def negated(observed: Observed) -> bool | None:
        value = inner(observed)
        return None if value is None else not value

    return negated


def holds(condition: Condition, observed: Observed) -> bool | None:
    """Whether the condition holds; None while what was looked at does not decide it."""
    return predicate(condition)(observed)


def parts(condition: Condition) -> Iterator[Condition]:
    """The condition and every condition within it."""
    yield condition
    for part in (*(condition.all or ()), *(condition.any or ()), condition.not_, condition.unless):
        if part is not None:
            yield from parts(part)


def findings_in(condition: Condition) -> Iterator[tuple[str, list[str]]]:
    """Every finding that the condition speaks of, with the outcomes it names."""
    for part in parts(condition):
        if part.finding is not None:
            yield part.finding, part.outcomes or []


def asserted(condition: Condition) -> Iterator[tuple[str, list[str]]]:
    """The same without what it denies."""
    if condition.finding is not None:
        yield condition.finding, condition.outcomes or []
    for part in (*(condition.all or ()), *(condition.any or ())):
        yield from asserted(part)


def necessary(condition: Condition) -> list[set[tuple[str, str]]]:
    """Sets of (finding, outcome); of each set something must have been seen for the condition to hold."""
    if condition.finding is not None:
        return [{(condition.finding, outcome) for outcome in condition.outcomes or ()}]
    if condition.all is not None:
        return [sights for part in condition.all for sights in necessary(part)]
    if condition.any is not None:
        ways = [necessary(part) for part in condition.any]
        return [set().union(*(sights for way in ways for sights in way))] if all(ways) else []
    return []


def passes_gate(gate: Gate, motor: str | None, connection: str | None, compressor_type: str | None) -> bool:
    """Whether something can occur on such a machine; what is not known rules nothing out."""
    return (
        (motor is None or not gate.motors or motor in gate.motors)
        and (connection is None or not gate.connections or connection in gate.connections)
        and (compressor_type is None or not gate.compressor_types or compressor_type in gate.compressor_types)
    )


def names_machine(gate: Gate, machine: tuple[str | None, str | None, str | None]) -> bool:
    """Whether a statement about some machines is about this one; of a field that is not known no statement is
    made.
    """
    gates = (gate.motors, gate.connections, gate.compressor_types)
    return all(not gate or value in gate for gate, value in zip(gates, machine, strict=True))


def machine_of(unit: Unit, table: RuleTable | None = None) -> tuple[str | None, str | None, str | None]:
    """Motor (as the table knows it), winding connection and compressor type, None where not known."""
    connection = unit.winding_connection
    if connection is None and unit.motor == "single_phase":
        connection = "single_phase"
    motor = unit.motor if table is None else motor_under(unit.motor, table)
    return known_or_none(motor), known_or_none(connection), known_or_none(unit.compressor_type)


PERMANENT_MAGNET = "permanent_magnet"


def motor_under(motor: str, table: RuleTable) -> str:
    """A motor as a table knows it: one that was made before permanent-magnet motors were told apart counts
    them among those on a drive.
    """
    if motor != PERMANENT_MAGNET:
        return motor
    told_apart = any(PERMANENT_MAGNET in cause.gate.motors for cause in table.causes.values())
    return motor if told_apart else "inverter"


def known_or_none(value: str | None) -> str | None:
    """The value, or None where it says `unknown`."""
    return None if value == "unknown" else value


def applies(when: When, case: Case, observed: Observed, table: RuleTable) -> bool:
    """Whether all that `when` asks is known to be so for this case."""
    return machine_fits(when, case, table) and (
        when.observed is None or holds(when.observed, observed) is True
    )


def machine_fits(when: When, case: Case, table: RuleTable) -> bool:
    """Whether all that `when` asks of the machine and its opening is known to be so."""
    if when.siblings and case.unit.compressors_on_circuit == 1:
        return False
    for field, wanted in when.unit.items():
        value = unit_value(case.unit, field, table)
        other = _OTHER_SPELLING.get(value) if field == "condenser" else None
        if value not in wanted and other not in wanted:
            return False
    asked = when.opening
    return not asked or all(_opening_value(case, field) in accepted for field, accepted in asked.items())


# Of a condenser, in tables and in cases.
_OTHER_SPELLING = {"air": "air_cooled", "water": "water_cooled", "air_cooled": "air", "water_cooled": "water"}


def _opening_value(case: Case, field: str) -> str | bool:
    value: str | bool | None = getattr(case.opening, field)
    return "not_stated" if value is None else value


class ConditionKeys:
    """What a condition key is made of under one table: every field that any of its conditions asks for."""

    def __init__(self, table: RuleTable) -> None:
        actions = [action.when for cause in table.causes.values() for action in cause.actions]
        rows: list[Discount | Caution | Closed | Lost] = [
            *table.discounts,
            *table.cautions,
            *table.closed,
            *table.lost,
        ]
        whens = [*(row.when for row in rows), *actions]
        of_unit = {
            "compressors_on_circuit",
            *(UNIT_FIELD_ASKED.get(field, field) for when in whens for field in when.unit),
        }
        # Two fields at least, for then `attrgetter` gives a tuple.
        self._unit = attrgetter(*sorted({"motor", *of_unit}))
        self._opening = attrgetter(
            *sorted({"method", "oil", *(field for when in whens for field in when.opening)})
        )

    def of(self, case: Case) -> ConditionKey:
        """The key of a case."""
        return self._unit(case.unit), self._opening(case.opening)


UNIT_FIELD_ASKED = {"refrigerant_class": "refrigerant", "refrigerant_safety": "refrigerant"}
"""The member of a unit that a condition's field is read from, where it has another name."""


class Conditional:
    """Rows with a `When` each, filed by what makes them apply, so that most need not be asked for a case."""

    def __init__(self, whens: list[When]) -> None:
        self._whens = whens
        self._observed = [predicate(when.observed) if when.observed else None for when in whens]
        self._by_key = [index for index, when in enumerate(whens) if when.observed is None]
        self._by_sight: dict[str, dict[str, list[int]]] = {}
        self._always: list[int] = []
        self._rows_by_key: dict[ConditionKey, list[int]] = {}
        for index, when in enumerate(whens):
            if when.observed is not None:
                self._file(index, when.observed)

    def _file(self, index: int, condition: Condition) -> None:
        needed = necessary(condition)
        if not needed:
            self._always.append(index)
        else:
            fewest = min(needed, key=len)
            for finding, outcome in sorted(fewest):
                self._by_sight.setdefault(finding, {}).setdefault(outcome, []).append(index)

    def applying(self, case: Case, key: ConditionKey, observed: Observed, table: RuleTable) -> list[int]:
        """The rows that apply, in their order. `key` is the condition key of the case."""
        rows = self._rows_by_key.get(key)
        if rows is None:
            rows = self._for_key(case, key, table)
        candidates = [*self._always]
        for finding, outcomes in observed.items():
            filed = self._by_sight.get(finding)
            if filed is not None:
                for outcome in outcomes:
                    candidates += filed.get(outcome, ())
        if not candidates:
            return rows
        found = {index for index in candidates if self._applies(index, case, observed, table)}
        return sorted(found.union(rows)) if found else rows

    def _for_key(self, case: Case, key: ConditionKey, table: RuleTable) -> list[int]:
        """The rows that ask for nothing but a key; keys come again and again, so there is a cache."""
        if len(self._rows_by_key) >= MOST_CACHED_KEYS:
            self._rows_by_key.clear()
        rows = self._rows_by_key[key] = [
            index for index in self._by_key if machine_fits(self._whens[index], case, table)
        ]
        return rows

    def _applies(self, index: int, case: Case, observed: Observed, table: RuleTable) -> bool:
        shown = self._observed[index]
        return (shown is None or shown(observed) is True) and machine_fits(self._whens[index], case, table)


def unit_value(unit: Unit, field: str, table: RuleTable) -> str:
    """A field of the unit, or the class or safety group of its refrigerant; `unknown` where it was not
    said.
    """
    if field == "motor":
        return motor_under(unit.motor, table)
    if field not in ("refrigerant_class", "refrigerant_safety"):
        return str(getattr(unit, field) or "unknown")
    refrigerant = table.refrigerants.get(unit.refrigerant or "")
    if refrigerant is None:
        return "unknown"
    return refrigerant.class_ if field == "refrigerant_class" else refrigerant.safety
