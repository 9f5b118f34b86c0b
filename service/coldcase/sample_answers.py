"""Answers that a rule table gives to invented cases: what its dictionary is trained from. Pure.

The cases are those of the shipped libraries, every second one again with readings, and for every finding of
the table, so that its own words are there whatever they are, some that show each outcome.
"""

import copy
from collections.abc import Iterator
from typing import Any

import msgspec

from coldcase.classifying import add_readings, encode_answer
from coldcase.core import answer_builder
from coldcase.core.case_reader import ParsedCase, parse_case
from coldcase.core.compiled_table import CompiledTable
from coldcase.errors import BadCase
from coldcase.readings.impossible_values import impossible_values
from coldcase.shipped import LIBRARIES, case_library

INVENTED_MEASUREMENTS: dict[str, Any] = {
    "readings": {
        "suction_pressure": {"value": 2.6, "unit": "barg"},
        "suction_temperature": {"value": 4.0, "unit": "degC"},
        "discharge_pressure": {"value": 15.1, "unit": "barg"},
        "discharge_temperature": {"value": 88, "unit": "degC"},
        "liquid_pressure": {"value": 14.8, "unit": "barg"},
        "liquid_temperature": {"value": 31, "unit": "degC"},
        "entering_medium_temperature": {"value": 26, "unit": "degC"},
        "sump_temperature": {"value": 41, "unit": "degC"},
        "insulation": {"resistance_megohm": 9, "winding_temperature": {"value": 22, "unit": "degC"}},
        "starts_per_hour": 6,
        "run_hours": 18000,
    },
    "oil_results": {
        "water_mg_kg": 240,
        "acid_number_mg_koh_g": 0.12,
        "iron_mg_kg": 90,
        "copper_mg_kg": 45,
        "silicon_mg_kg": "<5",
        "viscosity_40c_mm2_s": 28.1,
        "particle_count_iso4406": "21/19/16",
    },
}
THREE_LINES = {"line_voltages_v": [399, 402, 395], "line_currents_a": [17.4, 18.1, 17.7]}
REFRIGERANTS = ("R-134a", "R-448A")
"""One pure and one blend: the properties of each take a while to be had first."""
WARMER = 7
"""Kelvin: temperatures differ from case to case by less, so that what they are judged as differs."""

UNITS: tuple[dict[str, Any], ...] = tuple(
    {"compressor_type": kind, "motor": motor, "lubricant": "POE"}
    for kind in ("scroll", "reciprocating", "rotary", "screw")
    for motor in ("three_phase", "single_phase")
)
FINDINGS_AT_ONCE = 8
MOST_SHOWN = 400
"""Cases of the table's own findings: a table may have any number of them."""


def sample_answers(compiled: CompiledTable) -> list[bytes]:
    """The answers as JSON, always the same and in the same order; none to what the table cannot read."""
    cases = list(_library_cases())
    cases += [_measured(case, place) for place, case in enumerate(cases[::2])]
    cases += _shown_cases(compiled)
    read = [parsed for case in cases if (parsed := _read(case, compiled)) is not None]
    answers = answer_builder.build_answers([add_readings(parsed, compiled) for parsed in read], compiled)
    return [encode_answer(msgspec.structs.replace(answer, recorded=True)) for answer in answers]


def _library_cases() -> Iterator[dict[str, Any]]:
    for name in LIBRARIES:
        for known in case_library(name):
            yield {name: member for name, member in known.case.items() if name not in INVENTED_MEASUREMENTS}


def _measured(case: dict[str, Any], place: int) -> dict[str, Any]:
    """The same case with readings and oil results."""
    made = copy.deepcopy(case) | copy.deepcopy(INVENTED_MEASUREMENTS)
    made["unit"]["refrigerant"] = REFRIGERANTS[place % len(REFRIGERANTS)]
    if made["unit"].get("motor") == "three_phase":
        made["readings"] |= THREE_LINES
    for name in ("suction_temperature", "discharge_temperature"):
        made["readings"][name]["value"] += place % WARMER * (5 if name.startswith("discharge") else 1)
    return made


def _shown_cases(compiled: CompiledTable) -> list[dict[str, Any]]:
    """For so many findings at a time, as many cases as the longest of them has outcomes."""
    findings = list(compiled.table.findings.items())
    made: list[dict[str, Any]] = []
    for start in range(0, len(findings), FINDINGS_AT_ONCE):
        together = findings[start : start + FINDINGS_AT_ONCE]
        for turn in range(max(len(finding.outcomes) for _, finding in together)):
            shown = {code: finding.outcomes[turn % len(finding.outcomes)].code for code, finding in together}
            made.append({"unit": UNITS[len(made) % len(UNITS)], "observations": shown})
    return made[:MOST_SHOWN]


def _read(case: dict[str, Any], compiled: CompiledTable) -> ParsedCase | None:
    """The case without those observations that cannot be; None where nothing is left to be read."""
    for _ in range(2):
        try:
            return parse_case(case, compiled, impossible_values)
        except BadCase as error:
            places = [flaw.pointer.split("/") for flaw in error.flaws]
            wrong = {place[2] for place in places if place[1:2] == ["observations"] and len(place) > 2}
            seen = case.get("observations", {})
            case = {**case, "observations": {code: seen[code] for code in seen if code not in wrong}}
    return None
