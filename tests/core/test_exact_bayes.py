"""With no fading (rho = 0), temperature 1 and nothing but findings, the engine is a categorical naive Bayes:
two libraries agree."""

import importlib
import itertools
import warnings
from collections.abc import Iterator
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.naive_bayes import CategoricalNB

from coldcase.core.rule_table import UNLISTED, Finding, RuleTable, from_document
from coldcase.core.signs import taken_apart
from tests.core.tables import (
    case_of,
    compiled_of,
    finding,
    modest,
    posterior,
    starter_document,
    table,
    weighed_of,
)

with warnings.catch_warnings():
    # Its bindings warn while they load, and die of a warning that is an error.
    warnings.simplefilter("ignore")
    agrum: Any = importlib.import_module("pyagrum")

AGREES = 1e-6


def plain_starter() -> RuleTable:
    """The starter table's frequencies and base rates without all that goes beyond naive Bayes."""
    document = starter_document()
    for group in document["groups"].values():
        group["rho"] = 0
    for row in document["findings"].values():
        row["supersedes"] = []
        row.pop("succeeded_by", None)
        row.pop("gate", None)
        for outcome in row["outcomes"]:
            outcome.pop("gate", None)
    for row in document["causes"].values():
        row.pop("gate", None)
    plain = {
        "temperature": 1,
        "sharpness": 1,
        "unlisted_explains": 0,
        "links": [],
        "patterns": {},
        "discounts": [],
        "base_rate_overrides": [],
    }
    rules = taken_apart(from_document(document | plain))
    return msgspec.structs.replace(
        rules,
        causes={code: msgspec.structs.replace(row, chain=[]) for code, row in rules.causes.items()},
        findings={sayable(code): row for code, row in rules.findings.items()},
    )


def sayable(code: str) -> str:
    """The engine's code of a sign as one that a case may name."""
    return code.replace(".", "__")


def mixed(rows: Any, background: list[float], mistaken: float) -> Any:
    """Shares of 1 where a finding is mistaken now and then: one more node of the network, summed out."""
    return ((1 - mistaken) * rows + mistaken * np.array(background)) / 100


class Libraries:
    """One rule table, told to scikit-learn and to pyAgrum as plain probabilities."""

    def __init__(self, rules: RuleTable) -> None:
        self.causes = [*sorted(rules.causes), UNLISTED]
        self.outcomes = {
            code: [outcome.code for outcome in row.outcomes] for code, row in rules.findings.items()
        }
        rates = np.array([rules.base_rates[cause] for cause in self.causes])
        self.prior = rates / rates.sum()
        self.shares = {
            code: mixed(
                np.array([row.per_hundred.get(cause, row.background) for cause in self.causes]),
                row.background,
                rules.mistaken,
            )
            for code, row in rules.findings.items()
        }

    def naive_bayes(self, seen: dict[str, str]) -> dict[str, float]:
        model = CategoricalNB(force_alpha=True)
        model.classes_ = np.arange(len(self.causes))
        model.class_count_ = self.prior
        model.n_features_in_ = len(seen)
        model.class_log_prior_ = np.log(self.prior)
        model.feature_log_prob_ = [np.log(self.shares[code]) for code in seen]
        row = [self.outcomes[code].index(outcome) for code, outcome in seen.items()]
        return dict(zip(self.causes, model.predict_proba([row])[0].tolist(), strict=True))

    def network(self, seen: dict[str, Any]) -> dict[str, float]:
        """Exact inference; a list of outcomes is evidence of "one of these"."""
        net = agrum.BayesNet("table")
        net.add(agrum.LabelizedVariable("cause", "cause", self.causes))
        net.cpt("cause").fillWith(self.prior.tolist())
        for code in seen:
            net.add(agrum.LabelizedVariable(code, code, self.outcomes[code]))
            net.addArc("cause", code)
            net.cpt(code)[:] = self.shares[code]
        inference = agrum.LazyPropagation(net)
        inference.setEvidence(
            {
                code: [float(name in said) for name in self.outcomes[code]]
                for code, said in _lists(seen).items()
            }
        )
        inference.makeInference()
        return dict(zip(self.causes, inference.posterior("cause").tolist(), strict=True))


def _lists(seen: dict[str, Any]) -> dict[str, list[str]]:
    return {code: [said] if isinstance(said, str) else said for code, said in seen.items()}


PLAIN = plain_starter()
PLAIN_BOOK = compiled_of(PLAIN)
PLAIN_LIBRARIES = Libraries(PLAIN)


def engine(seen: dict[str, Any], rules: RuleTable = PLAIN) -> dict[str, float]:
    compiled = PLAIN_BOOK if rules is PLAIN else compiled_of(rules)
    return posterior(weighed_of(case_of(seen), compiled))


def batches(most: int) -> Iterator[list[tuple[str, Finding]]]:
    """The findings, as many at a time as a case may hold."""
    findings = iter(PLAIN.findings.items())
    while some := list(itertools.islice(findings, most)):
        yield some


@st.composite
def evidence(draw: st.DrawFn, rules: RuleTable, most: int) -> dict[str, str]:
    codes = draw(st.lists(st.sampled_from(sorted(rules.findings)), min_size=1, max_size=most, unique=True))
    return {code: draw(st.sampled_from(rules.findings[code].outcomes)).code for code in codes}


