"""A rule table's rows in words: titles in place of codes, conditions as sentences. Pure.

A draft may be flawed: what is not there is told by its code, never an error.
"""

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from coldcase.core.rule_table import Band, Cause, Condition, Gate, Limit, Outcome, RuleTable, When
from coldcase.core.titles import UNTITLED

FAMILIES = {
    "contamination": "Contamination",
    "lubrication": "Oil and its supply",
    "liquid": "Liquid refrigerant",
    "operation": "How it was run",
    "thermal": "Heat",
    "supply": "Electricity",
    "machine": "The machine itself",
    "none": "No fault",
}
STATIONS = {
    "history": "History, asked",
    "supply": "Electrical supply and start gear",
    "system": "Refrigerant circuit",
    "operating": "Running",
    "oil": "Oil",
    "shell": "Outside of the compressor",
    "suction": "Suction side",
    "compression": "Compression",
    "bearings": "Bearings and shaft",
    "sump": "Sump",
    "motor": "Motor",
    "lab": "Laboratory",
}
EFFORT_TOLD = {
    "ask": "by asking",
    "look": "by looking",
    "meter": "with a meter",
    "open": "with the machine opened",
    "lab": "in a laboratory",
}
DEADLINES = {
    "opening": "before the machine is opened",
    "scrapping": "before it is scrapped",
    "restart": "before it is started again",
}
SHOWS = {
    "damage": "shows damage in the compressor",
    "trouble": "shows trouble that comes from outside a sound machine",
    "sound": "shows that this part is in order",
    "runs_well": "shows that the whole machine is in order",
    "outside_fault": "shows a fault outside the compressor",
}
UNIT_FIELDS = {
    "motor": "motor",
    "hermeticity": "build",
    "compressor_type": "compressor",
    "winding_connection": "winding connection",
    "application": "use",
    "refrigerant": "refrigerant",
    "refrigerant_class": "refrigerant class",
    "refrigerant_safety": "refrigerant safety group",
    "lubricant": "oil",
    "condenser": "condenser",
}
OPENING_FIELDS = {
    "method": "opened by",
    "oil": "oil",
    "left_open": "left open for",
    "cleaned_before": "cleaned before it was looked at",
    "oil_sample": "oil sample",
    "seen": "seen from",
    "high_voltage_test_in_vacuum": "high-voltage test in vacuum",
}
QUANTITIES = {
    "insulation_at_40c": "Insulation at 40 °C",
    "particle_count_iso4406": "Particle count (ISO 4406)",
    "refrigerant_in_oil_percent": "Refrigerant in the oil",
    "foreign_oil_percent": "Foreign oil",
    "acid_number_mg_koh_g": "Acid number",
    "voltage_to_rating": "Voltage, as part of its rating",
    "start_voltage_to_rating": "Lowest voltage at start, as part of the rating",
    "current_to_rating": "Current, as part of its rating",
    "capacitor_to_rating": "Capacitor, as part of its rating",
    "run_capacitor_to_rating": "Run capacitor, as part of its rating",
    "frequency_to_rating": "Frequency, as part of its rating",
    "control_voltage_to_rating": "Control voltage, as part of its rating",
    "winding_to_plate": "Winding resistance, as part of the plate's",
    "refrigerant_to_charge": "Refrigerant recovered, as part of the charge",
    "oil_to_charge": "Oil drained, as part of the charge",
    "viscosity_to_grade": "Viscosity, as part of the grade's",
    "viscosity_to_fresh": "Viscosity, as part of the fresh oil's",
}
"""Of quantities whose code, read out, is not what people say."""
UNIT_SIGNS = {
    "degC": "°C",
    "ratio": "",
    "1/h": "starts an hour",
    "h": "hours",
    "d": "days",
    "megohm": "MΩ",
    "starts": "",
}


class ConditionTree(NamedTuple):
    """A condition to be shown: of a finding the outcomes that fulfil it, else what must hold of its parts."""

    says: str
    parts: "list[ConditionTree]"
    finding: str | None = None
    first: str = ""


