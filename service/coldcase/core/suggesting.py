"""Which known word was probably meant: by its letters, or as the trade says it; never one of another unit or
meaning.

A suggestion that is wrong is worse than none, for it is taken up without a thought.
"""

import re
from collections.abc import Iterable

MEANT = {
    # units
    "degC": "c celsius deg_c °c",
    "degF": "f fahrenheit deg_f °f",
    "K": "kelvin",
    "L": "litre liter litres liters",
    "kg": "kilo kilos",
    "lb": "lbs pounds",
    "oz": "ounces",
    "floz_us": "fl_oz floz",
    # the machine
    "three_phase": "3ph 3_ph 3phase 3_phase 3~ three",
    "single_phase": "1ph 1_ph 1phase 1_phase 1~ single",
    "inverter": "vfd variable_speed",
    "permanent_magnet": "pm pm_motor ipm pmsm bldc brushless",
    "reciprocating": "recip piston",
    "star": "wye y",
    "air_conditioning": "ac",
    "POE": "polyolester",
    "PVE": "polyvinylether",
    "AB": "alkylbenzene",
    "mineral": "mineral_oil mo",
    # members
    "lubricant": "oil oil_type",
    "water_mg_kg": "moisture_ppm moisture_mg_kg",
    "acid_number_mg_koh_g": "tan acid_number",
    "aluminium_mg_kg": "aluminum_mg_kg aluminum_ppm",
    "aluminium_mg_l": "aluminum_mg_l",
    "viscosity_40c_mm2_s": "viscosity_40c_cst",
    "viscosity_100c_mm2_s": "viscosity_100c_cst",
    "suction_superheat": "superheat",
    "saturated_suction_temperature": "sst",
    "condensing_temperature": "sct saturated_condensing_temperature saturated_discharge_temperature",
    "net_oil_pressure": "oil_pressure_difference oil_differential net_oil",
    "supply_frequency_hz": "frequency_hz",
    "vibration_mm_s": "vibration_velocity",
    "days_in_service": "age_days days_since_fitting",
    "days_idle_before": "days_idle",
    # findings
    "burn_signs": "motor_burnout burnout burnt_winding burn_pattern",
    "burn_place": "burn_location fault_place spot_burn",
    "insulation_signs": "enamel slot_paper winding_insulation",
    "rotor_signs": "rotor stator rotor_bars magnets stator_iron",
    "bearing_spread": "bearing_wear bearing_wear_pattern",
    "bearing_places": "worn_bearings which_bearings",
    "bearing_surface_signs": "bearing_condition journals",
    "oil_side_signs": "oil_pickup oil_pick_up oil_screen oil_filter",
    "shaft_signs": "crankshaft crank",
    "build_signs": "assembly_faults missing_parts wrong_parts",
    "compression_face_signs": "compression_surfaces",
    "valve_signs": "reeds valves valve_plate",
    "rod_signs": "connecting_rods conrods con_rods",
    "piston_signs": "pistons rings piston_rings cylinders bores wrist_pins",
    "scroll_signs": "scrolls scroll_set wraps",
    "scroll_seal_signs": "tip_seals floating_seal",
    "vane_and_roller": "vanes roller vane_spring",
    "screw_signs": "rotors screw_rotors gate_rotor",
    "fracture_signs": "fracture break_surface",
    "attack_signs": "chemical_attack elastomers o_rings",
    "too_much_oil_signs": "oil_overfilled too_much_oil",
    "solids_found": "solids debris debris_found",
    "strainer_signs": "strainer suction_screen",
    "insulation_resistance": "megger",
    "sight_glass": "sightglass",
    "drier_signs": "drier dryer filter_dryer",
    "feed_signs": "txv expansion_valve eev capillary metering_device",
    "complaint_signs": "symptom symptoms customer_report",
    "at_failure": "when_failed failed_during",
    "weather_before": "weather standstill_before",
    "idle_before": "standstill_days",
    "onset": "began_after trouble_began_after",
    "course": "trend",
    "electrical_work_done": "wiring_work rewired",
    "supply_incidents": "storm lightning power_cut blackout brownout",
    "sister_signs": "sisters sister other_compressors",
    "circuit_work_done": "repair_before",
    "refrigerant_work": "topped_up_gas refrigerant_topped_up",
    "oil_work_done": "oil_added oil_change oil_topped_up",
    "oil_level_seen": "oil_level oil_glass oil_sight_glass",
    "oil_foam": "foam foaming",
    "pressure_trip_signs": "hp_trip lp_trip hp_cutout lp_cutout high_pressure_trip low_pressure_trip",
    "motor_trip_signs": "overload_trip thermal_trip breaker_trip rcd_trip",
    "oil_trip_signs": "oil_failure_trip oil_pressure_trip",
    "transport_signs": "transport_damage shipping_damage",
    "control_faults": "control_fault controls sensor_fault transducer_fault",
    "cured_by": "fixed_by cure remedy",
    "custody": "chain_of_custody evidence_quality",
    "under_power": "bench_run bench_test power_test",
    "start_behaviour": "starting_behaviour how_it_started hard_start",
    "contactor_signs": "contactors contacts contact_tips",
    "pole_drop": "pole_voltage_drop contact_resistance contactor_drop",
    "control_voltage": "coil_voltage",
    "supply_kind": "supply_type kind_of_supply",
    "supply_frequency": "frequency mains_frequency",
    "voltage_dips": "dips voltage_dip sags flicker",
    "start_gear_signs": "start_relay ptc potential_relay current_relay",
    "protection_signs": "overload_relay_state overload_setting",
    "bridged_safeties": "jumpered_safeties bypassed_safeties",
    "open_line_signs": "blown_fuse lost_line fuses dead_line",
    "leads_exchanged": "leads_swapped phases_swapped",
    "terminal_signs": "terminal_pins terminal_glass feedthrough plug",
    "drive_log_signs": "drive_faults vfd_log inverter_log drive_alarm",
    "drive_state": "drive_condition vfd_condition",
    "drive_installation": "motor_cable drive_cable output_filter",
    "insulation_history": "megger_before insulation_trend",
    "insulation_place": "where_grounded ground_place earth_fault_place",
    "cycling_signs": "short_cycle_reason",
    "cleanup_cores": "burnout_cores clean_up_cores",
    "drier_drop": "filter_drop",
    "evaporator_signs": "evaporator_state evaporator_iced",
    "accumulator_signs": "accumulator_state",
    "oil_return_signs": "riser suction_riser traps",
    "line_run": "line_length pipe_length pipe_run lineset",
    "leak_signs": "leaks leak_found",
    "gas_analysis_signs": "gas_analysis refrigerant_sample",
    "air_check": "purge_test",
    "condenser_signs": "condenser_state condenser_fan",
    "suction_path_signs": "suction_filter suction_line",
    "capacity_signs": "slide_valve unloader unloaders",
    "pipe_and_mount_signs": "mounts piping pipework",
    "surroundings": "site location environment",
    "liquid_at_rest": "liquid_in_shell",
    "oil_look": "oil_appearance colour_of_oil",
    "oil_body": "oil_thin oil_thick milky_oil oil_gassy",
    "oil_smell_signs": "smell odour odor oil_odour oil_odor",
    "oil_foreign_signs": "foreign_oil mixed_oil",
    "oil_metal_signs": "metal_particles oil_metal",
    "oil_residue_signs": "oil_varnish varnish_in_oil",
    "fresh_oil_signs": "fresh_oil new_oil drum_oil fresh_oil_sample",
    "shell_knocks": "dents shell_damage bent_foot",
    "shell_heat_signs": "burnt_paint heat_marks",
    "outside_signs": "corrosion rust_outside external_corrosion",
    "internal_mount_signs": "springs internal_springs discharge_tube",
    "shell_inside_signs": "inside_shell shell_wall",
    "sump_signs": "sump sump_contents sump_deposits bottom_of_shell",
    "lab_patch": "patch_test filter_patch solids_on_patch membrane_patch",
    "lab_acid_kind": "acid_type kind_of_acid acids_found",
    "lab_particle_shape": "particle_shape ferrography particle_shapes",
    "lab_elements": "foreign_elements chlorine sulfur",
    "lab_infrared": "ftir infrared ir_spectrum",
    "lab_insolubles": "insolubles pentane_insolubles",
    "lab_metals": "wear_metals metals",
    "lab_trend": "oil_trend earlier_reports trend_of_results",
    "noise_signs": "noises sounds",
    "vibration_level": "vibration",
    "vibration_signs": "vibration_survey vibration_spectrum bearing_tones_found",
    "motor_temperature": "winding_temperature_recorded",
    "oil_temperature": "oil_sump_temperature",
    # causes, and by what they were established
    "moisture": "water",
    "liquid_floodback": "floodback",
    "liquid_slugging": "slugging",
    "refrigerant_overcharge": "overcharge",
    "low_charge": "undercharge",
    "laboratory": "lab",
    "teardown": "tear_down",
    "supplier_report": "supplier",
    "field": "site",
}
"""What is meant by what people write, spelled as by `_plain`."""

