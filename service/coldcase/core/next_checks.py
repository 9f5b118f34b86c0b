"""What to look at next: the expected drop of the ranking's entropy, in bits, for each finding not yet seen.

Floating point is enough here: the result orders questions and is shown to two decimals. A quick measure (the
expected chi-square of a finding's outcomes, which for small information is proportional to it) picks the
candidates of each case; their expected entropy is then worked out in full.
"""

from collections.abc import Callable, Collection, Hashable, Sequence

import msgspec
import numpy as np

from coldcase.core.answer import Asked, NextCheck
from coldcase.core.coding import machine_state
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.discounting import kept
from coldcase.core.fixed_point import MILLION, Ints
from coldcase.core.machine_model import FindingMatrix, Floats, MachineModel
from coldcase.core.recurring import Bools
from coldcase.core.rule_table import ALL_EFFORTS, Closed, Effort, Finding
from coldcase.core.signs import whole
from coldcase.core.weighing import Evidence, Weighed

MOST_CHECKS = 5
"""More than that nobody reads at job close."""

CANDIDATES = 12
"""Findings of a case whose gain is worked out in full."""

NEAR = 0.05
"""Gains (bits) closer than this (and not less than half) are equal; then the smaller effort comes first."""

LEAST_GAIN = 0.005
"""Bits; less than that would be printed as 0.00."""

MOST_CLOSED = 2000
"""Reasons to close findings that a model keeps, each alone and as they came together; sets of discounts are
many."""

EFFORT_RANK = {"ask": 0, "look": 1, "meter": 2, "open": 3, "lab": 4}
"""The smaller comes first among near-equals."""

DEADLINE = {"opening": 0, "scrapping": 1, "restart": 2, None: 3}
"""What is lost first comes first."""


Efforts = Collection[Effort]


def next_checks(weighed: Weighed, compiled: CompiledTable, efforts: Efforts = ALL_EFFORTS) -> list[NextCheck]:
    """At most five checks worth making of those efforts, what must be done before opening, scrapping or
    restart first.
    """
    return next_checks_many([weighed], compiled, [efforts])[0]


def next_checks_many(
    batch: Sequence[Weighed], compiled: CompiledTable, efforts: Sequence[Efforts]
) -> list[list[NextCheck]]:
    """The same for cases that were weighed together (the whole batch), in their order, each with its efforts.
    The signs of a finding of kind `several` count together.
    """
    picked, gains = gains_many(batch, compiled, efforts)
    return [
        _chosen(own, bits, batch[0].model, compiled)
        for own, bits in zip(picked.tolist(), gains.tolist(), strict=True)
    ]


def question_gains(
    weighed: Weighed, compiled: CompiledTable, efforts: Efforts, candidates: int
) -> dict[str, float]:
    """What each question that can still be asked would tell, in bits, of the most promising `candidates`
    places of the matrix: for whoever puts questions in an order of their own.
    """
    places, gains = gains_many([weighed], compiled, [efforts], candidates)
    return _together_by_finding(places[0].tolist(), gains[0].tolist(), weighed.model, compiled)


def gains_many(
    batch: Sequence[Weighed],
    compiled: CompiledTable,
    efforts: Sequence[Efforts],
    candidates: int = CANDIDATES,
) -> tuple[Ints, Floats]:
    """For each case the places of the matrix that promise most, and what each is expected to tell, in bits.

    Shapes: `now` (the posterior) is [case, cause], `expected` (how likely each outcome is) [case, row of the
    matrix], `promise` and `decay` [case, finding], `picked` and `gains` [case, candidate], gains in bits.
    """
    matrix = batch[0].model.matrix
    # Shares as they are before they are sharpened: a look that settles the matter is worth making however
    # sure the answer is.
    now = batch[0].model.links.shares(batch[0].arrays.sums, 1000).astype(np.float32)
    now /= now.sum(axis=1, keepdims=True)
    decay = _decay_factors(batch, matrix) / np.float32(compiled.table.temperature)
    expected, squared = _case_by_case(now, matrix.likelihood), _case_by_case(now, matrix.squared)
    promise = np.add.reduceat(squared / expected, matrix.starts, axis=1) - 1
    promise *= decay * decay
    for case, weighed in enumerate(batch):
        promise[case, closed(weighed, compiled, efforts[case])] = -1
    picked = np.argpartition(-promise, min(candidates, promise.shape[1]) - 1, axis=1)[:, :candidates]
    gains = _gains(picked, now, expected, decay, matrix)
    gains[np.take_along_axis(promise, picked, axis=1) < 0] = 0
    return picked, gains


def _case_by_case(now: Floats, matrix: Floats) -> Floats:
    """`now @ matrix`, each case by itself: to the last bit what it would be alone, and too small a product
    for the library to share it out over threads, which costs more than it brings.
    """
    product = np.empty((len(now), matrix.shape[1]), dtype=np.float32)
    for case, own in enumerate(now):
        np.matmul(own, matrix, out=product[case])
    return product


