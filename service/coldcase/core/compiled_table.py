"""A rule table compiled, once, into the integer arrays that the engine reads: priors, log likelihood ratios,
likelihoods.

What cannot occur on a machine (its causes and outcomes) is gated out before anything is summed, and what
remains is renormalised; that gives one model for each kind of machine: motor, connection and compressor type.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import lru_cache
from typing import Any, NamedTuple

import msgspec
import numpy as np
import numpy.typing as npt

from coldcase.core.answer import Advice, TableName
from coldcase.core.case import Case
from coldcase.core.conditions import (
    Conditional,
    ConditionKey,
    ConditionKeys,
    Observed,
    Predicate,
    necessary,
    passes_gate,
    predicate,
)
from coldcase.core.fixed_point import (
    BAN,
    MILLION,
    TEN_THOUSAND,
    Ints,
    fine_logs,
    from_fine,
    log10,
    millionths,
)
from coldcase.core.rule_table import (
    COMPRESSOR_TYPES,
    MOTORS,
    NO_FAULT,
    UNLISTED,
    Action,
    Cause,
    Caution,
    Discount,
    Finding,
    Retired,
    RuleTable,
    spelling_key,
)

Floats = npt.NDArray[np.floating]
MachineKind = tuple[str | None, str | None, str | None]


MOST_JOINT_WEIGHTS = 100


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
class CompiledDiscount:
    """A discount: what it touches, what it keeps (millionths), why."""

    tags: frozenset[str]
    findings: frozenset[str]
    efforts: frozenset[str]
    keep: int
    reason: str

    def touches(self, code: str, weight: OutcomeWeight) -> bool:
        """Whether it reduces this outcome of this finding."""
        return code in self.findings or weight.effort in self.efforts or not self.tags.isdisjoint(weight.tags)


@dataclass(frozen=True, slots=True)
class ConditionalAdvice:
    """Actions or cautions, and when each applies."""

    when: Conditional
    advice: list[Advice]

    def applicable(
        self, case: Case, kind: ConditionKey, observed: Observed, table: RuleTable
    ) -> list[Advice]:
        """Those that apply to a case, in their order."""
        return [self.advice[index] for index in self.when.applying(case, kind, observed, table)]


@dataclass(frozen=True, slots=True)
class FindingModel:
    """One finding on one kind of machine: its possible outcomes, and the row of each among the model's
    weights.

    `frequencies` is [outcome, cause + background], of 10,000; `percent` the same of 100 after what cannot be
    was gated out. `joint_weights` is a cache of what lists of outcomes weigh together.
    """

    rows: dict[str, int]
    weights: dict[str, OutcomeWeight]
    frequencies: Ints
    percent: Floats
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
        joint = np.asarray(_weights(together[None, :], self.frequencies.sum(axis=0))[0])
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
    marks findings that an open shell no longer has.
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


@dataclass(frozen=True, slots=True)
class MachineModel:
    """All that can be on one kind of machine.

    `causes` are the `rivals` first ones in code order, then `no_fault_found` and `unlisted`. `weights` is
    [outcome or pattern, cause] in nanobans, with a last row of zeros for a case without evidence; a finding's
    model knows the rows of its outcomes, `patterns` those of the patterns. `prior` are the logarithms of the
    base rates, in nanobans. `weight_cache` holds what was said of a finding, by all that it depends on, and
    `discounted_away` which findings a set of discounts leaves nothing of: caches, both.
    """

    causes: tuple[str, ...]
    rivals: int
    prior: Ints
    findings: dict[str, FindingModel]
    patterns: dict[str, int]
    weights: Ints
    matrix: FindingMatrix
    weight_cache: dict[Hashable, Any] = field(default_factory=dict)
    discounted_away: dict[tuple[int, ...], list[int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CompiledTable:
    """A compiled rule table: immutable but for its machines' models, which are made when first asked for."""

    table: RuleTable
    version: int | None
    digest: str
    group_decay: dict[str, tuple[int, ...]]
    predicates: dict[str, Predicate]
    needs: dict[str, int]
    needed_by: dict[tuple[str, str], tuple[tuple[str, int], ...]]
    superseding: dict[str, tuple[str, tuple[str, ...]]]
    outcome_texts: dict[tuple[str, str], str]
    in_chain: dict[str, frozenset[tuple[str, str]]]
    chains: dict[str, tuple[tuple[str, tuple[tuple[str, frozenset[str]], ...]], ...]]
    actions: dict[str, ConditionalAdvice]
    condition_keys: ConditionKeys
    discounts: Conditional
    compiled_discounts: tuple[CompiledDiscount, ...]
    cautions: ConditionalAdvice
    retired: dict[tuple[str, str | None, str], Retired]
    designations: dict[str, str]
    _models: dict[MachineKind, MachineModel] = field(default_factory=dict)

    @property
    def name(self) -> TableName:
        """The table as answers name it."""
        return TableName(version=self.version, digest=self.digest)

    def model_for(self, machine: MachineKind) -> MachineModel:
        """The model for a kind of machine (motor, connection, compressor type; None where not known)."""
        model = self._models.get(machine)
        if model is None:
            model = self._models[machine] = _machine_model(self.table, machine)
        return model

    def make_models(self) -> None:
        """Makes the models of every motor and compressor type ahead of the first case (some 15 ms each)."""
        for motor in (None, *MOTORS):
            for compressor_type in (None, *COMPRESSOR_TYPES):
                self.model_for((motor, "single_phase" if motor == "single_phase" else None, compressor_type))

    def decay_of(self, group: str, place: int) -> int:
        """What the finding at `place` (0 = strongest) in its group counts, in millionths."""
        steps = self.group_decay[group]
        return steps[min(place, len(steps) - 1)]


