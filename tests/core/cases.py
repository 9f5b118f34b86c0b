"""Cases that are wrong, and what is told of them."""

from typing import Any

import pytest

from coldcase.core.case_reader import parse_case
from coldcase.core.compiled_table import CompiledTable
from coldcase.errors import BadCase, Flaw
from tests.core.tables import compiled_starter

UNIT = {"compressor_type": "scroll", "motor": "three_phase"}


def flaws(raw: Any, compiled: CompiledTable | None = None) -> dict[str, Flaw]:
    with pytest.raises(BadCase) as refusal:
        parse_case(raw, compiled or compiled_starter())
    found = {flaw.pointer: flaw for flaw in refusal.value.flaws}
    assert len(found) == len(refusal.value.flaws)
    return found


def only_flaw(raw: Any, compiled: CompiledTable | None = None) -> Flaw:
    (flaw,) = flaws(raw, compiled).values()
    return flaw


def observing(**observations: Any) -> dict[str, Any]:
    return {"unit": UNIT, "observations": observations}


MANY = {
    "unit": {"compressor_type": "scrol", "motor": "three_phase", "colour": "red"},
    "job": {"ref": ""},
    "opening": {"method": "grindr", "seen": "parts"},
    "observations": {
        "copper_plating": "havy",
        "oil_clarity": "stays_milky",
        "rust": "present",
        "oil_colour": ["black", "black"],
        "noise": 7,
    },
    "readings": {"run_hours": -1, "altitude_m": 100},
    "oil_results": {"water_mg_kg": None, "iron_mg_kg": "many"},
    "evidence": [{"uri": "a", "finding": "coper_plating"}, {"uri": "a b"}],
    "note": "x",
}


MANY_PLACES = {
    "/unit/compressor_type",
    "/unit/colour",
    "/job/ref",
    "/opening/method",
    "/observations/copper_plating",
    "/observations/rust",
    "/observations/oil_colour",
    "/observations/noise",
    "/readings/run_hours",
    "/oil_results/iron_mg_kg",
    "/evidence/0/finding",
    "/evidence/1/uri",
    "/note",
}
