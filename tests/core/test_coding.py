"""From a ranking to a verdict: coded, provisional or refused with its reason; what the machine shows, and
what is left over."""

import math
from typing import Any

import msgspec
import pytest

from coldcase.core.answer import Answer
from coldcase.core.answer_builder import KEEP_PARTS, CaseWithReadings, build_answer
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.fixed_point import DECIBAN
from coldcase.core.rule_table import Finding, Group, RuleTable
from tests.core.tables import (
    MACHINES,
    NAMES_BY_ONE_SIGN,
    case_of,
    cause,
    compiled_of,
    finding,
    outcomes_of,
    table,
    weighed_of,
)

DAMAGE, SOUND = {"shows": "damage"}, {"shows": "sound"}
TROUBLE, RUNS_WELL, OUTSIDE = {"shows": "trouble"}, {"shows": "runs_well"}, {"shows": "outside_fault"}
CODING = {
    "coded": {"least_confidence": 0.6, "least_ratio": 3, "least_groups": 2},
    "provisional": {"least_confidence": 0.35, "least_ratio": 1.2, "least_groups": 1},
    "thin_margin_decibans": 10,
    "strong_decibans": 10,
    "contradiction_ratio": 0.5,
}


def sign(
    group: str, *, leak: float = 10, wear: float = 10, background: float = 10, **members: Any
) -> dict[str, Any]:
    """A finding that is `yes` in so many of 100 for each cause."""
    per_hundred = {code: [100 - share, share] for code, share in (("leak", leak), ("wear", wear))}
    return finding(
        outcomes_of(["no", "yes"], **members),
        [100 - background, background],
        per_hundred=per_hundred,
        group=group,
    )


def book(
    *, coding: dict[str, Any] | None = None, leak: dict[str, Any] | None = None, **signs: dict[str, Any]
) -> CompiledTable:
    causes = {"leak": cause("A leak", **(leak or {})), "wear": cause("Old age")}
    rates = {"leak": 45, "wear": 45, "unlisted": 10}
    return compiled_of(table(rates, signs, causes=causes, coding={**CODING, **(coding or {})}))


def answer(rules: CompiledTable, /, **seen: Any) -> Answer:
    opening = seen.pop("opening", {})
    return build_answer(CaseWithReadings(case_of(seen, opening=opening)), rules)


STRONG = book(drip=sign("wet", leak=95, background=5), stain=sign("oil", leak=80, background=8))


def test_two_strong_signs_of_different_effects_code_the_cause() -> None:
    found = answer(STRONG, drip="yes", stain="yes")
    assert (found.cause, found.status, found.title) == ("leak", "coded", "A leak")
    assert (found.notes, found.refused_because) == ([], None)


def test_one_sign_alone_is_provisional_however_strong() -> None:
    found = answer(STRONG, drip="yes")
    assert (found.cause, found.status) == ("leak", "provisional")
    assert found.confidence > 0.6


def test_two_signs_of_one_effect_are_one_group() -> None:
    twins = book(drip=sign("wet", leak=95, background=5), pool=sign("wet", leak=95, background=5))
    assert answer(twins, drip="yes", pool="yes").status == "provisional"


def test_a_single_sign_that_is_not_strong_names_nothing() -> None:
    soft = book(drip=sign("wet", leak=60, wear=20, background=20), coding={"thin_margin_decibans": 5})
    found = answer(soft, drip="yes")
    assert found.ranking[0].confidence > 0.6
    assert (found.cause, found.status) == ("undetermined", "undetermined")


def test_no_evidence_is_thin() -> None:
    found = answer(STRONG)
    assert (found.cause, found.status, found.family, found.system_borne) == (
        "undetermined",
        "undetermined",
        None,
        False,
    )
    assert found.notes == [
        (
            "No cause is named. Thin: the leading cause stands only 6.5 decibans above a cause that the "
            "table does not know."
        ),
    ]
    assert found.actions == [KEEP_PARTS]


def test_a_cause_that_the_table_does_not_know_may_lead_and_is_never_named() -> None:
    rare = book(drip=sign("wet", leak=1, wear=1, background=60))
    found = answer(rare, drip="yes")
    assert found.ranking[0].cause == "unlisted"
    assert found.cause == "undetermined"
    assert found.chain == []
    assert found.confidence == found.ranking[0].confidence