def compile_table(table: RuleTable, *, version: int | None, digest: str) -> CompiledTable:
    """A table, compiled, that `checking.flaws` has nothing to say against."""
    needs, needed_by = _needs(table)
    outcomes = [
        (code, row.title, outcome) for code, row in table.findings.items() for outcome in row.outcomes
    ]
    return CompiledTable(
        table=table,
        version=version,
        digest=digest,
        group_decay={code: _decay_steps(group.rho) for code, group in table.groups.items()},
        predicates={code: predicate(pattern.when) for code, pattern in table.patterns.items()},
        superseding={
            code: (row.outcomes[0].code, tuple(row.supersedes))
            for code, row in table.findings.items()
            if row.supersedes
        },
        needs=needs,
        needed_by=needed_by,
        outcome_texts={
            (code, o.code): f"{title}: {o.title[0].lower()}{o.title[1:]}" for code, title, o in outcomes
        },
        in_chain={code: _in_chain(cause) for code, cause in table.causes.items()},
        chains={code: _chain(cause) for code, cause in table.causes.items()},
        actions={code: _conditional_advice(cause.actions) for code, cause in table.causes.items()},
        condition_keys=ConditionKeys(table),
        discounts=Conditional([row.when for row in table.discounts]),
        compiled_discounts=tuple(_compiled_discount(row) for row in table.discounts),
        cautions=_conditional_advice(table.cautions),
        retired={(row.kind, row.finding, row.code): row for row in table.retired},
        designations={spelling_key(designation): designation for designation in table.refrigerants},
    )


def _needs(table: RuleTable) -> tuple[dict[str, int], dict[tuple[str, str], tuple[tuple[str, int], ...]]]:
    """For each pattern a bit for each thing that must have been seen for it to hold, and which sights set
    which bits.
    """
    whole: dict[str, int] = {}
    by_sight: dict[tuple[str, str], list[tuple[str, int]]] = {}
    for code, pattern in table.patterns.items():
        for place, sights in enumerate(necessary(pattern.when)):
            whole[code] = whole.get(code, 0) | 1 << place
            for sight in sorted(sights):
                by_sight.setdefault(sight, []).append((code, 1 << place))
    return whole, {sight: tuple(bits) for sight, bits in by_sight.items()}


def _conditional_advice(rows: Sequence[Action | Caution]) -> ConditionalAdvice:
    return ConditionalAdvice(
        Conditional([row.when for row in rows]), [Advice(text=row.text, basis=row.basis) for row in rows]
    )


def _chain(cause: Cause) -> tuple[tuple[str, tuple[tuple[str, frozenset[str]], ...]], ...]:
    return tuple(
        (step.step, tuple((finding, frozenset(seen)) for finding, seen in step.seen_as.items()))
        for step in cause.chain
    )


def _compiled_discount(row: Discount) -> CompiledDiscount:
    return CompiledDiscount(
        frozenset(row.tags), frozenset(row.findings), frozenset(row.efforts), millionths(row.keep), row.reason
    )


def _in_chain(cause: Cause) -> frozenset[tuple[str, str]]:
    return frozenset(
        (finding, outcome)
        for step in cause.chain
        for finding, seen in step.seen_as.items()
        for outcome in seen
    )


@lru_cache(maxsize=256)
def _decay_steps(rho: float) -> tuple[int, ...]:
    step = 1 - Decimal(repr(rho))
    # 0 to the power 0 is no number to the decimal module.
    return (MILLION, *(int((step**place * MILLION).to_integral_value()) for place in range(1, 24)))


