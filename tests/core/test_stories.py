"""Two causes of one failure: one began the other, and the signs are those of both."""

from typing import Any

import numpy as np
import pytest

from coldcase.core.answer_builder import CaseWithReadings, build_answer
from coldcase.core.checking import flaws
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.rule_table import UNLISTED
from coldcase.core.stories import Links
from tests.core.tables import BAR, case_of, compiled_of, finding, posterior, table, weighed_of

CODING = {
    "coded": BAR | {"least_confidence": 0.6, "least_ratio": 3},
    "provisional": BAR | {"least_confidence": 0.4, "least_ratio": 1.5},
    "thin_margin_decibans": 0,
    "strong_decibans": 10,
    "contradiction_ratio": 5,
}
RATES = {"blow": 2.0, "leak": 50.0, "heat": 47.0, "unlisted": 1.0}
LINK = {"cause": "blow", "leads_to": "leak", "per_hundred": 20, "basis": "made for a test"}


def sign(**shares: float) -> dict[str, Any]:
    per_hundred = {cause: [100 - share, share] for cause, share in shares.items()}
    return finding(["no", "yes"], [95, 5], per_hundred=per_hundred)


SIGNS = {
    "dent": sign(blow=90, leak=2, heat=2),
    "bent_pipe": sign(blow=80, leak=3, heat=3),
    "bubbles": sign(leak=95, heat=3),
    "low_charge": sign(leak=90, heat=1, blow=1),
    "hot": sign(leak=60, heat=90, blow=1),
}
BLOW = {"dent": "yes", "bent_pipe": "yes"}
LEAK = {"bubbles": "yes", "low_charge": "yes", "hot": "yes"}


def compiled(*links: dict[str, Any], **members: Any) -> CompiledTable:
    return compiled_of(table(RATES, SIGNS, coding=CODING, links=list(links), **members))


def test_what_began_the_likeliest_cause_is_named_and_the_other_beside_it() -> None:
    case = CaseWithReadings(case_of(BLOW | LEAK))
    assert build_answer(case, compiled()).cause == "leak"
    answer = build_answer(case, compiled(LINK))
    assert (answer.cause, answer.status) == ("blow", "coded")
    assert [(row.cause, row.role) for row in answer.contributing] == [("leak", "following")]
    assert not answer.unexplained


def test_without_signs_of_a_beginning_the_likeliest_cause_stays() -> None:
    for observations in (LEAK, LEAK | {"dent": "no", "bent_pipe": "no"}):
        answer = build_answer(CaseWithReadings(case_of(observations)), compiled(LINK))
        assert (answer.cause, answer.contributing) == ("leak", [])


def test_what_was_looked_for_and_not_there_speaks_against_a_beginning() -> None:
    dented = LEAK | {"dent": "yes"}
    unseen, missing = (
        posterior(weighed_of(case_of(observations), compiled(LINK)))["blow"]
        for observations in (dented, dented | {"bent_pipe": "no"})
    )
    assert missing < unseen / 3


def test_two_causes_of_one_story_are_no_contradiction() -> None:
    rare = RATES | {"blow": 0.12}
    made = compiled_of(table(rare, SIGNS, coding=CODING, links=[LINK | {"per_hundred": 30}]))
    case = case_of(BLOW | LEAK)
    shares = posterior(weighed_of(case, made))
    assert shares["blow"] < shares["leak"] < 1.5 * shares["blow"]  # too close to name one of two rivals
    weighed = weighed_of(case, made)
    assert weighed.for_story == weighed.for_leader  # it began nothing
    answer = build_answer(CaseWithReadings(case), made)
    assert (answer.cause, answer.status) == ("leak", "provisional")
    assert [(row.cause, row.role) for row in answer.contributing] == [("blow", "initiating")]


@pytest.mark.parametrize("links", [[], [LINK], [LINK, LINK | {"cause": "leak", "leads_to": "heat"}]])
def test_links_leave_the_base_rates_as_they_are(links: list[dict[str, Any]]) -> None:
    shares = posterior(weighed_of(case_of(), compiled(*links)))
    assert shares == pytest.approx({code: rate / 100 for code, rate in RATES.items()}, abs=1e-8)


