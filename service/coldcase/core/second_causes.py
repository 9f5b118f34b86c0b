"""What besides the coded cause was at work: what began it, what followed, or what stood beside it."""

import numpy as np

from coldcase.core.answer import Contribution
from coldcase.core.coding import AUDIBLE
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.fixed_point import DECIBAN, Ints
from coldcase.core.machine_model import MachineModel
from coldcase.core.recurring import Beside
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
    model, leader = weighed.model, weighed.order[0]
    beside = model.kept.beside.get(leader)
    if beside is None:
        beside = model.kept.beside[leader] = _beside(leader, model, compiled)
    if not model.rivals or not (unexplained or beside.roles):
        return []
    counted, items, linked = weighed.counted, weighed.items, beside.linked
    signs = [i for i, item in enumerate(items) if not item.weight.clear and item.replaced_by is None]
    of_linked, explained = counted[signs][:, linked], np.maximum(counted[signs, leader], 0)
    least = _least(weighed, beside)
    found: list[Contribution] = []
    named, left = [leader] if leader < model.rivals else [], unexplained
    while len(found) < MOST:
        more = np.maximum(of_linked - explained[:, None], 0)
        sums = counted[left, : model.rivals].sum(axis=0)
        sums[linked] = more.sum(axis=0)
        sums[sums < least] = 0
        sums[named] = 0
        best = int(sums.argmax())
        if not sums[best]:
            break
        named.append(best)
        if best in beside.roles:
            gained = zip(signs, more[:, linked.tolist().index(best)].tolist(), strict=True)
        else:
            gained = zip(left, counted[left, best].tolist(), strict=True)
        taken = [item for item, gain in gained if gain >= AUDIBLE]
        found.append(
            Contribution(
                cause=model.causes[best],
                role=beside.roles.get(best, "beside"),
                support_decibans=round(int(sums[best]) / DECIBAN, 1),
                explains=list(dict.fromkeys([whole(items[item].code) for item in taken])),
            )
        )
        explained = np.maximum(explained, counted[signs, best])
        left = [item for item in left if item not in taken]
    return found


def _beside(leader: int, model: MachineModel, compiled: CompiledTable) -> Beside:
    roles = compiled.linked.get(model.causes[leader], {})
    by_index = {i: roles[code] for i, code in enumerate(model.causes[: model.rivals]) if code in roles}
    strong = max(round(compiled.table.coding.strong_decibans * DECIBAN), 1)
    least = np.full(model.rivals, strong + strong // 2)
    linked = np.array([*by_index], dtype=np.int64)
    least[linked] = strong
    return Beside(by_index, linked, least)


def _least(weighed: Weighed, beside: Beside) -> Ints:
    """The support that each rival cause needs to be named beside the leader, in nanobans."""
    story = weighed.story
    if story is None or story.begins != weighed.order[0]:
        return beside.least
    least = beside.least.copy()
    least[story.leads_to] = AUDIBLE
    return least
