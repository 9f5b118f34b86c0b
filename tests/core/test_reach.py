"""What a change of the table does not reach is answered as before, whatever was changed."""

import json
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import cache
from typing import Any

import msgspec
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from coldcase.classifying import add_outcomes, add_readings, case_of
from coldcase.core import checking
from coldcase.core.answer_builder import CaseWithReadings
from coldcase.core.case import Unit
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.conditions import findings_in, machine_of
from coldcase.core.reach import Reach, reach
from coldcase.core.rule_table import RuleTable, canonical_table, from_document
from coldcase.core.short_answers import short_answers
from coldcase.errors import BadCase, BadRuleTable
from coldcase.shipped import starter_table
from tests.core.test_short_answers import known_cases

Change = Callable[[dict[str, Any]], object]


@cache
def document_text() -> bytes:
    return canonical_table(starter_table())


def document() -> dict[str, Any]:
    made: dict[str, Any] = json.loads(document_text())
    return made


def changed(change: Change) -> RuleTable:
    made = document()
    change(made)
    return from_document(made)


@cache
def base() -> RuleTable:
    """The starter table as it stands on record, in the order of its canonical text."""
    return from_document(document())


@cache
def compiled_base() -> CompiledTable:
    return compile_table(base(), version=1, digest="base")


Said = tuple[object, dict[str, tuple[str, ...]], tuple[str, ...]]
"""Code, status, confidence and ranking; the findings that readings yield; the cautions."""


def said(cases: list[dict[str, Any]], compiled: CompiledTable) -> list[Said | None]:
    """What the short answers to cases say; None for those that cannot be read."""
    found: dict[int, Said] = {}
    readable: dict[int, CaseWithReadings] = {}
    for place, case in enumerate(cases):
        with suppress(BadCase):
            readable[place] = add_outcomes(case_of(case, compiled), compiled)
    answers = short_answers(list(readable.values()), compiled)
    for (place, read), one in zip(readable.items(), answers, strict=True):
        derived = {code: outcomes for code, (outcomes, _) in read.derived.items()}
        found[place] = (one.cause, one.status, one.confidence, dict(one.ranking)), derived, one.cautions
    return [found.get(place) for place in range(len(cases))]


@cache
def few_cases() -> list[dict[str, Any]]:
    """Cases on the machines that most of them have, each kind of which takes a model of its own."""
    kinds = [machine_of(msgspec.convert(case["unit"], Unit)) for case in known_cases()]
    common = [kind for kind, _ in Counter(kinds).most_common(3)]
    return [case for case, kind in zip(known_cases(), kinds, strict=True) if kind in common][:60]


@cache
def said_before() -> list[Said | None]:
    return said(few_cases(), compiled_base())


def quantities_of(case: dict[str, Any]) -> set[str]:
    """What the answer to a case shows that was worked out."""
    return {value.quantity for value in add_readings(case_of(case, compiled_base()), compiled_base()).values}


@cache
def their_quantities() -> list[set[str]]:
    return [quantities_of(case) for case in few_cases()]


def touches(found: Reach, case: dict[str, Any], quantities: set[str]) -> bool:
    return found.mentions(case.get("observations", {})) or not found.quantities.isdisjoint(quantities)


def assert_the_rest_is_as_before(found: Reach, table: RuleTable) -> None:
    after = said(few_cases(), compile_table(table, version=2, digest="draft"))
    for case, quantities, now, before in zip(
        few_cases(), their_quantities(), after, said_before(), strict=True
    ):
        if not touches(found, case, quantities):
            assert now == before
        if now is not None and before is not None:
            assert not found.derives_alike or now[1] == before[1]
            assert not found.warns_alike or now[2] == before[2]


