"""Evidence to ranking: what each finding weighs for each cause, and how the causes then stand.

Integer arithmetic throughout. Rounding (half to even) happens where a factor is applied: once for the discount, once
for the fading in the group, once for the temperature.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from coldcase.core.answer import Source
from coldcase.core.case import Case
from coldcase.core.compiled import Book, Page
from coldcase.core.fixed_point import PARTS, Ints, halves_to_even, millionths, relative_shares, ten_thousandths
from coldcase.core.logic import Observed, machine_of, members


@dataclass(frozen=True, slots=True)
class Seen:
    """A finding that was looked at: the outcomes its observer could not tell apart, and where it comes from."""

    outcomes: tuple[str, ...]
    source: Source


@dataclass(slots=True)
class Item:
    """One voice: a finding or a pattern.

    `keep` is the share (millionths) its discount leaves, `fade` its share as a later voice of its group.
    `replaced_by` names the pattern or finding that took its place; then nothing is counted.
    """

    code: str
    outcomes: tuple[str, ...]
    source: Source
    group: str
    keep: int
    reason: str | None
    replaced_by: str | None
    fade: int = PARTS


@dataclass(frozen=True, slots=True)
class Weighed:
    """The ranking of one case, by index into the causes of the page.

    `full` (before all factors) and `counted` are [item, cause] in nanobans, `scores` nanobans, `shares` relative to
    the best in 2^-30, `confidence` ten-thousandths, `order` the causes from the best down (equal scores in page order).
    """

    page: Page
    seen: Mapping[str, Seen]
    observed: Observed
    discounts: list["Spoilt"]
    items: list[Item]
    full: Ints
    counted: Ints
    scores: Ints
    shares: Ints
    confidence: list[int]
    order: list[int]

    def column(self, cause: int) -> list[int]:
        """What each item counts for one cause, in nanobans."""
        column: list[int] = self.counted[:, cause].tolist()
        return column


def observe(case: Case, derived: Mapping[str, tuple[tuple[str, ...], Source]]) -> dict[str, Seen]:
    """The findings of a case by code: what was observed, and what readings and laboratory yield beside it."""
    seen = {code: Seen(outcomes=outcomes, source=source) for code, (outcomes, source) in derived.items()}
    for code, outcome in case.observations.items():
        seen[code] = Seen(outcomes=(outcome,) if isinstance(outcome, str) else tuple(outcome), source="observation")
    return dict(sorted(seen.items()))


def weigh(case: Case, seen: Mapping[str, Seen], book: Book) -> Weighed:
    """Every finding's weight and the ranking. `seen` holds only findings and outcomes that the machine can have."""
    page = book.page(machine_of(case.unit))
    observed = {code: frozenset(row.outcomes) for code, row in seen.items()}
    replaced = _superseded(seen, book)
    patterns = _patterns(observed, book, replaced)
    discounts = active_discounts(case, observed, book)
    items = [_item(code, row, book, discounts, replaced.get(code)) for code, row in seen.items() if code in page.sheets]
    kept_items = {item.code: item for item in items}
    items += [_pattern_item(code, book, kept_items) for code in patterns]
    full = _full(items, page)
    counted = _counted(items, full, page, book)
    scores = page.prior + halves_to_even(counted.sum(axis=0) * 1000, round(book.table.temperature * 1000))
    shares = relative_shares(scores)
    return Weighed(
        page=page,
        seen=seen,
        observed=observed,
        discounts=discounts,
        items=items,
        full=full,
        counted=counted,
        scores=scores,
        shares=shares,
        confidence=ten_thousandths(shares).tolist(),
        order=np.argsort(-scores, kind="stable").tolist(),
    )


def _superseded(seen: Mapping[str, Seen], book: Book) -> dict[str, str]:
    """A finding seen with more than its clear outcome replaces those that say less of the same."""
    replaced: dict[str, str] = {}
    for code, row in seen.items():
        finding = book.table.findings[code]
        if finding.supersedes and finding.outcomes[0].code not in row.outcomes:
            replaced |= {other: code for other in finding.supersedes if other in seen}
    return replaced


