"""What must hold of every weighing, whatever the numbers of the table."""

import math
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldcase.core.answer_builder import CaseWithReadings, build_answer, build_answers
from coldcase.core.case import Case
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.conditions import findings_in, machine_of, passes_gate
from coldcase.core.rule_table import NO_FAULT, UNLISTED
from coldcase.core.signs import engine_observations, taken_apart
from coldcase.core.weighing import WeighedFinding
from tests.core.tables import (
    MACHINES,
    case_of,
    cases,
    compiled_of,
    compiled_starter,
    finding,
    modest,
    posterior,
    starter,
    table,
    weighed_of,
)
from tests.core.weighed import confidence, counted, starter_weighed
from tests.reference_score import score

encode = msgspec.json.encode


def adding(case: Case, **observations: Any) -> Case:
    return msgspec.structs.replace(case, observations={**case.observations, **observations})


@modest
@given(cases(14))
def test_a_plain_second_implementation_in_floats_ranks_alike(case: Case) -> None:
    table = taken_apart(starter())
    said = {code: outcomes for code, outcomes, _ in engine_observations(case.observations, table.findings)}
    reference, weighed = score(case, said, table), starter_weighed(case)
    assert posterior(weighed) == pytest.approx(dict(reference.ranking), abs=1e-6)
    assert {item.code: item.replaced_by for item in weighed.items} == {
        code: weight.replaced_by for code, weight in reference.voices.items()
    }
    assert {item.code: item.keep / 1e6 for item in weighed.items} == {
        code: weight.keep for code, weight in reference.voices.items()
    }


@pytest.mark.parametrize("unit", MACHINES)
def test_no_evidence_gives_the_base_rates_of_what_can_be(unit: dict[str, str]) -> None:
    rates = dict(starter().base_rates)
    for override in starter().base_rate_overrides:
        motors, types = override.when.motors, override.when.compressor_types
        if (not motors or unit["motor"] in motors) and (not types or unit["compressor_type"] in types):
            rates |= override.rates
    machine = machine_of(case_of(unit=unit).unit)
    possible = {
        code: rates[code] for code, cause in starter().causes.items() if passes_gate(cause.gate, *machine)
    } | {UNLISTED: rates[UNLISTED]}
    expected = {code: rate / sum(possible.values()) for code, rate in possible.items()}
    blunt = compiled_of(msgspec.structs.replace(starter(), sharpness=1))
    assert posterior(weighed_of(case_of(unit=unit), blunt)) == pytest.approx(expected, abs=1e-7)


def test_sharpness_is_the_power_to_which_each_share_is_raised() -> None:
    case = case_of({"copper_plating": "heavy", "oil_smell": "burnt_or_sharp"})
    alone = msgspec.structs.replace(starter(), links=[])
    blunt = posterior(weighed_of(case, compiled_of(msgspec.structs.replace(alone, sharpness=1))))
    sharp = posterior(weighed_of(case, compiled_of(msgspec.structs.replace(alone, sharpness=1.5))))
    raised = {code: share**1.5 for code, share in blunt.items()}
    assert sharp == pytest.approx(
        {code: one / sum(raised.values()) for code, one in raised.items()}, abs=1e-6
    )


def quiet_findings() -> list[str]:
    """Findings that no pattern, discount, caution or other finding speaks of: they say what they say and
    nothing more."""
    table = starter()
    conditions = [pattern.when for pattern in table.patterns.values()]
    conditions += [row.when.observed for row in table.discounts if row.when.observed]
    spoken_of = {code for condition in conditions for code, _ in findings_in(condition)} | {
        c for p in table.patterns.values() for c in p.subsumes
    }
    spoken_of |= {code for code, row in table.findings.items() if row.supersedes} | {
        c for row in table.findings.values() for c in row.supersedes
    }
    return sorted(table.findings.keys() - spoken_of)


QUIET = quiet_findings()