def _machine_model(table: RuleTable, machine: MachineKind) -> MachineModel:
    possible = [code for code, cause in sorted(table.causes.items()) if passes_gate(cause.gate, *machine)]
    rivals = [code for code in possible if code != NO_FAULT]
    causes = (*rivals, *([NO_FAULT] if NO_FAULT in possible else []), UNLISTED)
    groups = {code: number for number, code in enumerate(table.groups)}
    finding_models: dict[str, FindingModel] = {}
    blocks: list[Ints] = []
    height = 0
    for code, row in table.findings.items():
        outcomes = [i for i, outcome in enumerate(row.outcomes) if passes_gate(outcome.gate, *machine)]
        if passes_gate(row.gate, *machine) and len(outcomes) > 1:
            at = _MatrixPlace(row=height, finding=len(finding_models), group=groups[row.group])
            finding_models[code], block = _finding_model(row, outcomes, causes, len(rivals), at)
            blocks.append(block)
            height += len(outcomes)
    patterns = [_pattern(row.per_hundred, row.background, causes) for row in table.patterns.values()]
    weights = np.concatenate([*blocks, *patterns, np.zeros((1, len(causes)), dtype=np.int64)])
    return MachineModel(
        causes=causes,
        rivals=len(rivals),
        prior=_prior(table, causes, machine),
        findings=finding_models,
        patterns={code: height + place for place, code in enumerate(table.patterns)},
        weights=weights,
        matrix=_finding_matrix(table, finding_models, weights[:height]),
    )


def _finding_matrix(
    table: RuleTable, finding_models: dict[str, FindingModel], weights: Ints
) -> FindingMatrix:
    sizes = np.array([len(finding_model.rows) for finding_model in finding_models.values()], dtype=np.int64)
    groups = {code: number for number, code in enumerate(table.groups)}
    shares = [finding_model.percent[:, :-1] / 100 for finding_model in finding_models.values()]
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
        group_decay=np.array([_decay_steps(group.rho) for group in table.groups.values()], dtype=np.float32)
        / np.float32(MILLION),
        before_opening=[
            place for place, code in enumerate(finding_models) if table.findings[code].before == "opening"
        ],
    )


def _prior(table: RuleTable, causes: tuple[str, ...], machine: MachineKind) -> Ints:
    rates = dict(table.base_rates)
    for override in table.base_rate_overrides:
        gates = (override.when.motors, override.when.connections, override.when.compressor_types)
        # An override is a statement about a known machine; an unknown one keeps the general rates.
        if all(not gate or value in gate for gate, value in zip(gates, machine, strict=True)):
            rates |= override.rates
    total = sum(Decimal(repr(rates[code])) for code in causes)
    return np.array([log10(Decimal(repr(rates[code])) / total) for code in causes])


class _MatrixPlace(NamedTuple):
    row: int
    finding: int
    group: int


def _finding_model(
    row: Finding, outcomes: list[int], causes: tuple[str, ...], rivals: int, at: _MatrixPlace
) -> tuple[FindingModel, Ints]:
    """The finding's model, and its block of the machine's weights."""
    columns = [row.per_hundred.get(cause, row.background) for cause in causes] + [row.background]
    frequencies = np.array([[hundredths(column[i]) for column in columns] for i in outcomes], dtype=np.int64)
    weights = _weights(frequencies, frequencies.sum(axis=0))
    spreads = _spreads(weights, rivals)
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
    return FindingModel(
        rows, weights_by_outcome, frequencies, 100 * frequencies / frequencies.sum(axis=0)
    ), weights


def _spreads(weights: Ints, rivals: int) -> list[int]:
    """How far each row of weights tells the rivals apart; not at all where a machine leaves none."""
    among = weights[:, :rivals]
    spreads: list[int] = (among.max(axis=1) - among.min(axis=1)).tolist() if rivals else [0] * len(weights)
    return spreads


def _weights(frequencies: Ints, totals: Ints) -> Ints:
    """log10 of (share given the cause / share in the background), for [rows, cause + background]."""
    logs = fine_logs()
    shares = logs[frequencies] - logs[totals]
    return from_fine(shares[:, :-1] - shares[:, -1:])


def _pattern(per_hundred: dict[str, float], background: float, causes: tuple[str, ...]) -> Ints:
    logs = fine_logs()
    present = np.array([[hundredths(per_hundred.get(cause, background)) for cause in causes]])
    return from_fine(logs[present] - logs[hundredths(background)])


@lru_cache(maxsize=TEN_THOUSAND)
def hundredths(share: float) -> int:
    """A share of 100 as whole hundredths, read as the decimal that a person wrote."""
    # A table holds a few hundred different shares, each in twenty models: kept, they halve the time to make
    # those.
    return millionths(share) * TEN_THOUSAND // 10**8
