"""Numbers learned from judged cases: they converge to the truth, another library has the same, and what too
few cases have seen stays as it is."""

import random
from collections import Counter
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.naive_bayes import CategoricalNB

from coldcase.core.checking import flaws
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.learning import PriorStrength, learned_table, posterior_mean
from coldcase.core.learning_rates import RateKey, learned_rates
from coldcase.core.machine_model import MachineKind
from coldcase.core.rule_table import NO_FAULT, UNLISTED, RuleTable, from_document
from coldcase.core.verdict_counts import GENERAL, VerdictCounts, added, counted_rows, row_evidence
from coldcase.core.weighing import collect, observe
from tests.core.tables import (
    MACHINES,
    case_of,
    cases,
    compiled_of,
    compiled_starter,
    finding,
    modest,
    outcomes_of,
    starter,
    table,
)

MACHINE: MachineKind = (None, None, None)
RECIPROCATING = {"motor": "three_phase", "compressor_type": "reciprocating"}
EXPERT = table(
    {"wet": 30, "dry": 20, "old": 10, "odd": 40, NO_FAULT: 20, UNLISTED: 10},
    {
        "colour": finding(
            ["clear", "brown", "black"], [60, 30, 10], per_hundred={"wet": [20, 60, 20], "dry": [50, 30, 20]}
        ),
        "sound": finding(
            ["quiet", "loud"],
            [50, 50],
            per_hundred={"old": [30, 70], "wet": [40, 60]},
            on_machines=[
                {
                    "when": {"compressor_types": ["reciprocating"]},
                    "background": [80, 20],
                    "per_hundred": {"old": [90, 10]},
                    "basis": "made for a test",
                }
            ],
        ),
        "marks": finding(
            ["scored", "blue"], [10, 20], kind="several", per_hundred={"dry": [60, 40], "old": [30, 5]}
        ),
    },
)
TRUTH = {
    "colour": {
        None: [80, 15, 5],
        "wet": [10, 85, 5],
        "dry": [30, 20, 50],
    },
    "sound": {None: [70, 30], "old": [10, 90], "wet": [55, 45]},
    "sound on reciprocating": {None: [95, 5], "old": [75, 25], "wet": [55, 45]},
    "marks": {None: [25, 10], "dry": [85, 20], "old": [15, 25]},
}
RATES = {"wet": 10, "dry": 40, "old": 25, "odd": 5, NO_FAULT: 15, UNLISTED: 5}


def counted(compiled: CompiledTable, judged: list[tuple[str, Any]]) -> VerdictCounts:
    counts = VerdictCounts()
    for cause, case in judged:
        counts.add(cause, collect(case, observe(case, {}, compiled), compiled), compiled)
    return counts


def drawn(number: int, *, looks: float = 1.0, seed: int = 7) -> list[tuple[str, Any]]:
    """Cases of the truth, in which each finding was looked at in such a share."""
    chance, found = random.Random(seed), []
    for cause in chance.choices([*RATES], [*RATES.values()], k=number):
        unit = chance.choice((MACHINES[0], RECIPROCATING))
        seen: dict[str, Any] = {}
        for code, row in EXPERT.findings.items():
            on = "sound on reciprocating" if code == "sound" and unit is RECIPROCATING else code
            shares = TRUTH[on].get(cause, TRUTH[on][None])
            codes = [outcome.code for outcome in row.outcomes]
            if chance.random() >= looks:
                continue
            if row.kind == "one":
                seen[code] = chance.choices(codes, shares)[0]
            else:
                there = [
                    sign for sign, share in zip(codes, shares, strict=True) if chance.random() < share / 100
                ]
                lists = {"seen": there, "not_seen": [sign for sign in codes if sign not in there]}
                seen[code] = {name: signs for name, signs in lists.items() if signs}
        found.append((cause, case_of(seen, unit=unit)))
    return found


def worst(learned: RuleTable) -> float:
    """The largest distance of any frequency from the truth."""
    sound = learned.findings["sound"]
    rows = {code: {None: row.background, **row.per_hundred} for code, row in learned.findings.items()}
    own = sound.on_machines[0]
    rows["sound on reciprocating"] = {
        None: own.background or [],
        "wet": sound.per_hundred["wet"],
        **own.per_hundred,
    }
    return max(
        abs(is_ - was)
        for code, by_cause in TRUTH.items()
        for cause, truth in by_cause.items()
        for is_, was in zip(rows[code][cause], truth, strict=True)
    )