@modest
@given(case=cases(8), pick=st.integers(0, 10**6))
def test_a_fresh_sign_that_favours_the_leader_never_lowers_it(case: Case, pick: int) -> None:
    before = starter_weighed(case)
    leader, spoken = before.order[0], {item.weight.group for item in before.items}
    favourable = []
    for code in QUIET:
        if (
            code in before.model.findings
            and code not in before.seen
            and starter().findings[code].group not in spoken
        ):
            for outcome in before.model.findings[code].rows:
                weights = starter_weighed(case_of({code: outcome}, unit=msgspec.to_builtins(case.unit))).full[
                    0
                ]
                if weights[leader] == weights.max() > 0:
                    favourable.append((code, outcome))
    if favourable:
        code, outcome = favourable[pick % len(favourable)]
        after = starter_weighed(adding(case, **{code: outcome}))
        assert after.order[0] == leader
        assert after.confidence[leader] >= before.confidence[leader]


def test_there_are_signs_to_favour_most_causes() -> None:
    favoured = set()
    for code in QUIET:
        for outcome in starter().findings[code].outcomes:
            weighed = starter_weighed(case_of({code: outcome.code}))
            favoured.add(weighed.model.causes[int(weighed.full[0].argmax())])
    assert len(favoured) > len(starter().causes) / 2


@modest
@given(case=cases(12), shuffler=st.randoms(use_true_random=False))
def test_the_order_of_observations_changes_no_byte(case: Case, shuffler: Any) -> None:
    shuffled = list(case.observations.items())
    shuffler.shuffle(shuffled)
    again = msgspec.structs.replace(case, observations=dict(shuffled))
    assert encode(build_answer(CaseWithReadings(again), compiled_starter())) == encode(
        build_answer(CaseWithReadings(case), compiled_starter())
    )


@modest
@given(st.lists(cases(8), min_size=2, max_size=6))
def test_cases_answered_together_get_the_bytes_of_each_alone(together: list[Case]) -> None:
    alone = [encode(build_answer(CaseWithReadings(case), compiled_starter())) for case in together]
    assert [
        encode(answer)
        for answer in build_answers([CaseWithReadings(case) for case in together], compiled_starter())
    ] == alone


SECOND_BOOK = compiled_of(starter())


@modest
@given(case=cases(8), others=st.lists(cases(6), max_size=3))
def test_what_a_book_has_answered_before_changes_no_byte(case: Case, others: list[Case]) -> None:
    first = encode(build_answer(CaseWithReadings(case), compiled_starter()))
    for other in others:
        build_answer(CaseWithReadings(other), SECOND_BOOK)
    assert encode(build_answer(CaseWithReadings(case), SECOND_BOOK)) == first


@modest
@given(cases(12))
def test_confidences_sum_to_one_within_their_rounding(case: Case) -> None:
    weighed = starter_weighed(case)
    assert abs(sum(weighed.confidence) - 10_000) <= len(weighed.confidence) / 2
    assert [weighed.confidence[i] for i in weighed.order] == sorted(weighed.confidence, reverse=True)


@modest
@given(case=cases(8, lists=False), data=st.data())
def test_one_of_these_is_the_sum_of_their_probabilities(case: Case, data: st.DataObject) -> None:
    weighed = starter_weighed(case)
    wide = sorted(
        code for code, finding_model in weighed.model.findings.items() if len(finding_model.rows) > 2
    )
    code = data.draw(st.sampled_from(wide))
    row = starter().findings[code]
    some = data.draw(
        st.lists(
            st.sampled_from(sorted(weighed.model.findings[code].rows)), min_size=2, max_size=3, unique=True
        )
    )
    possible = [
        i for i, outcome in enumerate(row.outcomes) if outcome.code in weighed.model.findings[code].rows
    ]
    named = [i for i in possible if row.outcomes[i].code in some]

    def share(column: list[float]) -> float:
        return sum(column[i] for i in named) / sum(column[i] for i in possible)

    usual, mistaken = share(row.background), starter().mistaken
    mixed = [
        (1 - mistaken) * share(row.per_hundred.get(cause, row.background)) + mistaken * usual
        for cause in weighed.model.causes
    ]
    expected = [math.log10(each / usual) for each in mixed]
    joint = starter_weighed(case_of({code: some}, unit=msgspec.to_builtins(case.unit)))
    assert (joint.full[0] / 1e9).tolist() == pytest.approx(expected, abs=2e-9)