def _decay_factors(batch: Sequence[Weighed], matrix: FindingMatrix) -> Floats:
    """What each finding would count, [case, finding], a share of 1: one whose group has been seen already
    decays.
    """
    groups = len(matrix.group_decay)
    spoken = [
        case * groups + item.weight.group_index
        for case, weighed in enumerate(batch)
        for item in weighed.evidence.items
        if item.replaced_by is None and item.weight.group_index >= 0
    ]
    places = np.bincount(np.array(spoken, dtype=np.int64), minlength=len(batch) * groups).reshape(
        len(batch), groups
    )
    # Past the last step a group fades no further, as in `CompiledTable.decay_of`.
    places = np.minimum(places, matrix.group_decay.shape[1] - 1)
    return np.asarray(matrix.group_decay[matrix.groups, places[:, matrix.groups]])


def closed(weighed: Weighed, compiled: CompiledTable, efforts: Efforts = ALL_EFFORTS) -> Bools:
    """Where in its matrix one case needs or allows no look, [finding]: seen, gone with the opening,
    discounted away by it, of no sense, asked otherwise, or more than can be done now.
    """
    evidence, model = weighed.evidence, weighed.model
    whys: list[_Why] = [("asked otherwise", True)]
    whys += [("row", index) for index in _closed_by_rows(evidence, compiled)]
    if machine_state(weighed) == "sound":
        whys.append(("sound", True))
    if was_opened(evidence):
        whys.append(("opened", True))
    if evidence.discounts:
        whys.append(("discounts", evidence.discounts))
    if len(efforts) < len(EFFORT_RANK):
        whys.append(("efforts", frozenset(efforts)))
    mask = _away_together(tuple(whys), model, compiled).copy()
    mask[[place for code in evidence.observed for place in _answered(code, model, compiled)]] = True
    return mask


def _answered(code: str, model: MachineModel, compiled: CompiledTable) -> tuple[int, ...]:
    """The places of all that an answer to one finding (an engine's code) answers: its own signs, and those
    of the one that took its place.
    """
    places = model.kept.answered.get(code)
    if places is None:
        names = {whole(code), *map(whole, compiled.successors.get(code, ()))}
        places = tuple([place for name in names for place in model.matrix.together.get(name, ())])
        model.kept.answered[code] = places
    return places


_Why = tuple[str, Hashable]
"""Why findings need or allow no look, whatever was seen: in a word, and of what."""


def _closed_by_rows(evidence: Evidence, compiled: CompiledTable) -> list[int]:
    return compiled.closed.applying(evidence.case, evidence.condition_key, evidence.observed, compiled.apart)


def _away_together(whys: tuple[_Why, ...], model: MachineModel, compiled: CompiledTable) -> Bools:
    """The findings that are away for any of some reasons, [finding]; kept, for they come again together."""
    mask = model.kept.away.get(whys)
    if mask is None:
        if len(model.kept.away) >= MOST_CLOSED:
            model.kept.away.clear()
        mask = np.logical_or.reduce([_away(why, model, compiled) for why in whys])
        model.kept.away[whys] = mask
    return mask


def _away(why: _Why, model: MachineModel, compiled: CompiledTable) -> Bools:
    """The findings that are away for a reason, [finding]; kept, for it comes again with others."""
    mask = model.kept.away.get(why)
    if mask is None:
        is_away, rows = _is_away(why, model, compiled), compiled.apart.findings
        mask = model.kept.away[why] = np.array(
            [is_away(code, rows[code]) for code in model.matrix.codes], dtype=np.bool_
        )
    return mask


def _is_away(why: _Why, model: MachineModel, compiled: CompiledTable) -> Callable[[str, Finding], bool]:
    match why:
        case "row", int(index):
            return _closes(compiled.apart.closed[index])
        case "sound", _:
            # Nobody cuts open a compressor that was found sound.
            return lambda _, row: row.effort == "open"
        case "opened", _:
            return lambda _, row: row.before == "opening"
        case "discounts", tuple(discounts):
            return lambda code, _: _is_discounted_away(code, discounts, model, compiled)
        case "efforts", frozenset() as efforts:
            return lambda _, row: row.effort not in efforts
        case _:
            unasked = {whole(code) for code in compiled.no_longer_asked}
            return lambda code, _: whole(code) in unasked


def _closes(closed: Closed) -> Callable[[str, Finding], bool]:
    def closes(code: str, row: Finding) -> bool:
        if code in closed.findings:
            return True
        if not (closed.stations or closed.efforts):
            return False
        return (not closed.stations or row.station in closed.stations) and (
            not closed.efforts or row.effort in closed.efforts
        )

    return closes