def test_on_data_of_a_known_table_the_numbers_converge_to_it():
    compiled, strength = compiled_of(EXPERT), PriorStrength()
    away = {
        n: learned_table(EXPERT, counted(compiled, drawn(n)), strength).table for n in (400, 4000, 40_000)
    }
    assert worst(EXPERT) == 30
    assert worst(away[40_000]) < 2 < worst(away[4000]) < worst(away[400])
    rates = away[40_000].base_rates
    for cause, rate in RATES.items():
        assert rates[cause] / sum(rates.values()) == pytest.approx(rate / sum(RATES.values()), abs=0.005)


def test_scikit_learns_categorical_naive_bayes_with_the_same_pseudo_counts_has_the_same_numbers():
    compiled, strength = compiled_of(EXPERT), 30.0
    judged = [(cause, case) for cause, case in drawn(3000, looks=0.7) if case.unit.motor == "unknown"]
    rows = counted_rows(EXPERT, counted(compiled, judged))
    compared = 0
    for code, cause in (("colour", "wet"), ("colour", "dry"), ("sound", "old"), ("sound", "wet")):
        (key,) = [one for one in rows if one[0] == code and one.cause == cause and one.block == GENERAL]
        looked = [
            ((cause, True), case.observations[code])
            for of, case in judged
            if of == cause and code in case.observations
        ]
        expert = EXPERT.findings[code].per_hundred[cause]
        codes = [outcome.code for outcome in EXPERT.findings[code].outcomes]
        values = [*range(len(codes)), *(codes.index(str(said)) for _, said in looked)]
        weights = [*(strength * share / 100 for share in expert), *[1.0] * len(looked)]
        model = CategoricalNB(alpha=1e-14, force_alpha=True)
        model.fit(np.array(values)[:, None], np.zeros(len(values)), sample_weight=weights)
        ours = posterior_mean(
            [share / 100 for share in expert],
            {(possible, seen): n for (_, possible, seen), n in rows[key][0].items()},
            strength,
        )
        assert ours == pytest.approx(np.exp(model.feature_log_prob_[0][0]).tolist(), abs=1e-9)
        compared += len(looked)
    assert compared > 300


def test_scikit_learn_has_the_same_base_rates():
    compiled = compiled_of(EXPERT)
    judged = [(cause, case) for cause, case in drawn(3000) if case.unit.motor == "unknown"]
    counts = counted(compiled, judged)
    found = learned_rates(EXPERT, counts.judged, strength=200, least=10)
    causes, total = [*EXPERT.base_rates], sum(EXPERT.base_rates.values())
    assert {key.cause for key in found} == {*causes}
    labels = [*causes, *(cause for cause, _ in judged)]
    weights = [*(200 * EXPERT.base_rates[cause] / total for cause in causes), *[1.0] * len(judged)]
    model = CategoricalNB(alpha=1, force_alpha=True).fit(
        np.zeros((len(labels), 1)), labels, sample_weight=weights
    )
    for cause, log in zip(model.classes_, model.class_log_prior_, strict=True):
        assert found[RateKey(GENERAL, cause)].rate / total == pytest.approx(np.exp(log), abs=1e-9)


@pytest.mark.parametrize(("looked", "touched"), [(9, False), (10, True)])
def test_ten_judged_cases_must_have_looked_before_a_number_is_touched(looked, touched):
    judged = [
        *[("wet", case_of({"colour": "clear", "marks": {"seen": ["blue"]}}))] * looked,
        *[("wet", case_of({}))] * 20,
    ]
    learned = learned_table(EXPERT, counted(compiled_of(EXPERT), judged), PriorStrength())
    places = {(one.pointer, one.outcome) for one in learned.numbers}
    expected = {("/findings/colour/per_hundred/wet", outcome) for outcome in ("clear", "brown", "black")}
    assert places == (expected | {("/findings/marks/background", "blue")} if touched else set())


