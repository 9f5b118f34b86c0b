import math

import pytest

from coldcase.readings.viscosity import at_40c_from, viscosity_index


def note_of(found, words):
    return next((note for note in found.notes if words in note), None)


# Alarms of the starter table for this oil (ester, HFC): water normal below 100 mg/kg; tin below 5, high from
# 20.
@pytest.mark.parametrize(
    ("result", "outcomes"),
    [
        (40, ("normal",)),
        (310, ("high",)),
        ("<5", ("normal",)),
        ("<100", ("normal",)),
        (">2500", ("high",)),
        (">400", ("high",)),
    ],
)
def test_water_and_detection_limits(result, outcomes, derived):
    assert derived(oil={"water_mg_kg": result}).outcomes == {"lab_water": outcomes}


def test_a_detection_limit_over_the_alarm_is_not_looked_at(derived, value_of):
    found = derived(oil={"tin_mg_kg": "<100"})
    assert not found.outcomes
    tin = value_of(found, "tin_mg_kg")
    assert (tin.value, tin.outcome) == ("<100", None)
    assert "not looked at" in tin.note


def test_a_lower_bound_leaves_what_lies_above_it(derived):
    assert derived(oil={"iron_mg_kg": ">30"}).outcomes == {"lab_iron": ("raised", "high")}
    assert not derived(oil={"iron_mg_kg": ">8"}).outcomes, "it may be anything"


def test_limits_go_by_oil_and_refrigerant(derived):
    # DIN 51503-2 as reproduced by a trade college: ester with HFC warns at 200 mg/kg, with R-744 at 150,
    # polyalkylene glycol at 800.
    oil = {"water_mg_kg": 180}
    assert derived(oil=oil).outcomes["lab_water"] == ("raised",)
    assert derived(oil=oil, unit={"refrigerant": "R-744"}).outcomes["lab_water"] == ("high",)
    assert derived(oil=oil, unit={"lubricant": "PAG"}).outcomes["lab_water"] == ("normal",)
    assert derived(oil=oil, unit={"lubricant": "mineral", "refrigerant": "r22"}).outcomes["lab_water"] == (
        "high",
    )


def test_units_are_converted_and_the_conversion_shown(derived, value_of):
    by_volume = derived(oil={"iron_mg_l": 133, "density_kg_l": 0.95})
    iron = value_of(by_volume, "iron_mg_kg")
    assert (iron.value, iron.outcome) == (140, "high")
    assert "133 mg/L / 0.95 kg/L" in iron.note
    percent = value_of(derived(oil={"water_percent": 0.03}), "water_mg_kg")
    assert (percent.value, percent.outcome) == (300, "high")


def test_milligrams_per_litre_need_the_density(derived):
    found = derived(oil={"iron_mg_l": 133})
    assert not found.outcomes
    assert note_of(found, "density_kg_l is not given")


def test_two_figures_for_one_metal_that_disagree_are_named(derived):
    found = derived(oil={"iron_mg_l": 10, "iron_mg_kg": 140, "density_kg_l": 1.0})
    assert found.outcomes == {"lab_iron": ("high",)}
    assert note_of(found, "disagree")


def test_water_zero_is_not_believed(derived):
    # ASTM D6304, scope: 10 to 25 000 mg/kg.
    found = derived(oil={"water_mg_kg": 0})
    assert not found.outcomes
    assert note_of(found, "ASTM D6304")


def test_all_metals_zero_is_the_wrong_bottle(derived):
    found = derived(oil={"iron_mg_kg": 0, "copper_mg_kg": 0, "tin_mg_kg": 0})
    assert not found.outcomes
    assert note_of(found, "wrong bottle")
    assert derived(oil={"iron_mg_kg": "<1", "copper_mg_kg": "<1", "tin_mg_kg": "<1"}).outcomes, (
        "below the detection limit is a result"
    )


def test_a_slipped_decimal_is_not_believed(derived):
    found = derived(oil={"iron_mg_kg": 120_000, "viscosity_40c_mm2_s": 2940})
    assert not found.outcomes
    assert note_of(found, "iron_mg_kg")
    assert note_of(found, "viscosity_to_grade")


