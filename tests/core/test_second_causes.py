"""What besides the coded cause was at work, and in which order."""

from typing import Any

from coldcase.core.answer_builder import CaseWithReadings, build_answer
from coldcase.core.checking import flaws
from coldcase.core.compiled_table import CompiledTable
from tests.core.tables import case_of, compiled_of, finding, table

BAR = {"least_confidence": 0, "least_ratio": 1, "least_groups": 0}
CODING = {
    "coded": BAR,
    "provisional": BAR,
    "thin_margin_decibans": 0,
    "strong_decibans": 10,
    "contradiction_ratio": 5,
}
RATES = {"starts": 49.0, "oil": 49.0, "air": 1.0, "unlisted": 1.0}
LINK = {"cause": "starts", "leads_to": "oil", "basis": "made for a test"}


def sign(group: str, background: float = 5, **shares: float) -> dict[str, Any]:
    per_hundred = {cause: [100 - share, share] for cause, share in shares.items()}
    return finding(
        ["no", "yes"], [100 - background, background], group=group, per_hundred=per_hundred, effort="look"
    )


SIGNS = {
    "dry": sign("dry", starts=10, oil=95),
    "low_oil": sign("low_oil", starts=6, oil=90),
    "counter": sign("counter", starts=95, oil=8),
    "hot": sign("hot", background=2, air=90),
}


def told(observations: dict[str, str], *links: dict[str, str]) -> list[tuple[str, str, list[str]]]:
    answer = build_answer(CaseWithReadings(case_of(observations)), compiled(*links))
    assert answer.cause == "oil"
    return [(row.cause, row.role, row.explains) for row in answer.contributing]


def compiled(*links: dict[str, str]) -> CompiledTable:
    return compiled_of(table(RATES, SIGNS, coding=CODING, links=list(links)))


BOTH = {"dry": "yes", "low_oil": "yes", "counter": "yes"}


def test_a_linked_cause_counts_what_it_explains_better() -> None:
    """The leader makes the counter a little likelier, so nothing is left unexplained."""
    assert told(BOTH) == []
    assert told(BOTH, LINK) == [("starts", "initiating", ["counter"])]


def test_the_order_is_the_link_s() -> None:
    turned = LINK | {"cause": "oil", "leads_to": "starts"}
    assert told(BOTH, turned) == [("starts", "following", ["counter"])]


def test_without_a_sign_of_its_own_a_linked_cause_is_not_named() -> None:
    assert told({"dry": "yes", "low_oil": "yes"}, LINK) == []
    assert told({"dry": "yes", "low_oil": "yes", "counter": "no"}, LINK) == []


def test_an_unlinked_cause_is_named_for_what_is_left_over() -> None:
    assert told({"dry": "yes", "low_oil": "yes", "hot": "yes"}) == [("air", "beside", ["hot"])]


HOT_TOO = CaseWithReadings(case_of({"dry": "yes", "low_oil": "yes", "hot": "yes"}))


def test_an_unlinked_cause_needs_half_as_much_support_again() -> None:
    mild = {**SIGNS, "hot": sign("hot", background=5, air=90)}
    linked = {"cause": "oil", "leads_to": "air", "basis": "made for a test"}
    told_of = []
    for links in ([], [linked]):
        answer = build_answer(
            HOT_TOO, compiled_of(table(RATES, mild, coding=CODING, mistaken=0, links=links))
        )
        assert answer.cause == "oil"
        told_of.append([(row.cause, row.support_decibans) for row in answer.contributing])
    assert told_of == [[], [("air", 12.6)]]


def test_what_the_leader_began_is_named_with_little_support() -> None:
    weak = {**SIGNS, "hot": sign("hot", background=20, air=60)}
    link = {"cause": "oil", "leads_to": "air", "basis": "made for a test"}
    told_of = []
    for share in (0, 60):
        links = [link | {"per_hundred": share}]
        answer = build_answer(HOT_TOO, compiled_of(table(RATES, weak, coding=CODING, links=links)))
        assert answer.cause == "oil"
        told_of.append([(row.cause, row.role) for row in answer.contributing])
    assert told_of == [[], [("air", "following")]]


def test_a_link_joins_two_causes_of_the_table_once() -> None:
    wrong = [LINK, LINK, LINK | {"leads_to": "starts"}, LINK | {"cause": "nothing"}]
    pointers = [flaw.pointer for flaw in flaws(table(RATES, SIGNS, links=wrong)) if "/links" in flaw.pointer]
    assert pointers == ["/links/1", "/links/2", "/links/3/cause"]
