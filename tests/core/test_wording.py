"""The words of an answer: the published scale of strength, and sentences as a technician reads them."""

from typing import Any

import pytest

from coldcase.core.answer_builder import CaseWithReadings, build_answer
from coldcase.core.fixed_point import DECIBAN
from coldcase.core.wording import decibans, per_hundred, strength
from tests.core.tables import case_of, cause, compiled_of, compiled_starter, finding, outcomes_of, table

BANDS = [
    (0.1, "weak support"),
    (9.99, "weak support"),
    (10, "weak support"),
    (10.0000001, "moderate support"),
    (20, "moderate support"),
    (20.0000001, "moderately strong support"),
    (30, "moderately strong support"),
    (30.0000001, "strong support"),
    (40, "strong support"),
    (40.0000001, "very strong support"),
    (60, "very strong support"),
    (60.0000001, "extremely strong support"),
    (400, "extremely strong support"),
]


@pytest.mark.parametrize(("size", "words"), BANDS)
def test_strength_is_the_scale_of_the_forensic_science_providers(size: float, words: str) -> None:
    """Association of Forensic Science Providers, Standards for the formulation of evaluative forensic science
    expert opinion, Science & Justice 49 (2009): ratios above 1 to 10 weak, to 100 moderate, to 1 000
    moderately strong, to 10 000 strong, to 1 000 000 very strong, above that extremely strong; the reciprocal
    for the other side. 10 decibans are a ratio of 10."""
    nanobans = round(size * DECIBAN)
    assert strength(nanobans) == words
    assert strength(-nanobans) == f"{words} against"


def test_a_ratio_of_one_supports_nothing() -> None:
    assert strength(0) == "no support either way"


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.1, "0.1"),
        (0.3, "0.3"),
        (1, "1"),
        (2.5, "2.5"),
        (2.54, "2.5"),
        (9.94, "9.9"),
        (9.96, "10"),
        (43.4, "43"),
        (100, "100"),
    ],
)
def test_shares_are_said_as_people_say_them(share: float, words: str) -> None:
    assert per_hundred(share) == words