def test_the_highest_of_the_bearing_metals_counts(derived):
    found = derived(oil={"tin_mg_kg": 1, "lead_mg_kg": 30, "aluminium_mg_kg": 12})
    assert found.outcomes == {"lab_bearing_metals": ("high",)}
    assert found.sources == {"lab_bearing_metals": "laboratory"}


# New oil keeps 10 per cent to either side of the midpoint [ISO 3448; of grade 7 it is 6.8], used oil about
# 15; beyond 20 it is another.
@pytest.mark.parametrize(
    ("grade", "viscosity", "outcome"),
    [
        (32, 25.5, "low"),
        (32, 28.7, None),
        (32, 28.8, "in_grade"),
        (32, 35.2, "in_grade"),
        (32, 38.5, "high"),
        (7, 8.2, "high"),
        (7, 6.2, "in_grade"),
    ],
)
def test_viscosity_against_the_grade(grade, viscosity, outcome, derived):
    found = derived(oil={"viscosity_40c_mm2_s": viscosity}, unit={"viscosity_grade": grade})
    assert found.outcomes == ({"lab_viscosity": (outcome,)} if outcome else {})


# The worked examples of ASTM D2270 (from memory).
@pytest.mark.parametrize(
    ("at_40", "at_100", "index"), [(73.30, 8.86, 92), (22.83, 5.05, 156), (53.47, 7.80, 111)]
)
def test_the_viscosity_index(at_40, at_100, index, derived, value_of):
    found = derived(oil={"viscosity_40c_mm2_s": at_40, "viscosity_100c_mm2_s": at_100})
    assert value_of(found, "viscosity_index").value == index


def test_an_index_that_is_foreign_to_the_oil_is_named(derived, value_of):
    found = derived(oil={"viscosity_40c_mm2_s": 56.0, "viscosity_100c_mm2_s": 5.9}, unit={"lubricant": "POE"})
    assert "another base oil?" in value_of(found, "viscosity_index").note
    assert viscosity_index(3.0, 1.5) is None


@pytest.mark.parametrize(
    ("at_40", "at_100", "why"),
    [(2.00001, 2, "no oil has"), (5000, 10, "no oil has"), (3.0, 1.5, "it begins at 2 mm2/s")],
)
def test_viscosities_that_give_no_index_are_noted(at_40, at_100, why, derived, value_of):
    found = derived(oil={"viscosity_40c_mm2_s": at_40, "viscosity_100c_mm2_s": at_100})
    assert value_of(found, "viscosity_index") is None
    assert note_of(found, why)


def test_viscosity_without_a_grade_and_of_an_odd_grade(derived, value_of):
    assert note_of(
        derived(oil={"viscosity_40c_mm2_s": 30}, unit={"viscosity_grade": None}),
        "viscosity grade is not stated",
    )
    odd = derived(oil={"viscosity_40c_mm2_s": 56}, unit={"viscosity_grade": 55})
    assert odd.outcomes == {"lab_viscosity": ("in_grade",)}
    assert "no grade of ISO 3448" in value_of(odd, "viscosity_to_grade").note


def test_oil_that_thickens_when_hot_is_not_believed(derived):
    found = derived(oil={"viscosity_40c_mm2_s": 30, "viscosity_100c_mm2_s": 45})
    assert not found.outcomes
    assert note_of(found, "not below that at 40 degC")


def test_the_particle_code_is_judged_by_its_first_number(derived, value_of):
    assert derived(oil={"particle_count_iso4406": "26/24/20"}).outcomes == {"lab_particles": ("high",)}
    short = derived(oil={"particle_count_iso4406": "24/20"})
    assert not short.outcomes
    assert value_of(short, "particle_count_iso4406").value == "-/24/20"


