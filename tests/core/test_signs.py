"""Findings whose outcomes are signs of their own, what is said beside an outcome, and findings no longer
asked."""

import math
from collections.abc import Sequence
from typing import Any

import msgspec
import pytest

from coldcase.core.answer_builder import CaseWithReadings, build_answer
from coldcase.core.case_reader import parse_case
from coldcase.core.checking import flaws
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.next_checks import next_checks
from coldcase.core.rule_table import RuleTable
from coldcase.errors import BadCase
from tests.core.tables import (
    BAR,
    NAMES_BY_ONE_SIGN,
    case_of,
    cause,
    compiled_of,
    finding,
    posterior,
    table,
    weighed_of,
)

RATES = {"water": 1.0, "wear": 1.0, "no_fault_found": 1.0}
SIGNS = ["wet", "blocked", "torn"]
BACKGROUND = [5, 20, 5]
PER_HUNDRED = {"water": [90, 30, 5], "wear": [5, 40, 10], "no_fault_found": [5, 20, 5]}
UNIT = {"compressor_type": "unknown", "motor": "unknown"}


def drier(**members: Any) -> dict[str, Any]:
    row = finding(SIGNS, list(BACKGROUND), kind="several", per_hundred=PER_HUNDRED, title="Drier")
    return row | members


def rules(**members: Any) -> RuleTable:
    return table(RATES, {"drier": drier()}, **members)


def compiled(**members: Any) -> CompiledTable:
    return compiled_of(rules(**members))


def by_hand(seen: list[str], not_seen: list[str]) -> dict[str, float]:
    """Bayes' theorem with independent signs."""

    def likelihood(row: Sequence[float]) -> float:
        shares = dict(zip(SIGNS, row, strict=True))
        return math.prod(
            [shares[sign] / 100 for sign in seen] + [1 - shares[sign] / 100 for sign in not_seen]
        )

    rates = RATES | {"unlisted": 1e-6}
    joint = {code: rate * likelihood(PER_HUNDRED.get(code, BACKGROUND)) for code, rate in rates.items()}
    return {code: share / sum(joint.values()) for code, share in joint.items()}


@pytest.mark.parametrize(
    ("said", "seen", "not_seen"),
    [
        ("wet", ["wet"], []),
        (["wet", "blocked"], ["wet", "blocked"], []),
        ({"seen": ["wet"], "not_seen": ["torn", "blocked"]}, ["wet"], ["torn", "blocked"]),
        ({"not_seen": ["wet"]}, [], ["wet"]),
        ({"outcome": "wet", "known": "measured"}, ["wet"], []),
    ],
)
def test_each_sign_is_weighed_by_itself(said: Any, seen: list[str], not_seen: list[str]) -> None:
    assert posterior(weighed_of(case_of({"drier": said}), compiled())) == pytest.approx(
        by_hand(seen, not_seen), abs=1e-6
    )


def test_a_second_sign_that_is_true_costs_nothing() -> None:
    one = posterior(weighed_of(case_of({"drier": ["wet"]}), compiled()))
    both = posterior(weighed_of(case_of({"drier": ["wet", "blocked"]}), compiled()))
    assert both["water"] > one["water"]


def test_the_answer_names_the_finding_and_the_sign() -> None:
    case = case_of({"drier": {"seen": ["wet"], "not_seen": ["blocked"]}})
    answer = build_answer(CaseWithReadings(case), compiled())
    said = [(w.finding, w.outcome, w.absent) for w in (*answer.rationale, *answer.against)]
    assert sorted(said) == [("drier", "blocked", True), ("drier", "wet", False)]
    assert "Drier: wet." in answer.rationale[0].sentence
    assert any("Drier: not there: blocked." in w.sentence for w in answer.against)