def test_decibans_have_one_decimal_and_no_negative_nought() -> None:
    assert [str(decibans(size * DECIBAN // 100)) for size in (1107, -306, -1, 0)] == [
        "11.1",
        "-3.1",
        "0.0",
        "0.0",
    ]


def titled(
    title: str, *outcomes: str, background: list[float], water: list[float], **members: Any
) -> dict[str, Any]:
    return finding(outcomes_of(outcomes), background, per_hundred={"water": water}, **members) | {
        "title": title
    }


METAL = {
    "outcomes": [{"code": "none", "title": "None"}, {"code": "loaded", "title": "Loaded", "tags": ["debris"]}]
}
BOOK = compiled_of(
    table(
        {"water": 90, "wear": 9, "unlisted": 1},
        {
            "plating": titled(
                "Copper plating",
                "none",
                "light",
                "heavy",
                background=[91, 6, 3],
                water=[40, 28, 32],
                group="copper",
            ),
            "lab_copper": titled(
                "Copper by laboratory", "normal", "high", background=[88, 12], water=[60, 40], group="copper"
            ),
            "colour": titled(
                "Oil colour",
                "clear",
                "brown",
                "black",
                background=[55, 30, 15],
                water=[35, 45, 20],
                group="oil",
            ),
            "rust": titled(
                "Rust inside", "none", "present", background=[94, 6], water=[44, 56], group="rust"
            ),
            "magnet": titled(
                "Sump magnet", "none", "loaded", background=[75, 25], water=[60, 40], group="metal"
            )
            | METAL,
            "burn": titled("Winding burn", "none", "spot", background=[83, 17], water=[77, 23], group="burn"),
            "smell": titled(
                "Oil smell", "normal", "burnt", background=[70, 30], water=[64, 36], group="burn"
            ),
        },
        causes={"water": cause("Water in the circuit"), "wear": cause("Old age")},
        groups={
            code: {"rho": 0.5, "says": f"signs of {code}"}
            for code in ("copper", "oil", "rust", "metal", "burn")
        },
        discounts=[
            {
                "when": {"opening": {"method": ["grinder"]}},
                "tags": ["debris"],
                "keep": 0.15,
                "reason": "a grinder throws chips",
            }
        ],
        patterns={
            "burnt_out": {
                "title": "Burnt out",
                "when": {"all": [{"finding": "burn", "in": ["spot"]}, {"finding": "smell", "in": ["burnt"]}]},
                "subsumes": ["burn", "smell"],
                "background": 10,
                "per_hundred": {"water": 13},
                "basis": "made for a test",
            }
        },
    )
)


def sentences(observations: dict[str, Any], **members: Any) -> tuple[list[str], list[str]]:
    answer = build_answer(CaseWithReadings(case_of(observations, **members)), BOOK)
    return [row.sentence for row in answer.rationale], [row.sentence for row in answer.against]


def test_sentences_of_plain_ambiguous_and_contrary_findings() -> None:
    assert sentences({"plating": "heavy", "colour": ["brown", "black"], "rust": "none"}) == (
        [
            (
                "Copper plating: heavy. Of 100 failures from this cause about 32 show it, of 100 "
                "unrelated failures about 3. "
                "Moderate support for 'Water in the circuit'."
            ),
            (
                "Oil colour: brown or black. Of 100 failures from this cause about 65 show it, of 100 "
                "unrelated failures about 45. "
                "Weak support for 'Water in the circuit'."
            ),
        ],
        [
            (
                "Rust inside: none. Of 100 failures from this cause about 44 show it, of 100 "
                "unrelated failures about 94. "
                "Weak support against 'Water in the circuit'."
            )
        ],
    )


def test_sentences_of_spoilt_repeated_and_replaced_evidence() -> None:
    seen = {"plating": "heavy", "lab_copper": "high", "magnet": "loaded", "burn": "spot", "smell": "burnt"}
    assert sentences(seen, opening={"method": "grinder"}) == (
        [
            (
                "Copper plating: heavy. Of 100 failures from this cause about 32 show it, of 100 "
                "unrelated failures about 3. "
                "Moderate support for 'Water in the circuit'."
            ),
            (
                "Copper by laboratory: high. Of 100 failures from this cause about 40 show it, of 100 "
                "unrelated failures about 12. "
                "Weak support for 'Water in the circuit'. Counted less, as a further sign of one "
                "thing: signs of copper."
            ),
            (
                "Burnt out. Of 100 failures from this cause about 13 show it, of 100 unrelated "
                "failures about 10. "
                "Weak support for 'Water in the circuit'."
            ),
            (
                "Sump magnet: loaded. Of 100 failures from this cause about 40 show it, of 100 "
                "unrelated failures about 25. "
                "Weak support for 'Water in the circuit'. Counted at 15%: a grinder throws chips."
            ),
            (
                "Winding burn: spot. Of 100 failures from this cause about 23 show it, of 100 "
                "unrelated failures about 17. "
                "Not counted again: 'Burnt out' already says it."
            ),
            (
                "Oil smell: burnt. Of 100 failures from this cause about 36 show it, of 100 unrelated "
                "failures about 30. "
                "Not counted again: 'Burnt out' already says it."
            ),
        ],
        [],
    )


def test_the_sentence_stands_beside_its_numbers() -> None:
    (row,) = build_answer(
        CaseWithReadings(case_of({"magnet": "loaded"}, opening={"method": "grinder"})), BOOK
    ).rationale
    assert (row.finding, row.outcome, row.source, row.counted) == ("magnet", "loaded", "observation", True)
    assert (row.full_decibans, row.decibans, row.strength) == (2.0, 0.3, "weak support")


def test_what_counts_most_is_said_first_and_what_was_replaced_last() -> None:
    answer = build_answer(
        CaseWithReadings(
            case_of({"winding_burn": "spot", "rotor_rub": "present", "bearing_pattern": "even_all"})
        ),
        compiled_starter(),
    )
    assert [row.counted for row in answer.rationale] == sorted(
        (row.counted for row in answer.rationale), reverse=True
    )
    sizes = [row.decibans for row in answer.rationale if row.counted]
    assert sizes == sorted(sizes, reverse=True)
    assert all(row.decibans == 0 for row in [*answer.rationale, *answer.against] if not row.counted)
