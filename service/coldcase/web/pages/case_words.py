"""The words of the case form: fields, choices, units, parts of the machine. What is not here is said as its
code spells it.
"""

UNIT_WORDS = {
    "kPag": "kPa gauge",
    "kPaa": "kPa absolute",
    "MPag": "MPa gauge",
    "MPaa": "MPa absolute",
    "barg": "bar gauge",
    "bara": "bar absolute",
    "psig": "psi gauge",
    "psia": "psi absolute",
    "inHg_vac": "inHg vacuum",
    "degC": "°C",
    "degF": "°F",
    "degF_diff": "°F difference",
    "floz_us": "fl oz (US)",
}
"""A pressure says gauge or absolute: a manifold shows gauge."""

USUAL_UNITS = ("barg", "degC", "K", "L", "kg", "bar")
"""What stands first where a quantity has it, with all others behind."""

VALUE_WORDS = {
    "unknown": "Not known",
    "three_phase": "Three-phase",
    "single_phase": "Single-phase",
    "inverter": "On a drive, induction motor or not known which",
    "permanent_magnet": "On a drive, permanent magnets",
    "star_delta_start": "Star-delta start",
    "part_winding": "Part winding",
    "semi_hermetic": "Semi-hermetic (bolted)",
    "hermetic": "Hermetic (welded)",
    "mineral": "Mineral",
    "AB": "Alkylbenzene (AB)",
    "not_opened": "Not opened",
    "unbolted": "Unbolted",
    "rolling_cutter": "Rolling cutter, no chips",
    "saw": "Saw",
    "grinder": "Grinder",
    "drained_unmeasured": "Drained, not measured",
    "topped_up_after_failure": "Topped up after the failure",
    "opening.left_open=no": "No",
    "opening.oil_sample=sealed": "Taken and sealed at once",
    "opening.oil_sample=kept": "Kept, not sealed",
    "opening.oil_sample=open": "Open or dirty",
    "opening.seen=parts": "The parts themselves",
    "opening.seen=photos_only": "Photographs only",
    "air": "Air-cooled",
    "water": "Water-cooled",
    "evaporative": "Evaporative",
}
"""Choices, some of one field only."""

LABELS = {
    "unit.ref": "Your name for the machine",
    "unit.compressor_type": "Kind of compressor",
    "unit.hermeticity": "Shell",
    "unit.winding_connection": "Winding connection",
    "unit.viscosity_grade": "Oil grade (ISO VG)",
    "unit.oil_charge": "Oil charge on the plate",
    "unit.refrigerant_charge": "Refrigerant charge on the plate",
    "unit.rated_voltage_v": "Rated voltage, V",
    "unit.rated_current_a": "Rated current, A",
    "unit.rated_frequency_hz": "Rated frequency, Hz",
    "unit.rated_control_voltage_v": "Coil rating of the contactor, V",
    "unit.compressors_on_circuit": "Compressors on the circuit",
    "unit.installed_at": "Installed on",
    "job.ref": "Job or work order",
    "job.closed_at": "Job closed (UTC)",
    "job.failed_at": "Machine failed (UTC)",
    "opening.method": "How the shell was opened",
    "opening.oil": "The oil",
    "opening.left_open": "Left open before it was looked at",
    "opening.cleaned_before": "Cleaned before it was looked at",
    "opening.oil_sample": "Oil sample",
    "opening.oil_changed_before_sample": "Oil changed before the sample",
    "opening.drier_changed_before_sample": "Drier changed before the sample",
    "opening.seen": "What was looked at",
    "opening.high_voltage_test_in_vacuum": "Insulation or high-voltage test under vacuum",
    "readings.altitude_m": "Altitude, m",
    "readings.line_voltages_v": "Line voltages under load, V",
    "readings.line_currents_a": "Line currents under load, A",
    "readings.start_voltage_v": "Lowest voltage at start, V",
    "readings.winding_resistances_ohm": "Winding resistances, ohm",
    "readings.plate_resistance_ohm": "Resistance by the data sheet, ohm",
    "readings.winding_temperature": "Winding temperature",
    "readings.insulation.resistance_megohm": "Insulation resistance, megohm",
    "readings.insulation.winding_temperature": "Winding temperature at the insulation test",
    "readings.insulation.test_voltage_v": "Test voltage, V",
    "readings.insulation.one_minute_megohm": "Insulation after one minute, megohm",
    "readings.insulation.ten_minute_megohm": "Insulation after ten minutes, megohm",
    "readings.insulation.phase_to_phase_megohm": "Insulation phase to phase, megohm",
    "readings.capacitor.kind": "Capacitor",
    "readings.capacitor.rated_uf": "Capacitor: on the case, µF",
    "readings.capacitor.measured_uf": "Capacitor: measured, µF",
    "readings.shaft_voltage_v": "Shaft voltage, peak, V",
    "readings.starts_per_hour": "Starts an hour, highest",
    "readings.run_hours": "Hours run",
    "readings.starts_in_night": "Starts in a night",
    "readings.days_in_service": "Days in service",
    "readings.days_idle_before": "Days idle before the last start",
    "readings.net_oil_pressure": "Net oil pressure",
    "readings.pole_voltage_drop_mv": "Drop over the contactor's poles, mV",
    "readings.contact_resistance_mohm": "Resistance of the contactor's poles, milliohm",
    "readings.supply_frequency_hz": "Supply frequency, Hz",
    "readings.control_voltage_v": "Voltage at the contactor's coil, lowest, V",
    "readings.drier_pressure_drop": "Pressure drop over the drier",
    "readings.drier_temperature_drop": "Temperature drop over the drier",
    "readings.suction_filter_pressure_drop": "Pressure drop over the suction filter",
    "readings.vibration_mm_s": "Vibration, mm/s",
    "readings.entering_medium_temperature": "Air or water into the condenser",
    "readings.oil_drained": "Oil drained",
    "readings.recovered_charge": "Refrigerant recovered",
    "readings.compression_ratio": "Compression ratio",
    "readings.isentropic_efficiency": "Isentropic efficiency",
    "readings.voltage_unbalance": "Voltage unbalance, per cent",
    "readings.current_unbalance": "Current unbalance, per cent",
    "readings.voltage_to_rating": "Voltage over rating (1 = as rated)",
    "readings.current_to_rating": "Current over rating (1 = as rated)",
    "readings.start_voltage_to_rating": "Start voltage over rating (1 = as rated)",
    "readings.winding_unbalance": "Winding unbalance, per cent",
    "readings.winding_identity_error": "Single phase: error of the sum, per cent",
    "readings.insulation_at_40c": "Insulation corrected to 40 °C, megohm",
    "readings.capacitor_to_rating": "Capacitance over rating (1 = as rated)",
    "readings.shaft_voltage": "Shaft voltage, worked out, V",
    "readings.oil_to_charge": "Oil drained over charge (1 = all of it)",
    "readings.refrigerant_to_charge": "Refrigerant recovered over charge (1 = all of it)",
    "oil_results.water_mg_kg": "Water, mg/kg (ppm)",
    "oil_results.acid_number_mg_koh_g": "Acid number, mg KOH/g",
    "oil_results.fresh_acid_number_mg_koh_g": "Acid number of the fresh oil, mg KOH/g",
    "oil_results.water_percent": "Water, per cent",
    "oil_results.viscosity_40c_mm2_s": "Viscosity at 40 °C, mm²/s (cSt)",
    "oil_results.viscosity_100c_mm2_s": "Viscosity at 100 °C, mm²/s (cSt)",
    "oil_results.viscosity_mm2_s": "Viscosity at another temperature, mm²/s (cSt)",
    "oil_results.viscosity_temperature": "That temperature",
    "oil_results.fresh_viscosity_40c_mm2_s": "Viscosity of the fresh oil at 40 °C, mm²/s (cSt)",
    "oil_results.particle_count_iso4406": "Particle count, ISO 4406",
    "oil_results.refrigerant_in_oil_percent": "Refrigerant in the oil, per cent",
    "oil_results.foreign_oil_percent": "Foreign oil, per cent",
    "oil_results.density_kg_l": "Density of the oil, kg/L",
    "oil_results.sampled_at": "Sample taken (UTC)",
    **{
        f"oil_results.{metal}_mg_{per}": f"{metal.capitalize()}, mg/{unit}"
        for metal in ("iron", "copper", "aluminium", "tin", "lead", "silicon", "zinc", "chromium")
        for per, unit in (("kg", "kg (ppm)"), ("l", "L"))
    },
    "oil_results.water_mg_l": "Water, mg/L",
}