# Water that each family dissolves at 25 degC, from memory: mineral 50 to 100, ester 1500 to 2500 mg/kg.
@pytest.mark.parametrize(
    ("lubricant", "water", "words"),
    [
        ("POE", 310, "not free water"),
        ("PVE", "<500", "not free water"),
        ("mineral", 300, "free water is possible"),
        ("POE", 3000, None),
    ],
)
def test_milky_oil_is_water_only_where_the_oil_cannot_dissolve_it(lubricant, water, words, derived):
    found = derived(
        oil={"water_mg_kg": water}, unit={"lubricant": lubricant}, observations={"oil_clarity": "stays_milky"}
    )
    assert (note_of(found, "milky") is None) if words is None else words in note_of(found, "milky")
    by_sign = derived(
        oil={"water_mg_kg": water}, unit={"lubricant": lubricant}, observations={"oil_body": ["stays_milky"]}
    )
    assert note_of(by_sign, "milky") == note_of(found, "milky")
    assert (
        note_of(derived(oil={"water_mg_kg": water}, observations={"oil_clarity": "clear"}), "milky") is None
    )


def test_viscosity_at_40_degc_from_two_other_temperatures():
    """ASTM D341. A published worksheet lays the line 9.5259 - 3.7449 log T through 32 mm2/s at 40 and 5.4 at
    100 degC (273 K added) and reads 8.5 at 80 degC: back from there it is 32 again, as far as the rounded 8.5
    carries; the line itself gives 8.53.
    """
    assert at_40c_from((373.0, 5.4), (353.0, 8.5)) == pytest.approx(32, rel=0.03)
    line = 10**10 ** (9.5259 - 3.7449 * math.log10(353)) - 0.7
    assert line == pytest.approx(8.53, abs=0.01)
    assert at_40c_from((373.15, 5.4), (353.15, line)) == pytest.approx(32, rel=0.005)


def test_the_equation_of_astm_d341_gives_back_the_points_that_it_was_laid_through():
    for viscosity, hot in ((10.0, 2.63), (320.0, 24.0), (1.5, 0.6)):
        assert at_40c_from((313.15, viscosity), (373.15, hot)) == pytest.approx(viscosity, rel=1e-3)


def test_points_that_give_no_line_of_an_oil():
    assert at_40c_from((373.15, 5.4), (353.15, 5.0)) is None
    assert at_40c_from((373.15, 5.4), (373.15, 8.0)) is None
    assert at_40c_from((373.15, 0.1), (353.15, 8.0)) is None


def test_a_viscosity_at_another_temperature_is_carried_to_40_degc(derived, value_of):
    oil = {"viscosity_mm2_s": 20, "viscosity_temperature": {"value": 50, "unit": "degC"}}
    found = derived(oil=oil | {"viscosity_100c_mm2_s": 5.4})
    assert 28 < value_of(found, "viscosity_40c_mm2_s").value < 30
    assert "ASTM D341" in value_of(found, "viscosity_40c_mm2_s").note
    assert noted(derived(oil=oil), "no slope")
    assert noted(derived(oil={"viscosity_mm2_s": 20}), "viscosity_temperature is not stated")
    at_40 = derived(oil=oil | {"viscosity_temperature": {"value": 104, "unit": "degF"}})
    assert value_of(at_40, "viscosity_40c_mm2_s").value == 20


def test_acid_and_viscosity_are_judged_against_the_fresh_oil(derived, value_of):
    oil = {"acid_number_mg_koh_g": 0.15, "viscosity_40c_mm2_s": 29}
    found = derived(oil=oil | {"fresh_acid_number_mg_koh_g": 0.12, "fresh_viscosity_40c_mm2_s": 40})
    assert found.outcomes == {"lab_acid": ("normal",), "lab_viscosity": ("low",)}
    assert value_of(found, "acid_number_mg_koh_g").outcome is None
    assert value_of(found, "acid_number_rise").value == pytest.approx(0.03)
    assert derived(oil=oil).outcomes["lab_acid"] == ("raised",)
    clean = derived(oil={"acid_number_mg_koh_g": "<0.05", "fresh_acid_number_mg_koh_g": "<0.05"})
    assert clean.outcomes == {"lab_acid": ("normal",)}


def noted(found, words):
    return any(words in note for note in found.notes)
