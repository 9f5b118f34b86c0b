"""The cases that the benchmarks ask about: without readings and with them, all different."""

import json
import random
from collections.abc import Iterator
from typing import Any

import msgspec

from coldcase.answering import CACHED_BYTES
from coldcase.cli.tables import compiled_from
from coldcase.core.case import Unit
from coldcase.core.conditions import machine_of

DIFFERENT = CACHED_BYTES // 5000
"""An answer has 6 to 9 kB, so that this is more than the service remembers."""

OBSERVED: dict[str, Any] = {
    "job": {"ref": "TH-1184", "closed_at": "2026-03-02T16:40:00Z", "circuit": "creamery/rack-B"},
    "unit": {
        "compressor_type": "scroll",
        "motor": "three_phase",
        "lubricant": "POE",
        "viscosity_grade": 32,
        "rated_voltage_v": 400,
    },
    "opening": {"method": "rolling_cutter", "oil": "measured", "oil_sample": "sealed"},
    "observations": {
        "copper_plating": "heavy",
        "oil_clarity": "stays_milky",
        "oil_colour": ["brown", "black"],
        "metal_in_oil": "flakes",
        "sump_magnet": "loaded",
        "system_solids": "none",
        "winding_burn": "none",
        "shaft_turns": "stuck",
        "filter_drier": "wet",
        "scroll_wraps": "chipped_or_fractured",
    },
}
METERED: dict[str, Any] = {
    "readings": {
        "suction_pressure": {"value": 41, "unit": "psig"},
        "suction_temperature": {"value": 2.0, "unit": "degC"},
        "discharge_pressure": {"value": 215, "unit": "psig"},
        "discharge_temperature": {"value": 78, "unit": "degC"},
        "liquid_pressure": {"value": 212, "unit": "psig"},
        "liquid_temperature": {"value": 29, "unit": "degC"},
        "entering_medium_temperature": {"value": 24, "unit": "degC"},
        "sump_temperature": {"value": 38, "unit": "degC"},
        "line_voltages_v": [401, 396, 399],
        "line_currents_a": [18.2, 18.9, 18.4],
        "insulation": {"resistance_megohm": 12, "winding_temperature": {"value": 25, "unit": "degC"}},
        "starts_per_hour": 5,
        "run_hours": 22000,
    },
    "oil_results": {
        "water_mg_kg": 310,
        "acid_number_mg_koh_g": "<0.05",
        "iron_mg_kg": 140,
        "copper_mg_kg": 60,
        "silicon_mg_kg": "<5",
        "viscosity_40c_mm2_s": 29.4,
        "particle_count_iso4406": "20/18/15",
    },
}


PLAIN, PURE, BLEND = "all different", "readings, pure refrigerant", "readings, blend"


def bodies(kind: str) -> list[bytes]:
    """Bodies of a kind, more than the service remembers answers for."""
    unit = OBSERVED["unit"]
    case = {**OBSERVED, "unit": {**unit, "refrigerant": "R-448A" if kind == BLEND else "R-134a"}}
    return [_body(one) for one in _different(case if kind == PLAIN else {**case, **METERED})]


def one_body() -> bytes:
    """One of them, to be asked again and again."""
    return _body({**OBSERVED, "unit": {**OBSERVED["unit"], "refrigerant": "R-134a"}})


def _body(case: dict[str, Any]) -> bytes:
    return json.dumps(case).encode()


def _different(case: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Cases as large as this one, each with other outcomes (and, where it was metered, another superheat)."""
    chance = random.Random(20261125)
    sheets = compiled_from(None).model_for(machine_of(msgspec.convert(case["unit"], Unit))).findings
    for number in range(DIFFERENT):
        observations = {code: chance.choice(list(sheets[code].rows)) for code in OBSERVED["observations"]}
        changed = {
            **case,
            "observations": {**observations, "oil_colour": chance.sample(list(sheets["oil_colour"].rows), 2)},
        }
        if "readings" in case:
            readings = {
                **case["readings"],
                "suction_temperature": {"value": round(2 + number / 1000, 3), "unit": "degC"},
            }
            changed["readings"] = readings
        yield changed
