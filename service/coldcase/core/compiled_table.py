"""A rule table compiled, once, into the integer arrays that the engine reads: priors, log likelihood ratios,
likelihoods.

There is one model for each kind of machine (`machine_model.py`), made when it is first asked for.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from coldcase.core.answer import Advice, Role, TableName
from coldcase.core.case import Case
from coldcase.core.conditions import (
    Conditional,
    ConditionKey,
    ConditionKeys,
    Observed,
    Predicate,
    asserted,
    findings_in,
    necessary,
    predicate,
)
from coldcase.core.fitted_limits import FittedLimits
from coldcase.core.fixed_point import millionths
from coldcase.core.frequencies import Frequencies
from coldcase.core.machine_model import (
    MachineKind,
    MachineModel,
    OutcomeWeight,
    decay_steps,
    machine_model,
)
from coldcase.core.rule_table import (
    COMPRESSOR_TYPES,
    MOTORS,
    Action,
    Cause,
    Caution,
    Discount,
    Pattern,
    Retired,
    RuleTable,
    spelling_key,
)
from coldcase.core.signs import Sight, engine_codes, sight, taken_apart

Chain = tuple[tuple[str, tuple[tuple[str, frozenset[str]], ...]], ...]
"""The steps of a cause's chain, with the findings and outcomes that show each."""


@dataclass(frozen=True, slots=True)
class CompiledDiscount:
    """A discount: what it touches, what it keeps (millionths), why."""

    tags: frozenset[str]
    findings: frozenset[str]
    efforts: frozenset[str]
    known: frozenset[str]
    keep: int
    reason: str

    def touches(self, code: str, weight: OutcomeWeight, known: str | None) -> bool:
        """Whether it reduces this outcome of this finding, known in this way (None: not said)."""
        if self.known and known not in self.known:
            return False
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
class CompiledTable:
    """A compiled rule table: immutable but for its machines' models, which are made when first asked for.

    `table` is the table as people know it; `apart` has each sign of a `several` finding as a finding of its
    own, and is what everything compiled speaks of.
    """

    table: RuleTable
    apart: RuleTable
    frequencies: Frequencies
    version: int | None
    digest: str
    group_decay: dict[str, tuple[int, ...]]
    predicates: dict[str, Predicate]
    members: dict[str, tuple[str, ...]]
    needs: dict[str, int]
    needed_by: dict[tuple[str, str], tuple[tuple[str, int], ...]]
    superseding: dict[str, tuple[str, tuple[str, ...]]]
    successors: dict[str, frozenset[str]]
    no_longer_asked: frozenset[str]
    replaceable: dict[str, dict[str, frozenset[str]]]
    outcome_texts: dict[tuple[str, str], str]
    sights: dict[tuple[str, str], Sight]
    in_chain: dict[str, frozenset[tuple[str, str]]]
    chains: dict[str, Chain]
    linked: dict[str, dict[str, Role]]
    actions: dict[str, ConditionalAdvice]
    condition_keys: ConditionKeys
    discounts: Conditional
    closed: Conditional
    lost: Conditional
    compiled_discounts: tuple[CompiledDiscount, ...]
    cautions: ConditionalAdvice
    limits: FittedLimits
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
            model = self._models[machine] = machine_model(self.apart, machine, self.frequencies)
        return model

    def asked_otherwise(self, observed: Iterable[str]) -> frozenset[str]:
        """Findings that nobody need look at, for another asks the same: those no longer asked, and the
        successors of one that was answered.
        """
        answered = [self.successors[older] for older in observed if older in self.successors]
        return self.no_longer_asked.union(*answered) if answered else self.no_longer_asked

    def make_models(self) -> None:
        """Makes the models of every motor and compressor type ahead of the first case (some 15 ms each)."""
        for motor in (None, *MOTORS):
            for compressor_type in (None, *COMPRESSOR_TYPES):
                self.model_for((motor, "single_phase" if motor == "single_phase" else None, compressor_type))

    def possible(self, code: str, model: MachineModel) -> set[str]:
        """The outcomes, or signs, of a finding that this machine can have."""
        return {
            self.sights[own, outcome].outcome
            for own in engine_codes(code, self.table.findings)
            if own in model.findings
            for outcome in model.findings[own].rows
        }

    def decay_of(self, group: str, place: int) -> int:
        """What the finding at `place` (0 = strongest) in its group counts, in millionths."""
        steps = self.group_decay[group]
        return steps[min(place, len(steps) - 1)]


