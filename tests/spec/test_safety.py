"""What people are warned of, and that the warnings of this machine stand before those that always hold."""

import pytest

from coldcase import classifying
from coldcase.core.case_reader import parse_case
from coldcase.core.compiled_table import compile_table
from coldcase.core.rule_table import table_digest
from coldcase.shipped import starter_table


@pytest.fixture(scope="module")
def warn():
    """A function from members of a case to the texts of its cautions."""
    table = starter_table()
    compiled = compile_table(table, version=1, digest=table_digest(table))

    def texts(unit=None, **members) -> list[str]:
        case = {"unit": {"compressor_type": "scroll", "motor": "three_phase", **(unit or {})}, **members}
        return [row.text for row in classifying.answer_case(parse_case(case, compiled), compiled).cautions]

    return texts


@pytest.mark.parametrize("refrigerant", [None, "R-9999", "mystery gas", "R-1O"])
def test_a_refrigerant_that_is_not_known_is_treated_as_flammable_and_poisonous(warn, refrigerant):
    first = warn({"refrigerant": refrigerant} if refrigerant else {})[0]
    assert "treat it as flammable and poisonous" in first


# Groups: ASHRAE 34 (R-123 B1, ammonia B2L, R-32 A2L, R-152a A2, propane A3; from memory).
@pytest.mark.parametrize(
    ("refrigerant", "words"),
    [
        ("R-123", ["exposure limit is low"]),
        (
            "R-717",
            ["exposure limit is low", "10 % of the lower flammable limit", "no water on liquid ammonia"],
        ),
        ("R-32", ["10 % of the lower flammable limit"]),
        ("R-152a", ["no ignition source in the room", "10 % of the lower flammable limit"]),
        ("R-290", ["no ignition source in the room", "10 % of the lower flammable limit"]),
        ("R-744", ["40 000 ppm", "dry ice"]),
    ],
)
def test_the_warnings_fit_the_safety_group(warn, refrigerant, words):
    texts = warn({"refrigerant": refrigerant})
    assert [word for word in words if not any(word in text for text in texts)] == []
    assert not any("not known here" in text for text in texts)


def test_no_text_gives_leave_to_spark_at_a_share_of_the_limit(warn):
    table = starter_table()
    assert not [row.text for row in table.cautions if "quarter" in row.text]


@pytest.mark.parametrize("refrigerant", ["R-404A", "R-22", "R-12", "R-1234yf"])
def test_after_a_burn_with_fluorine_the_acid_may_be_hydrofluoric(warn, refrigerant):
    assert any(
        "calcium gluconate" in text
        for text in warn({"refrigerant": refrigerant}, observations={"acid_kit": "fail"})
    )
    assert not any(
        "calcium gluconate" in text
        for text in warn({"refrigerant": "R-290"}, observations={"acid_kit": "fail"})
    )


@pytest.mark.parametrize("method", ["not_opened", "rolling_cutter", "torch", None])
def test_both_sides_are_proven_empty_before_a_cut(warn, method):
    opening = {} if method is None else {"opening": {"method": method}}
    assert any("0 bar on both sides" in text for text in warn(**opening))


def test_magnets_counterfeit_gas_and_capacitors(warn):
    assert any("pacemakers" in text for text in warn({"motor": "inverter"}))
    assert any("R-40" in text for text in warn(observations={"refrigerant_analysis": "wrong_or_mixed"}))
    assert any("capacitors" in text for text in warn({"motor": "single_phase"}))


def test_what_always_holds_is_one_line_and_stands_last(warn):
    texts = warn({"refrigerant": "R-290"}, observations={"acid_kit": "fail"})
    assert [text.startswith("Always:") for text in texts] == [False] * (len(texts) - 1) + [True]


def test_what_people_read_holds_no_notes_of_the_author():
    table = starter_table()
    texts = [row.text for row in table.cautions] + [
        row.text for cause in table.causes.values() for row in cause.actions
    ]
    assert not [text for text in texts if "from memory" in text or "from a copy" in text]
