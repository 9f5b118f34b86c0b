"""Evidence to ranking: what each finding weighs for each cause (log likelihood ratio), and how the causes
then stand (posterior).

Integer arithmetic throughout, for many cases at once; one case is a batch of one. Rounding (half up) happens
where discount and decay are multiplied (to a millionth), where their product is applied and where the
temperature is.
"""

import bisect
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import msgspec
import numpy as np

from coldcase.core.answer import Source
from coldcase.core.case import Case, Known
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.conditions import ConditionKey, Observed, machine_of
from coldcase.core.discounting import DiscountedOutcomes
from coldcase.core.fixed_point import MILLION, Ints, halves_up, millionths, ten_thousandths
from coldcase.core.machine_model import MachineModel, OutcomeWeight
from coldcase.core.signs import engine_observations
from coldcase.core.stories import Story

FEW = 16
"""Items of which all are treated alike, for numpy's cost is then a call's."""

_NOT_SEEN = frozenset((None,))
"""Stands for the outcomes of what was not looked at: no outcome at all."""


class Observation(msgspec.Struct, frozen=True, gc=False):
    """A finding that was looked at: the outcomes its observer could not tell apart, where it comes from, and
    how it is known.
    """

    outcomes: tuple[str, ...]
    source: Source
    known: Known | None = None


class WeighedFinding(msgspec.Struct, gc=False):
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

    `full` (before all factors) and `counted` are [item, link + cause] in nanobans, `sums` [case, link +
    cause] with the base rates. `scores` are [case, cause] in nanobans, and `shares` the same relative to the
    best in 2^-30, both with what each cause may have begun.
    """

    full: Ints
    counted: Ints
    sums: Ints
    scores: Ints
    shares: Ints


class Weighed(msgspec.Struct, frozen=True):
    """The ranking of one case (its posterior), by index into the causes of the model.

    `confidence` is in ten-thousandths, `order` has the causes from the best down (equal scores in the model's
    order). `for_leader` is what each item counts for the best cause (nanobans, one an item), `for_story`
    the same together with the one that it began if there is one. `story` is the likeliest one that the best
    cause has a part in, where it is likelier than the cause that began it alone. `arrays` holds the arrays,
    in which it is case `case` with the items from `start`.
    """

    evidence: Evidence
    confidence: list[int]
    order: list[int]
    for_leader: list[int]
    for_story: list[int]
    story: Story | None
    arrays: BatchArrays
    case: int
    start: int

    def one_story(self, one: int, other: int) -> bool:
        """Whether of two causes one is likelier to have begun the other than to have been alone."""
        return self.story is not None and {one, other} == {self.story.begins, self.story.leads_to}

    @property
    def counted(self) -> Ints:
        """What each item counts, [item, cause] in nanobans."""
        return self._own(self.arrays.counted)[:, self.model.links.number :]

    @property
    def full(self) -> Ints:
        """The same before all factors."""
        return self._own(self.arrays.full)[:, self.model.links.number :]

    @property
    def scores(self) -> Ints:
        """Base rate and evidence of each cause, in nanobans."""
        return np.asarray(self.arrays.scores[self.case])

    def score(self, cause: int) -> int:
        """The same of one cause."""
        score: int = self.arrays.scores.item(self.case, cause)
        return score

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
        counted: list[int] = self.counted[:, cause].tolist()
        return counted

    def _own(self, of_items: Ints) -> Ints:
        return of_items[self.start : self.start + len(self.evidence.items)]


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
        if code not in seen:
            seen[code] = Observation(outcomes, source)
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
    discounted = DiscountedOutcomes(tuple(discounts), model, compiled)
    items = []
    for code, weight in weights.items():
        row, replaced_by = seen[code], replaced.get(code)
        keep, reason = discounted.of(code, weight, row.known)
        factor = keep if replaced_by is None else 0
        items.append(
            WeighedFinding(code, row.outcomes, row.source, weight, keep, reason, replaced_by, factor)
        )
    if patterns:
        by_code = {item.code: item for item in items}
        items += [_pattern_item(code, model, compiled, by_code) for code in patterns]
    _apply_decay(items, compiled)
    return Evidence(case, condition_key, model, seen, observed, discounted.by, items)


def weigh_many(batch: Sequence[Evidence], compiled: CompiledTable) -> list[Weighed]:
    """The rankings of cases that share a machine's model, in their order: posterior = prior + evidence /
    temperature.

    `model.weights` is [outcome or pattern, link + cause] in nanobans, its last row zeros. The items of all
    cases lie below each other, those of case i from `starts[i]`; a row of -1 means that the item's weights
    stand in `weight.joint` ([cause]). Factors are millionths. A cause that the table does not know (the last)
    is credited with what these findings are less likely than what the likeliest known cause, or pair of
    causes, usually shows.
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
    for place in [place for place, row in enumerate(rows) if row < 0]:
        case = bisect.bisect_right(starts, place) - 1
        full[place] = model.links.beside(np.asarray(batch[case].items[place - starts[case]].weight.joint))
    counted = _faded(full, laid.factors)
    sharpness = round(compiled.table.sharpness * 1000)
    sums = model.prior + _tempered(np.add.reduceat(counted, starts, axis=0), compiled)
    if compiled.table.unlisted_explains:
        sums[:, -1] += _unusual(laid, sums, model, compiled)
    scores, shares = model.links.scores(sums), model.links.shares(sums, sharpness)
    return _split(batch, BatchArrays(full, counted, sums, scores, shares), starts)


