"""Evidence to ranking: what each finding weighs for each cause (log likelihood ratio), and how the causes
then stand (posterior).

Integer arithmetic throughout, for many cases at once; one case is a batch of one. Rounding happens where
discount and decay are multiplied (half up, to a millionth), where their product is applied and where the
temperature is (half to even).
"""

import bisect
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import msgspec
import numpy as np

from coldcase.core.answer import Source
from coldcase.core.case import Case, Known
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.conditions import ConditionKey, Observed, findings_in, machine_of
from coldcase.core.fixed_point import (
    MILLION,
    Ints,
    halves_to_even,
    millionths,
    ten_thousandths,
)
from coldcase.core.machine_model import MachineModel, OutcomeWeight
from coldcase.core.signs import engine_observations
from coldcase.core.stories import Links, Stories, Story, counted_for, faded, shared_out

_NOT_SEEN = frozenset((None,))
"""Stands for the outcomes of what was not looked at: no outcome at all."""


class Observation(msgspec.Struct, frozen=True, gc=False):
    """A finding that was looked at: the outcomes its observer could not tell apart, where it comes from, and
    how it is known.
    """

    outcomes: tuple[str, ...]
    source: Source
    known: Known | None = None


class WeighedFinding(msgspec.Struct):
    """What one finding or pattern of a case weighs.

    `keep` is the share (millionths) its discount leaves, `decay` its share (millionths) as a later finding of
    its group, and `factor` what is left of its weight after both. `replaced_by` names the pattern or finding
    that took its place; then nothing is counted.
    """

    code: str
    outcomes: tuple[str, ...]
    source: Source
    weight: OutcomeWeight
    keep: int
    reason: str | None
    replaced_by: str | None
    factor: int
    decay: int = MILLION


class Evidence(msgspec.Struct, frozen=True):
    """A case's findings with their weights, not yet summed. `condition_key` is the kind of machine and
    opening that conditions go by.
    """

    case: Case
    condition_key: ConditionKey
    model: MachineModel
    seen: Mapping[str, Observation]
    observed: Observed
    discounts: tuple[int, ...]
    items: list[WeighedFinding]


class BatchArrays(msgspec.Struct, frozen=True):
    """The arrays of cases weighed together.

    `full` (before all factors) and `counted` are [item, cause] in nanobans; `scores` are [case, cause] in
    nanobans, and `shares` the same relative to the best in 2^-30.
    """

    full: Ints
    counted: Ints
    scores: Ints
    shares: Ints


class Weighed(msgspec.Struct, frozen=True):
    """The ranking of one case (its posterior), by index into the causes of the model.

    `confidence` is in ten-thousandths, `order` has the causes from the best down (equal scores in the model's
    order). `for_leader` is what each item counts for the best cause (nanobans, one an item),
    `for_leader_in_full` the same before all factors. `story` is the likeliest one of the cause that stands
    in front alone, where it is likelier than the cause that began it alone. `arrays` holds the arrays, in
    which it is case `case` with the items from `start`.
    """

    evidence: Evidence
    confidence: list[int]
    order: list[int]
    for_leader: list[int]
    for_leader_in_full: list[int]
    story: Story | None
    arrays: BatchArrays
    case: int
    start: int

    @property
    def for_story(self) -> list[int]:
        """What each item counts for the best cause, together with the one that it began if there is one."""
        if self.story is None or self.story.begins != self.order[0]:
            return self.for_leader
        counted: list[int] = self.story.counted.tolist()
        return counted

    def one_story(self, one: int, other: int) -> bool:
        """Whether of two causes one is likelier to have begun the other than to have been alone."""
        return self.story is not None and {one, other} == {self.story.begins, self.story.leads_to}

    @property
    def counted(self) -> Ints:
        """What each item counts, [item, cause] in nanobans."""
        return self.arrays.counted[self.start : self.start + len(self.evidence.items)]

    @property
    def full(self) -> Ints:
        """The same before all factors."""
        return self.arrays.full[self.start : self.start + len(self.evidence.items)]

    @property
    def scores(self) -> Ints:
        """Base rate and evidence of each cause, in nanobans."""
        return np.asarray(self.arrays.scores[self.case])

    @property
    def shares(self) -> Ints:
        """Each cause relative to the best, in 2^-30."""
        return np.asarray(self.arrays.shares[self.case])

    @property
    def model(self) -> MachineModel:
        """The model of the kind of machine."""
        return self.evidence.model

    @property
    def seen(self) -> Mapping[str, Observation]:
        """The findings that were looked at."""
        return self.evidence.seen

    @property
    def observed(self) -> Observed:
        """The same for conditions."""
        return self.evidence.observed

    @property
    def discounts(self) -> tuple[int, ...]:
        """The discounts that apply, strongest first, by index into the compiled table's."""
        return self.evidence.discounts

    @property
    def items(self) -> list[WeighedFinding]:
        """The findings and patterns, in the order of the arrays."""
        return self.evidence.items

    def column(self, cause: int) -> list[int]:
        """What each item counts for one cause, in nanobans."""
        column: list[int] = self.counted[:, cause].tolist()
        return column