def test_conditions_and_chains_know_the_signs() -> None:
    step = {"step": "Water comes in", "seen_as": {"drier": ["wet", "torn"]}}
    actions = [
        {
            "text": "Dry it",
            "basis": "made for a test",
            "when": {"observed": {"finding": "drier", "in": ["wet"]}},
        },
        {
            "text": "Leave it",
            "basis": "made for a test",
            "when": {"observed": {"not": {"finding": "drier", "in": ["blocked", "torn"]}}},
        },
    ]
    causes = {code: cause() for code in RATES} | {"water": cause(chain=[step], actions=actions)}
    shown = compiled(causes=causes)

    def told(drier: Any) -> tuple[str, list[str], list[str]]:
        answer = build_answer(CaseWithReadings(case_of({"drier": drier})), shown)
        assert answer.cause == "water"
        return answer.chain[0].state, answer.chain[0].by, [action.text for action in answer.actions]

    assert told(["wet"]) == ("seen", ["drier"], ["Dry it"])
    assert told({"seen": ["wet"], "not_seen": ["blocked", "torn"]}) == (
        "seen",
        ["drier"],
        ["Dry it", "Leave it"],
    )


HEARSAY = {"when": {}, "keep": 0.5, "reason": "told, not seen", "efforts": ["look"], "known": ["told"]}


@pytest.mark.parametrize(("known", "kept"), [(None, 1.0), ("seen", 1.0), ("told", 0.5)])
def test_hearsay_weighs_less_than_a_look(known: str | None, kept: float) -> None:
    heard = compiled_of(
        table(RATES, {"drier": drier(effort="look")}, discounts=[HEARSAY], coding=NAMES_BY_ONE_SIGN)
    )
    said = {"seen": ["wet"]} | ({"known": known} if known else {})
    answer = build_answer(CaseWithReadings(case_of({"drier": said})), heard)
    assert [one.kept for one in answer.discounted] == ([] if kept == 1 else [kept])
    assert answer.rationale[0].decibans == pytest.approx(answer.rationale[0].full_decibans * kept, abs=0.06)


def older() -> dict[str, Any]:
    return finding(
        ["fine", "wet"],
        [90, 10],
        per_hundred={"water": [20, 80], "no_fault_found": [90, 10]},
        title="Old drier",
        succeeded_by="drier",
    )


def test_a_finding_no_longer_asked_is_weighed_until_its_successor_is_sent_too() -> None:
    findings = {"old_drier": older(), "drier": drier()}
    both = compiled_of(table(RATES, findings, coding=NAMES_BY_ONE_SIGN))
    alone = build_answer(CaseWithReadings(case_of({"old_drier": "wet"})), both)
    assert [(w.finding, w.counted) for w in alone.rationale] == [("old_drier", True)]
    beside = build_answer(CaseWithReadings(case_of({"old_drier": "wet", "drier": ["wet"]})), both)
    assert {w.finding: w.counted for w in beside.rationale} == {"old_drier": False, "drier": True}


def test_what_is_no_longer_asked_and_what_was_answered_is_no_next_check() -> None:
    both = compiled_of(table(RATES, {"old_drier": older(), "drier": drier()}))

    def asked(observations: dict[str, Any]) -> list[str]:
        return [check.finding for check in next_checks(weighed_of(case_of(observations), both), both)]

    assert asked({}) == ["drier"]
    assert asked({"old_drier": "wet"}) == []
    assert asked({"drier": {"not_seen": ["torn"]}}) == []


def test_a_check_is_asked_once_with_its_signs() -> None:
    shown = compiled()
    (check,) = next_checks(weighed_of(case_of({}), shown), shown)
    assert (check.kind, [asked.code for asked in check.outcomes]) == ("several", SIGNS)


def test_only_what_can_be_done_now_is_asked() -> None:
    shown = compiled()
    weighed = weighed_of(case_of({}), shown)
    assert [check.finding for check in next_checks(weighed, shown, ["open"])] == ["drier"]
    assert next_checks(weighed, shown, ["ask", "look"]) == []


