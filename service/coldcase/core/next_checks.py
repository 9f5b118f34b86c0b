"""What to look at next: the expected drop of the ranking's entropy, in bits, for each finding not yet seen.

Floating point is enough here: the result orders questions and is shown to two decimals. A quick measure (the
expected chi-square of a finding's outcomes, which for small information is proportional to it) picks the
candidates of each case; their expected entropy is then worked out in full.
"""

from collections.abc import Callable, Collection, Sequence

import msgspec
import numpy as np

from coldcase.core.answer import Asked, NextCheck
from coldcase.core.coding import machine_state
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.fixed_point import MILLION, Ints
from coldcase.core.machine_model import FindingMatrix, Floats, MachineModel
from coldcase.core.rule_table import ALL_EFFORTS, Closed, Effort, Finding, When
from coldcase.core.signs import whole
from coldcase.core.weighing import Evidence, Weighed, kept

MOST_CHECKS = 5
"""More than that nobody reads at job close."""

CANDIDATES = 12
"""Findings of a case whose gain is worked out in full."""

NEAR = 0.05
"""Gains (bits) closer than this (and not less than half) are equal; then the smaller effort comes first."""

LEAST_GAIN = 0.005
"""Bits; less than that would be printed as 0.00."""

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
    closed = _closed(batch, compiled, efforts)
    return [
        _chosen(own, bits, batch[0].model, compiled)
        for own, bits in zip(*_looked_into(batch, compiled, closed, CANDIDATES), strict=True)
    ]


def question_gains(
    weighed: Weighed, compiled: CompiledTable, efforts: Efforts, candidates: int
) -> dict[str, float]:
    """What each question that can still be asked would tell, in bits, of the most promising `candidates`
    places of the matrix: for whoever puts questions in an order of their own.
    """
    closed = _closed([weighed], compiled, [efforts])
    places, gains = _looked_into([weighed], compiled, closed, candidates)
    together = _together_by_finding(places[0], gains[0], weighed.model, compiled)
    return {code: gain for code, gain in together.items() if gain >= LEAST_GAIN}


def _looked_into(
    batch: Sequence[Weighed], compiled: CompiledTable, closed: tuple[list[int], list[int]], candidates: int
) -> tuple[list[list[int]], list[list[float]]]:
    """For each case the places that promise most, and what each is expected to tell, in bits.

    Shapes: `now` (the posterior) is [case, cause], `expected` (how likely each outcome is) [case, row of the
    matrix], `promise` and `decay` [case, finding], `picked` and `gains` [case, candidate], gains in bits.
    """
    matrix = batch[0].model.matrix
    # Shares as they are before they are sharpened: a look that settles the matter is worth making however
    # sure the answer is.
    now = batch[0].model.links.shared_out(batch[0].arrays.sums, 1000)[1].astype(np.float32)
    now /= now.sum(axis=1, keepdims=True)
    decay = _decay_factors(batch, matrix) / np.float32(compiled.table.temperature)
    expected = now @ matrix.likelihood
    promise = np.add.reduceat(now @ matrix.squared / expected, matrix.starts, axis=1) - 1
    promise *= decay * decay
    promise[closed] = -1
    picked = np.argpartition(-promise, min(candidates, promise.shape[1]) - 1, axis=1)[:, :candidates]
    gains = _gains(picked, now, expected, decay, matrix)
    gains[np.take_along_axis(promise, picked, axis=1) < 0] = 0
    return picked.tolist(), gains.tolist()


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


def _closed(
    batch: Sequence[Weighed], compiled: CompiledTable, efforts: Sequence[Efforts]
) -> tuple[list[int], list[int]]:
    """Pairs of case and finding where no look is needed or possible: seen, gone with the opening, discounted
    away by it, of no sense, or more than can be done now.
    """
    cases: list[int] = []
    findings: list[int] = []
    for case, weighed in enumerate(batch):
        closed = closed_places(weighed, compiled)
        closed += _out_of_reach(weighed.model.matrix, compiled, efforts[case])
        cases += [case] * len(closed)
        findings += closed
    return cases, findings