def observe(
    case: Case, derived: Mapping[str, tuple[tuple[str, ...], Source]], compiled: CompiledTable
) -> dict[str, Observation]:
    """The findings of a case by the engine's code: what was observed, and what readings and laboratory yield
    beside it.
    """
    seen = {
        code: Observation(outcomes, "observation", known)
        for code, outcomes, known in engine_observations(case.observations, compiled.apart.findings)
    }
    for code, (outcomes, source) in derived.items():
        seen.setdefault(code, Observation(outcomes, source))
    return {code: seen[code] for code in sorted(seen)}


def weigh(case: Case, seen: Mapping[str, Observation], compiled: CompiledTable) -> Weighed:
    """Every finding's weight and the ranking. `seen` holds only findings and outcomes that the machine can
    have.
    """
    return weigh_many([collect(case, seen, compiled)], compiled)[0]


def collect(case: Case, seen: Mapping[str, Observation], compiled: CompiledTable) -> Evidence:
    """The evidence of a case: what replaces what, what is discounted, and what counts first in each group."""
    model = compiled.model_for(machine_of(case.unit, compiled.table))
    weights = {
        code: model.findings[code].weight_of(row.outcomes, model.rivals)
        for code, row in seen.items()
        if code in model.findings
    }
    observed = {code: weight.outcomes for code, weight in weights.items()}
    replaced = _superseded(seen, compiled)
    patterns = _patterns(observed, compiled, replaced)
    condition_key = compiled.condition_keys.of(case)
    discounts = compiled.discounts.applying(case, condition_key, observed, compiled.table)
    if len(discounts) > 1:
        discounts = sorted(discounts, key=lambda index: compiled.compiled_discounts[index].keep)
    items = []
    for code, weight in weights.items():
        row, replaced_by = seen[code], replaced.get(code)
        keep, reason = kept(discounts, code, weight, compiled, row.known) if discounts else (MILLION, None)
        factor = keep if replaced_by is None else 0
        items.append(
            WeighedFinding(code, row.outcomes, row.source, weight, keep, reason, replaced_by, factor)
        )
    if patterns:
        by_code = {item.code: item for item in items}
        items += [_pattern_item(code, model, compiled, by_code) for code in patterns]
    _apply_decay(items, compiled)
    return Evidence(case, condition_key, model, seen, observed, tuple(discounts), items)