class TableWords:
    """The titles of one table."""

    def __init__(self, table: RuleTable) -> None:
        self.table = table

    def cause(self, code: str) -> str:
        """A cause's title."""
        row = self.table.causes.get(code)
        return row.title if row else UNTITLED.get(code, plain(code))

    def finding(self, code: str) -> str:
        """A finding's or pattern's title."""
        row = self.table.findings.get(code) or self.table.patterns.get(code)
        return row.title if row else plain(code)

    def outcome(self, finding: str, code: str) -> str:
        """The title of a finding's outcome."""
        row = self.table.findings.get(finding)
        titles = {one.code: one.title for one in row.outcomes} if row else {}
        return titles.get(code, plain(code))

    def outcomes(self, finding: str, codes: Iterable[str]) -> str:
        """Titles joined by `or`."""
        return " or ".join(lower(self.outcome(finding, code)) for code in codes)

    def quantity(self, code: str) -> str:
        """What a quantity is called."""
        return QUANTITIES.get(code, plain(code.removesuffix("_mg_kg")).capitalize())

    def unit(self, code: str) -> str:
        """The unit of a quantity as people write it; empty where it has none."""
        row = self.table.quantities.get(code)
        return "" if row is None else UNIT_SIGNS.get(row.unit, row.unit)

    def when(self, when: When) -> str:
        """When something applies, as the end of a sentence; empty where it always does."""
        parts = [*_members(when.unit, UNIT_FIELDS), *_members(when.opening, OPENING_FIELDS)]
        if when.observed is not None:
            parts.append(self.condition(when.observed))
        if when.siblings:
            parts.append("other compressors are on the circuit")
        return "; ".join(parts)

    def condition(self, condition: Condition, *, inside: bool = False) -> str:
        """A condition over findings in words."""
        if condition.finding is not None:
            titled = f"“{self.finding(condition.finding)}”"
            return f"{titled} is {self.outcomes(condition.finding, condition.outcomes or [])}"
        if condition.not_ is not None:
            return f"not: {self.condition(condition.not_, inside=True)}"
        if condition.unless is not None:
            return f"unless {self.condition(condition.unless, inside=True)}"
        word, parts = (" and ", condition.all) if condition.all is not None else (" or ", condition.any or [])
        text = word.join(self.condition(part, inside=True) for part in parts)
        return f"({text})" if inside and len(parts) > 1 else text

    def tree(self, condition: Condition) -> "ConditionTree":
        """A condition as nested lists: what stands within another of the same kind is one with it."""
        if condition.finding is not None:
            codes = condition.outcomes or []
            return ConditionTree(
                self.outcomes(condition.finding, codes), [], condition.finding, codes[0] if codes else ""
            )
        if condition.not_ is not None:
            return ConditionTree("Not this", [self.tree(condition.not_)])
        if condition.unless is not None:
            return ConditionTree("Unless this is known", [self.tree(condition.unless)])
        says, parts = "All of these", condition.all
        if parts is None:
            says, parts = "Any of these", condition.any or []
        inner = [self.tree(part) for part in parts]
        flat = [each for one in inner for each in (one.parts if one.says == says else [one])]
        return flat[0] if len(flat) == 1 else ConditionTree(says, flat)

    def bands(self, limit: Limit) -> list[tuple[str, str]]:
        """Each band of a limit: the range, and what it says."""
        return [(_range(before, band), self.band(limit, band)) for before, band in _with_before(limit.bands)]

    def band(self, limit: Limit, band: Band) -> str:
        """What a band says."""
        if band.outcome is None:
            return "says nothing"
        return lower(self.outcome(limit.finding, band.outcome))


def _with_before(bands: list[Band]) -> list[tuple[float | None, Band]]:
    return list(zip([None, *(band.below for band in bands)], bands, strict=False))


def _range(before: float | None, band: Band) -> str:
    if band.below is None:
        return "any value" if before is None else f"{before:g} and above"
    return f"below {band.below:g}" if before is None else f"{before:g} to below {band.below:g}"


def _members(given: Mapping[str, list[Any]], fields: Mapping[str, str]) -> list[str]:
    return [
        f"{fields.get(name, plain(name))}: {' or '.join(_said(value) for value in values)}"
        for name, values in given.items()
    ]


def _said(value: str | bool) -> str:  # noqa: FBT001 - an opening's members are yes or no, too
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if value.isupper() else plain(value)


def gate(gate: Gate) -> str:
    """The machines on which something can occur; empty where on all."""
    parts = [
        f"{name}: {' or '.join(plain(value) for value in values)}"
        for name, values in (
            ("motor", gate.motors),
            ("winding connection", gate.connections),
            ("compressor", gate.compressor_types),
        )
        if values
    ]
    return "; ".join(parts)


def about(outcome: Outcome) -> str:
    """What an outcome says of the compressor itself; empty where nothing."""
    return SHOWS[outcome.shows] if outcome.shows else ""


def family(code: str) -> str:
    """The heading of a family of causes."""
    return FAMILIES.get(code, plain(code).capitalize())


def in_families(causes: Mapping[str, Cause]) -> list[tuple[str, Cause]]:
    """Causes by family, in the order in which these are told, and by title."""
    order = {code: place for place, code in enumerate(FAMILIES)}
    return sorted(
        causes.items(), key=lambda one: (order.get(one[1].family, len(order)), one[1].family, one[1].title)
    )


def station(code: str) -> str:
    """The heading of a station."""
    return STATIONS.get(code, plain(code).capitalize())


def plain(code: str) -> str:
    """A code read out."""
    return code.replace("_", " ")


def lower(text: str) -> str:
    """A title inside a sentence; abbreviations stay."""
    return text if text[:2].isupper() else f"{text[:1].lower()}{text[1:]}"