def closed_places(weighed: Weighed, compiled: CompiledTable) -> list[int]:
    """The same for one case: places in its matrix."""
    evidence = weighed.evidence
    matrix = evidence.model.matrix
    seen = {whole(item.code) for item in evidence.items if item.weight.finding_index >= 0}
    unasked = {whole(code) for code in compiled.asked_otherwise(evidence.observed)}
    closed = [place for code in seen | unasked for place in matrix.together.get(code, ())]
    closed += _makes_no_sense(weighed, compiled)
    if was_opened(evidence):
        closed += matrix.before_opening
    if evidence.discounts:
        closed += _discounted_away(evidence.discounts, evidence.model, compiled)
    return closed


def _makes_no_sense(weighed: Weighed, compiled: CompiledTable) -> list[int]:
    """What the table closes for this case; and nobody cuts open a compressor that was found sound."""
    evidence, cache = weighed.evidence, weighed.model.closed_away
    applying = compiled.closed.applying(
        evidence.case, evidence.condition_key, evidence.observed, compiled.apart
    )
    about = (*applying, machine_state(weighed) == "sound")
    places = cache.get(about)
    if places is None:
        places = cache[about] = _closed_by(about, weighed.model, compiled)
    return places


def _closed_by(about: tuple[int, ...], model: MachineModel, compiled: CompiledTable) -> list[int]:
    *applying, sound = about
    rows = compiled.apart.findings
    closed = [compiled.apart.closed[index] for index in applying]
    if sound:
        closed.append(Closed(when=When(), reason="the compressor is sound", efforts=["open"]))
    closes = [_closes(each) for each in closed]
    return [
        place
        for place, code in enumerate(model.matrix.codes)
        if any(closing(code, rows[code]) for closing in closes)
    ]


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


def _out_of_reach(matrix: FindingMatrix, compiled: CompiledTable, efforts: Efforts) -> list[int]:
    if len(efforts) == len(EFFORT_RANK):
        return []
    rows = compiled.apart.findings
    return [place for place, code in enumerate(matrix.codes) if rows[code].effort not in efforts]


def was_opened(evidence: Evidence) -> bool:
    """Whether the shell is open: said so, or plain from what was seen."""
    method = evidence.case.opening.method
    if method is not None:
        return method != "not_opened"
    return any(item.weight.effort == "open" for item in evidence.items)


def _discounted_away(discounts: tuple[int, ...], model: MachineModel, compiled: CompiledTable) -> list[int]:
    """The findings all of whose signs keep less than half."""
    gone = model.discounted_away.get(discounts)
    if gone is None:
        gone = model.discounted_away[discounts] = [
            place
            for place, (code, finding_model) in enumerate(model.findings.items())
            if all(
                kept(discounts, code, weight, compiled)[0] < MILLION // 2
                for weight in finding_model.weights.values()
                if not weight.clear
            )
        ]
    return gone


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
    left = sorted((-gain, code) for code, gain in together.items() if gain >= LEAST_GAIN)
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
    """Expected bits by finding, its signs taken together."""
    codes, rows = model.matrix.codes, compiled.table.findings
    of_finding: dict[str, list[float]] = {}
    for gain, place in sorted(zip(gains, places, strict=True), reverse=True):
        of_finding.setdefault(whole(codes[place]), []).append(gain)
    return {code: _together(own, rows[code].group, compiled) for code, own in of_finding.items()}


def _together(gains: list[float], group: str, compiled: CompiledTable) -> float:
    """What the signs of a finding are expected to tell together, the most telling first: they fade as their
    group does.
    """
    return sum(gain * compiled.decay_of(group, place) / MILLION for place, gain in enumerate(gains))


def _check(code: str, model: MachineModel, compiled: CompiledTable) -> NextCheck:
    """The check without its gain, with the outcomes that this machine can have; kept, for it comes again."""
    check: NextCheck | None = model.weight_cache.get(code)
    if check is None:
        row = compiled.table.findings[code]
        possible = compiled.possible(code, model)
        check = model.weight_cache[code] = NextCheck(
            finding=code,
            question=row.question,
            effort=row.effort,
            before=row.before,
            gain_bits=0,
            kind=row.kind,
            outcomes=[Asked(o.code, o.title, o.definition) for o in row.outcomes if o.code in possible],
        )
    return check
