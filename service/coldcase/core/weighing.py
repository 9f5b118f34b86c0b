"""Evidence to ranking: what each finding weighs for each cause, and how the causes then stand.

Integer arithmetic throughout, for many cases at once; one case is a batch of one. Rounding happens
where discount and fading are multiplied (half up, to a millionth), where their product is applied and where the
temperature is (half to even).
"""

import bisect
from collections.abc import Iterable, Mapping, Sequence

import msgspec
import numpy as np

from coldcase.core.answer import Source
from coldcase.core.case import Case
from coldcase.core.compiled import Book, Page, Voice
from coldcase.core.fixed_point import PARTS, Ints, halves_to_even, relative_shares, ten_thousandths
from coldcase.core.logic import Kind, Observed, machine_of, members


class Seen(msgspec.Struct, frozen=True, gc=False):
    """A finding that was looked at: the outcomes its observer could not tell apart, and where it comes from."""

    outcomes: tuple[str, ...]
    source: Source


class Item(msgspec.Struct):
    """One voice of a case: a finding or a pattern.

    `keep` is the share (millionths) its discount leaves, `fade` its share as a later voice of its group, and `factor`
    what is left of its weight after both. `replaced_by` names the pattern or finding that took its place; then nothing
    is counted.
    """

    code: str
    outcomes: tuple[str, ...]
    source: Source
    voice: Voice
    keep: int
    reason: str | None
    replaced_by: str | None
    factor: int
    fade: int = PARTS


class Evidence(msgspec.Struct, frozen=True):
    """A case's voices before they are summed. `kind` is the kind of machine and opening that conditions go by."""

    case: Case
    kind: Kind
    page: Page
    seen: Mapping[str, Seen]
    observed: Observed
    discounts: tuple[int, ...]
    items: list[Item]


class Sums(msgspec.Struct, frozen=True):
    """The arrays of cases weighed together.

    `full` (before all factors) and `counted` are [item, cause] in nanobans; `scores` are [case, cause] in nanobans, and
    `shares` the same relative to the best in 2^-30.
    """

    full: Ints
    counted: Ints
    scores: Ints
    shares: Ints


class Weighed(msgspec.Struct, frozen=True):
    """The ranking of one case, by index into the causes of the page.

    `confidence` is in ten-thousandths, `order` has the causes from the best down (equal scores in page order).
    `for_leader` is what each item counts for the best cause, `for_leader_in_full` the same before all factors.
    `sums` holds the arrays, in which it is case `case` with the items from `start`.
    """

    evidence: Evidence
    confidence: list[int]
    order: list[int]
    for_leader: list[int]
    for_leader_in_full: list[int]
    sums: Sums
    case: int
    start: int

    @property
    def counted(self) -> Ints:
        """What each item counts, [item, cause] in nanobans."""
        return self.sums.counted[self.start : self.start + len(self.evidence.items)]

    @property
    def full(self) -> Ints:
        """The same before all factors."""
        return self.sums.full[self.start : self.start + len(self.evidence.items)]

    @property
    def scores(self) -> Ints:
        """Base rate and evidence of each cause, in nanobans."""
        return np.asarray(self.sums.scores[self.case])

    @property
    def shares(self) -> Ints:
        """Each cause relative to the best, in 2^-30."""
        return np.asarray(self.sums.shares[self.case])

    @property
    def page(self) -> Page:
        """The page of the book that the machine has."""
        return self.evidence.page

    @property
    def seen(self) -> Mapping[str, Seen]:
        """The findings that were looked at."""
        return self.evidence.seen

    @property
    def observed(self) -> Observed:
        """The same for conditions."""
        return self.evidence.observed

    @property
    def discounts(self) -> tuple[int, ...]:
        """The discounts that apply, strongest first, by index into the book's."""
        return self.evidence.discounts

    @property
    def items(self) -> list[Item]:
        """The voices, in the order of the arrays."""
        return self.evidence.items

    def column(self, cause: int) -> list[int]:
        """What each item counts for one cause, in nanobans."""
        column: list[int] = self.counted[:, cause].tolist()
        return column


def observe(case: Case, derived: Mapping[str, tuple[tuple[str, ...], Source]]) -> dict[str, Seen]:
    """The findings of a case by code: what was observed, and what readings and laboratory yield beside it."""
    seen = {code: Seen((o,) if isinstance(o, str) else tuple(o), "observation") for code, o in case.observations.items()}
    for code, (outcomes, source) in derived.items():
        seen.setdefault(code, Seen(outcomes, source))
    return {code: seen[code] for code in sorted(seen)}


def weigh(case: Case, seen: Mapping[str, Seen], book: Book) -> Weighed:
    """Every finding's weight and the ranking. `seen` holds only findings and outcomes that the machine can have."""
    return weigh_many([collect(case, seen, book)], book)[0]


