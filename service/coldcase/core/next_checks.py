"""What to look at next: the expected drop of the ranking's entropy, in bits, for each finding not yet seen.

Floating point is enough here: the result orders questions and is shown to two decimals. A quick measure (the expected
chi-square of a finding's outcomes, which for small information is proportional to it) picks the candidates of each
case; their expected entropy is then worked out in full.
"""

from collections.abc import Sequence

import numpy as np

from coldcase.core.answer import NextCheck
from coldcase.core.compiled import Book, Floats, Page, Stack
from coldcase.core.fixed_point import PARTS, Ints
from coldcase.core.weighing import Evidence, Weighed, kept

MOST = 5
CANDIDATES = 12

NEAR = 0.05
"""Gains (bits) closer than this (and not less than half) are equal; then the smaller effort comes first."""

LEAST = 0.005
"""Bits; less than that would be printed as 0.00."""

EFFORT = {"ask": 0, "look": 1, "meter": 2, "open": 3, "lab": 4}
DEADLINE = {"opening": 0, "scrapping": 1, "restart": 2, None: 3}


def next_checks(weighed: Weighed, book: Book) -> list[NextCheck]:
    """At most five checks worth making, what must be done before opening, scrapping or restart first."""
    return next_checks_many([weighed], book)[0]


def next_checks_many(batch: Sequence[Weighed], book: Book) -> list[list[NextCheck]]:
    """The same for cases that were weighed together (the whole batch), in their order."""
    stack = batch[0].page.stack
    now = batch[0].sums.shares.astype(np.float32)
    now /= now.sum(axis=1, keepdims=True)
    voices = _voices(batch, stack) / np.float32(book.table.temperature)
    expected = now @ stack.likelihood
    promise = np.add.reduceat(now @ stack.squared / expected, stack.starts, axis=1) - 1
    promise *= voices * voices
    promise[_closed(batch, book)] = -1
    picked = np.argpartition(-promise, min(CANDIDATES, promise.shape[1]) - 1, axis=1)[:, :CANDIDATES]
    gains = _gains(picked, now, expected, voices, stack)
    gains[np.take_along_axis(promise, picked, axis=1) < 0] = 0
    return [_chosen(own, bits, batch[0].page, book) for own, bits in zip(picked.tolist(), gains.tolist(), strict=True)]


def _voices(batch: Sequence[Weighed], stack: Stack) -> Floats:
    """What each finding would count, [case, finding]: one whose group has spoken already is a later voice."""
    groups = len(stack.fades)
    spoken = [
        case * groups + item.voice.number
        for case, weighed in enumerate(batch)
        for item in weighed.evidence.items
        if item.replaced_by is None and item.voice.number >= 0
    ]
    places = np.bincount(np.array(spoken, dtype=np.int64), minlength=len(batch) * groups).reshape(len(batch), groups)
    return np.asarray(stack.fades[stack.groups, places[:, stack.groups]])


def _closed(batch: Sequence[Weighed], book: Book) -> tuple[list[int], list[int]]:
    """Pairs of case and finding where no look is needed or possible: seen, gone with the opening, spoilt by it."""
    cases: list[int] = []
    findings: list[int] = []
    for case, weighed in enumerate(batch):
        evidence = weighed.evidence
        closed = [item.voice.place for item in evidence.items if item.voice.place >= 0]
        if was_opened(evidence):
            closed += evidence.page.stack.before_opening
        if evidence.discounts:
            closed += _spoilt(evidence.discounts, evidence.page, book)
        cases += [case] * len(closed)
        findings += closed
    return cases, findings


def was_opened(evidence: Evidence) -> bool:
    """Whether the shell is open: said so, or plain from what was seen."""
    method = evidence.case.opening.method
    if method is not None:
        return method != "not_opened"
    return any(item.voice.effort == "open" for item in evidence.items)


def _spoilt(discounts: tuple[int, ...], page: Page, book: Book) -> list[int]:
    """The findings all of whose signs keep less than half."""
    spoilt = page.spoilt.get(discounts)
    if spoilt is None:
        spoilt = page.spoilt[discounts] = [
            place
            for place, (code, sheet) in enumerate(page.sheets.items())
            if all(kept(discounts, code, voice, book)[0] < PARTS // 2 for voice in sheet.voices.values() if not voice.clear)
        ]
    return spoilt


def _gains(picked: Ints, now: Floats, expected: Floats, voices: Floats, stack: Stack) -> Floats:
    """Expected drop of entropy in bits, [case, picked finding]."""
    logs = np.log(np.maximum(now, np.float32(1e-30)))
    findings = picked.ravel()
    sizes = stack.sizes[findings]
    starts = np.cumsum(sizes) - sizes
    rows = np.arange(sizes.sum()) + np.repeat(stack.starts[findings] - starts, sizes)
    cases = np.repeat(np.arange(len(picked)), sizes.reshape(picked.shape).sum(axis=1))
    factors = np.repeat(np.take_along_axis(voices, picked, axis=1).ravel(), sizes)
    after = stack.weights[rows] * factors[:, None] + logs[cases]
    left = np.add.reduceat(expected[cases, rows] * _entropy(after), starts).reshape(picked.shape)
    return np.asarray((-(now * logs).sum(axis=1, keepdims=True) - left) / np.float32(np.log(2)))


def _entropy(logs: Floats) -> Floats:
    """Entropy in nats of each row of unnormalised natural logarithms (none so far from 0 that its power overflows)."""
    raised = np.exp(logs)
    total = raised.sum(axis=1)
    return np.asarray(np.log(total) - np.einsum("ij,ij->i", raised, logs) / total)


def _chosen(places: list[int], gains: list[float], page: Page, book: Book) -> list[NextCheck]:
    """At most five, greatest gain first, among near-equals the smaller effort; then those with a deadline first."""
    codes, rows = page.stack.codes, book.table.findings
    left = sorted((-gain, codes[place]) for place, gain in zip(places, gains, strict=True) if gain >= LEAST)
    chosen: list[tuple[float, str]] = []
    while left and len(chosen) < MOST:
        not_near = min(left[0][0] + NEAR, left[0][0] / 2)
        best, least_effort = 0, EFFORT[rows[left[0][1]].effort]
        for place, (loss, code) in enumerate(left):
            if loss >= not_near:
                break
            if EFFORT[rows[code].effort] < least_effort:
                best, least_effort = place, EFFORT[rows[code].effort]
        chosen.append(left.pop(best))
    chosen.sort(key=lambda check: DEADLINE[rows[check[1]].before])
    return [NextCheck(code, rows[code].question, rows[code].effort, rows[code].before, round(-loss, 2)) for loss, code in chosen]
