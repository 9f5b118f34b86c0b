"""The model of one kind of machine: motor, connection and compressor type.

What cannot occur on it (its causes and outcomes) is gated out before anything is summed, and what remains is
renormalised.
"""

from collections.abc import Hashable
from dataclasses import dataclass, field
from decimal import Decimal
from functools import lru_cache
from typing import Any, NamedTuple

import msgspec
import numpy as np
import numpy.typing as npt

from coldcase.core.conditions import names_machine, passes_gate
from coldcase.core.fixed_point import (
    BAN,
    DECIBAN,
    MILLION,
    Ints,
    log10,
    millionths,
)
from coldcase.core.frequencies import Block, Frequencies, pattern_weights, weights_of
from coldcase.core.rule_table import NO_FAULT, UNLISTED, Finding, RuleTable
from coldcase.core.signs import whole

Floats = npt.NDArray[np.floating]
MachineKind = tuple[str | None, str | None, str | None]


MOST_JOINT_WEIGHTS = 100

TELLING = 3 * DECIBAN
"""An outcome that weighs less than that for every cause, for or against, tells nothing: no surprise."""


class OutcomeWeight(msgspec.Struct, frozen=True):
    """What one outcome (or "one of these") of a finding weighs in one machine's model: log likelihood ratios.

    `row` is its row of the model's weights (-1 where `joint` holds the weights instead), `spread` how far it
    tells the rival causes apart in nanobans, `clear` whether it is the finding's first outcome, the one that
    says nothing is wrong. `outcomes` are the outcomes themselves, `tags` and `effort` what discounts go by;
    `finding_index` and `group_index` are those of its finding and group in the matrix.
    """

    row: int
    spread: int
    group: str
    shows: str | None = None
    clear: bool = False
    tags: frozenset[str] = frozenset()
    effort: str = ""
    finding_index: int = -1
    group_index: int = -1
    outcomes: frozenset[str] = frozenset()
    joint: Ints | None = None


@dataclass(frozen=True, slots=True)
class FindingModel:
    """One finding on one kind of machine: its possible outcomes, and the row of each among the model's
    weights.

    `frequencies` is [outcome, cause + background], of 10,000; `percent` the same of 100 after what cannot be
    was gated out. A finding is mistaken in `mistaken` millionths. `joint_weights` is a cache of what lists of
    outcomes weigh together.
    """

    rows: dict[str, int]
    weights: dict[str, OutcomeWeight]
    frequencies: Ints
    percent: Floats
    mistaken: int
    joint_weights: dict[tuple[str, ...], OutcomeWeight] = field(default_factory=dict)

    def percent_of(self, outcomes: tuple[str, ...]) -> Floats:
        """The share of 100 of "one of these outcomes", for each cause and the background."""
        return np.asarray(self.percent[self._places(outcomes)].sum(axis=0))

    def weight_of(self, outcomes: tuple[str, ...], rivals: int) -> OutcomeWeight:
        """The weight of "one of these outcomes"; their frequencies add up."""
        if len(outcomes) == 1:
            return self.weights[outcomes[0]]
        weight = self.joint_weights.get(outcomes)
        if weight is None:
            weight = self._joint_weight(outcomes, rivals)
            if len(self.joint_weights) < MOST_JOINT_WEIGHTS:
                self.joint_weights[outcomes] = weight
        return weight

    def _joint_weight(self, outcomes: tuple[str, ...], rivals: int) -> OutcomeWeight:
        together = self.frequencies[self._places(outcomes)].sum(axis=0)
        totals = self.frequencies.sum(axis=0)
        joint = np.asarray(weights_of(together[None, :], totals, self.mistaken)[0])
        each = [self.weights[outcome] for outcome in outcomes]
        shows = {weight.shows for weight in each}
        return msgspec.structs.replace(
            each[0],
            row=-1,
            spread=_spreads(joint[None, :], rivals)[0],
            shows=shows.pop() if len(shows) == 1 else None,
            clear=any(weight.clear for weight in each),
            tags=frozenset().union(*(weight.tags for weight in each)),
            outcomes=frozenset(outcomes),
            joint=joint,
        )

    def _places(self, outcomes: tuple[str, ...]) -> list[int]:
        first = next(iter(self.rows.values()))
        return [self.rows[outcome] - first for outcome in outcomes]


