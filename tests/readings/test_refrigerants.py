import sys
from concurrent.futures import ThreadPoolExecutor

import pytest
from CoolProp.CoolProp import PQ_INPUTS, AbstractState

from coldcase.readings.refrigerants import DESIGNATIONS, compression, fluid, known_designation, library
from coldcase.readings.units import ICE_POINT

PSI = 6894.757
ATM = 101_325


def celsius(fahrenheit):
    return (fahrenheit - 32) / 1.8


# Published saturation points: designation, side, kPa absolute, degC, source.
CHART = "public pressure-temperature chart that states NIST REFPROP as its origin"
SATURATION = [
    ("R-410A", "bubble", 435.03, celsius(0), CHART),
    ("R-410A", "bubble", 920.42, celsius(40), CHART),
    ("R-410A", "bubble", 2297.31, celsius(100), CHART),
    ("R-22", "dew", 574.31, celsius(40), CHART),
    ("R-22", "dew", 1893.96, celsius(120), CHART),
    ("R-134a", "dew", 957.65, celsius(100), CHART),
    ("R-134a", "dew", 146.14, celsius(0), CHART),
    ("R-134a", "dew", 1000.0, 39.41, "Mechanical Engineers' Handbook, volume 4, table 14"),
    ("R-404A", "bubble", 491.57, celsius(20), CHART),
    ("R-404A", "bubble", 1407.88, celsius(85), "public chart without a stated origin"),
    ("R-404A", "dew", 1394.09, celsius(85), "public chart without a stated origin"),
    ("R-32", "dew", 813.9, 0, "public table without a stated origin"),
    ("R-32", "dew", 1475.9, 20, "public table without a stated origin"),
    ("R-32", "dew", 2478.1, 40, "public table without a stated origin"),
    ("R-290", "dew", 244.52, -20, "VDI Heat Atlas, vapour pressure equation"),
    ("R-290", "dew", 474.44, 0, "VDI Heat Atlas, vapour pressure equation"),
    ("R-290", "dew", 836.57, 20, "VDI Heat Atlas, vapour pressure equation"),
    ("R-290", "dew", 1370.09, 40, "VDI Heat Atlas, vapour pressure equation"),
    ("R-744", "dew", 1969.6, -20, "NIST WebBook, table of March 2007"),
    ("R-744", "dew", 2648.7, -10, "NIST WebBook, table of March 2007"),
    ("R-744", "dew", 3485.1, 0, "NIST WebBook, table of March 2007"),
]


@pytest.mark.parametrize(("designation", "side", "kpa", "degc", "source"), SATURATION)
def test_saturation_is_as_published(designation, side, kpa, degc, source):
    curve = getattr(fluid(designation), side)
    assert curve.temperature(kpa * 1e3) - ICE_POINT == pytest.approx(degc, abs=0.15), source


# Normal boiling (bubble) and dew points in degC: ASHRAE 34 as reprinted in data sheets, from memory.
BOILING = {
    "R-404A": (-46.2, -45.5), "R-407A": (-45.2, -38.7), "R-407C": (-43.8, -36.7), "R-407F": (-46.1, -39.7),
    "R-410A": (-51.4, -51.4),
    "R-448A": (-45.9, -39.8), "R-449A": (-46.0, -39.9), "R-450A": (-23.4, -22.8), "R-452A": (-47.0, -43.2),
    "R-452B": (-51.0, -50.3),
    "R-454A": (-48.4, -41.6), "R-454B": (-50.9, -50.0), "R-454C": (-46.0, -37.8), "R-455A": (-51.6, -39.1),
    "R-507A": (-46.7, -46.7),
    "R-513A": (-29.2, -29.1), "R-515B": (-18.9, -18.9), "R-516A": (-29.4, -29.4), "R-471A": (-16.9, -13.8),
}  # fmt: skip


@pytest.mark.parametrize("designation", BOILING)
def test_blends_boil_where_the_standard_says(designation):
    blend = fluid(designation)
    assert blend.bubble.temperature(ATM) - ICE_POINT == pytest.approx(BOILING[designation][0], abs=0.7)
    assert blend.dew.temperature(ATM) - ICE_POINT == pytest.approx(BOILING[designation][1], abs=0.7)


@pytest.mark.parametrize("designation", DESIGNATIONS)
def test_every_designation_has_rising_curves_with_dew_above_bubble(designation):
    one = fluid(designation)
    low = max(one.lowest_pressure, 30e3) * 1.01
    pressures = [low * (one.highest_pressure * 0.98 / low) ** (i / 200) for i in range(201)]
    for side in (one.dew, one.bubble):
        temperatures = [side.temperature(pressure) for pressure in pressures]
        assert temperatures == sorted(set(temperatures))
    # A pseudo-pure equation has its two sides from separate fits that cross by a few hundredths.
    assert all(
        one.dew.temperature(pressure) > one.bubble.temperature(pressure) - 0.05 for pressure in pressures
    )


def test_at_least_thirty_designations_are_known_with_the_current_mildly_flammable_blends():
    assert len(DESIGNATIONS) >= 30
    assert {"R-32", "R-454A", "R-454B", "R-454C", "R-455A", "R-452B", "R-1234yf", "R-1234ze(E)"} <= set(
        DESIGNATIONS
    )


