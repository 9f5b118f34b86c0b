"""What the trade calls a cause in a word or two (common practice). Pages show it above the title of the rule
table, which says the same plainly; answers and the record have the title alone.
"""

from coldcase.core.compiled_table import CompiledTable
from coldcase.core.titles import cause_title

TRADE_NAMES = {
    "moisture": "Moisture",
    "acid_carryover": "Acid after a burnout",
    "solid_debris": "Debris",
    "non_condensables": "Non-condensables",
    "wrong_refrigerant": "Wrong refrigerant",
    "liquid_floodback": "Floodback",
    "flooded_start": "Flooded start",
    "liquid_slugging": "Slugging",
    "refrigerant_overcharge": "Overcharge",
    "wrong_oil": "Wrong oil",
    "oil_overfill": "Oil overfill",
    "oil_loss": "Oil loss",
    "oil_supply_blocked": "Oil starvation",
    "manufacturing_defect": "Factory defect",
    "handling_damage": "Transit damage",
    "vibration_at_rest": "False brinelling",
    "wear_out": "Wear-out",
    "no_fault_found": "No fault found",
    "short_cycling": "Short cycling",
    "reverse_rotation": "Reverse rotation",
    "shut_valve_or_vacuum": "Shut valve or vacuum run",
    "reverse_spin_at_stop": "Back-spin at stop",
    "damage_from_outside": "Outside damage",
    "single_phasing": "Single phasing",
    "voltage_unbalance": "Voltage unbalance",
    "supply_voltage_or_overload": "Bad supply voltage or overload",
    "start_gear_fault": "Start gear fault",
    "part_winding_fault": "Part-winding start fault",
    "drive_fault": "Drive fault",
    "drive_bearing_currents": "Bearing currents",
    "drive_voltage_stress": "Drive voltage stress",
    "terminal_or_lead_fault": "Terminal or lead fault",
    "high_compression_ratio": "High compression ratio",
    "low_charge": "Low charge",
    "poor_motor_cooling": "Poor motor cooling",
}


def trade_name(code: str, compiled: CompiledTable) -> str:
    """The trade's word for a cause, or its title where that is the word."""
    return TRADE_NAMES.get(code) or cause_title(code, compiled)