MEANT_BY = {said: meant for meant, words in MEANT.items() for said in words.split()}
KNOWN_UNITS = {
    *("v", "mv", "kv", "a", "ma", "ohm", "kohm", "megohm", "gohm", "uf", "w", "kw", "hz"),
    *("mg_kg", "ug_kg", "mg_l", "kg_l", "ppm", "ppb", "percent", "pct", "mg_koh_g", "mm2_s", "cst"),
    *("kg", "g", "mg", "lb", "oz", "l", "ml", "m", "ft", "h", "hours", "min"),
    *("k", "c", "f", "degc", "degf", "kpa", "mpa", "bar", "psi"),
}
# By mass, as laboratories mean it.
_PARTS_PER_MILLION = re.compile(r"(water|iron|copper|aluminium|tin|lead|silicon|zinc|chromium)_ppm")


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The likeliest meant of the known words; None if none is close, or several are as close."""
    plain = _plain(word[:64])
    candidates: dict[str, str | None] = {}
    for one in known:
        # Of two words that differ in capitals alone none is meant rather than the other.
        candidates[_plain(one)] = None if _plain(one) in candidates else one
    if plain in candidates:
        return candidates[plain]
    known_words = set(filter(None, candidates.values()))
    for meant in (MEANT_BY.get(plain), _PARTS_PER_MILLION.sub(r"\1_mg_kg", plain)):
        if meant in known_words:
            return meant
    return _closest(plain, [(spelled, one) for spelled, one in candidates.items() if one is not None])


def _closest(plain: str, candidates: list[tuple[str, str]]) -> str | None:
    # The unit says nothing of the word before it: `zinc_mg_kg` is no slip for `tin_mg_kg`.
    letters = len(plain.removesuffix(f"_{_unit(plain)}"))
    most = 0 if letters < 3 else 1 if letters < 10 else 2
    best: tuple[int, str | None] = (most + 1, None)
    for spelled, one in candidates:
        if abs(len(spelled) - len(plain)) > most or not _comparable(plain, spelled):
            continue
        away = _distance(plain, spelled, best[0])
        if away < best[0]:
            best = away, one
        elif away == best[0] <= most:
            best = away, None
    return best[1]


def _comparable(word: str, candidate: str) -> bool:
    """Not of another unit, and with the same figures: 40 for 100 is no slip of the pen."""
    ours, theirs = _unit(word), _unit(candidate)
    return (ours is None or theirs is None or ours == theirs) and re.findall(r"\d+", word) == re.findall(
        r"\d+", candidate
    )


def _unit(word: str) -> str | None:
    parts = word.split("_")
    return next(
        (unit for first in range(1, len(parts)) if (unit := "_".join(parts[first:])) in KNOWN_UNITS), None
    )


def _distance(one: str, other: str, enough: int) -> int:
    """Letters to add, drop, change, or exchange with their neighbour; not counted beyond `enough`."""
    before: list[int] = []
    row = list(range(len(other) + 1))
    for i, letter in enumerate(one, start=1):
        before, row, above = row, [i], before
        for j, against in enumerate(other, start=1):
            cost = min(before[j] + 1, row[j - 1] + 1, before[j - 1] + (letter != against))
            if i > 1 and j > 1 and letter == other[j - 2] and one[i - 2] == against:
                cost = min(cost, above[j - 2] + 1)
            row.append(cost)
        if min(row) > enough:
            return enough + 1
    return row[-1]


def _plain(word: str) -> str:
    return re.sub(r"[\s\-]+", "_", word.strip()).casefold()