def was_opened(evidence: Evidence) -> bool:
    """Whether the shell is open: said so, or plain from what was seen."""
    method = evidence.case.opening.method
    if method is not None:
        return method != "not_opened"
    return any(item.weight.effort == "open" for item in evidence.items)


def _is_discounted_away(
    code: str, discounts: tuple[int, ...], model: MachineModel, compiled: CompiledTable
) -> bool:
    """Whether all signs of a finding keep less than half."""
    return all(
        kept(discounts, code, weight, compiled)[0] < MILLION // 2
        for weight in model.findings[code].weights.values()
        if not weight.clear
    )


def _gains(picked: Ints, now: Floats, expected: Floats, decay: Floats, matrix: FindingMatrix) -> Floats:
    """Expected drop of entropy in bits, [case, candidate].

    `picked` are finding indices [case, candidate], `now` the posterior [case, cause], `expected` the chance
    of each outcome [case, row], `decay` [case, finding] already over the temperature. The candidates' rows of
    all cases lie below each other, so that numpy is called once and not for each candidate.
    """
    logs = np.log(np.maximum(now, np.float32(1e-30)))
    findings = picked.ravel()
    sizes = matrix.sizes[findings]
    starts = np.cumsum(sizes) - sizes
    rows = np.arange(sizes.sum()) + np.repeat(matrix.starts[findings] - starts, sizes)
    cases = np.repeat(np.arange(len(picked)), sizes.reshape(picked.shape).sum(axis=1))
    factors = np.repeat(np.take_along_axis(decay, picked, axis=1).ravel(), sizes)
    after = matrix.weights[rows] * factors[:, None] + logs[cases]
    left = np.add.reduceat(expected[cases, rows] * _entropy(after), starts).reshape(picked.shape)
    return np.asarray((-(now * logs).sum(axis=1, keepdims=True) - left) / np.float32(np.log(2)))


def _entropy(logs: Floats) -> Floats:
    """Entropy in nats of each row of unnormalised natural logarithms (none so far from 0 that its power
    overflows).
    """
    raised = np.exp(logs)
    total = raised.sum(axis=1)
    return np.asarray(np.log(total) - np.einsum("ij,ij->i", raised, logs) / total)


def _chosen(
    places: list[int], gains: list[float], model: MachineModel, compiled: CompiledTable
) -> list[NextCheck]:
    """At most five, greatest gain first, among near-equals the smaller effort; then those with a deadline
    first.
    """
    rows = compiled.table.findings
    together = _together_by_finding(places, gains, model, compiled)
    left = sorted([(-gain, code) for code, gain in together.items()])
    chosen: list[tuple[float, str]] = []
    while left and len(chosen) < MOST_CHECKS:
        not_near = min(left[0][0] + NEAR, left[0][0] / 2)
        best, least_effort = 0, EFFORT_RANK[rows[left[0][1]].effort]
        for place, (loss, code) in enumerate(left):
            if loss >= not_near:
                break
            if EFFORT_RANK[rows[code].effort] < least_effort:
                best, least_effort = place, EFFORT_RANK[rows[code].effort]
        chosen.append(left.pop(best))
    chosen.sort(key=lambda check: DEADLINE[rows[check[1]].before])
    return [
        msgspec.structs.replace(_check(code, model, compiled), gain_bits=round(-loss, 2))
        for loss, code in chosen
    ]


def _together_by_finding(
    places: list[int], gains: list[float], model: MachineModel, compiled: CompiledTable
) -> dict[str, float]:
    """Expected bits by finding, its signs taken together, of those that tell more than the least."""
    known_as, rows = model.matrix.known_as, compiled.table.findings
    of_finding: dict[str, list[float]] = {}
    for gain, place in sorted(zip(gains, places, strict=True), reverse=True):
        of_finding.setdefault(known_as[place], []).append(gain)
    worth: dict[str, float] = {}
    for code, own in of_finding.items():
        together = _together(own, compiled.group_decay[rows[code].group])
        if together >= LEAST_GAIN:
            worth[code] = together
    return worth


def _together(gains: list[float], decay: tuple[int, ...]) -> float:
    """What the signs of a finding are expected to tell together, the most telling first: they fade as their
    group does.
    """
    last = len(decay) - 1
    return sum([gain * decay[min(place, last)] / MILLION for place, gain in enumerate(gains)])


def _check(code: str, model: MachineModel, compiled: CompiledTable) -> NextCheck:
    """The check without its gain, with the outcomes that this machine can have; kept, for it comes again."""
    check = model.kept.checks.get(code)
    if check is None:
        row = compiled.table.findings[code]
        possible = compiled.possible(code, model)
        check = model.kept.checks[code] = NextCheck(
            finding=code,
            question=row.question,
            effort=row.effort,
            before=row.before,
            gain_bits=0,
            kind=row.kind,
            outcomes=[Asked(o.code, o.title, o.definition) for o in row.outcomes if o.code in possible],
        )
    return check
