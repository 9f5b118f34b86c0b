"""What to look at next: the expected drop of the ranking's entropy, in bits, for each finding not yet seen.

Floating point is enough here: the result orders questions and is shown to two decimals.
"""

import itertools
from typing import NamedTuple

import numpy as np

from coldcase.core.answer import NextCheck
from coldcase.core.case import Case
from coldcase.core.compiled import Book, Floats
from coldcase.core.fixed_point import PARTS
from coldcase.core.weighing import Spoilt, Weighed, kept

MOST = 5
NEAR = 0.05
"""Gains (bits) closer than this (and not less than half) are equal; then the smaller effort comes first."""

EFFORT = {"ask": 0, "look": 1, "meter": 2, "open": 3, "lab": 4}
DEADLINE = {"opening": 0, "scrapping": 1, "restart": 2, None: 3}
LEAST = 0.005
"""Bits; less than that would be printed as 0.00."""

_NEGLIGIBLE = 1e-3


class _Candidate(NamedTuple):
    effort: int
    loss: float
    code: str

    @property
    def gain(self) -> float:
        return -self.loss


def next_checks(case: Case, weighed: Weighed, book: Book) -> list[NextCheck]:
    """At most five checks worth making, what must be done before opening, scrapping or restart first."""
    rows = book.table.findings
    chosen = _by_gain(_candidates(case, weighed, book))
    chosen.sort(key=lambda candidate: DEADLINE[rows[candidate.code].before])
    return [
        NextCheck(finding=code, question=rows[code].question, effort=rows[code].effort, before=rows[code].before, gain_bits=round(-loss, 2))
        for _, loss, code in chosen
    ]


def _candidates(case: Case, weighed: Weighed, book: Book) -> list[_Candidate]:
    """The most telling findings that could still be looked at: not seen, not already spoilt by how it was opened."""
    opened = was_opened(case, weighed, book)
    gains = _gains(weighed, book)
    found: list[_Candidate] = []
    for index in np.argsort(-gains, kind="stable").tolist():
        code, gain = weighed.page.stack.codes[index], float(gains[index])
        if gain < LEAST or (len(found) >= MOST and not _near(gain, found[MOST - 1].gain)):
            break
        too_late = opened and book.table.findings[code].before == "opening"
        if code not in weighed.seen and not too_late and not _spoilt(code, weighed.discounts, book):
            found.append(_Candidate(EFFORT[book.table.findings[code].effort], -gain, code))
    return found


def _near(gain: float, better: float) -> bool:
    """Whether a gain is as good as equal to a better one."""
    return gain > better - NEAR and gain > better / 2


def was_opened(case: Case, weighed: Weighed, book: Book) -> bool:
    """Whether the shell is open: said so, or plain from what was seen."""
    if case.opening.method is not None:
        return case.opening.method != "not_opened"
    return any(book.table.findings[code].effort == "open" for code in weighed.seen)


def _spoilt(code: str, discounts: list[Spoilt], book: Book) -> bool:
    signs = [outcome.code for outcome in book.table.findings[code].outcomes[1:]]
    return bool(discounts) and all(kept(discounts, code, [sign], book)[0] < PARTS // 2 for sign in signs)


def _gains(weighed: Weighed, book: Book) -> Floats:
    """Expected drop of entropy in bits for every finding of the page, in the order of its stack."""
    stack = weighed.page.stack
    now = (weighed.shares / weighed.shares.sum()).astype(np.float32)
    live = np.flatnonzero(now > _NEGLIGIBLE)
    now = now[live] / now[live].sum()
    logs = np.log(now)
    factors = (_voices(weighed) / np.float32(book.table.temperature))[stack.finding_of]
    after = _entropy(stack.weights[live] * factors + logs[:, None])
    expected = np.add.reduceat((now @ stack.likelihood[live]) * after, stack.starts)
    return np.asarray((-(now @ logs) - expected) / np.float32(np.log(2)))


def _voices(weighed: Weighed) -> Floats:
    """What each finding would count: one whose group has spoken already is a later voice."""
    stack = weighed.page.stack
    spoken = [stack.group_numbers[i.group] for i in weighed.items if i.replaced_by is None and i.source != "pattern"]
    places = np.bincount(spoken, minlength=len(stack.fades)) if spoken else np.zeros(len(stack.fades), dtype=np.int64)
    return np.asarray(stack.fades[stack.groups, np.minimum(places, stack.fades.shape[1] - 1)[stack.groups]])


def _entropy(logs: Floats) -> Floats:
    """Entropy in nats of each column of unnormalised natural logarithms (none so far from 0 that its power overflows)."""
    raised = np.exp(logs)
    total = raised.sum(axis=0)
    return np.asarray(np.log(total) - (raised * logs).sum(axis=0) / total)


def _by_gain(candidates: list[_Candidate]) -> list[_Candidate]:
    """At most five, greatest gain first; among near-equals the smaller effort."""
    left = list(candidates)
    chosen: list[_Candidate] = []
    while left and len(chosen) < MOST:
        best = min(itertools.takewhile(lambda candidate: _near(candidate.gain, left[0].gain), left))
        chosen.append(best)
        left.remove(best)
    return chosen