def test_two_causes_with_strong_support_each_contradict() -> None:
    both = book(drip=sign("wet", leak=90, background=5), grind=sign("metal", wear=90, background=5))
    found = answer(both, drip="yes", grind="yes")
    assert found.cause == "undetermined"
    assert found.refused_because == "contradictory"
    assert found.notes == [
        (
            "No cause is named. Contradictory: 'A leak' and 'Old age' stand close together, each with "
            "strong support."
        )
    ]


def test_what_speaks_against_the_leader_may_contradict_it() -> None:
    torn = book(
        drip=sign("wet", leak=90, wear=0.1, background=1), dry=sign("dryness", leak=2, wear=2, background=60)
    )
    found = answer(torn, drip="yes", dry="yes")
    assert found.ranking[0].cause == "leak"
    assert found.status == "undetermined"
    assert "contradictory: what speaks against the leading cause (15 decibans)" in found.notes[0].lower()


def test_causes_close_together_without_strong_support_are_close() -> None:
    alike = book(drip=sign("wet", leak=38, wear=36, background=3), coding={"thin_margin_decibans": 5})
    found = answer(alike, drip="yes")
    assert found.status == "undetermined"
    assert found.notes == [
        (
            "No cause is named. Contradictory: 'A leak' and 'Old age' stand close together, each with "
            "strong support."
        ),
    ]
    weak = book(drip=sign("wet", leak=38, wear=36, background=8), coding={"thin_margin_decibans": 5})
    assert answer(weak, drip="yes").refused_because == "close"
    assert answer(weak, drip="yes").notes == [
        "No cause is named. Close: no cause stands far enough above the next to be named."
    ]


MACHINE = book(
    crack=sign("a", yes=DAMAGE, no=SOUND),
    test=sign("b", no=SOUND),
    growl=sign("c", yes=TROUBLE),
    run=sign("d", yes=RUNS_WELL),
    supply=sign("e", yes=OUTSIDE),
)


@pytest.mark.parametrize(
    ("seen", "shown"),
    [
        ({}, "not_shown"),
        ({"test": "yes"}, "not_shown"),
        ({"test": "no"}, "sound"),
        ({"crack": "no"}, "sound"),
        ({"crack": "yes"}, "damaged"),
        ({"crack": "yes", "test": "no"}, "damaged"),
        ({"crack": ["no", "yes"]}, "not_shown"),
        ({"run": "yes"}, "sound"),
        ({"growl": "yes"}, "damaged"),
        ({"growl": "yes", "test": "no"}, "damaged"),
        ({"growl": "yes", "run": "yes"}, "sound"),
        ({"growl": "yes", "supply": "yes"}, "not_shown"),
        ({"growl": "yes", "supply": "yes", "test": "no"}, "sound"),
        ({"crack": "yes", "run": "yes"}, "damaged"),
    ],
)
def test_what_the_findings_show_of_the_compressor_itself(seen: dict[str, Any], shown: str) -> None:
    assert answer(MACHINE, **seen).machine == shown


HEAT = sign("c", yes={"shows": "damage", "tags": ["heat"]}, leak=60)


@pytest.mark.parametrize(
    ("keep", "shown", "state"), [(0.4, "not_shown", "not_checked"), (0.5, "damaged", "seen")]
)
def test_evidence_that_keeps_less_than_half_shows_nothing_and_no_step(
    keep: float, shown: str, state: str
) -> None:
    spoilt = {
        "when": {"opening": {"method": ["grinder"]}},
        "keep": keep,
        "reason": "sparks",
        "tags": ["heat"],
    }
    chain = [{"step": "It runs hot", "seen_as": {"heat": ["yes"]}}]
    rules = table(
        {"leak": 90, "wear": 5, "unlisted": 5},
        {"heat": HEAT},
        causes={"leak": cause(chain=chain), "wear": cause()},
        discounts=[spoilt],
        coding=NAMES_BY_ONE_SIGN,
    )
    found = answer(compiled_of(rules), heat="yes", opening={"method": "grinder"})
    assert found.machine == shown
    assert [(link.step, link.state) for link in found.chain] == [("It runs hot", state)]
    assert [(row.finding, row.kept, row.reason) for row in found.discounted] == [("heat", keep, "sparks")]


