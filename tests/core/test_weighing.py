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
from coldcase.core.rule_table import NO_FAULT, UNLISTED, Condition
from coldcase.core.signs import engine_observations, taken_apart
from coldcase.core.weighing import Weighed, WeighedFinding
from tests.core.tables import (
    MACHINES,
    case_of,
    cases,
    cause,
    compiled_of,
    compiled_starter,
    finding,
    modest,
    outcomes_of,
    posterior,
    starter,
    table,
    weighed_of,
)
from tests.reference_score import score

encode = msgspec.json.encode


def starter_weighed(case: Case) -> Weighed:
    return weighed_of(case, compiled_starter())


def confidence(weighed: Weighed) -> dict[str, int]:
    return dict(zip(weighed.model.causes, weighed.confidence, strict=True))


def item(weighed: Weighed, code: str) -> WeighedFinding:
    return next(item for item in weighed.items if item.code == code)


def counted(weighed: Weighed, code: str) -> list[int]:
    """What a finding counts for each cause, in nanobans."""
    place = [item.code for item in weighed.items].index(code)
    row: list[int] = weighed.counted[place].tolist()
    return row


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


def satisfying(condition: Condition) -> dict[str, str]:
    """Observations under which a condition holds: all of `all`, the first of `any`, nothing of `not` and
    `unless`."""
    if condition.finding is not None:
        return {condition.finding: (condition.outcomes or [])[0]}
    branches = condition.all if condition.all is not None else (condition.any or [])[:1]
    return {code: outcome for part in branches for code, outcome in satisfying(part).items()}


@pytest.mark.parametrize("code", sorted(starter().patterns))
def test_a_pattern_that_holds_counts_and_what_it_subsumes_does_not(code: str) -> None:
    pattern = starter().patterns[code]
    weighed = starter_weighed(case_of(satisfying(pattern.when)))
    assert item(weighed, code).replaced_by is None
    assert any(counted(weighed, code))
    subsumed = [item for item in weighed.items if item.code in pattern.subsumes]
    assert subsumed
    assert all(item.replaced_by == code and not any(counted(weighed, item.code)) for item in subsumed)


def test_a_pattern_leaves_what_speaks_the_other_way_its_voice() -> None:
    rows = {
        "burn": finding(["no", "yes"], [70, 30], per_hundred={"leak": [30, 70]}),
        "smell": finding(["none", "sharp", "sweet"], [60, 20, 20], per_hundred={"leak": [20, 40, 40]}),
        "colour": finding(["clear", "black"], [60, 40], per_hundred={"leak": [20, 80]}),
    }
    when = {
        "all": [
            {"finding": "burn", "in": ["yes"]},
            {"any": [{"finding": "smell", "in": ["sharp"]}, {"finding": "burn", "in": ["yes"]}]},
        ]
    }
    pattern = {
        "title": "Burnt",
        "when": when,
        "subsumes": ["burn", "smell", "colour"],
        "background": 10,
        "per_hundred": {},
        "basis": "test",
    }
    compiled = compiled_of(table({"leak": 1, "unlisted": 1}, rows, patterns={"burnt": pattern}))
    for seen, replaced in (
        ({"burn": "yes", "smell": "sharp", "colour": "black"}, {"burn", "smell", "colour"}),
        ({"burn": "yes", "smell": "sweet", "colour": "clear"}, {"burn"}),
        ({"burn": "yes", "smell": ["none", "sharp"]}, {"burn"}),
    ):
        weighed = weighed_of(case_of(seen), compiled)
        assert {item.code for item in weighed.items if item.replaced_by == "burnt"} == replaced


@modest
@given(cases(14))
def test_nothing_is_counted_of_what_was_replaced_and_nothing_is_replaced_twice(case: Case) -> None:
    weighed, compiled = starter_weighed(case), compiled_starter()
    patterns = {item.code for item in weighed.items if item.source == "pattern"}
    for one in weighed.items:
        if one.replaced_by is not None:
            assert not any(counted(weighed, one.code))
            row = compiled.apart.patterns.get(one.replaced_by)
            successors = compiled.successors.get(one.code, frozenset())
            by_finding = one.replaced_by in successors or one.code in (
                compiled.apart.findings[one.replaced_by].supersedes if row is None else ()
            )
            assert one.code in row.subsumes if row else by_finding
            assert row is None or one.replaced_by in patterns


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


def test_base_rates_of_a_machine_hold_only_where_that_machine_is_known() -> None:
    override = {"when": {"motors": ["three_phase"], "connections": ["star"]}, "rates": {"leak": 80}}
    compiled = compiled_of(
        table(
            {"leak": 20, "wear": 20},
            {"sign": finding(["no", "yes"], [90, 10])},
            base_rate_overrides=[override],
        )
    )
    units = [
        MACHINES[0],
        MACHINES[1],
        {**MACHINES[1], "winding_connection": "delta"},
        {**MACHINES[1], "winding_connection": "star"},
    ]
    shares = [posterior(weighed_of(case_of(unit=unit), compiled))["leak"] for unit in units]
    assert shares == pytest.approx([0.5, 0.5, 0.5, 0.8], abs=1e-6)


def test_a_machine_that_no_damaging_cause_can_reach_still_gets_a_ranking() -> None:
    causes = {"leak": cause(gate={"motors": ["inverter"]}), NO_FAULT: cause()}
    compiled = compiled_of(
        table(
            {"leak": 50, NO_FAULT: 50}, {"sign": finding(["no", "some", "yes"], [80, 10, 10])}, causes=causes
        )
    )
    for seen in ("yes", ["some", "yes"]):
        answer = build_answer(CaseWithReadings(case_of({"sign": seen}, unit=MACHINES[1])), compiled)
        assert [row.cause for row in answer.ranking] == [NO_FAULT, UNLISTED]


@pytest.mark.parametrize("unit", MACHINES)
def test_what_cannot_be_on_a_machine_is_not_in_its_ranking(unit: dict[str, str]) -> None:
    machine = machine_of(case_of(unit=unit).unit)
    possible = {code for code, cause in starter().causes.items() if passes_gate(cause.gate, *machine)}
    answer = build_answer(CaseWithReadings(case_of(unit=unit)), compiled_starter())
    assert {row.cause for row in answer.ranking} == possible | {UNLISTED}
    assert ("start_gear_fault" in possible) == (unit["motor"] in ("single_phase", "unknown"))


def test_an_unknown_machine_rules_no_cause_out() -> None:
    assert (
        len(build_answer(CaseWithReadings(case_of()), compiled_starter()).ranking)
        == len(starter().causes) + 1
    )


def test_the_outcomes_that_remain_on_a_machine_share_what_the_others_leave() -> None:
    steam = {"gate": {"motors": ["inverter"]}}
    rows = {
        "sign": finding(
            outcomes_of(["no", "yes", "spark"], spark=steam), [50, 25, 25], per_hundred={"leak": [20, 20, 60]}
        )
    }
    compiled = compiled_of(table({"leak": 50, "wear": 50}, rows))
    shares = posterior(weighed_of(case_of({"sign": "yes"}, unit=MACHINES[1]), compiled))
    assert shares["leak"] / shares["wear"] == pytest.approx((20 / 40) / (25 / 75), rel=1e-6)
    unknown = posterior(weighed_of(case_of({"sign": "yes"}), compiled))
    assert unknown["leak"] / unknown["wear"] == pytest.approx(20 / 25, rel=1e-6)


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