def _patterns(observed: Observed, book: Book, replaced: dict[str, str]) -> list[str]:
    """The patterns that hold and count; `replaced` is filled with what they take."""
    candidates = {code for finding in observed for code in book.patterns_of.get(finding, ())}
    rows = book.table.patterns
    counting: list[str] = []
    taken: dict[str, str] = {}
    for code in sorted(candidates, key=lambda code: (-rows[code].priority, code)):
        if book.predicates[code](observed) is not True:
            continue
        wanted = [finding for finding in rows[code].subsumes if finding in observed]
        free = [finding for finding in wanted if finding not in taken]
        if wanted and not free:
            continue
        taken |= dict.fromkeys(free, code)
        counting.append(code)
    replaced |= taken
    return counting


@dataclass(frozen=True, slots=True)
class Spoilt:
    """A discount that applies to the case: what it touches, what it keeps (millionths), why."""

    tags: frozenset[str]
    findings: frozenset[str]
    efforts: frozenset[str]
    keep: int
    reason: str

    def touches(self, code: str, effort: str, tags: Iterable[str]) -> bool:
        """Whether it reduces an outcome with these tags of this finding."""
        return code in self.findings or effort in self.efforts or not self.tags.isdisjoint(tags)


def active_discounts(case: Case, observed: Observed, book: Book) -> list[Spoilt]:
    """The discounts of the table that apply to this case, strongest first."""
    rows = [book.table.discounts[index] for index in book.discounts.applying(case, observed, book.table)]
    spoilt = [Spoilt(frozenset(r.tags), frozenset(r.findings), frozenset(r.efforts), millionths(r.keep), r.reason) for r in rows]
    return sorted(spoilt, key=lambda row: row.keep)


def kept(discounts: list[Spoilt], code: str, outcomes: Iterable[str], book: Book) -> tuple[int, str | None]:
    """The share (millionths) that the strongest discount leaves of a finding, and its reason."""
    if not discounts:
        return PARTS, None
    finding = book.table.findings[code]
    tags = {tag for outcome in finding.outcomes if outcome.code in outcomes for tag in outcome.tags}
    for row in discounts:
        if row.touches(code, finding.effort, tags):
            return row.keep, row.reason
    return PARTS, None


def _item(code: str, row: Seen, book: Book, discounts: list[Spoilt], replaced_by: str | None) -> Item:
    keep, reason = kept(discounts, code, row.outcomes, book)
    return Item(code, row.outcomes, row.source, book.table.findings[code].group, keep, reason, replaced_by)


def _pattern_item(code: str, book: Book, findings: Mapping[str, Item]) -> Item:
    parts = [findings[finding] for finding, _ in members(book.table.patterns[code].when) if finding in findings]
    weakest = min(parts, key=lambda item: item.keep)
    return Item(code, ("present",), "pattern", f"pattern {code}", weakest.keep, weakest.reason, None)


def _full(items: list[Item], page: Page) -> Ints:
    rows = [page.patterns[i.code] if i.source == "pattern" else page.sheets[i.code].rows[i.outcomes[0]] for i in items]
    full = page.weights[rows] if rows else page.weights[:0]
    for place, item in enumerate(items):
        if len(item.outcomes) > 1:
            full[place] = page.sheets[item.code].joint_weight(item.outcomes)
    return full


def _counted(items: list[Item], full: Ints, page: Page, book: Book) -> Ints:
    """[item, cause] after discount and fading: of a group the finding that tells the rivals furthest apart counts whole."""
    keeps = [0 if item.replaced_by else item.keep for item in items]
    counted = full if all(keep == PARTS for keep in keeps) else _times(full, keeps)
    among_rivals = counted[:, : page.rivals]
    spreads = (among_rivals.max(axis=1) - among_rivals.min(axis=1)).tolist() if items else []
    places: dict[str, int] = {}
    for index in sorted(range(len(items)), key=lambda i: (-spreads[i], items[i].code)):
        item = items[index]
        if item.replaced_by is None and item.source != "pattern":
            place = places.get(item.group, 0)
            places[item.group] = place + 1
            item.fade = book.fade(item.group, place)
    fades = [item.fade for item in items]
    return counted if all(fade == PARTS for fade in fades) else _times(counted, fades)


def _times(weights: Ints, factors: list[int]) -> Ints:
    """Each row of weights times its factor in millionths."""
    return halves_to_even(weights * np.array(factors)[:, None], PARTS)