CHAIN = [{"step": "It drips", "seen_as": {"drip": ["yes"], "pool": ["yes"]}}]


@pytest.mark.parametrize(
    ("seen", "state", "by"),
    [
        ({"drip": "yes"}, "seen", ["drip"]),
        ({"drip": "yes", "pool": "yes"}, "seen", ["drip", "pool"]),
        ({"drip": "yes", "pool": "no"}, "seen", ["drip"]),
        ({"grind": "yes"}, "not_checked", []),
        ({"pool": "no"}, "not_checked", []),
        ({"pool": "no", "drip": "no"}, "not_seen", []),
        ({"pool": "no", "drip": ["no", "yes"]}, "not_checked", []),
    ],
)
def test_a_step_is_seen_by_any_of_its_findings_and_not_seen_only_when_all_were_looked_at(
    seen: dict[str, Any], state: str, by: list[str]
) -> None:
    leading = compiled_of(
        table(
            {"leak": 98, "wear": 1, "unlisted": 1},
            {code: sign("wet") for code in ("drip", "pool", "grind")},
            causes={"leak": cause(chain=CHAIN), "wear": cause()},
        )
    )
    assert [(link.state, link.by) for link in answer(leading, **seen).chain] == [(state, by)]


def test_a_step_that_this_machine_cannot_show_is_not_checked() -> None:
    findings = {"drip": sign("wet") | {"gate": {"motors": ["inverter"]}}, "grind": sign("metal")}
    chain = [{"step": "It drips", "seen_as": {"drip": ["yes"]}}]
    rules = table(
        {"leak": 98, "wear": 1, "unlisted": 1}, findings, causes={"leak": cause(chain=chain), "wear": cause()}
    )
    found = build_answer(CaseWithReadings(case_of({"grind": "yes"}, unit=MACHINES[1])), compiled_of(rules))
    assert [link.state for link in found.chain] == ["not_checked"]


def test_where_anything_is_called_strong_no_evidence_still_contradicts_nothing() -> None:
    rules = book(
        drip=sign("wet"),
        coding={"strong_decibans": 0, "thin_margin_decibans": 0, "provisional": CODING["coded"]},
    )
    assert all(note.startswith("No cause is named. Close") for note in answer(rules).notes)


LEFT_OVER = {
    "drip": sign("wet", leak=95, background=5),
    "stain": sign("oil", leak=95, background=5),
    "grind": sign("metal", leak=10, wear=90, background=5),
    "dust": sign("air", leak=5, wear=5, background=10),
}


def test_a_second_cause_with_strong_support_among_what_the_leader_leaves_contributes() -> None:
    grind = sign("metal", leak=1, wear=95, background=1)
    rules = book(**{**LEFT_OVER, "grind": grind, "drop": sign("floor", leak=95, background=5)})
    found = answer(rules, drip="yes", stain="yes", drop="yes", grind="yes", dust="yes")
    assert found.cause == "leak"
    assert [(row.cause, row.support_decibans, row.explains) for row in found.contributing] == [
        ("wear", 16.8, ["grind"])
    ]
    assert found.unexplained == ["dust"]


def test_a_clear_outcome_is_nothing_to_explain() -> None:
    found = answer(book(**LEFT_OVER), drip="yes", stain="yes", grind="no", dust="no")
    assert (found.contributing, found.unexplained) == ([], [])


def test_what_the_leaders_chain_holds_is_explained() -> None:
    chain = [{"step": "Dust settles", "seen_as": {"dust": ["yes"]}}]
    found = answer(book(leak={"chain": chain}, **LEFT_OVER), drip="yes", stain="yes", dust="yes")
    assert found.unexplained == []


def telling(**members: Any) -> RuleTable:
    """Two known causes, each with three sharp signs of its own."""
    signs = {
        f"{owner}_{n}": finding(
            ["no", "yes"], [90, 10], group=f"{owner}_{n}", per_hundred={owner: [5, 95]}, effort="look"
        )
        for owner in ("leak", "wear")
        for n in range(3)
    }
    return table({"leak": 49, "wear": 49, "unlisted": 2}, signs, **members)