def test_a_background_is_the_causes_without_a_row_pooled_at_their_base_rates():
    many = {"odd": 30, NO_FAULT: 5}
    judged = [(cause, case_of({"colour": "black"})) for cause, n in many.items() for _ in range(n)]
    judged += [("odd", case_of({"colour": "clear"}))] * 30
    learned = learned_table(
        EXPERT, counted(compiled_of(EXPERT), judged), PriorStrength(rows=10, base_rates=1e9)
    )
    rates = learned.table.base_rates
    black = {
        "odd": (10 * 0.10 + 30) / (10 + 60),
        NO_FAULT: (10 * 0.10 + 5) / (10 + 5),
        "old": 0.10,
        UNLISTED: 0.10,
    }
    pooled = sum(rates[cause] * share for cause, share in black.items()) / sum(
        rates[cause] for cause in black
    )
    assert learned.table.findings["colour"].background[2] == pytest.approx(100 * pooled, abs=0.006)
    (moved,) = [
        one
        for one in learned.numbers
        if (one.pointer, one.outcome) == ("/findings/colour/background", "black")
    ]
    assert (moved.judged, moved.looked, moved.seen, moved.old) == (65, 65, 35, 10)


def test_of_rates_that_hold_on_some_machines_each_goes_to_what_was_judged_there():
    override = {"when": {"compressor_types": ["reciprocating"]}, "rates": {"wet": 5, "old": 60}}
    expert = from_document(msgspec.to_builtins(EXPERT) | {"base_rate_overrides": [override]})
    truth = {"wet": 20, "dry": 40, "old": 30, "odd": 20, NO_FAULT: 10, UNLISTED: 10}
    on = truth | {"wet": 60, "old": 5}
    judged = Counter()
    for machine, rates, n in ((MACHINE, truth, 60_000), (("three_phase", None, "reciprocating"), on, 40_000)):
        judged.update(
            {(cause, machine): round(n * rate / sum(rates.values())) for cause, rate in rates.items()}
        )
    found = learned_rates(expert, judged, strength=10, least=10)
    scale = found[RateKey(GENERAL, "dry")].rate / truth["dry"]
    for cause, rate in truth.items():
        assert found[RateKey(GENERAL, cause)].rate == pytest.approx(scale * rate, rel=0.01)
    for cause in ("wet", "old"):
        assert found[RateKey(0, cause)].rate == pytest.approx(scale * on[cause], rel=0.01)
    assert found[RateKey(0, "wet")].judged == judged["wet", ("three_phase", None, "reciprocating")]


def test_rates_of_which_too_few_were_judged_keep_their_number_and_their_share():
    judged = {("wet", MACHINE): 50, ("dry", MACHINE): 30, ("old", MACHINE): 9}
    found = learned_rates(EXPERT, judged, strength=100, least=10)
    assert {key.cause for key in found} == {"wet", "dry"}
    assert sum(one.rate for one in found.values()) == pytest.approx(30 + 20)


DISCOUNTING = table(
    {"wet": 30, "dry": 20, NO_FAULT: 5, UNLISTED: 1},
    {
        "colour": finding(["clear", "brown", "black"], [60, 30, 10], per_hundred={"wet": [20, 60, 20]}),
        "sound": finding(["quiet", "loud"], [50, 50], per_hundred={"wet": [30, 70]}),
    },
    discounts=[{"when": {}, "keep": 0.6, "reason": "told", "efforts": ["open"], "known": ["told"]}],
    patterns={
        "both": {
            "title": "Both",
            "when": {"all": [{"finding": "colour", "in": ["black"]}, {"finding": "sound", "in": ["loud"]}]},
            "background": 10,
            "per_hundred": {"wet": 50},
            "basis": "made for a test",
        }
    },
)


def test_what_is_told_disputed_or_of_a_machine_without_the_cause_is_left_out():
    compiled = compiled_of(DISCOUNTING)
    counts = counted(
        compiled,
        [
            ("wet", case_of({"colour": {"outcome": "black", "known": "told"}})),
            ("wet", case_of({"colour": {"outcome": "black", "disputed_by": {"outcome": "clear"}}})),
            ("wet", case_of({"colour": {"outcome": "black", "known": "seen"}})),
            ("gone", case_of({"colour": "black"})),
        ],
    )
    assert counts.judged == {("wet", MACHINE): 3}
    assert counts.looked == {("wet", MACHINE, "colour", ("black",)): 1}
    assert counts.left_out == {
        "the observation is discounted": 1,
        "the observation is disputed": 1,
        "the machine cannot have the cause": 1,
    }