def weigh_many(batch: Sequence[Evidence], compiled: CompiledTable) -> list[Weighed]:
    """The rankings of cases that share a machine's model, in their order: posterior = prior + evidence /
    temperature.

    `model.weights` is [outcome or pattern, cause] in nanobans, its last row zeros. The items of all cases lie
    below each other, those of case i from `starts[i]`; a row of -1 means that the item's weights stand in
    `weight.joint` ([cause]). Factors are millionths. A cause that the table does not know (the last) is
    credited with what these findings are less likely than what the leading known cause usually shows.
    """
    model = batch[0].model
    nothing = len(model.weights) - 1
    rows: list[int] = []
    factors: list[int] = []
    starts: list[int] = []
    for evidence in batch:
        starts.append(len(rows))
        rows += [item.weight.row for item in evidence.items] or [nothing]
        factors += [item.factor for item in evidence.items] or [MILLION]
    laid = _Laid(np.array(rows), np.array(factors), starts)
    full = model.weights[laid.rows]
    for place in np.flatnonzero(laid.rows < 0).tolist():
        case = bisect.bisect_right(starts, place) - 1
        full[place] = np.asarray(batch[case].items[place - starts[case]].weight.joint)
    counted = faded(full, laid.factors)
    scores = model.prior + _tempered(np.add.reduceat(counted, starts, axis=0), compiled)
    leaders: Ints = scores[:, :-1].argmax(axis=1)
    told = {
        case: _stories(model.links[leader], laid.of(case), full, compiled)
        for case, leader in enumerate(leaders.tolist())
        if leader in model.links
    }
    likeliest = {case: stories.likeliest for case, stories in told.items()}
    if compiled.table.unlisted_explains:
        better = {case: one for case, one in likeliest.items() if one.score > scores[case, leaders[case]]}
        scores[:, -1] += _unusual(laid, leaders, better, model, compiled)
    beginning = {case: one for case, one in likeliest.items() if one.score > scores[case, one.begins]}
    return _split(batch, BatchArrays(full, counted, *shared_out(scores, told)), starts, beginning)


class _Laid(NamedTuple):
    """The items of all cases below each other: their rows, their factors (millionths), and where each case's
    begin.
    """

    rows: Ints
    factors: Ints
    starts: list[int]

    def of(self, case: int) -> "_Own":
        """Those of one case."""
        end = self.starts[case + 1] if case + 1 < len(self.starts) else len(self.rows)
        own = slice(self.starts[case], end)
        return _Own(self.rows[own], self.factors[own], own)


class _Own(NamedTuple):
    rows: Ints
    factors: Ints
    place: slice


def _stories(links: Links, own: _Own, full: Ints, compiled: CompiledTable) -> Stories:
    """The stories of one case's leader."""
    counted = counted_for(links, own.rows, full[own.place], own.factors)
    return Stories(links, links.prior + _tempered(counted.sum(axis=0), compiled), counted)