LIKE_A_LEAK = {"leak_0": "yes", "leak_1": "yes", "leak_2": "yes", "wear_0": "no", "wear_1": "no"}
HALF_A_LEAK = {"leak_0": "yes", "leak_1": "yes", "leak_2": "no", "wear_0": "yes", "wear_1": "no"}


def test_a_cause_that_is_not_known_explains_what_no_known_cause_usually_shows() -> None:
    """By hand: under `leak` the two signs that do not fit are rarer than usual by 22.3 decibans."""
    plain, open_world = compiled_of(telling()), compiled_of(telling(unlisted_explains=1))
    before, after = _scores(HALF_A_LEAK, plain), _scores(HALF_A_LEAK, open_world)
    usual_sign = 0.95 * math.log10(0.95) + 0.05 * math.log10(0.05)
    usual_other = 0.9 * math.log10(0.9) + 0.1 * math.log10(0.1)
    found = 2 * math.log10(0.95) + math.log10(0.05) + math.log10(0.1) + math.log10(0.9)
    credit = 10 * (3 * usual_sign + 2 * usual_other - found)
    assert after["unlisted"] - before["unlisted"] == pytest.approx(credit, abs=1e-6)
    assert credit > 10
    assert {code: after[code] for code in ("leak", "wear")} == {
        code: before[code] for code in ("leak", "wear")
    }


def test_what_a_known_cause_usually_shows_leaves_the_unknown_one_where_it_was() -> None:
    plain, open_world = compiled_of(telling()), compiled_of(telling(unlisted_explains=1))
    assert _scores(LIKE_A_LEAK, plain) == _scores(LIKE_A_LEAK, open_world)


def test_a_leader_that_what_was_found_is_unlike_is_not_named() -> None:
    rules = {"coding": NAMES_BY_ONE_SIGN | {"thin_margin_decibans": 10, "contradiction_ratio": 5}}
    plain = answer(compiled_of(telling(**rules)), **HALF_A_LEAK)
    assert plain.cause == "leak"
    careful = answer(compiled_of(telling(unlisted_explains=1, **_sure_from(0.99))), **HALF_A_LEAK)
    assert (careful.cause, careful.refused_because) == ("undetermined", "unlike")
    assert "less likely than what the cause in front usually shows" in careful.notes[0]


def test_one_that_stands_far_above_the_unknown_is_provisional_though_unlike() -> None:
    found = answer(compiled_of(telling(unlisted_explains=1, **_sure_from(0.3))), **HALF_A_LEAK)
    assert (found.cause, found.status, found.refused_because) == ("leak", "provisional", None)


def _sure_from(confidence: float) -> dict[str, Any]:
    bar = {"least_confidence": confidence, "least_ratio": 1, "least_groups": 1}
    return {
        "coding": NAMES_BY_ONE_SIGN | {"coded": bar, "thin_margin_decibans": 10, "contradiction_ratio": 5}
    }


def _scores(observations: dict[str, str], compiled: CompiledTable) -> dict[str, float]:
    """Each cause's score in decibans."""
    weighed = weighed_of(case_of(observations), compiled)
    decibans = (score / DECIBAN for score in weighed.scores.tolist())
    return dict(zip(weighed.model.causes, decibans, strict=True))


@pytest.mark.parametrize(("worth", "effort"), [(12, "look"), (30, "ask")])
def test_what_tells_nothing_and_what_is_asked_of_the_place_surprises_nobody(
    worth: float, effort: str
) -> None:
    """Seen rarely with every cause alike, or told about the place: no cause is the less likely for it."""
    odd = finding(
        ["no", "yes"], [90, 10], group="odd", per_hundred={"wear": [100 - worth, worth]}, effort=effort
    )
    rules = telling(unlisted_explains=1)
    with_odd = msgspec.structs.replace(
        rules,
        findings={**rules.findings, "odd": msgspec.convert(odd, Finding)},
        groups={**rules.groups, "odd": Group(rho=0, says="odd")},
    )
    seen = _scores(HALF_A_LEAK | {"odd": "yes"}, compiled_of(with_odd))
    assert seen["unlisted"] == _scores(HALF_A_LEAK, compiled_of(with_odd))["unlisted"]
