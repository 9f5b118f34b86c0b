"""What besides the coded cause was at work: what began it, what followed, or what stood beside it."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from coldcase.core.answer import Contribution, Role
from coldcase.core.coding import AUDIBLE
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.fixed_point import DECIBAN, Ints
from coldcase.core.signs import whole
from coldcase.core.weighing import Weighed

MOST = 3


class _Candidate(NamedTuple):
    cause: int
    role: Role
    gains: Ints
    """What it adds to each item beyond what is explained already, in nanobans."""


def contributing(weighed: Weighed, unexplained: list[int], compiled: CompiledTable) -> list[Contribution]:
    """Causes with strong support, strongest first; each takes what it explains.

    A cause that the table links with the leader counts every sign that it makes likelier than the leader
    does (one of the two causes made it: the likelier one); any other cause only the signs that the leader
    leaves unexplained.
    """
    counted = weighed.counted
    signs = np.array(
        [not item.weight.clear and item.replaced_by is None for item in weighed.items], dtype=bool
    )
    explained = np.maximum(counted[:, weighed.order[0]], 0)
    left = np.zeros(len(weighed.items), dtype=bool)
    left[unexplained] = True
    least = max(compiled.table.coding.strong_decibans * DECIBAN, 1)
    found: list[Contribution] = []
    named = {weighed.order[0]}
    while len(found) < MOST:
        candidates = [
            each
            for each in _candidates(weighed, compiled, (signs, left), explained)
            if each.cause not in named
        ]
        best = max(candidates, key=lambda each: int(each.gains.sum()), default=None)
        if best is None or best.gains.sum() < least:
            break
        named.add(best.cause)
        taken = np.flatnonzero(best.gains >= AUDIBLE).tolist()
        found.append(
            Contribution(
                cause=weighed.model.causes[best.cause],
                role=best.role,
                support_decibans=round(int(best.gains.sum()) / DECIBAN, 1),
                explains=list(dict.fromkeys(whole(weighed.items[item].code) for item in taken)),
            )
        )
        explained = np.maximum(explained, counted[:, best.cause])
        left[taken] = False
    return found


def _candidates(
    weighed: Weighed, compiled: CompiledTable, items: tuple[Ints, Ints], explained: Ints
) -> Iterator[_Candidate]:
    """Every rival with what it adds: `items` are the signs, and those that the leader leaves unexplained."""
    counted, leader = weighed.counted, weighed.model.causes[weighed.order[0]]
    signs, left = items
    for cause in range(weighed.model.rivals):
        role = compiled.role_of(weighed.model.causes[cause], leader)
        if role == "beside":
            yield _Candidate(cause, role, np.where(left, counted[:, cause], 0))
        else:
            yield _Candidate(cause, role, np.where(signs, np.maximum(counted[:, cause] - explained, 0), 0))
