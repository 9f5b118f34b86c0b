"""Refrigerants as people write them."""

import pytest

from coldcase.core.refrigerant_names import DESIGNATION_BY_NAME, designation_of, is_respelled
from tests.core.tables import compiled_starter, starter

KNOWN = compiled_starter().designations


@pytest.mark.parametrize(
    ("text", "designation"),
    [
        ("R-410A", "R-410A"), ("r410a", "R-410A"), ("R 410 A", "R-410A"), ("410A", "R-410A"), ("R-410",
        "R-410A"), ("HFC-134a", "R-134a"),
        ("R-507", "R-507A"), ("R-1234ze", "R-1234ze(E)"), ("HFO-1234ze(E)", "R-1234ze(E)"), ("R1234ZE E",
        "R-1234ze(E)"),
        ("R-1233zd", "R-1233zd(E)"), ("R404A", "R-404A"), ("R404", "R-404A"), ("R 22", "R-22"), ("22",
        "R-22"),
        ("propane", "R-290"), ("Propane", "R-290"), ("C3H8", "R-290"), ("HC-290", "R-290"), ("isobutane",
        "R-600a"), ("iso-butane", "R-600a"),
        ("NH3", "R-717"), ("ammonia", "R-717"), ("AMMONIA", "R-717"), ("CO2", "R-744"), ("carbon dioxide",
        "R-744"), ("Propylene", "R-1270"),
        (" R-448A ", "R-448A"),
    ],
)  # fmt: skip
def test_read_as(text: str, designation: str) -> None:
    assert designation_of(text, KNOWN) == designation


@pytest.mark.parametrize(
    "text",
    [
        "-2+3",
        "#23",
        "2 3",
        "2-3",
        "R-2-3",
        "R--23",
        "-23",
        "R23!",
        "R-407",
        "R-1234",
        "R-1336mzz",
        "R-999",
        "",
        "R",
        "water",
        "23.0",
        "R-4 10A",
    ],
)
def test_not_guessed_at(text: str) -> None:
    assert designation_of(text, KNOWN) is None


def test_every_designation_is_read_as_itself_in_any_spelling() -> None:
    for designation in starter().refrigerants:
        for text in (
            designation,
            designation.lower(),
            designation.upper(),
            designation.replace("-", ""),
            designation.replace("-", " "),
        ):
            assert designation_of(text, KNOWN) == designation
            assert not is_respelled(text, designation)


def test_every_name_stands_for_a_designation_of_the_starter_table() -> None:
    assert set(DESIGNATION_BY_NAME.values()) <= set(starter().refrigerants)
    assert all(is_respelled(name, designation) for name, designation in DESIGNATION_BY_NAME.items())