def compile_table(table: RuleTable, *, version: int | None, digest: str) -> CompiledTable:
    """A table, compiled, that `checking.flaws` has nothing to say against."""
    published, table = table, taken_apart(table)
    needs, needed_by = _needs(table)
    outcomes = [
        (code, row.title, outcome) for code, row in table.findings.items() for outcome in row.outcomes
    ]
    return CompiledTable(
        table=published,
        apart=table,
        frequencies=Frequencies(table),
        version=version,
        digest=digest,
        group_decay={code: decay_steps(group.rho) for code, group in table.groups.items()},
        predicates={code: predicate(pattern.when) for code, pattern in table.patterns.items()},
        members={
            code: tuple(dict.fromkeys(finding for finding, _ in findings_in(pattern.when)))
            for code, pattern in table.patterns.items()
        },
        superseding={
            code: (row.outcomes[0].code, tuple(row.supersedes))
            for code, row in table.findings.items()
            if row.supersedes
        },
        successors=_successors(published),
        no_longer_asked=frozenset(_successors(published)),
        replaceable={code: _replaceable(pattern, table) for code, pattern in table.patterns.items()},
        needs=needs,
        needed_by=needed_by,
        outcome_texts={
            (code, o.code): f"{title}: {o.title[0].lower()}{o.title[1:]}" for code, title, o in outcomes
        },
        sights={(code, o.code): sight(code, o.code) for code, _, o in outcomes},
        in_chain={code: _in_chain(cause) for code, cause in table.causes.items()},
        chains={code: _chain(cause) for code, cause in table.causes.items()},
        linked=_linked(table),
        actions={code: _conditional_advice(cause.actions) for code, cause in table.causes.items()},
        condition_keys=ConditionKeys(table),
        discounts=Conditional([row.when for row in table.discounts]),
        closed=Conditional([row.when for row in table.closed]),
        lost=Conditional([row.when for row in table.lost]),
        compiled_discounts=tuple(_compiled_discount(row) for row in table.discounts),
        cautions=_conditional_advice(table.cautions),
        limits=FittedLimits(table),
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
            for needed in sorted(sights):
                by_sight.setdefault(needed, []).append((code, 1 << place))
    return whole, {needed: tuple(bits) for needed, bits in by_sight.items()}


def _linked(table: RuleTable) -> dict[str, dict[str, Role]]:
    """For each cause those that it is linked with, and what they are to it."""
    linked: dict[str, dict[str, Role]] = {}
    for link in table.links:
        linked.setdefault(link.cause, {}).setdefault(link.leads_to, "following")
    for link in table.links:
        linked.setdefault(link.leads_to, {})[link.cause] = "initiating"
    return linked


def _successors(table: RuleTable) -> dict[str, frozenset[str]]:
    """For each finding that is no longer asked, the engine's codes of the one that took its place."""
    return {
        code: frozenset(engine_codes(row.succeeded_by, table.findings))
        for code, row in table.findings.items()
        if row.succeeded_by is not None
    }


def _replaceable(pattern: Pattern, table: RuleTable) -> dict[str, frozenset[str]]:
    """What a pattern takes the place of: a member's outcomes that it names, of other findings all but the
    clear outcome.

    What speaks the other way is no part of what the pattern says, and keeps its own weight.
    """
    named: dict[str, set[str]] = {}
    for finding, outcomes in asserted(pattern.when):
        named.setdefault(finding, set()).update(outcomes)
    not_clear = {
        code: {outcome.code for outcome in table.findings[code].outcomes[1:]} for code in pattern.subsumes
    }
    return {code: frozenset(named.get(code) or others) for code, others in not_clear.items()}


def _conditional_advice(rows: Sequence[Action | Caution]) -> ConditionalAdvice:
    return ConditionalAdvice(
        Conditional([row.when for row in rows]), [Advice(text=row.text, basis=row.basis) for row in rows]
    )


def _chain(cause: Cause) -> Chain:
    return tuple(
        (step.step, tuple((finding, frozenset(seen)) for finding, seen in step.seen_as.items()))
        for step in cause.chain
    )


def _compiled_discount(row: Discount) -> CompiledDiscount:
    return CompiledDiscount(
        tags=frozenset(row.tags),
        findings=frozenset(row.findings),
        efforts=frozenset(row.efforts),
        known=frozenset(row.known),
        keep=millionths(row.keep),
        reason=row.reason,
    )


def _in_chain(cause: Cause) -> frozenset[tuple[str, str]]:
    return frozenset(
        (finding, outcome)
        for step in cause.chain
        for finding, seen in step.seen_as.items()
        for outcome in seen
    )