@pytest.mark.parametrize(
    ("designation", "name"),
    [
        ("R-134a", "R134a"),
        ("R-717", "Ammonia"),
        ("R-410A", "R410A"),
        ("R-448A", "R448A.mix"),
        ("R-454B", "R454B.mix"),
        ("R-455A", "R455A.mix"),
    ],
)
def test_the_curve_leaves_the_equation_of_state_by_less_than_a_fiftieth_of_a_kelvin(designation, name):
    state, one = AbstractState("HEOS", name), fluid(designation)
    for i in range(40):
        pressure = 60e3 * (2.2e6 / 60e3) ** (i / 39)
        for quality, curve in ((1, one.dew), (0, one.bubble)):
            state.update(PQ_INPUTS, pressure, quality)
            assert curve.temperature(pressure) == pytest.approx(state.T(), abs=0.02)


def test_dew_and_bubble_of_a_zeotrope_are_not_mixed_up():
    # CoolProp 8.0.0 by PropsSI: R-407C at 500 kPa has dew 2.36 and bubble -3.85 degC.
    zeotrope = fluid("R-407C")
    assert zeotrope.dew.temperature(500e3) - ICE_POINT == pytest.approx(2.36, abs=0.02)
    assert zeotrope.bubble.temperature(500e3) - ICE_POINT == pytest.approx(-3.85, abs=0.02)
    assert zeotrope.saturation(500e3).glide == pytest.approx(6.21, abs=0.03)


# Worked states by CoolProp 8.0.0 through PropsSI: p1 and p2 in kPa, suction gas, isentropic and real end in
# degC, efficiency.
STATES = [
    ("R-410A", 933.2, 2726.1, 15, 71.8, 82.5, 0.70),
    ("R-410A", 572.7, 3431.6, 0, 93.1, 116.6, 0.65),
    ("R-134a", 292.8, 1016.6, 10, 54.0, 65.0, 0.70),
    ("R-22", 584.1, 1729.2, 15, 72.3, 86.2, 0.70),
    ("R-22", 163.9, 1942.7, -10, 113.3, 168.3, 0.60),
    ("R-404A", 202.2, 2044.7, -10, 72.8, 102.4, 0.60),
    ("R-32", 951.4, 2794.8, 15, 85.9, 101.5, 0.70),
    ("R-290", 345.3, 1534.3, 0, 60.8, 78.8, 0.65),
]


@pytest.mark.parametrize("state", STATES)
def test_worked_compressions(state):
    designation, low, high, suction, ideal, end, efficiency = state
    found = compression(fluid(designation), (low * 1e3, suction + ICE_POINT), high * 1e3, end + ICE_POINT)
    assert found is not None
    assert found.isentropic_temperature - ICE_POINT == pytest.approx(ideal, abs=0.15)
    assert found.efficiency == pytest.approx(efficiency, abs=0.005)


def test_the_textbook_compressor():
    # Cengel and Boles, Thermodynamics: An Engineering Approach: R-134a from 0.14 MPa, -10 degC to 0.8 MPa, 50
    # degC: 93.9 per cent.
    found = compression(fluid("R-134a"), (140e3, ICE_POINT - 10), 800e3, ICE_POINT + 50)
    assert found is not None
    assert found.efficiency == pytest.approx(0.939, abs=0.005)


def test_a_state_outside_the_equation_is_not_extrapolated():
    # CoolProp answers 1.1e11 J/kg at a million kelvin without a word.
    gas = fluid("R-134a")
    assert compression(gas, (200e3, 1e6), 1e6, None) is None
    assert compression(gas, (200e3, 283.15), 1e6, 1e6) is None
    assert compression(gas, (200e3, 200.0), 1e6, None) is None, "liquid at the suction"


def test_saturation_ends_at_the_critical_point_and_at_the_triple_point():
    carbon_dioxide = fluid("R-744")
    assert not carbon_dioxide.saturated(7.5e6)
    assert carbon_dioxide.saturated(7.3e6)
    assert not carbon_dioxide.saturated(500e3)
    assert not fluid("R-134a").saturated(300.0)


def test_carbon_dioxide_is_compressed_past_its_critical_point():
    # No published value: between the ideal gas bounds of kappa 1.2 and 1.4 from 3.0 MPa, 5 degC to 9.0 MPa.
    found = compression(fluid("R-744"), (3e6, ICE_POINT + 5), 9e6, ICE_POINT + 110)
    assert found is not None
    assert found.efficiency is not None
    assert 278.15 * 3 ** (0.2 / 1.2) < found.isentropic_temperature < 278.15 * 3 ** (0.4 / 1.4)
    assert 0.5 < found.efficiency < 1


@pytest.mark.parametrize(
    ("text", "designation"),
    [
        ("R410A", "R-410A"),
        ("r-410a", "R-410A"),
        ("R 134A", "R-134a"),
        ("R1234ZE(E)", "R-1234ze(E)"),
        ("R-600A", "R-600a"),
        ("R999", None),
    ],
)
def test_designations_are_read_as_people_write_them(text, designation):
    assert known_designation(text) == designation


def test_the_library_names_its_version():
    assert library().startswith("CoolProp ")


@pytest.fixture
def restless():
    """Threads take turns as often as they can."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    yield
    sys.setswitchinterval(before)


@pytest.mark.parametrize("designation", ["R-134a", "R-744"])
def test_threads_that_share_a_fluid_get_what_one_alone_gets(restless, designation):
    gas = fluid(designation)
    states = [
        ((400e3 + 10e3 * number, 290.0 + number), 1500e3 + 20e3 * number, 360.0 + number)
        for number in range(40)
    ]
    alone = [compression(gas, *state) for state in states]
    assert None not in alone
    with ThreadPoolExecutor(4) as pool:
        for _ in range(5):
            assert list(pool.map(lambda state: compression(gas, *state), states)) == alone
