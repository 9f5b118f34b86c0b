"""What besides the coded cause was at work: what began it, what followed, or what stood beside it."""

import numpy as np

from coldcase.core.answer import Contribution
from coldcase.core.coding import AUDIBLE
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.fixed_point import DECIBAN, Ints
from coldcase.core.signs import whole
from coldcase.core.weighing import Weighed

MOST = 3


def contributing(weighed: Weighed, unexplained: list[int], compiled: CompiledTable) -> list[Contribution]:
    """Causes with strong support, strongest first; each takes what it explains.

    A cause that the table links with the leader counts every sign that it makes likelier than the leader
    does (one of the two causes made it: the likelier one); any other cause only the signs that the leader
    leaves unexplained, and of these it needs half as much again: two causes seldom meet by chance. What the
    leader has begun in the likeliest story is named with any support.
    """
    causes, leader, rivals = weighed.model.causes, weighed.order[0], weighed.model.rivals
    roles = compiled.linked.get(causes[leader], {})
    linked = [index for index in range(rivals) if causes[index] in roles]
    if not rivals or not (unexplained or linked):
        return []
    counted, left = weighed.counted, np.zeros((len(weighed.items), 1), dtype=bool)
    left[unexplained] = True
    signs = np.array([[not item.weight.clear and item.replaced_by is None] for item in weighed.items])
    explained = np.maximum(counted[:, [leader]], 0)
    least = _least(weighed, linked, compiled)
    found: list[Contribution] = []
    named = [leader]
    while len(found) < MOST:
        gains = np.where(left, counted[:, :rivals], 0)
        gains[:, linked] = np.where(signs, np.maximum(counted[:, linked] - explained, 0), 0)
        sums = gains.sum(axis=0)
        sums[sums < least] = 0
        sums[[cause for cause in named if cause < rivals]] = 0
        best = int(sums.argmax())
        if not sums[best]:
            break
        named.append(best)
        taken = np.flatnonzero(gains[:, best] >= AUDIBLE).tolist()
        found.append(
            Contribution(
                cause=causes[best],
                role=roles.get(causes[best], "beside"),
                support_decibans=round(int(sums[best]) / DECIBAN, 1),
                explains=list(dict.fromkeys(whole(weighed.items[item].code) for item in taken)),
            )
        )
        explained = np.maximum(explained, counted[:, [best]])
        left[taken] = False
    return found


def _least(weighed: Weighed, linked: list[int], compiled: CompiledTable) -> Ints:
    """The support that each rival cause needs to be named beside the leader, in nanobans."""
    strong = max(round(compiled.table.coding.strong_decibans * DECIBAN), 1)
    least = np.full(weighed.model.rivals, strong + strong // 2)
    least[linked] = strong
    story = weighed.story
    if story is not None and story.begins == weighed.order[0]:
        least[story.leads_to] = AUDIBLE
    return least