def test_a_link_without_a_share_is_not_weighed() -> None:
    case = case_of(BLOW | LEAK)
    silent = {member: value for member, value in LINK.items() if member != "per_hundred"}
    assert posterior(weighed_of(case, compiled(silent))) == posterior(weighed_of(case, compiled()))


def test_both_causes_are_weighed_as_one_that_shows_the_signs_of_either() -> None:
    """By hand: no sign is clear that either cause shows, and of several outcomes each has its share."""
    odd = finding(
        ["no", "left", "right"], [90, 5, 5], per_hundred={"blow": [10, 60, 30], "leak": [40, 10, 50]}
    )
    made = compiled_of(
        table(RATES, {"odd": odd}, coding=CODING, links=[LINK], mistaken=0, unlisted_explains=0)
    )
    shares = posterior(weighed_of(case_of({"odd": "right"}), made))
    both = 0.9 * (30 + 50) / (60 + 30 + 10 + 50)
    expected = {
        "blow": 2 * 0.8 * 0.30 + 2 * 0.2 * both,
        "leak": 50 * 0.50,
        "heat": 47 * 0.05,
        UNLISTED: 1 * 0.05,
    }
    total = sum(expected.values())
    assert shares == pytest.approx({code: share / total for code, share in expected.items()}, abs=1e-6)


def test_a_cause_that_nobody_knows_is_credited_with_what_neither_of_the_two_shows() -> None:
    credited = []
    for links in ((), (LINK,)):
        weighed = weighed_of(case_of(BLOW | LEAK), compiled(*links, unlisted_explains=1))
        unlisted = weighed.model.causes.index(UNLISTED)
        credited.append(int(weighed.scores[unlisted] - weighed.model.prior[-1]))
    alone, together = credited
    assert 0 <= together < alone / 2


@pytest.mark.parametrize("rule", [{"contradiction_ratio": 0.5}, {"thin_margin_decibans": 15}])
def test_a_story_is_judged_by_the_signs_of_both(rule: dict[str, float]) -> None:
    """By those of the blow alone it would be contradicted, and stand little above an unknown cause."""
    lack = {f"lack_{n}": sign(leak=90, blow=1) for n in range(2)}
    made = compiled_of(table(RATES, SIGNS | lack, coding=CODING | rule, links=[LINK]))
    answer = build_answer(CaseWithReadings(case_of(BLOW | LEAK | dict.fromkeys(lack, "yes"))), made)
    assert (answer.cause, answer.status) == ("blow", "coded")


def test_a_cause_must_also_have_failures_of_its_own() -> None:
    greedy = [LINK | {"per_hundred": 60}, LINK | {"leads_to": "heat", "per_hundred": 40}]
    pointers = [flaw.pointer for flaw in flaws(table(RATES, SIGNS, links=greedy)) if "/links" in flaw.pointer]
    assert pointers == ["/links/1/per_hundred"]


def test_signs_of_what_it_began_do_not_speak_against_a_cause() -> None:
    cured = {"cured": sign(blow=1, leak=60)}
    told = {}
    for links in ((), (LINK,)):
        made = compiled_of(table(RATES | {"leak": 1.0}, SIGNS | cured, coding=CODING, links=list(links)))
        answer = build_answer(CaseWithReadings(case_of(BLOW | {"bubbles": "yes", "cured": "yes"})), made)
        assert answer.cause == "blow"
        told[len(links)] = [row.finding for row in answer.against]
    assert told == {0: ["cured"], 1: []}


def test_the_likeliest_story_is_one_of_the_leaders_and_likelier_than_its_beginning_alone() -> None:
    links = Links.between([0, 0, 1], [1, 2, 2], causes=4)
    alone = [-50, -70, -60, -40]
    assert links.likeliest(np.array([-30, -20, -10, *alone]), 0) == (0, 2, 1)
    assert links.likeliest(np.array([-30, -20, -10, *alone]), 1) == (1, 2, 2)
    assert links.likeliest(np.array([-55, -52, -10, *alone]), 0) is None
    assert links.likeliest(np.array([-30, -20, -10, *alone]), 3) is None