def _unusual(
    laid: _Laid, leaders: Ints, better: Mapping[int, Story], model: MachineModel, compiled: CompiledTable
) -> Ints:
    """What a cause that the table does not know is credited with in each case; where a story is likelier than
    the leader alone, only with what neither of its two causes usually shows.
    """
    unlike = model.surprises[laid.rows, _of_items(leaders, laid.starts, len(laid.rows))]
    for case, story in better.items():
        own, other = laid.of(case), story.leads_to if story.begins == leaders[case] else story.begins
        unlike[own.place] = np.minimum(unlike[own.place], model.surprises[own.rows, other])
    surprises = np.add.reduceat(unlike * laid.factors, laid.starts)
    explains = millionths(compiled.table.unlisted_explains)
    return _tempered(np.maximum(surprises, 0) // MILLION * explains // MILLION, compiled)


def _of_items(of_cases: Ints, starts: list[int], items: int) -> Ints:
    """What is said of each case, for each of its items."""
    return of_cases if len(starts) == 1 else np.repeat(of_cases, np.diff([*starts, items]))


def _tempered(nanobans: Ints, compiled: CompiledTable) -> Ints:
    temperature = round(compiled.table.temperature * 1000)
    return nanobans if temperature == 1000 else halves_to_even(nanobans * 1000, temperature)


def _split(
    batch: Sequence[Evidence], arrays: BatchArrays, starts: list[int], likely: Mapping[int, Story]
) -> list[Weighed]:
    """The batch as cases again; what they all need is taken out of the arrays in one go."""
    order = np.lexsort((-arrays.scores, -arrays.shares))
    rows = np.arange(len(arrays.full))
    leaders = _of_items(order[:, 0], starts, len(rows))
    counted, full = arrays.counted[rows, leaders].tolist(), arrays.full[rows, leaders].tolist()
    columns = zip(batch, ten_thousandths(arrays.shares).tolist(), order.tolist(), starts, strict=True)
    cut = []
    for case, (evidence, confidence, best_down, start) in enumerate(columns):
        own = slice(start, start + len(evidence.items))
        own_of_case = counted[own], full[own], likely.get(case)
        cut.append(Weighed(evidence, confidence, best_down, *own_of_case, arrays, case, start))
    return cut


def _superseded(seen: Mapping[str, Observation], compiled: CompiledTable) -> dict[str, str]:
    """What another finding says better: one that is no longer asked, where its successor was sent, and one
    that says less of the same as a finding seen with more than its clear outcome.
    """
    replaced: dict[str, str] = {}
    for code in compiled.successors.keys() & seen.keys():
        newer = sorted(compiled.successors[code] & seen.keys())
        if newer:
            replaced[code] = newer[0]
    for code in sorted(compiled.superseding.keys() & seen.keys()):
        clear, others = compiled.superseding[code]
        if clear not in seen[code].outcomes:
            replaced |= {other: code for other in others if other in seen}
    return replaced


def _patterns(observed: Observed, compiled: CompiledTable, replaced: dict[str, str]) -> list[str]:
    """The patterns that hold and count; `replaced` is filled with what they take."""
    met: dict[str, int] = {}
    for finding, outcomes in observed.items():
        for outcome in outcomes:
            for code, bit in compiled.needed_by.get((finding, outcome), ()):
                met[code] = met.get(code, 0) | bit
    holding = [
        code
        for code, bits in met.items()
        if bits == compiled.needs[code] and compiled.predicates[code](observed) is True
    ]
    rows = compiled.apart.patterns
    counting: list[str] = []
    taken: dict[str, str] = {}
    for code in sorted(holding, key=lambda code: (-rows[code].priority, code)):
        wanted = [
            finding
            for finding, outcomes in compiled.replaceable[code].items()
            if outcomes.issuperset(observed.get(finding, _NOT_SEEN))
        ]
        free = [finding for finding in wanted if finding not in taken]
        if wanted and not free:
            continue
        taken |= dict.fromkeys(free, code)
        counting.append(code)
    replaced |= taken
    return counting


def kept(
    discounts: Iterable[int],
    code: str,
    weight: OutcomeWeight,
    compiled: CompiledTable,
    known: Known | None = None,
) -> tuple[int, str | None]:
    """The share (millionths) that the strongest discount leaves of an outcome, and its reason."""
    for index in discounts:
        row = compiled.compiled_discounts[index]
        if row.touches(code, weight, known):
            return row.keep, row.reason
    return MILLION, None


def _pattern_item(
    code: str, model: MachineModel, compiled: CompiledTable, findings: Mapping[str, WeighedFinding]
) -> WeighedFinding:
    parts = [
        findings[finding]
        for finding, _ in findings_in(compiled.apart.patterns[code].when)
        if finding in findings
    ]
    weakest = min(parts, key=lambda item: item.keep)
    weight = OutcomeWeight(model.patterns[code], 0, f"pattern {code}")
    return WeighedFinding(
        code, ("present",), "pattern", weight, weakest.keep, weakest.reason, None, weakest.keep
    )


def _apply_decay(items: list[WeighedFinding], compiled: CompiledTable) -> None:
    """Fades repeated evidence: of a group the finding that tells the rivals furthest apart counts whole, the
    k-th after it ever less.
    """
    groups: dict[str, list[WeighedFinding]] = {}
    for item in items:
        if item.replaced_by is None:
            groups.setdefault(item.weight.group, []).append(item)
    for group, together in groups.items():
        if len(together) > 1:
            together.sort(key=lambda item: (-item.weight.spread * item.keep, item.code))
            for place, item in enumerate(together):
                item.decay = compiled.decay_of(group, place)
                item.factor = (2 * item.keep * item.decay + MILLION) // (2 * MILLION)
