"""Evidence that counts less: spoilt by how a machine was opened, or superseded by what says more."""

from tests.core.tables import (
    case_of,
    starter,
)
from tests.core.weighed import item, starter_weighed

METAL = {"sump_deposit": "metal_paste", "sump_magnet": "loaded", "metal_in_oil": "fine_grey"}


def test_metal_counts_in_a_shell_parted_with_a_wheel_and_hardly_in_one_cut_with_a_grinder() -> None:
    cut, parted = (
        starter_weighed(case_of(METAL, opening={"method": method}))
        for method in ("grinder", "rolling_cutter")
    )
    for code in METAL:
        assert item(parted, code).keep == 10**6
        assert item(cut, code).keep <= 200_000
        assert item(cut, code).reason
    assert parted.scores.tolist() == starter_weighed(case_of(METAL)).scores.tolist()


def test_a_grinder_cannot_fake_a_clean_magnet() -> None:
    assert (
        item(
            starter_weighed(case_of({"sump_magnet": "clean"}, opening={"method": "grinder"})), "sump_magnet"
        ).keep
        == 10**6
    )


def test_of_several_discounts_the_strongest_alone_counts() -> None:
    weighed = starter_weighed(
        case_of({"oil_quantity": "low"}, opening={"oil": "spilled", "cleaned_before": True})
    )
    assert item(weighed, "oil_quantity").keep == 100_000


def test_a_list_is_spoilt_by_whatever_spoils_one_of_its_outcomes() -> None:
    weighed = starter_weighed(case_of({"sump_magnet": ["clean", "loaded"]}, opening={"method": "grinder"}))
    assert item(weighed, "sump_magnet").keep <= 200_000


def test_a_finding_that_says_more_replaces_those_it_supersedes() -> None:
    weighed = starter_weighed(
        case_of({"winding_burn": "spot", "winding_resistance": "as_plate", "insulation_resistance": "good"})
    )
    assert {one.code for one in weighed.items if one.replaced_by == "winding_burn"} == {
        "winding_resistance",
        "insulation_resistance",
    }


def test_a_clear_outcome_supersedes_nothing() -> None:
    clear = starter().findings["winding_burn"].outcomes[0].code
    weighed = starter_weighed(case_of({"winding_burn": clear, "winding_resistance": "as_plate"}))
    assert item(weighed, "winding_resistance").replaced_by is None
