"""Sentences of the rationale: what was found, what it speaks for, and how strongly."""

import bisect
import math
from operator import itemgetter
from typing import Any, NamedTuple

from coldcase.core.answer import Weight
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.fixed_point import DECIBAN, MILLION
from coldcase.core.signs import sight
from coldcase.core.weighing import Weighed, WeighedFinding

VERBAL_SCALE = {
    10: "weak",
    20: "moderate",
    30: "moderately strong",
    40: "strong",
    60: "very strong",
    math.inf: "extremely strong",
}
"""Verbal scale of the Association of Forensic Science Providers for likelihood ratios above 1 to 10, to 100,
to 1,000, to 10,000, to 1,000,000 and beyond, here by upper edge in decibans. A ratio on an edge belongs to
the weaker band."""

_EDGES = [edge * DECIBAN for edge in VERBAL_SCALE]
_WORDS = list(VERBAL_SCALE.values())

MOST_CACHED = 20_000

_SHOWN = DECIBAN // 20
"""Less than that would be printed as 0.0 decibans."""


def strength(nanobans: int) -> str:
    """The verbal strength of a weight, for or against."""
    if nanobans == 0:
        return "no support either way"
    word = _WORDS[bisect.bisect_left(_EDGES, abs(nanobans))]
    return f"{word} support" if nanobans > 0 else f"{word} support against"


def rationale(weighed: Weighed, compiled: CompiledTable) -> tuple[list[Weight], list[Weight]]:
    """What speaks for the leader and what against it, each in the order of weight; replaced findings last.

    Where the leader began another cause, the signs of that one do not speak against it.
    """
    of_story = zip(weighed.for_leader, weighed.for_story, strict=True)
    counted = [0 if alone < 0 < together else alone for alone, together in of_story]
    in_full = [
        full if as_counted or not alone else 0
        for full, as_counted, alone in zip(
            weighed.full[:, weighed.order[0]].tolist(), counted, weighed.for_leader, strict=True
        )
    ]
    speaks_for, against = [], []
    for said in _ranked(weighed.order[0], in_full, counted, weighed):
        weight = _weight(said, weighed, compiled)
        if (towards := weight.decibans or weight.full_decibans) > 0:
            speaks_for.append(weight)
        elif towards < 0:
            against.append(weight)
    return speaks_for, against


def speaking_for(cause: int, weighed: Weighed, compiled: CompiledTable, most: int) -> list[Weight]:
    """What counts most for a cause (an index into the model's), in the order of weight."""
    column = weighed.column(cause)
    counting = sorted(
        [
            (-counted, item.code, place)
            for place, (item, counted) in enumerate(zip(weighed.items, column, strict=True))
            if counted >= _SHOWN and item.replaced_by is None
        ]
    )
    return [
        _weight(_Said(weighed.items[place], cause, weighed.full.item(place, cause), -lost), weighed, compiled)
        for lost, _, place in counting[:most]
    ]


class _Said(NamedTuple):
    """An item, and what it weighs for a cause before and after discount and group, in nanobans."""

    item: WeighedFinding
    cause: int
    full: int
    counted: int


def _ranked(cause: int, full: list[int], counted: list[int], weighed: Weighed) -> list[_Said]:
    ranked = [
        (item.replaced_by is not None, -abs(as_counted or in_full), item.code, item, in_full, as_counted)
        for item, in_full, as_counted in zip(weighed.items, full, counted, strict=True)
        if abs(as_counted or in_full) >= _SHOWN
    ]
    ranked.sort(key=_RANK)
    return [_Said(item, cause, in_full, as_counted) for *_, item, in_full, as_counted in ranked]


_RANK = itemgetter(0, 1, 2)


def _weight(said: _Said, weighed: Weighed, compiled: CompiledTable) -> Weight:
    """What is said of a finding. It depends on few things that come again and again, so the model has a cache
    of it.
    """
    item, cause, full, counted = said
    about = (
        cause,
        item.code,
        item.outcomes,
        item.source,
        item.keep,
        item.reason,
        item.decay,
        item.replaced_by,
    )
    worded = weighed.model.kept.weights
    weight = worded.get(about)
    if weight is None:
        if len(worded) >= MOST_CACHED:
            worded.clear()
        weight = worded[about] = Weight(
            **names(item),
            source=item.source,
            decibans=decibans(counted),
            full_decibans=decibans(full),
            counted=item.replaced_by is None,
            strength=strength(counted),
            sentence=_sentence(item, counted, cause, weighed, compiled),
        )
    return weight


def decibans(nanobans: int) -> float:
    """Nanobans as decibans to one decimal."""
    return round(nanobans / DECIBAN, 1) + 0.0


def names(item: WeighedFinding) -> dict[str, Any]:
    """The members by which an answer names a finding and its outcome."""
    if len(item.outcomes) > 1:
        return {"finding": item.code, "outcome": list(item.outcomes)}
    known = sight(item.code, item.outcomes[0])
    return {"finding": known.finding, "outcome": known.outcome, "absent": known.absent}


def _sentence(
    item: WeighedFinding, counted: int, leader: int, weighed: Weighed, compiled: CompiledTable
) -> str:
    found = f"{_found(item, compiled)}. {_frequency(item, leader, weighed, compiled)}"
    if item.replaced_by is not None:
        return f"{found} Not counted again: '{_title(item.replaced_by, compiled)}' already says it."
    direction = "" if counted < 0 else " for"
    sentence = f"{found} {strength(counted).capitalize()}{direction} '{_cause(leader, weighed, compiled)}'."
    if item.keep < MILLION:
        sentence += f" Counted at {item.keep / MILLION:.0%}: {item.reason}."
    if item.decay < MILLION:
        sentence += (
            f" Counted less, as a further sign of one thing: {compiled.table.groups[item.weight.group].says}."
        )
    return sentence


def _found(item: WeighedFinding, compiled: CompiledTable) -> str:
    if item.source == "pattern":
        return compiled.table.patterns[item.code].title
    if len(item.outcomes) == 1:
        return compiled.outcome_texts[item.code, item.outcomes[0]]
    titles = (compiled.outcome_texts[item.code, outcome].split(": ", 1)[1] for outcome in item.outcomes)
    return f"{_title(item.code, compiled)}: {' or '.join(titles)}"


def _frequency(item: WeighedFinding, leader: int, weighed: Weighed, compiled: CompiledTable) -> str:
    if item.source == "pattern":
        row = compiled.table.patterns[item.code]
        here, elsewhere = row.per_hundred.get(weighed.model.causes[leader], row.background), row.background
    else:
        here, elsewhere = weighed.model.findings[item.code].percent_of(item.outcomes, leader)
    return (
        f"Of 100 failures from this cause about {per_hundred(here)} show it, of 100 unrelated "
        f"failures about {per_hundred(elsewhere)}."
    )


def per_hundred(share: float) -> str:
    """A share of 100 as people say it: whole from 10 up, else one decimal where it matters."""
    return f"{share:.0f}" if share >= 9.95 else f"{share:.1f}".removesuffix(".0")


def _title(code: str, compiled: CompiledTable) -> str:
    row = compiled.apart.findings.get(code) or compiled.table.patterns[code]
    return row.title


def _cause(index: int, weighed: Weighed, compiled: CompiledTable) -> str:
    cause = compiled.table.causes.get(weighed.model.causes[index])
    return cause.title if cause else "a cause that the table does not know"
