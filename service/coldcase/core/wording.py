"""Sentences of the rationale: what was found, what it speaks for, and how strongly."""

import bisect
import math
from operator import itemgetter

from coldcase.core.answer import Weight
from coldcase.core.compiled import Book
from coldcase.core.fixed_point import DECIBAN, PARTS
from coldcase.core.weighing import Item, Weighed

SCALE = {10: "weak", 20: "moderate", 30: "moderately strong", 40: "strong", 60: "very strong", math.inf: "extremely strong"}
"""Verbal scale of the Association of Forensic Science Providers for likelihood ratios above 1 to 10, to 100, to 1,000,
to 10,000, to 1,000,000 and beyond, here by upper edge in decibans. A ratio on an edge belongs to the weaker band."""

_EDGES = [edge * DECIBAN for edge in SCALE]
_WORDS = list(SCALE.values())

MOST_REMEMBERED = 20_000

_SHOWN = DECIBAN // 20
"""Less than that would be printed as 0.0 decibans."""


def strength(nanobans: int) -> str:
    """The verbal strength of a weight, for or against."""
    if nanobans == 0:
        return "no support either way"
    word = _WORDS[bisect.bisect_left(_EDGES, abs(nanobans))]
    return f"{word} support" if nanobans > 0 else f"{word} support against"


def rationale(weighed: Weighed, book: Book) -> tuple[list[Weight], list[Weight]]:
    """What speaks for the leader and what against it, each in the order of weight; replaced findings last."""
    voices = [
        (item.replaced_by is not None, -abs(counted or full), item.code, _weight(item, full, counted, weighed, book))
        for item, full, counted in zip(weighed.items, weighed.for_leader_in_full, weighed.for_leader, strict=True)
        if abs(counted or full) >= _SHOWN
    ]
    voices.sort(key=_RANK)
    weights = [weight for _, _, _, weight in voices]
    return [w for w in weights if (w.decibans or w.full_decibans) > 0], [w for w in weights if (w.decibans or w.full_decibans) < 0]


_RANK = itemgetter(0, 1, 2)


def _weight(item: Item, full: int, counted: int, weighed: Weighed, book: Book) -> Weight:
    """What is said of a voice. It depends on few things that come again and again, so the page remembers it."""
    leader = weighed.order[0]
    about = (leader, item.code, item.outcomes, item.source, item.keep, item.reason, item.fade, item.replaced_by)
    worded = weighed.page.worded
    weight: Weight | None = worded.get(about)
    if weight is None:
        if len(worded) >= MOST_REMEMBERED:
            worded.clear()
        weight = worded[about] = Weight(
            finding=item.code,
            outcome=said(item.outcomes),
            source=item.source,
            decibans=decibans(counted),
            full_decibans=decibans(full),
            counted=item.replaced_by is None,
            strength=strength(counted),
            sentence=_sentence(item, counted, leader, weighed, book),
        )
    return weight


def decibans(nanobans: int) -> float:
    """Nanobans as decibans to one decimal."""
    return round(nanobans / DECIBAN, 1) + 0.0


def said(outcomes: tuple[str, ...]) -> str | list[str]:
    """Outcomes as a caller sends them: one code, or the list of those that could not be told apart."""
    return outcomes[0] if len(outcomes) == 1 else list(outcomes)


def _sentence(item: Item, counted: int, leader: int, weighed: Weighed, book: Book) -> str:
    found = f"{_found(item, book)}. {_frequency(item, leader, weighed, book)}"
    if item.replaced_by is not None:
        return f"{found} Not counted again: '{_title(item.replaced_by, book)}' already says it."
    direction = "" if counted < 0 else " for"
    sentence = f"{found} {strength(counted).capitalize()}{direction} '{_cause(leader, weighed, book)}'."
    if item.keep < PARTS:
        sentence += f" Counted at {item.keep / PARTS:.0%}: {item.reason}."
    if item.fade < PARTS:
        sentence += f" Counted less, as a further sign of one thing: {book.table.groups[item.voice.group].says}."
    return sentence


def _found(item: Item, book: Book) -> str:
    if item.source == "pattern":
        return book.table.patterns[item.code].title
    if len(item.outcomes) == 1:
        return book.found[item.code, item.outcomes[0]]
    return f"{_title(item.code, book)}: {' or '.join(book.found[item.code, outcome].split(': ', 1)[1] for outcome in item.outcomes)}"


def _frequency(item: Item, leader: int, weighed: Weighed, book: Book) -> str:
    if item.source == "pattern":
        row = book.table.patterns[item.code]
        here, elsewhere = row.per_hundred.get(weighed.page.causes[leader], row.background), row.background
    else:
        percent = weighed.page.sheets[item.code].percent_of(item.outcomes)
        here, elsewhere = percent.item(leader), percent.item(-1)
    return f"Of 100 failures from this cause about {per_hundred(here)} show it, of 100 unrelated failures about {per_hundred(elsewhere)}."


def per_hundred(share: float) -> str:
    """A share of 100 as people say it: whole from 10 up, else one decimal where it matters."""
    return f"{share:.0f}" if share >= 9.95 else f"{share:.1f}".removesuffix(".0")


def _title(code: str, book: Book) -> str:
    row = book.table.findings.get(code) or book.table.patterns[code]
    return row.title


def _cause(index: int, weighed: Weighed, book: Book) -> str:
    cause = book.table.causes.get(weighed.page.causes[index])
    return cause.title if cause else "a cause that the table does not know"