@dataclass(frozen=True, slots=True)
class FindingMatrix:
    """All findings of a machine's model below each other, for questions about every finding at once.

    Row r is one outcome; finding `codes[f]` has `sizes[f]` rows from `starts[f]`. `likelihood` is [cause,
    row] as a share of 1 and `squared` its square; `weights` is [row, cause], natural logarithms against the
    background. `groups` numbers each finding's group, and `group_decay` is [group, place]. `before_opening`
    marks findings that an open shell no longer has; `together` has the places of all signs of a finding as
    people know it.
    """

    codes: tuple[str, ...]
    starts: Ints
    sizes: Ints
    likelihood: Floats
    squared: Floats
    weights: Floats
    groups: Ints
    group_decay: Floats
    before_opening: list[int]
    together: dict[str, list[int]]


@dataclass(frozen=True, slots=True)
class MachineModel:
    """All that can be on one kind of machine.

    `causes` are the `rivals` first ones in code order, then `no_fault_found` and `unlisted`. `weights` is
    [outcome or pattern, cause] in nanobans, with a last row of zeros for a case without evidence; a finding's
    model knows the rows of its outcomes, `patterns` those of the patterns. `surprises`, of the same shape, is
    by how much an outcome is less likely under a cause than what that cause usually shows (nanobans; 0 for
    patterns, for what tells nothing, and for what people are asked about the place and earlier times).
    `prior` are the logarithms of the base rates, in nanobans. `weight_cache` holds what was said of a
    finding, by all that it depends on, `discounted_away` which findings a set of discounts leaves nothing of,
    and `closed_away` which make no sense to ask while some rows apply: caches, all of them.
    """

    causes: tuple[str, ...]
    rivals: int
    prior: Ints
    findings: dict[str, FindingModel]
    patterns: dict[str, int]
    weights: Ints
    surprises: Ints
    matrix: FindingMatrix
    weight_cache: dict[Hashable, Any] = field(default_factory=dict)
    discounted_away: dict[tuple[int, ...], list[int]] = field(default_factory=dict)
    closed_away: dict[tuple[int, ...], list[int]] = field(default_factory=dict)


@lru_cache(maxsize=256)
def decay_steps(rho: float) -> tuple[int, ...]:
    """How repeated evidence of one group fades, the strongest finding first: (1 - rho)^place in millionths;
    the last stands for all after it.
    """
    step = 1 - Decimal(repr(rho))
    # 0 to the power 0 is no number to the decimal module.
    return (MILLION, *(int((step**place * MILLION).to_integral_value()) for place in range(1, 24)))


def machine_model(table: RuleTable, machine: MachineKind, frequencies: Frequencies) -> MachineModel:
    """All that a table says of one kind of machine (motor, connection, compressor type; None: unknown)."""
    possible = [code for code, cause in sorted(table.causes.items()) if passes_gate(cause.gate, *machine)]
    rivals = [code for code in possible if code != NO_FAULT]
    causes = (*rivals, *([NO_FAULT] if NO_FAULT in possible else []), UNLISTED)
    columns = [frequencies.places[code] for code in causes]
    groups = {code: number for number, code in enumerate(table.groups)}
    mistaken = millionths(table.mistaken)
    finding_models: dict[str, FindingModel] = {}
    blocks: list[Block] = []
    height = 0
    for code, row in table.findings.items():
        outcomes = [i for i, outcome in enumerate(row.outcomes) if passes_gate(outcome.gate, *machine)]
        if passes_gate(row.gate, *machine) and len(outcomes) > 1:
            at = _MatrixPlace(row=height, finding=len(finding_models), group=groups[row.group])
            block = _of_causes(frequencies.block(code, row, outcomes, machine), columns)
            finding_models[code] = _finding_model(row, outcomes, block, len(rivals), at, mistaken=mistaken)
            blocks.append(block)
            height += len(outcomes)
    patterns = [
        pattern_weights(row.per_hundred, row.background, causes, mistaken) for row in table.patterns.values()
    ]
    nothing = np.zeros((1, len(causes)), dtype=np.int64)
    weights = np.concatenate([*(block.weights for block in blocks), *patterns, nothing])
    return MachineModel(
        causes=causes,
        rivals=len(rivals),
        prior=_prior(table, causes, machine),
        findings=finding_models,
        patterns={code: height + place for place, code in enumerate(table.patterns)},
        weights=weights,
        surprises=_surprises(blocks, weights, causes, finding_models, table),
        matrix=_finding_matrix(table, finding_models, weights[:height]),
    )


def _of_causes(block: Block, columns: list[int]) -> Block:
    """The block with those causes only that a machine can have."""
    return Block(block.frequencies[:, [*columns, -1]], block.weights[:, columns], block.surprises[:, columns])


