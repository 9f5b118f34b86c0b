"""Worked examples from print, run through the engine as small rule tables.

Only what has the shape of naive Bayes can be: one hidden state, signs independent given it. Of the burglary
and sprinkler networks the parts of that shape are checked. "Asia" (Lauritzen and Spiegelhalter 1988) has two
causes that meet in one sign; no table of single causes is that network, so it is left to the libraries that
`test_exact_bayes` compares with.
"""

import pytest

from coldcase.core.rule_table import RuleTable
from tests.core.tables import case_of, compiled_of, finding, posterior, table, weighed_of


def odds_on(rules: RuleTable, cause: str, seen: dict[str, str]) -> float:
    """The posterior of a cause among the named ones (`unlisted`, which always competes, is left out)."""
    shares = posterior(weighed_of(case_of(seen), compiled_of(rules)))
    return shares[cause] / sum(shares[code] for code in rules.causes)


def yes_no(yes: dict[str, float], background: float = 50) -> dict[str, object]:
    """A finding with its share of `yes` in 100 for each cause."""
    return finding(
        ["no", "yes"],
        [100 - background, background],
        per_hundred={code: [100 - share, share] for code, share in yes.items()},
    )


def test_play_tennis() -> None:
    """Mitchell, Machine Learning, 1997, 6.9.1: sunny, cool, high, strong; P(no) = 0.795.

    Recomputed from the counts 0.795417. Our frequencies are whole hundredths of one in 100, hence the
    tolerance.
    """
    rows = {
        "sunny": yes_no({"play": 22.22, "stay": 60}),
        "cool": yes_no({"play": 33.33, "stay": 20}),
        "humid": yes_no({"play": 33.33, "stay": 80}),
        "strong_wind": yes_no({"play": 33.33, "stay": 60}),
    }
    seen = dict.fromkeys(rows, "yes")
    assert odds_on(table({"play": 9, "stay": 5}, rows), "stay", seen) == pytest.approx(0.795417, abs=1e-4)


def test_screening() -> None:
    """The usual example of base-rate neglect: prior 1 %, sensitivity 80 %, false alarms 9.6 %; 7.76 %, not 80
    %."""
    rules = table({"ill": 1, "well": 99}, {"positive": yes_no({"ill": 80, "well": 9.6})})
    assert odds_on(rules, "ill", {"positive": "yes"}) == pytest.approx(0.0776397, abs=1e-6)


def test_burglary() -> None:
    """Russell and Norvig, Artificial Intelligence: A Modern Approach, burglary network: P(burglary given both
    call) = 0.284.

    The calls are independent given the alarm, which is the engine's part; what the alarm says of a burglary
    follows from the network's own tables (burglary 0.001, earthquake 0.002, alarm 0.95, 0.94, 0.29, 0.001).
    """
    rings_if_burglary = 0.95 * 0.002 + 0.94 * 0.998
    rings_if_none = 0.29 * 0.002 + 0.001 * 0.998
    rings = 0.001 * rings_if_burglary + 0.999 * rings_if_none
    rows = {"john_calls": yes_no({"alarm": 90, "quiet": 5}), "mary_calls": yes_no({"alarm": 70, "quiet": 1})}
    rang = odds_on(
        table({"alarm": rings * 100, "quiet": 100 - rings * 100}, rows), "alarm", dict.fromkeys(rows, "yes")
    )
    burglary = rang * 0.001 * rings_if_burglary / rings + (1 - rang) * 0.001 * (1 - rings_if_burglary) / (
        1 - rings
    )
    assert burglary == pytest.approx(0.284171835, abs=1e-6)


def test_wet_grass() -> None:
    """The sprinkler network (cloudy 0.5; sprinkler 0.1, 0.5; rain 0.8, 0.2; wet 0.99, 0.9, 0.9, 0): P(rain
    given wet) = 0.708.

    Summed over cloud and sprinkler, the grass is wet in 91.62 of 100 with rain and in 37.8 without.
    """
    rules = table({"rain": 50, "dry": 50}, {"wet_grass": yes_no({"rain": 91.62, "dry": 37.8})})
    assert odds_on(rules, "rain", {"wet_grass": "yes"}) == pytest.approx(0.707927677, abs=1e-6)


def test_sprinkler_explained_away() -> None:
    """The same network: P(sprinkler given wet) = 0.430, and 0.194 once rain is known, which makes it the less
    needed.

    In rain the sprinkler is on in 18 of 100 (0.09 of 0.5), and the grass then wet in 99 against 90.
    """
    wet = table({"on": 30, "off": 70}, {"wet_grass": yes_no({"on": 92.7, "off": 52.71})})
    in_rain = table({"on": 18, "off": 82}, {"wet_grass": yes_no({"on": 99, "off": 90})})
    assert odds_on(wet, "on", {"wet_grass": "yes"}) == pytest.approx(0.429763560, abs=1e-4)
    assert odds_on(in_rain, "on", {"wet_grass": "yes"}) == pytest.approx(0.194499018, abs=1e-6)


def test_the_background_does_not_touch_the_posterior_of_listed_causes() -> None:
    """It is the same divisor for every cause; only `unlisted` is judged by it."""
    answers = [
        odds_on(
            table(
                {"ill": 1, "well": 99}, {"positive": yes_no({"ill": 80, "well": 9.6}, background=background)}
            ),
            "ill",
            {"positive": "yes"},
        )
        for background in (0.1, 9.6, 50, 99.9)
    ]
    assert answers == pytest.approx([0.0776397] * 4, abs=1e-6)
