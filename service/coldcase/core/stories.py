"""The cause in front, weighed together with each cause that may have begun it or that it may have begun.

A leak that a bent pipe began shows the signs of a lack of charge *and* those of the blow; weighed alone, each
of the two causes would be contradicted by the other's signs.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from coldcase.core.fixed_point import MILLION, Ints, halves_to_even, relative_shares

_NEVER = -(10**15)
"""A score that leaves no share, in nanobans."""


@dataclass(frozen=True, slots=True)
class Links:
    """The n links of one cause to others: in each `begins` began `leads_to` (causes by index), and one of the
    two is the cause itself.

    `prior` are the logarithms of how often that happens ([n], nanobans), `alone` those of the share of each
    cause's failures in which none of these links is at work ([cause], nanobans). `weights` is what each
    outcome or pattern weighs for both causes together, [row, n] in nanobans.
    """

    begins: Ints
    leads_to: Ints
    prior: Ints
    alone: Ints
    weights: Ints


class Story(NamedTuple):
    """One cause that began another (both by index): `counted` is what each item counts for the two together,
    `score` the sum with its prior, in nanobans.
    """

    begins: int
    leads_to: int
    counted: Ints
    score: int


class Stories(NamedTuple):
    """The stories that a case allows of the cause in front: the score of each ([n]) and what each item counts
    for it ([item, n]), both in nanobans.
    """

    links: Links
    scores: Ints
    counted: Ints

    @property
    def likeliest(self) -> Story:
        """The one with the highest score."""
        best = int(self.scores.argmax())
        begins, leads_to = int(self.links.begins[best]), int(self.links.leads_to[best])
        return Story(begins, leads_to, self.counted[:, best], int(self.scores[best]))


def counted_for(links: Links, rows: Ints, full: Ints, factors: Ints) -> Ints:
    """What each item counts for each story, [item, n] in nanobans. `rows` are those of the items; one of -1
    ("one of these") counts as the better of the two causes has it in `full` ([item, cause]). `factors` are
    millionths.
    """
    weights = links.weights[rows]
    for place in np.flatnonzero(rows < 0).tolist():
        weights[place] = np.maximum(full[place, links.begins], full[place, links.leads_to])
    return faded(weights, factors)


def faded(weights: Ints, factors: Ints) -> Ints:
    """Weights ([item, …]) times what is left of each item (millionths), rounded half to even. May be the
    weights themselves.
    """
    lessened = np.flatnonzero(factors != MILLION)
    if len(lessened):
        weights = weights.copy()
        weights[lessened] = halves_to_even(weights[lessened] * factors[lessened, None], MILLION)
    return weights


def shared_out(scores: Ints, told: Mapping[int, Stories]) -> tuple[Ints, Ints]:
    """Scores and shares ([case, cause]) in which each story of a case stands for the cause that began it: its
    share is added to that cause's own.
    """
    if not told:
        return scores, relative_shares(scores)
    width, most = scores.shape[1], max(len(stories.scores) for stories in told.values())
    wide = np.full((len(scores), width + most), _NEVER)
    wide[:, :width] = scores
    for case, stories in told.items():
        wide[case, :width] += stories.links.alone
        wide[case, width : width + len(stories.scores)] = stories.scores
    shares = relative_shares(wide)
    raised, together = wide[:, :width], shares[:, :width]
    for case, stories in told.items():
        begins = stories.links.begins
        np.add.at(together[case], begins, shares[case, width : width + len(begins)])
        np.maximum.at(raised[case], begins, stories.scores)
    return raised, together