def collect(case: Case, seen: Mapping[str, Seen], book: Book) -> Evidence:
    """The voices of a case: what replaces what, what is spoilt, and who speaks first in each group."""
    page = book.page(machine_of(case.unit))
    voices = {code: page.sheets[code].voice(row.outcomes, page.rivals) for code, row in seen.items() if code in page.sheets}
    observed = {code: voice.outcomes for code, voice in voices.items()}
    replaced = _superseded(seen, book)
    patterns = _patterns(observed, book, replaced)
    kind = book.kinds.of(case)
    discounts = book.discounts.applying(case, kind, observed, book.table)
    if len(discounts) > 1:
        discounts = sorted(discounts, key=lambda index: book.spoilt[index].keep)
    items = []
    for code, voice in voices.items():
        row, replaced_by = seen[code], replaced.get(code)
        keep, reason = kept(discounts, code, voice, book) if discounts else (PARTS, None)
        factor = keep if replaced_by is None else 0
        items.append(Item(code, row.outcomes, row.source, voice, keep, reason, replaced_by, factor))
    if patterns:
        by_code = {item.code: item for item in items}
        items += [_pattern_item(code, page, book, by_code) for code in patterns]
    _fade(items, book)
    return Evidence(case, kind, page, seen, observed, tuple(discounts), items)


def weigh_many(batch: Sequence[Evidence], book: Book) -> list[Weighed]:
    """The rankings of cases that share a page, in their order."""
    page = batch[0].page
    nothing = len(page.weights) - 1
    rows: list[int] = []
    factors: list[int] = []
    starts: list[int] = []
    for evidence in batch:
        starts.append(len(rows))
        rows += [item.voice.row for item in evidence.items] or [nothing]
        factors += [item.factor for item in evidence.items] or [PARTS]
    full = page.weights[rows]
    for place in [place for place, row in enumerate(rows) if row < 0]:
        case = bisect.bisect_right(starts, place) - 1
        full[place] = np.asarray(batch[case].items[place - starts[case]].voice.joint)
    counted = halves_to_even(full * np.array(factors)[:, None], PARTS)
    scores = page.prior + halves_to_even(np.add.reduceat(counted, starts, axis=0) * 1000, round(book.table.temperature * 1000))
    return _cut(batch, Sums(full, counted, scores, relative_shares(scores)), starts)


def _cut(batch: Sequence[Evidence], sums: Sums, starts: list[int]) -> list[Weighed]:
    """The batch as cases again; what they all need is taken out of the arrays in one go."""
    order = np.argsort(-sums.scores, axis=1, kind="stable")
    rows = np.arange(len(sums.full))
    leaders = np.repeat(order[:, 0], np.diff([*starts, len(rows)]))
    counted, full = sums.counted[rows, leaders].tolist(), sums.full[rows, leaders].tolist()
    columns = zip(batch, ten_thousandths(sums.shares).tolist(), order.tolist(), starts, strict=True)
    cut = []
    for case, (evidence, confidence, best_down, start) in enumerate(columns):
        own = slice(start, start + len(evidence.items))
        cut.append(Weighed(evidence, confidence, best_down, counted[own], full[own], sums, case, start))
    return cut


def _superseded(seen: Mapping[str, Seen], book: Book) -> dict[str, str]:
    """A finding seen with more than its clear outcome replaces those that say less of the same."""
    replaced: dict[str, str] = {}
    for code in sorted(book.superseding.keys() & seen.keys()):
        clear, others = book.superseding[code]
        if clear not in seen[code].outcomes:
            replaced |= {other: code for other in others if other in seen}
    return replaced


def _patterns(observed: Observed, book: Book, replaced: dict[str, str]) -> list[str]:
    """The patterns that hold and count; `replaced` is filled with what they take."""
    met: dict[str, int] = {}
    for finding, outcomes in observed.items():
        for outcome in outcomes:
            for code, bit in book.needed_by.get((finding, outcome), ()):
                met[code] = met.get(code, 0) | bit
    holding = [code for code, bits in met.items() if bits == book.needs[code] and book.predicates[code](observed) is True]
    rows = book.table.patterns
    counting: list[str] = []
    taken: dict[str, str] = {}
    for code in sorted(holding, key=lambda code: (-rows[code].priority, code)):
        wanted = [finding for finding in rows[code].subsumes if finding in observed]
        free = [finding for finding in wanted if finding not in taken]
        if wanted and not free:
            continue
        taken |= dict.fromkeys(free, code)
        counting.append(code)
    replaced |= taken
    return counting


def kept(discounts: Iterable[int], code: str, voice: Voice, book: Book) -> tuple[int, str | None]:
    """The share (millionths) that the strongest discount leaves of an outcome, and its reason."""
    for index in discounts:
        row = book.spoilt[index]
        if row.touches(code, voice):
            return row.keep, row.reason
    return PARTS, None


def _pattern_item(code: str, page: Page, book: Book, findings: Mapping[str, Item]) -> Item:
    parts = [findings[finding] for finding, _ in members(book.table.patterns[code].when) if finding in findings]
    weakest = min(parts, key=lambda item: item.keep)
    voice = Voice(page.patterns[code], 0, f"pattern {code}")
    return Item(code, ("present",), "pattern", voice, weakest.keep, weakest.reason, None, weakest.keep)


def _fade(items: list[Item], book: Book) -> None:
    """Of a group the finding that tells the rivals furthest apart counts whole, the k-th after it ever less."""
    groups: dict[str, list[Item]] = {}
    for item in items:
        if item.replaced_by is None:
            groups.setdefault(item.voice.group, []).append(item)
    for group, together in groups.items():
        if len(together) > 1:
            together.sort(key=lambda item: (-item.voice.spread * item.keep, item.code))
            for place, item in enumerate(together):
                item.fade = book.fade(group, place)
                item.factor = (2 * item.keep * item.fade + PARTS) // (2 * PARTS)