HINTS = {
    "unit.refrigerant": "As on the plate: R-448A, R290, ammonia",
    "readings.line_voltages_v": "Three values, a blank between them",
    "readings.line_currents_a": "Three values, a blank between them",
    "readings.winding_resistances_ohm": (
        "Three values, a blank between them; single phase: common to start, common to run, start to run"
    ),
    "readings.pole_voltage_drop_mv": "Three values, a blank between them",
    "readings.contact_resistance_mohm": "Three values, a blank between them",
    "readings.insulation.resistance_megohm": "A number, or a bound: >1000",
    "oil_results.water_mg_kg": "As reported; <5 where it was below the limit",
    "oil_results.particle_count_iso4406": "As reported: 20/18/15",
    "job.closed_at": "Empty: now",
}

STATION_WORDS = {
    "history": "What came before",
    "supply": "Power, protection, wiring",
    "system": "The rest of the circuit",
    "operating": "How it ran, readings",
    "oil": "Oil",
    "shell": "Shell, piping, outside",
    "suction": "Suction side",
    "compression": "Compression: pistons, scrolls, rotors, valves",
    "bearings": "Bearings and shaft",
    "sump": "Sump",
    "motor": "Motor",
    "lab": "Oil laboratory",
}

EFFORTS = (
    ("ask", "Ask", "the people there, the papers, the log"),
    ("look", "Look", "from outside, nothing opened"),
    ("meter", "Meter", "gauges, clamp, insulation tester"),
    ("open", "Open", "the compressor is open, or will be"),
    ("lab", "Laboratory", "an oil report is there, or will be"),
)

KNOWN_WORDS = (
    ("", "I saw it"),
    ("measured", "Measured"),
    ("told", "Somebody told me"),
    ("assumed", "I take it to be so"),
)

BEFORE_WORDS = {
    "opening": "before opening",
    "scrapping": "before scrapping",
    "restart": "before restart",
}

PART_WORDS = {
    "unit": "More about the machine",
    "job": "The job",
    "opening": "Opening and handling",
    "readings": "Other readings",
    "oil_results": "Laboratory report: all figures",
}

REFUSED_WORDS = {
    "thin": "Too little was found that speaks for any one cause.",
    "unlike": "What was found is not what the cause in front usually shows.",
    "contradictory": "What was found contradicts itself: much speaks for several causes.",
    "close": "Two causes stand too close together.",
    "lost": "Too much of the evidence was lost in opening or handling.",
}