class _Laid(NamedTuple):
    """The items of all cases below each other: their rows, their factors (millionths), and where each case's
    begin.
    """

    rows: Ints
    factors: Ints
    starts: list[int]


def _faded(weights: Ints, factors: Ints) -> Ints:
    """Weights ([item, …]) times what is left of each item (millionths), rounded half up."""
    if len(weights) <= FEW:
        # To look for those that are lessened costs more than to divide all.
        return halves_up(weights, MILLION, factors[:, None])
    lessened = (factors != MILLION).nonzero()[0]
    if len(lessened):
        weights = weights.copy()
        weights[lessened] = halves_up(weights[lessened], MILLION, factors[lessened, None])
    return weights


def _unusual(laid: _Laid, sums: Ints, model: MachineModel, compiled: CompiledTable) -> Ints:
    """What a cause that the table does not know is credited with in each case; where a story is likelier than
    every cause alone, only with what neither of its two causes usually shows.
    """
    likeliest = sums[:, :-1].argmax(axis=1)
    one, other = _of_items(model.links.pairs[:, likeliest], laid.starts, len(laid.rows))
    unlike = model.surprises[laid.rows, one]
    if (likeliest < model.links.number).any():
        unlike = np.minimum(unlike, model.surprises[laid.rows, other])
    surprises = np.maximum(np.add.reduceat(unlike * laid.factors, laid.starts), 0) // MILLION
    explains = millionths(compiled.table.unlisted_explains)
    return _tempered(surprises if explains == MILLION else surprises * explains // MILLION, compiled)


def _of_items(of_cases: Ints, starts: list[int], items: int) -> Ints:
    """What is said of each case (the last axis), for each of its items."""
    return of_cases if len(starts) == 1 else np.repeat(of_cases, np.diff([*starts, items]), axis=-1)


def _tempered(nanobans: Ints, compiled: CompiledTable) -> Ints:
    temperature = round(compiled.table.temperature * 1000)
    return nanobans if temperature == 1000 else halves_up(nanobans, temperature, 1000)


def _split(batch: Sequence[Evidence], arrays: BatchArrays, starts: list[int]) -> list[Weighed]:
    """The batch as cases again; what they all need is taken out of the arrays in one go."""
    links = batch[0].model.links
    order = np.lexsort((-arrays.scores, -arrays.shares))
    columns = zip(batch, ten_thousandths(arrays.shares).tolist(), order.tolist(), starts, strict=True)
    cut = []
    for case, (evidence, confidence, best_down, start) in enumerate(columns):
        end = start + len(evidence.items)
        own = of_story = arrays.counted[start:end, links.number + best_down[0]].tolist()
        story = links.likeliest(arrays.sums[case], best_down[0])
        if story is not None and story.begins == best_down[0]:
            of_story = arrays.counted[start:end, story.link].tolist()
        cut.append(Weighed(evidence, confidence, best_down, own, of_story, story, arrays, case, start))
    return cut


def _superseded(seen: Mapping[str, Observation], compiled: CompiledTable) -> dict[str, str]:
    """What another finding says better: one that is no longer asked, where its successor was sent, and one
    that says less of the same as a finding seen with more than its clear outcome.
    """
    replaced: dict[str, str] = {}
    for code in [code for code in seen if code in compiled.successors]:
        newer = [successor for successor in compiled.successors[code] if successor in seen]
        if newer:
            replaced[code] = min(newer)
    for code in sorted([code for code in seen if code in compiled.superseding]):
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


def _pattern_item(
    code: str, model: MachineModel, compiled: CompiledTable, findings: Mapping[str, WeighedFinding]
) -> WeighedFinding:
    parts = [findings[finding] for finding in compiled.members[code] if finding in findings]
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
            # The first one counts whole.
            for place, item in enumerate(together[1:], 1):
                item.decay = compiled.decay_of(group, place)
                item.factor = (2 * item.keep * item.decay + MILLION) // (2 * MILLION)
