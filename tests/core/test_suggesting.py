"""What was meant: by its letters or as the trade says it, never another unit or another meaning."""

import re
from itertools import chain
from pathlib import Path
from typing import get_args

import pytest

from coldcase.core import case, quantities
from coldcase.core.suggesting import MEANT, MEANT_BY, nearest
from tests.core.tables import starter

FINDINGS = list(starter().findings)
OIL = list(case.OilResults.__struct_fields__)
READINGS = list(case.Readings.__struct_fields__)
UNIT = list(case.Unit.__struct_fields__)
PRESSURES = ["kPag", "kPaa", "MPag", "MPaa", "barg", "bara", "psig", "psia", "inHg_vac"]


@pytest.mark.parametrize(
    ("word", "known", "meant"),
    [
        ("water_ppm", OIL, "water_mg_kg"),
        ("iron_ppm", OIL, "iron_mg_kg"),
        ("water_mgl", OIL, "water_mg_l"),
        ("water_mg_k", OIL, None),
        ("iron_ug_kg", OIL, None),
        ("viscosity_100_mm2_s", OIL, "viscosity_100c_mm2_s"),
        ("water_mg_l", [name for name in OIL if name != "water_mg_l"], None),
        ("rated_voltage_kv", UNIT, None),
        ("rated_voltage_a", UNIT, None),
        ("motor_burnout", FINDINGS, "burn_signs"),
        ("reeds", FINDINGS, "valve_signs"),
        ("reeds", ["rods"], None),
        ("coper_plating", FINDINGS, "copper_plating"),
        ("Copper Plating", FINDINGS, "copper_plating"),
        ("oil_color", FINDINGS, "oil_colour"),
        ("suction_superhaet", READINGS, "suction_superheat"),
        ("poe", get_args(case.Lubricant), "POE"),
        ("Poly-olester", get_args(case.Lubricant), None),
        ("3ph", get_args(case.Motor), "three_phase"),
        ("3-phase", get_args(case.Motor), "three_phase"),
        ("C", ["degC", "degF", "K"], "degC"),
        ("°C", ["degC", "degF", "K"], "degC"),
        ("k", ["K", "degF_diff"], "K"),
        ("bar", PRESSURES, None),
        ("psi", PRESSURES, None),
        ("PSIG", PRESSURES, "psig"),
        ("abnormal", ["normal", "low"], None),
        ("wihtin_2_percent", ["within_2_percent", "within_3_percent"], "within_2_percent"),
        ("within_5_percent", ["within_2_percent"], None),
        ("lab", ["teardown", "laboratory"], "laboratory"),
        ("water", list(starter().causes), "moisture"),
        ("", FINDINGS, None),
        ("x" * 60_000, FINDINGS, None),
    ],
)
def test_what_was_meant(word: str, known: list[str], meant: str | None) -> None:
    assert nearest(word, known) == meant


def every_list_of_words() -> list[list[str]]:
    outcomes = [[outcome.code for outcome in finding.outcomes] for finding in starter().findings.values()]
    return [FINDINGS, OIL, READINGS, UNIT, PRESSURES, list(starter().causes), *outcomes]


def test_no_known_word_is_taken_for_another() -> None:
    """Where a word of ours is not known (another list, another table), none that merely looks like it is
    offered."""
    for known in every_list_of_words():
        for word in known:
            assert nearest(word, known) == word
            others = [other for other in known if other != word]
            assert nearest(word, others) in {None, *LOOK_ALIKES.get(word, ())}, word


LOOK_ALIKES = {
    "start_voltage_v": ("shaft_voltage_v",),
    "shaft_voltage": ("shaft_voltage_v",),
    **{
        one: (other,)
        for one, other in (("barg", "bara"), ("bara", "barg"), ("psig", "psia"), ("psia", "psig"))
    },
}
"""Of these both are known wherever one is, so that none is ever offered for the other."""


def test_the_trade_s_words_mean_words_that_there_are() -> None:
    texts = [Path(module.__file__ or "").read_text("utf-8") for module in (case, quantities)]
    literal = re.findall(r'"([A-Za-z_0-9]+)"', " ".join(texts))
    ours = set(chain(*every_list_of_words(), literal)) | {
        "laboratory",
        "teardown",
        "supplier_report",
        "field",
    }
    assert set(MEANT) <= ours
    both = {said for said, meant in MEANT_BY.items() if said in ours and said != meant}
    assert not both - {"valves", "water"}