def _surprises(
    blocks: list[Block],
    weights: Ints,
    causes: tuple[str, ...],
    finding_models: dict[str, FindingModel],
    table: RuleTable,
) -> Ints:
    """By how much each outcome is unlike each cause, as far as that counts; [outcome or pattern, cause].

    An outcome that tells nothing of any cause surprises nobody, nor does what people are asked about the
    place and earlier times; where an outcome speaks for a cause it surprises by no more than its weight, for
    it must not speak more strongly for a cause that nobody knows. A sound machine shows nothing of its own:
    what age and use have left on it is not unlike it.
    """
    height = sum(len(block.weights) for block in blocks)
    surprises = np.concatenate([*(block.surprises for block in blocks), np.zeros_like(weights[height:])])
    asked = [table.findings[code].effort == "ask" for code, row in finding_models.items() for _ in row.rows]
    telling = np.abs(weights).max(axis=1) >= TELLING
    telling[:height] &= ~np.array(asked, dtype=bool)
    surprises = np.where(telling[:, None], surprises, 0)
    surprises = np.where(weights > 0, np.minimum(surprises, weights), surprises)
    surprises[:, [place for place, code in enumerate(causes) if code == NO_FAULT]] = 0
    return np.asarray(surprises)


def _finding_matrix(
    table: RuleTable, finding_models: dict[str, FindingModel], weights: Ints
) -> FindingMatrix:
    sizes = np.array([len(finding_model.rows) for finding_model in finding_models.values()], dtype=np.int64)
    groups = {code: number for number, code in enumerate(table.groups)}
    shares = [
        ((1 - table.mistaken) * row.percent[:, :-1] + table.mistaken * row.percent[:, -1:]) / 100
        for row in finding_models.values()
    ]
    together: dict[str, list[int]] = {}
    for place, code in enumerate(finding_models):
        together.setdefault(whole(code), []).append(place)
    likelihood = np.ascontiguousarray(
        np.concatenate(shares).T if shares else np.zeros((weights.shape[1], 0)), dtype=np.float32
    )
    return FindingMatrix(
        codes=tuple(finding_models),
        starts=np.cumsum(sizes) - sizes,
        sizes=sizes,
        likelihood=likelihood,
        squared=likelihood**2,
        weights=(weights * (np.log(10) / BAN)).astype(np.float32),
        groups=np.array([groups[table.findings[code].group] for code in finding_models], dtype=np.int64),
        group_decay=np.array([decay_steps(group.rho) for group in table.groups.values()], dtype=np.float32)
        / np.float32(MILLION),
        before_opening=[
            place for place, code in enumerate(finding_models) if table.findings[code].before == "opening"
        ],
        together=together,
    )


def _prior(table: RuleTable, causes: tuple[str, ...], machine: MachineKind) -> Ints:
    """log10 of the base rates in nanobans, normalised over the causes that this machine can have."""
    rates = dict(table.base_rates)
    for override in table.base_rate_overrides:
        # An unknown machine keeps the general rates.
        if names_machine(override.when, machine):
            rates |= override.rates
    total = sum(Decimal(repr(rates[code])) for code in causes)
    return np.array([log10(Decimal(repr(rates[code])) / total) for code in causes])


class _MatrixPlace(NamedTuple):
    row: int
    finding: int
    group: int


def _finding_model(
    row: Finding, outcomes: list[int], block: Block, rivals: int, at: _MatrixPlace, *, mistaken: int
) -> FindingModel:
    """The finding on a kind of machine; `block` has that machine's causes."""
    frequencies = block.frequencies
    spreads = _spreads(block.weights, rivals)
    rows = {row.outcomes[i].code: at.row + place for place, i in enumerate(outcomes)}
    weights_by_outcome = {
        row.outcomes[i].code: OutcomeWeight(
            row=at.row + place,
            spread=spreads[place],
            group=row.group,
            shows=row.outcomes[i].shows,
            clear=i == 0,
            tags=frozenset(row.outcomes[i].tags),
            effort=row.effort,
            finding_index=at.finding,
            group_index=at.group,
            outcomes=frozenset((row.outcomes[i].code,)),
        )
        for place, i in enumerate(outcomes)
    }
    percent = 100 * frequencies / frequencies.sum(axis=0)
    return FindingModel(rows, weights_by_outcome, frequencies, percent, mistaken)


def _spreads(weights: Ints, rivals: int) -> list[int]:
    """How far each row of weights tells the rivals apart; not at all where a machine leaves none."""
    among = weights[:, :rivals]
    spreads: list[int] = (among.max(axis=1) - among.min(axis=1)).tolist() if rivals else [0] * len(weights)
    return spreads
