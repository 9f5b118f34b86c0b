"""The worksheet of one case: each quantity as it was worked out, what it rests on, and what cannot be
believed.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

import msgspec

from coldcase.core.quantities import Range

# Every quantity that this package works out: the unit of its value and the decimals shown to people.
QUANTITY_UNITS: dict[str, tuple[str, int]] = {
    "ambient_pressure": ("kPa", 2),
    "saturated_suction_temperature": ("degC", 1),
    "suction_superheat": ("K", 1),
    "compression_ratio": ("ratio", 2),
    "discharge_temperature": ("degC", 1),
    "discharge_superheat": ("K", 1),
    "isentropic_discharge_temperature": ("degC", 1),
    "isentropic_efficiency": ("ratio", 2),
    "condensing_temperature": ("degC", 1),
    "subcooling": ("K", 1),
    "condensing_over_entering": ("K", 1),
    "sump_superheat": ("K", 1),
    "standing_pressure_excess": ("K", 1),
    "standing_pressure_excess_kpa": ("kPa", 1),
    "net_oil_pressure": ("kPa", 1),
    "oil_temperature": ("degC", 1),
    "oil_over_suction": ("K", 1),
    "drier_pressure_drop": ("kPa", 1),
    "drier_temperature_drop": ("K", 1),
    "suction_filter_pressure_drop": ("kPa", 1),
    "vibration": ("mm/s", 2),
    "voltage_unbalance": ("%", 2),
    "current_unbalance": ("%", 2),
    "voltage_to_rating": ("ratio", 3),
    "current_to_rating": ("ratio", 3),
    "start_voltage_to_rating": ("ratio", 3),
    "frequency_to_rating": ("ratio", 3),
    "control_voltage_to_rating": ("ratio", 3),
    "control_voltage": ("V", 1),
    "pole_voltage_drop_lowest": ("mV", 1),
    "pole_voltage_drop_highest": ("mV", 1),
    "pole_voltage_drop_spread": ("mV", 1),
    "contact_resistance": ("mohm", 3),
    "winding_unbalance": ("%", 2),
    "winding_identity_error": ("%", 2),
    "winding_to_plate": ("ratio", 3),
    "insulation_at_40c": ("megohm", 3),
    "insulation_as_measured": ("megohm", 3),
    "insulation_phase_to_phase": ("megohm", 3),
    "polarization_index": ("ratio", 2),
    "capacitor_to_rating": ("ratio", 3),
    "run_capacitor_to_rating": ("ratio", 3),
    "capacitance": ("uF", 2),
    "shaft_voltage": ("V", 2),
    "oil_to_charge": ("ratio", 3),
    "refrigerant_to_charge": ("ratio", 3),
    "starts_per_hour": ("1/h", 1),
    "run_hours": ("h", 0),
    "starts_in_night": ("starts", 0),
    "days_in_service": ("d", 1),
    "days_idle_before": ("d", 1),
    "water_mg_kg": ("mg/kg", 1),
    "acid_number_mg_koh_g": ("mg KOH/g", 3),
    "acid_number_rise": ("mg KOH/g", 3),
    "iron_mg_kg": ("mg/kg", 1),
    "copper_mg_kg": ("mg/kg", 1),
    "aluminium_mg_kg": ("mg/kg", 1),
    "tin_mg_kg": ("mg/kg", 1),
    "lead_mg_kg": ("mg/kg", 1),
    "silicon_mg_kg": ("mg/kg", 1),
    "zinc_mg_kg": ("mg/kg", 1),
    "chromium_mg_kg": ("mg/kg", 1),
    "viscosity_40c_mm2_s": ("mm2/s", 2),
    "viscosity_100c_mm2_s": ("mm2/s", 2),
    "viscosity_to_grade": ("ratio", 3),
    "viscosity_to_fresh": ("ratio", 3),
    "viscosity_index": ("index", 0),
    "particle_count_iso4406": ("scale number", 0),
    "refrigerant_in_oil_percent": ("%", 2),
    "foreign_oil_percent": ("%", 2),
}

DetectionLimit = Literal["<", ">"]


class DerivedQuantity(msgspec.Struct, frozen=True, gc=False):
    """One quantity in the unit of UNITS. `bound` marks a detection limit: the value lies below or above.

    `upper` is the other end of a range that begins at `value`. `rests_on` names the readings behind it; one
    that is not `weighed` is shown with its note and no outcome.
    """

    quantity: str
    value: float
    rests_on: tuple[str, ...] = ()
    note: str | None = None
    bound: DetectionLimit | None = None
    weighed: bool = True
    shown: str | None = None
    upper: float | None = None

    def printed(self) -> float | str:
        """The value as people read it."""
        if self.shown is not None:
            return self.shown
        rounded = self._rounded(self.value)
        return rounded if self.bound is None else f"{self.bound}{rounded:g}"

    def printed_upper(self) -> float | None:
        """The upper end of a range as people read it."""
        return None if self.upper is None else self._rounded(self.upper)

    def printed_whole(self) -> str:
        """Value or range in words."""
        return f"{self.printed()}" if self.upper is None else f"{self.printed()} to {self.printed_upper()}"

    def _rounded(self, value: float) -> float:
        return round(value, QUANTITY_UNITS[self.quantity][1]) + 0.0  # no "-0.0" for people


@dataclass(slots=True)
class Worksheet:
    """Quantities by name in the order they were worked out, notes for the answer, and the readings not to be
    believed. What only `informs` people, and takes long, is left out where nobody is to read it.
    """

    values: dict[str, DerivedQuantity] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    doubtful: set[str] = field(default_factory=set)
    informs: bool = True

    def put(
        self,
        quantity: str,
        value: float,
        *rests_on: str,
        note: str | None = None,
        weighed: bool = True,
        bound: DetectionLimit | None = None,
    ) -> None:
        """Writes down a quantity."""
        if not math.isfinite(value):
            self.notes.append(f"{quantity} not derived: {' or '.join(rests_on)} cannot be so")
            return
        self.values[quantity] = DerivedQuantity(quantity, value, rests_on, note, bound, weighed)

    def doubt(self, names: Iterable[str], why: str) -> None:
        """Names readings that cannot be so; nothing that rests on any of them is weighed."""
        self.doubtful.update(names)
        self.notes.append(f"{why}; what rests on {' or '.join(names)} is not weighed")


def joined_notes(*notes: str | None) -> str | None:
    """Several remarks as one note."""
    return "; ".join([note for note in notes if note]) or None


def measured(result: float | str | Range) -> tuple[float, DetectionLimit | None]:
    """A result and its bound: `"<5"` is 5 with `<`, a number has none; of a range the lower end."""
    if isinstance(result, Range):
        return result.from_, None
    if isinstance(result, str):
        return float(result[1:]), "<" if result.startswith("<") else ">"
    return result, None