def test_a_pattern_is_counted_where_all_of_it_was_looked_at():
    judged = [
        *[("wet", case_of({"colour": "black", "sound": "loud"}))] * 12,
        *[("wet", case_of({"colour": "black", "sound": "quiet"}))] * 4,
        *[("wet", case_of({"colour": "clear"}))] * 50,
    ]
    counts = counted(compiled_of(DISCOUNTING), judged)
    learned = learned_table(DISCOUNTING, counts, PriorStrength(rows=10))
    assert learned.table.patterns["both"].per_hundred["wet"] == pytest.approx(
        100 * (5 + 12) / (10 + 16), abs=0.005
    )
    (row,) = [
        one for one in row_evidence(DISCOUNTING, counts) if one.pointer == "/patterns/both/per_hundred/wet"
    ]
    assert (row.judged, row.outcomes[0].looked, row.outcomes[0].seen) == (66, 16, 12)


def test_what_the_expert_ruled_out_and_was_seen_counts_all_the_same():
    assert posterior_mean([0, 1], {((0, 1), (0,)): 10, ((0, 1), (1,)): 5}, 5) == [0.5, 0.5]


def test_outcomes_that_were_not_told_apart_are_shared_out_by_the_row():
    judged = [("wet", case_of({"colour": ["brown", "black"]}))] * 20
    counts = counted(compiled_of(DISCOUNTING), judged)
    learned = learned_table(DISCOUNTING, counts, PriorStrength(rows=20))
    assert learned.table.findings["colour"].per_hundred["wet"] == [10, 67.5, 22.5]
    black = [one for one in learned.numbers if one.outcome == "black"]
    assert [(one.looked, one.seen, one.unclear) for one in black] == [(20, 0, 20)]


def test_what_a_machine_cannot_show_keeps_its_part():
    # Of 4 that it could show the row has 20 %: of 40 cases on machines that cannot, 10 more stand for it.
    assert posterior_mean([0.5, 0.3, 0.2], {((0, 1), (0,)): 40}, 0) == pytest.approx([0.8, 0, 0.2])


def test_a_machine_without_a_fault_shows_none_whatever_was_seen():
    rules = table(
        {"wet": 30, NO_FAULT: 5},
        {
            "wear": finding(
                outcomes_of(["none", "scored"], scored={"shows": "damage"}),
                [50, 50],
                per_hundred={"wet": [10, 90], NO_FAULT: [99.9, 0.1]},
            )
        },
    )
    learned = learned_table(
        rules, counted(compiled_of(rules), [(NO_FAULT, case_of({"wear": "scored"}))] * 50), PriorStrength()
    )
    assert learned.table.findings["wear"].per_hundred[NO_FAULT] == [99.7, 0.3]


CAUSES = sorted((*starter().causes, UNLISTED))


@modest
@given(st.lists(st.tuples(st.sampled_from(CAUSES), cases(4), st.integers(1, 24)), max_size=6), st.randoms())
def test_what_fewer_than_ten_looked_at_is_not_touched_and_the_order_of_cases_does_not_matter(drawn, chance):
    judged = [(cause, case) for cause, case, n in drawn for _ in range(n)]
    compiled, expert = compiled_starter(), starter()
    counts = counted(compiled, judged)
    learned = learned_table(expert, counts, PriorStrength())

    looked = {
        (row.pointer, one.outcome): one.looked for row in row_evidence(expert, counts) for one in row.outcomes
    }
    before, after = msgspec.to_builtins(expert), msgspec.to_builtins(learned.table)
    for code, row in expert.findings.items():
        for cause in (None, *row.per_hundred):
            place = f"/findings/{code}/" + ("background" if cause is None else f"per_hundred/{cause}")
            was, now = (
                one["findings"][code]["background"]
                if cause is None
                else one["findings"][code]["per_hundred"][cause]
                for one in (before, after)
            )
            for outcome, old, new in zip(row.outcomes, was, now, strict=True):
                assert old == new or looked[place, outcome.code] >= 10
    by_cause = Counter(cause for cause, _ in judged)
    assert all(
        by_cause[cause] >= 10
        for cause, rate in expert.base_rates.items()
        if learned.table.base_rates[cause] != rate
    )
    assert not [*flaws(learned.table)]

    chance.shuffle(judged)
    half = len(judged) // 2
    again = added([counted(compiled, judged[:half]), counted(compiled, judged[half:])])
    assert learned_table(expert, again, PriorStrength()) == learned
