"""Pairs of causes, one of which began the other, weighed beside the causes alone.

A leak that a bent pipe began shows the signs of a lack of charge *and* those of the blow; weighed alone, each
of the two causes would be contradicted by the other's signs.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from coldcase.core.fixed_point import Ints, halves_up, relative_shares


class Story(NamedTuple):
    """One cause that began another, both by index; `link` is the place of the two among the links."""

    begins: int
    leads_to: int
    link: int


@dataclass(frozen=True, slots=True)
class Links:
    """The links of one kind of machine, in each of which one cause began another (by index); those that one
    cause begins lie together.

    What is weighed are the links and, after them, the causes alone: `pairs` are the two causes of each,
    [2, link + cause], a cause alone being both. `begins` are the causes that begin any link, and `first` the
    first link of each. `of_cause` has the links that a cause has a part in.
    """

    number: int
    pairs: Ints
    begins: Ints
    first: Ints
    of_cause: Mapping[int, Ints]

    @classmethod
    def between(cls, begins: list[int], leads_to: list[int], causes: int) -> "Links":
        """The links, `begins` in ascending order, on a machine that can have so many causes."""
        pairs = np.array([[*begins, *range(causes)], [*leads_to, *range(causes)]], dtype=np.int64)
        linked = pairs[:, : len(begins)]
        own, first = np.unique(linked[0], return_index=True)
        of_cause = {cause: np.flatnonzero((linked == cause).any(axis=0)) for cause in {*begins, *leads_to}}
        return cls(len(begins), pairs, own, first, of_cause)

    def beside(self, weights: Ints) -> Ints:
        """What an item weighs for each link, as the better of its causes has it, and for each cause ([link +
        cause]); `weights` are [cause].
        """
        return np.asarray(np.maximum(weights[self.pairs[0]], weights[self.pairs[1]]))

    def shares(self, sums: Ints, sharpness: int) -> Ints:
        """Each cause's share beside the best of all, [case, cause], in which each story stands for the cause
        that began it: its share is added to that cause's own. `sums` are [case, link + cause] in nanobans;
        shares are raised to the power of `sharpness` thousandths.
        """
        shares = relative_shares(sums if sharpness == 1000 else halves_up(sums, 1000, sharpness))
        if not self.number:
            return shares
        together = shares[:, self.number :]
        together[:, self.begins] += np.add.reduceat(shares[:, : self.number], self.first, axis=1)
        return together

    def scores(self, sums: Ints) -> Ints:
        """The score of each cause, [case, cause] in nanobans, or of the likeliest story that it began."""
        if not self.number:
            return sums
        scores = sums[:, self.number :].copy()
        best = np.maximum.reduceat(sums[:, : self.number], self.first, axis=1)
        scores[:, self.begins] = np.maximum(scores[:, self.begins], best)
        return scores

    def likeliest(self, sums: Ints, leader: int) -> Story | None:
        """The likeliest story that the cause in front has a part in, if it is likelier than the cause that
        began it alone. `sums` are those of one case, [link + cause].
        """
        links = self.of_cause.get(leader)
        if links is None:
            return None
        link = int(links[sums[links].argmax()])
        begins, leads_to = self.pairs[:, link].tolist()
        return Story(begins, leads_to, link) if sums[link] > sums[self.number + begins] else None
