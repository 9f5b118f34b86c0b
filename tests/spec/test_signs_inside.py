"""What is seen inside the machine: two true signs cost neither, rows by connection hold, and the holding test
of a machine that bleeds back by design is taken and weighs nothing.
"""

from collections.abc import Mapping
from typing import Any

import pytest

from tests.core.tables import case_of, compiled_starter, starter, weighed_of

THREE_PHASE = {
    "compressor_type": "scroll",
    "motor": "three_phase",
    "refrigerant": "R-410A",
    "lubricant": "POE",
}


def shares(observations: Mapping[str, Any], **unit: str) -> dict[str, int]:
    weighed = weighed_of(case_of(observations, unit={**THREE_PHASE, **unit}), compiled_starter())
    return dict(zip(weighed.model.causes, weighed.confidence, strict=True))


@pytest.mark.parametrize(
    ("connection", "likelier", "other"),
    [("star", "two_groups", "one_group"), ("delta", "one_group", "two_groups")],
)
def test_a_lost_line_burns_two_groups_in_star_and_one_in_delta(
    connection: str, likelier: str, other: str
) -> None:
    seen = shares({"burn_signs": {"seen": [likelier]}}, winding_connection=connection)
    assert max(seen, key=seen.__getitem__) == "single_phasing"
    assert (
        seen["single_phasing"]
        > shares({"burn_signs": {"seen": [other]}}, winding_connection=connection)["single_phasing"]
    )


def test_a_second_true_sign_of_the_same_cause_makes_it_likelier() -> None:
    one = shares({"bearing_surface_signs": {"seen": ["blued_dry"]}})
    both = shares({"bearing_surface_signs": {"seen": ["blued_dry", "scored"]}})
    assert both["oil_loss"] > one["oil_loss"]


def test_a_scroll_that_bleeds_back_says_nothing() -> None:
    assert shares({"valve_hold_test": "leaks_back"}) == shares({})


def test_every_outcome_seen_inside_is_defined() -> None:
    inside = {"suction", "compression", "bearings", "motor"}
    for code, finding in starter().findings.items():
        if finding.station in inside:
            assert all(outcome.definition for outcome in finding.outcomes), code