def test_what_makes_no_sense_is_not_asked() -> None:
    earth = finding(["sound", "grounded"], [50, 50], effort="meter", title="Insulation")
    running = finding(
        ["normal", "high"],
        [50, 50],
        per_hundred={"water": [1, 99]},
        effort="meter",
        title="Amperes",
    )
    closed = {
        "when": {"observed": {"finding": "earth", "in": ["grounded"]}},
        "reason": "a grounded motor is not run",
        "findings": ["running"],
    }
    shown = compiled_of(table(RATES, {"earth": earth, "running": running}, closed=[closed]))

    def asked(observations: dict[str, str]) -> list[str]:
        return [check.finding for check in next_checks(weighed_of(case_of(observations), shown), shown)]

    assert asked({"earth": "sound"}) == ["running"]
    assert asked({"earth": "grounded"}) == []


def test_a_sound_machine_is_not_cut_open() -> None:
    good = finding(["sound", "bad"], [50, 50], effort="meter", title="Test run")
    good["outcomes"][0]["shows"] = "sound"
    shown = compiled_of(table(RATES, {"run": good, "drier": drier()}))
    weighed = weighed_of(case_of({"run": "bad"}), shown)
    assert [check.finding for check in next_checks(weighed, shown)] == ["drier"]
    assert next_checks(weighed_of(case_of({"run": "sound"}), shown), shown) == []


WRONG: list[tuple[Any, str, str]] = [
    ({"seen": ["wett"]}, "/seen/0", "has no outcome 'wett'"),
    ({"not_seen": ["wet", "wet"]}, "/not_seen", "named twice"),
    ({"seen": ["wet"], "not_seen": ["wet"]}, "/not_seen", "cannot be seen and not seen"),
    ({}, "", "does not say what was seen"),
    ({"known": "told"}, "", "does not say what was seen"),
    ({"seen": ["wet"], "disputed_by": {"outcome": "dry"}}, "/disputed_by/outcome", "has no outcome 'dry'"),
    ({"sean": ["wet"]}, "/sean", "no member 'sean'"),
    ({"seen": ["wet"], "known": "guessed"}, "/known", "is none of"),
    (["wet", "wet"], "", "named twice"),
    (7, "", "An outcome is a code"),
]


@pytest.mark.parametrize(("said", "place", "detail"), WRONG)
def test_what_is_wrong_with_an_observation_is_named(said: Any, place: str, detail: str) -> None:
    with pytest.raises(BadCase) as refusal:
        parse_case({"unit": UNIT, "observations": {"drier": said}}, compiled())
    (flaw,) = refusal.value.flaws
    assert flaw.pointer == "/observations/drier" + place
    assert detail in flaw.detail


def test_a_flaw_of_shape_hides_no_wrong_word() -> None:
    said = {"seen": ["wett"], "not_seen": ["torn"], "known": "guessed", "sean": ["wet"]}
    with pytest.raises(BadCase) as refusal:
        parse_case({"unit": UNIT, "observations": {"drier": said}}, compiled())
    assert {flaw.pointer.removeprefix("/observations/drier") for flaw in refusal.value.flaws} == {
        "/seen/0",
        "/known",
        "/sean",
    }


def test_a_finding_of_one_outcome_takes_no_signs() -> None:
    shown = compiled_of(table(RATES, {"old_drier": older(), "drier": drier()}))
    with pytest.raises(BadCase) as refusal:
        parse_case({"unit": UNIT, "observations": {"old_drier": {"seen": ["wet"]}}}, shown)
    assert "takes one outcome" in refusal.value.flaws[0].detail


def test_what_somebody_else_says_and_since_when_is_kept_and_not_weighed() -> None:
    said = {
        "seen": ["wet"],
        "since": "after the drier was changed",
        "disputed_by": {"outcome": "torn", "by": "the second fitter", "known": "told"},
    }
    parsed = parse_case({"unit": UNIT, "observations": {"drier": said}}, compiled())
    weighed = weighed_of(parsed.case, compiled())
    assert posterior(weighed) == posterior(weighed_of(case_of({"drier": ["wet"]}), compiled()))