@st.composite
def frequencies(draw: st.DrawFn, outcomes: int) -> list[float]:
    """A row of hundredths of one in 100, each at least 0.1, that sums to 100."""
    cuts = sorted(
        draw(st.lists(st.integers(0, 10_000 - 10 * outcomes), min_size=outcomes - 1, max_size=outcomes - 1))
    )
    edges = [0, *cuts, 10_000 - 10 * outcomes]
    return [(high - low + 10) / 100 for low, high in itertools.pairwise(edges)]


@st.composite
def tables(draw: st.DrawFn) -> RuleTable:
    causes = [f"cause_{i}" for i in range(draw(st.integers(2, 6)))]
    rows = {}
    for i in range(draw(st.integers(1, 6))):
        names = [f"outcome_{k}" for k in range(draw(st.integers(2, 4)))]
        listed = draw(st.lists(st.sampled_from(causes), unique=True))
        per_hundred = {cause: draw(frequencies(len(names))) for cause in listed}
        rows[f"finding_{i}"] = finding(names, draw(frequencies(len(names))), per_hundred=per_hundred)
    rates = {code: draw(st.integers(1, 1000)) / 10 for code in [*causes, UNLISTED]}
    return table(rates, rows, mistaken=draw(st.sampled_from((0, 0.05, 0.3))))


@modest
@given(seen=evidence(PLAIN, 30))
def test_starter_table_agrees_with_scikit_learn(seen: dict[str, str]) -> None:
    """scikit-learn, CategoricalNB with the table's own probabilities instead of fitted ones."""
    assert engine(seen) == pytest.approx(PLAIN_LIBRARIES.naive_bayes(seen), abs=AGREES)


@modest
@given(seen=evidence(PLAIN, 30))
def test_starter_table_agrees_with_an_exact_bayesian_network(seen: dict[str, str]) -> None:
    """pyAgrum, LazyPropagation (exact)."""
    assert engine(seen) == pytest.approx(PLAIN_LIBRARIES.network(seen), abs=AGREES)


def test_every_finding_of_the_starter_table_at_once_agrees_with_both_libraries() -> None:
    for place, some in itertools.product((0, 1, -1), batches(200)):
        seen = {code: row.outcomes[place].code for code, row in some}
        assert engine(seen) == pytest.approx(PLAIN_LIBRARIES.naive_bayes(seen), abs=AGREES)
        assert engine(seen) == pytest.approx(PLAIN_LIBRARIES.network(seen), abs=AGREES)


@modest
@given(data=st.data())
def test_outcomes_that_could_not_be_told_apart_are_what_a_network_calls_one_of_these(
    data: st.DataObject,
) -> None:
    """pyAgrum, likelihood evidence of ones and zeros."""
    wide = sorted(code for code, row in PLAIN.findings.items() if len(row.outcomes) > 2)
    seen: dict[str, str | list[str]] = {}
    for code in data.draw(st.lists(st.sampled_from(wide), min_size=1, max_size=8, unique=True)):
        names = [outcome.code for outcome in PLAIN.findings[code].outcomes]
        seen[code] = data.draw(st.lists(st.sampled_from(names), min_size=2, max_size=len(names), unique=True))
    assert engine(seen) == pytest.approx(PLAIN_LIBRARIES.network(seen), abs=AGREES)


@modest
@given(data=st.data(), rules=tables())
def test_random_tables_agree_with_both_libraries(data: st.DataObject, rules: RuleTable) -> None:
    seen = data.draw(evidence(rules, 6))
    libraries = Libraries(rules)
    assert engine(seen, rules) == pytest.approx(libraries.naive_bayes(seen), abs=AGREES)
    assert engine(seen, rules) == pytest.approx(libraries.network(seen), abs=AGREES)


def test_the_confidence_an_answer_shows_is_that_posterior_to_four_decimals() -> None:
    seen = {code: row.outcomes[1].code for code, row in list(PLAIN.findings.items())[:3]}
    weighed = weighed_of(case_of(seen), PLAIN_BOOK)
    shown = {
        cause: share / 10_000 for cause, share in zip(weighed.model.causes, weighed.confidence, strict=True)
    }
    assert shown == pytest.approx(PLAIN_LIBRARIES.naive_bayes(seen), abs=0.5001e-4)


def test_the_naive_bayes_variant_keeps_every_frequency_of_the_starter_table() -> None:
    shipped = starter_document()
    kept = msgspec.to_builtins(PLAIN)
    for code, row in shipped["findings"].items():
        if row.get("kind") != "several":
            assert kept["findings"][code]["per_hundred"] == row["per_hundred"]
            assert kept["findings"][code]["background"] == row["background"]
            continue
        for place, outcome in enumerate(row["outcomes"]):
            sign = kept["findings"][sayable(f"{code}.{outcome['code']}")]
            shares = {cause: cells[place] for cause, cells in row["per_hundred"].items()}
            assert {cause: seen for cause, (_, seen) in sign["per_hundred"].items()} == shares
            assert sign["background"][1] == row["background"][place]
    assert kept["base_rates"] == shipped["base_rates"]