def outside_faults() -> list[tuple[str, str]]:
    rows = starter().findings.items()
    return [
        (code, outcome.code)
        for code, row in rows
        for outcome in row.outcomes
        if outcome.shows == "outside_fault"
    ]


SOUND = {"test_run": "runs_within_limits", "winding_resistance": "as_plate", "insulation_resistance": "good"}


def test_a_machine_that_tests_sound_has_no_fault_found() -> None:
    weighed = starter_weighed(case_of(SOUND))
    assert weighed.model.causes[weighed.order[0]] == NO_FAULT


@pytest.mark.parametrize(("code", "outcome"), outside_faults())
def test_a_measured_outside_fault_all_but_excludes_that_nothing_is_wrong(code: str, outcome: str) -> None:
    row = starter().findings[code]
    place = [one.code for one in row.outcomes].index(outcome)
    assert row.per_hundred.get(NO_FAULT, row.background)[place] <= 0.3
    before, after = starter_weighed(case_of(SOUND)), starter_weighed(case_of({**SOUND, code: outcome}))
    assert build_answer(CaseWithReadings(after.evidence.case), compiled_starter()).cause != NO_FAULT
    assert confidence(after)[NO_FAULT] < 0.55 * confidence(before)[NO_FAULT]


def test_a_weak_sign_never_dilutes_a_strong_one_of_the_same_effect() -> None:
    strong = case_of({"copper_plating": "heavy"})
    before, after = starter_weighed(strong), starter_weighed(adding(strong, lab_copper="high"))
    assert counted(after, "copper_plating") == counted(before, "copper_plating")
    assert confidence(after)["moisture"] >= confidence(before)["moisture"]


@modest
@given(cases(14))
def test_the_strongest_of_a_group_counts_whole_and_the_others_fade_in_order(case: Case) -> None:
    weighed = starter_weighed(case)
    groups: dict[str, list[WeighedFinding]] = {}
    for one in weighed.items:
        if one.replaced_by is None:
            groups.setdefault(one.weight.group, []).append(one)
    for group, together in groups.items():
        fades = sorted((one.decay for one in together), reverse=True)
        rho = starter().groups[group].rho if group in starter().groups else 0
        assert fades == pytest.approx([(1 - rho) ** place * 1e6 for place in range(len(together))], abs=1)
        loudest = max(together, key=lambda one: one.weight.spread * one.keep)
        assert loudest.weight.spread * loudest.keep == max(
            one.weight.spread * one.keep for one in together if one.decay == 10**6
        )


def two_signs(rho: float, temperature: float = 1) -> CompiledTable:
    rows = {
        "loud": finding(["no", "yes"], [90, 10], per_hundred={"leak": [20, 80]}),
        "soft": finding(["no", "yes"], [80, 20], per_hundred={"leak": [60, 40], "wear": [70, 30]}),
    }
    return compiled_of(
        table(
            {"leak": 30, "wear": 70},
            rows,
            groups={"signs": {"rho": rho, "says": "one thing"}},
            temperature=temperature,
        )
    )


def test_with_rho_1_two_findings_of_a_group_count_as_the_stronger_alone() -> None:
    both, loud = case_of({"loud": "yes", "soft": "yes"}), case_of({"loud": "yes"})
    assert weighed_of(both, two_signs(1)).scores.tolist() == weighed_of(loud, two_signs(1)).scores.tolist()


def test_between_them_the_second_counts_for_the_rest() -> None:
    weighed = weighed_of(case_of({"loud": "yes", "soft": "yes"}), two_signs(0.75))
    leak = weighed.model.causes.index("leak")
    assert weighed.column(leak) == pytest.approx([1e9 * math.log10(8), 0.25e9 * math.log10(2)], abs=1)


def test_temperature_tempers_the_evidence_and_not_the_base_rates() -> None:
    assert posterior(weighed_of(case_of(), two_signs(0, temperature=2)))["leak"] == pytest.approx(
        0.3, abs=1e-6
    )
    shares = posterior(weighed_of(case_of({"loud": "yes"}), two_signs(0, temperature=2)))
    assert shares["leak"] / shares["wear"] == pytest.approx(30 / 70 * math.sqrt(8), rel=1e-6)
