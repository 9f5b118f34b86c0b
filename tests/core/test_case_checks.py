"""Labels, times and ranges of a case, and motors that an older table does not tell apart."""

import msgspec
import pytest

from coldcase.core.case_reader import parse_case
from coldcase.core.conditions import machine_of, motor_under
from coldcase.core.rule_table import Gate
from tests.core.cases import UNIT, flaws, only_flaw
from tests.core.tables import compiled_starter, starter


def test_labels_that_are_kept_and_shown_are_trimmed() -> None:
    raw = {
        "unit": {**UNIT, "make": " Tern ", "model": "TH-9", "serial": " 0042"},
        "job": {"site": " Tern Haven ", "note": "two\nlines"},
    }
    case = parse_case(raw, compiled_starter()).case
    assert (case.unit.make, case.unit.model, case.unit.serial) == ("Tern", "TH-9", "0042")
    assert (case.job.site, case.job.note) == ("Tern Haven", "two\nlines")


def test_a_failure_after_the_job_closed_is_a_flaw() -> None:
    job = {"failed_at": "2026-03-02T17:00:00Z", "closed_at": "2026-03-02T16:40:00Z"}
    assert only_flaw({"unit": UNIT, "job": job}).pointer == "/job/failed_at"
    parse_case({"unit": UNIT, "job": job | {"failed_at": "2026-03-02T18:00:00+02:00"}}, compiled_starter())
    assert only_flaw({"unit": UNIT, "job": {"failed_at": "0001-01-01T00:00:00Z"}}).pointer == "/job/failed_at"


@pytest.mark.parametrize(
    ("part", "member", "value", "pointer", "detail"),
    [
        ("readings", "suction_superheat", {"from": 5, "to": 1, "unit": "K"}, "", "'from' 5 is above 'to' 1"),
        ("readings", "suction_superheat", {"from": 5, "unit": "K"}, "", "'from', 'to' and 'unit'"),
        ("readings", "suction_superheat", {"unit": "K"}, "/value", "required"),
        ("readings", "run_hours", {"from": 1, "to": 2, "unit": "V"}, "/unit", "is in h"),
        ("readings", "run_hours", {"from": 2, "to": 1, "unit": "h"}, "", "'from' 2 is above"),
        ("readings", "barometric_pressure", {"from": 90, "to": 99, "unit": "kPaa"}, "", "not taken here"),
        ("readings", "altitude_m", {"from": 90, "to": 99, "unit": "m"}, "", "not taken here"),
        ("unit", "oil_charge", {"from": 1, "to": 2, "unit": "L"}, "", "not taken here"),
        ("oil_results", "water_mg_kg", {"from": 1, "to": 2, "unit": "ratio"}, "", "not taken here"),
    ],
)
def test_a_range_that_is_wrong_or_not_taken_is_refused_by_name(part, member, value, pointer, detail) -> None:
    raw = {"unit": UNIT, part: {member: value}} if part != "unit" else {"unit": {**UNIT, member: value}}
    flaw = only_flaw(raw)
    assert flaw.pointer == f"/{part}/{member}{pointer}"
    assert detail in flaw.detail


@pytest.mark.parametrize(("unit", "meant"), [("bar", "barg or bara"), ("kPa", "kPag or kPaa")])
def test_a_pressure_neither_gauge_nor_absolute_is_told_both_spellings(unit, meant) -> None:
    found = flaws({"unit": UNIT, "readings": {"suction_pressure": {"value": 3, "unit": unit}}})
    assert [flaw.suggestion for flaw in found.values()] == [meant]


def test_a_table_that_does_not_tell_permanent_magnets_apart_counts_them_among_drives() -> None:
    table = starter()
    assert motor_under("permanent_magnet", table) == "permanent_magnet"
    older = msgspec.structs.replace(
        table,
        causes={code: msgspec.structs.replace(cause, gate=Gate()) for code, cause in table.causes.items()},
    )
    assert motor_under("permanent_magnet", older) == "inverter"
    raw = {"unit": {"compressor_type": "scroll", "motor": "permanent_magnet"}}
    case = parse_case(raw, compiled_starter()).case
    assert machine_of(case.unit, older)[0] == "inverter"
    assert machine_of(case.unit, table)[0] == "permanent_magnet"


def test_what_needs_a_drive_can_be_seen_on_a_permanent_magnet_motor() -> None:
    unit = {"compressor_type": "scroll", "motor": "permanent_magnet"}
    observed = {"drive_log_signs": ["overcurrent"], "rotor_state": "magnets_weak"}
    assert parse_case({"unit": unit, "observations": observed}, compiled_starter()).notes == ()
    across = flaws({"unit": unit, "observations": {"lost_phase": "supply_line_or_fuse"}})
    assert list(across) == ["/observations/lost_phase"]
