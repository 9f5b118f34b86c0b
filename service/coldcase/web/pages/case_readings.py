"""Which fields belong under which question: what a meter or the laboratory reads, beside what it shows."""

from collections.abc import Sequence

from coldcase.core.rule_table import Limit

MEASURED_BY = {
    "suction_superheat": ("suction_superheat", "suction_pressure", "suction_temperature"),
    "discharge_superheat": ("discharge_superheat", "discharge_pressure", "discharge_temperature"),
    "discharge_temperature": ("discharge_temperature",),
    "sump_superheat": ("sump_superheat", "sump_temperature", "suction_pressure"),
    "compression_ratio": ("compression_ratio", "suction_pressure", "discharge_pressure"),
    "subcooling": ("subcooling", "liquid_pressure", "liquid_temperature"),
    "standing_pressure_excess": ("standing_pressure_excess", "standing_pressure", "standing_temperature"),
    "condensing_over_entering": (
        "condensing_over_entering",
        "discharge_pressure",
        "entering_medium_temperature",
    ),
    "refrigerant_to_charge": ("recovered_charge", "unit.refrigerant_charge"),
    "oil_to_charge": ("oil_drained", "unit.oil_charge"),
    "voltage_unbalance": ("line_voltages_v",),
    "voltage_to_rating": ("line_voltages_v", "unit.rated_voltage_v"),
    "start_voltage_to_rating": ("start_voltage_v", "unit.rated_voltage_v"),
    "current_unbalance": ("line_currents_a",),
    "current_to_rating": ("line_currents_a", "unit.rated_current_a"),
    "winding_unbalance": ("winding_resistances_ohm",),
    "winding_identity_error": ("winding_resistances_ohm",),
    "winding_to_plate": ("winding_resistances_ohm", "plate_resistance_ohm", "winding_temperature"),
    "insulation_at_40c": ("insulation.resistance_megohm", "insulation.winding_temperature"),
    "insulation_as_measured": ("insulation.resistance_megohm", "insulation.test_voltage_v"),
    "capacitor_to_rating": ("capacitor.kind", "capacitor.rated_uf", "capacitor.measured_uf"),
    "run_capacitor_to_rating": ("capacitor.kind", "capacitor.rated_uf", "capacitor.measured_uf"),
    "shaft_voltage": ("shaft_voltage_v",),
    "oil_over_suction": ("oil_temperature", "suction_pressure"),
    "vibration": ("vibration_mm_s",),
    "frequency_to_rating": ("supply_frequency_hz", "unit.rated_frequency_hz"),
    "control_voltage_to_rating": ("control_voltage_v", "unit.rated_control_voltage_v"),
    "pole_voltage_drop_highest": ("pole_voltage_drop_mv",),
    "pole_voltage_drop_lowest": ("pole_voltage_drop_mv",),
    "pole_voltage_drop_spread": ("pole_voltage_drop_mv",),
    "viscosity_to_grade": ("oil_results.viscosity_40c_mm2_s", "unit.viscosity_grade"),
    "viscosity_to_fresh": ("oil_results.viscosity_40c_mm2_s", "oil_results.fresh_viscosity_40c_mm2_s"),
    "acid_number_rise": (
        "oil_results.acid_number_mg_koh_g",
        "oil_results.fresh_acid_number_mg_koh_g",
    ),
}
"""What is read, by the quantity that a limit judges; a name without a part is a reading's."""


def read_for(limits: Sequence[Limit], finding: str, known: frozenset[str]) -> list[str]:
    """The names of the fields that a finding's question has beside its outcomes, of those `known`."""
    names: dict[str, None] = {}
    for limit in limits:
        if limit.finding == finding:
            members = MEASURED_BY.get(limit.quantity, (limit.quantity, f"oil_results.{limit.quantity}"))
            names |= dict.fromkeys(
                member if _has_part(member) else f"readings.{member}" for member in members
            )
    return [name for name in names if name in known]


def _has_part(member: str) -> bool:
    return member.partition(".")[0] in ("unit", "oil_results")