@pytest.mark.parametrize(
    ("change", "place"),
    [
        ({"background": [10, 20]}, "/findings/drier/background"),
        ({"background": [10, 20, 0]}, "/findings/drier/background"),
        ({"per_hundred": {"water": [60, 100, 5]}}, "/findings/drier/per_hundred/water"),
        ({"succeeded_by": "nothing"}, "/findings/drier/succeeded_by"),
        ({"row_basis": {"surge": "why"}}, "/findings/drier/row_basis/surge"),
    ],
)
def test_a_table_s_signs_are_checked(change: dict[str, Any], place: str) -> None:
    flawed = table(RATES, {"drier": drier(**change)})
    assert place in {flaw.pointer for flaw in flaws(flawed)}


def test_a_table_without_such_findings_keeps_its_digest_and_bytes() -> None:
    plain = table(RATES, {"old": older() | {"succeeded_by": None}})
    document = msgspec.to_builtins(plain)["findings"]["old"]
    assert not {"kind", "succeeded_by", "row_basis"} & document.keys()


def two_leads(**members: Any) -> CompiledTable:
    """Water and wear stand close; plates would tell them apart."""
    plates = finding(
        ["clean", "copper"],
        [80, 20],
        per_hundred={"water": [20, 80], "wear": [90, 10]},
        title="Plates",
        question="Are the plates coppered?",
    )
    close = {"water": [60, 30, 5], "wear": [55, 40, 10], "no_fault_found": [5, 20, 5]}
    return compiled_of(table(RATES, {"drier": drier(per_hundred=close), "plates": plates}, **members))


REFUSES = NAMES_BY_ONE_SIGN | {"coded": BAR | {"least_ratio": 9}, "provisional": BAR | {"least_ratio": 9}}


def test_where_no_cause_is_named_the_leads_are_each_with_what_would_decide() -> None:
    answer = build_answer(CaseWithReadings(case_of({"drier": ["wet"]})), two_leads(coding=REFUSES))
    assert answer.cause == "undetermined"
    assert (answer.rationale, answer.against, answer.chain) == ([], [], [])
    assert [lead.cause for lead in answer.leads] == ["water", "wear"]
    first = answer.leads[0]
    assert first.confidence == answer.ranking[0].confidence
    assert [weight.finding for weight in first.support] == ["drier"]
    assert first.decided_by is not None
    assert (first.decided_by.against, first.decided_by.finding) == ("wear", "plates")
    assert first.decided_by.check == "Are the plates coppered?"


def test_a_lead_is_decided_by_what_the_table_says_tells_two_causes_apart() -> None:
    told = cause(contrast=[{"against": "wear", "check": "Have the oil analysed"}])
    causes = {code: cause() for code in RATES} | {"water": told}
    answer = build_answer(
        CaseWithReadings(case_of({"drier": ["wet"]})), two_leads(coding=REFUSES, causes=causes)
    )
    checks = [lead.decided_by.check for lead in answer.leads if lead.decided_by]
    assert checks == ["Have the oil analysed", "Have the oil analysed"]


def test_an_empty_case_has_no_leads_and_a_named_cause_none_either() -> None:
    assert build_answer(CaseWithReadings(case_of({})), two_leads(coding=REFUSES)).leads == []
    assert build_answer(CaseWithReadings(case_of({"drier": ["wet"]})), two_leads()).leads == []


def test_a_pattern_takes_of_a_finding_the_signs_that_it_names() -> None:
    pattern = {
        "title": "Wet and wet",
        "when": {"finding": "drier", "in": ["wet"]},
        "subsumes": ["drier"],
        "background": 5,
        "per_hundred": {"water": 60},
        "basis": "x",
    }
    both = compiled_of(table(RATES, {"drier": drier()}, patterns={"water_there": pattern}))
    weighed = weighed_of(case_of({"drier": ["wet", "blocked"]}), both)
    assert {item.code: item.replaced_by for item in weighed.items if item.source != "pattern"} == {
        "drier.blocked": None,
        "drier.wet": "water_there",
    }