def leaves(value: Any, place: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The places of all that may be changed or taken out."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, part in items:
        yield (*place, name)
        yield from leaves(part, (*place, name))


@cache
def places() -> dict[str, list[tuple[Any, ...]]]:
    """The same by the member of the table that they belong to."""
    return {name: [*leaves({name: part})] for name, part in document().items()}


def edit(holder: Any, last: Any, by: float) -> None:
    """Changes a number, keeping the sum of a row of shares, or a text; takes out anything else."""
    value = holder[last]
    if isinstance(value, bool):
        holder[last] = not value
    elif isinstance(value, float | int):
        holder[last] = round(value * by, 2)
        if isinstance(holder, list) and isinstance(holder[last - 1], float | int):
            holder[last - 1] = round(holder[last - 1] + value - holder[last], 2)
    elif isinstance(value, str):
        holder[last] = value + "x"
    else:
        del holder[last]


def sound(made: dict[str, Any]) -> RuleTable | None:
    try:
        return checking.read_table(made)
    except BadRuleTable:
        return None


@st.composite
def edited(draw: st.DrawFn) -> dict[str, Any]:
    """The starter table with something changed or taken out, anywhere."""
    made = document()
    for _ in range(draw(st.integers(1, 2))):
        *way, last = draw(st.sampled_from(places()[draw(st.sampled_from(sorted(places())))]))
        holder: Any = made
        try:
            for step in way:
                holder = holder[step]
            edit(holder, last, draw(st.sampled_from([0.5, 0.9, 1.1, 2])))
        except (KeyError, IndexError):
            continue
    return made


@settings(max_examples=40, deadline=None)
@given(edited())
def test_what_no_change_reaches_is_answered_as_before(made: dict[str, Any]) -> None:
    table = sound(made)
    assume(table is not None)
    assert table is not None
    assert_the_rest_is_as_before(reach(base(), table), table)


@pytest.mark.parametrize("part", range(4))
def test_no_finding_s_shares_speak_in_a_case_that_does_not_mention_it(part: int) -> None:
    """Each case under a table of its own, in which every finding is turned that it does not mention."""
    by_limits = {limit.finding for limit in base().limits}
    for case in known_cases()[part::20]:
        mentioned = {*case.get("observations", {}), *by_limits}

        def turn(made: dict[str, Any], mentioned: set[str] = mentioned) -> None:
            for code in made["findings"].keys() - mentioned:
                row = made["findings"][code]
                row["background"] = row["background"][::-1]
                row["per_hundred"] = {cause: shares[::-1] for cause, shares in row["per_hundred"].items()}

        table = changed(turn)
        found = reach(base(), table)
        assert len(found.findings) > 50
        assert not touches(found, case, quantities_of(case))
        draft = compile_table(table, version=2, digest="draft")
        assert said([case], draft) == said([case], compiled_base())


def test_a_finding_that_no_reading_yields_reaches_the_cases_that_mention_it() -> None:
    found = reach(base(), changed(lambda made: made["findings"]["copper_plating"]["per_hundred"].popitem()))
    assert found == Reach(findings=frozenset({"copper_plating"}))
    assert found.mentions(["oil_clarity", "copper_plating"])
    assert not found.mentions(["oil_clarity"])


def test_how_a_group_fades_reaches_its_findings() -> None:
    code, group = next((code, row.group) for code, row in base().findings.items())
    rho = base().groups[group].rho
    found = reach(base(), changed(lambda made: made["groups"][group].update(rho=1 - rho)))
    assert code in found.findings
    assert found.findings == {code for code, row in base().findings.items() if row.group == group}


def test_a_pattern_reaches_what_it_is_made_of() -> None:
    code, pattern = next(iter(base().patterns.items()))
    found = reach(
        base(), changed(lambda made: made["patterns"][code].update(background=pattern.background / 2))
    )
    assert found.findings == {*pattern.subsumes, *(member for member, _ in findings_in(pattern.when))}


def test_a_limit_reaches_what_its_quantity_is_worked_out_of() -> None:
    def lower(made: dict[str, Any]) -> None:
        made["limits"][0]["bands"][0]["below"] *= 0.99

    found = reach(base(), changed(lower))
    assert found == Reach(
        quantities=frozenset({base().limits[0].quantity}), derives_alike=False, warns_alike=False
    )
    assert not found.mentions(["copper_plating"])


def test_why_a_limit_stands_where_it_does_reaches_nothing() -> None:
    assert reach(base(), changed(lambda made: made["limits"][0].update(basis="Invented."))) == Reach()


def test_a_finding_that_readings_yield_reaches_what_it_comes_of_too() -> None:
    code = base().limits[0].finding
    found = reach(base(), changed(lambda made: made["findings"][code]["per_hundred"].popitem()))
    of_it = {limit.quantity for limit in base().limits if limit.finding == code}
    assert found == Reach(findings=frozenset({code}), quantities=frozenset(of_it))


@pytest.mark.parametrize(
    "change",
    [
        lambda made: made.update(temperature=1.5),
        lambda made: made.update(mistaken=0.2),
        lambda made: made["base_rates"].update(dict.fromkeys(made["base_rates"], 7)),
        lambda made: made["coding"]["coded"].update(least_ratio=99),
        lambda made: made["cautions"][0].update(text="Invented."),
        lambda made: made["discounts"].pop(),
        lambda made: made["links"][0].update(per_hundred=1),
        lambda made: made["causes"][next(iter(made["causes"]))].update(gate={"motors": ["inverter"]}),
    ],
)
def test_what_is_weighed_in_every_case_reaches_everything(change: Change) -> None:
    assert reach(base(), changed(change)).everything


def test_a_caution_changes_what_is_warned_of_and_a_base_rate_does_not() -> None:
    assert not reach(base(), changed(lambda made: made["cautions"].pop())).warns_alike
    rarer = reach(base(), changed(lambda made: made["base_rates"].update(moisture=0.1)))
    assert (rarer.derives_alike, rarer.warns_alike) == (True, True)


def test_words_reach_nothing() -> None:
    def reword(made: dict[str, Any]) -> None:
        for finding in made["findings"].values():
            finding["question"] = "Invented?"
            finding["outcomes"][0]["title"] = "Invented"
        for cause in made["causes"].values():
            cause["title"], cause["actions"], cause["chain"] = "Invented", [], []

    assert reach(base(), changed(reword)) == Reach()
    assert not Reach().mentions(["copper_plating"])


OLD_WORD = {"kind": "finding", "code": "colour_of_the_oil", "renamed_to": "oil_clarity"}


def test_a_word_that_goes_reaches_those_who_say_it() -> None:
    def retire(made: dict[str, Any]) -> None:
        made["retired"] = [*made.get("retired", []), OLD_WORD]

    assert "colour_of_the_oil" in reach(base(), changed(retire)).findings


def test_a_cause_that_goes_reaches_everything() -> None:
    def retire(made: dict[str, Any]) -> None:
        row = {"kind": "cause", "code": "bad_luck", "renamed_to": next(iter(made["causes"]))}
        made["retired"] = [*made.get("retired", []), row]

    assert reach(base(), changed(retire)).everything


def test_a_case_in_old_words_is_reached_by_what_they_became() -> None:
    made = document()
    made["retired"] = [OLD_WORD]
    before = from_document(made)
    made["findings"]["oil_clarity"]["per_hundred"].popitem()
    assert reach(before, from_document(made)).mentions(["colour_of_the_oil"])
