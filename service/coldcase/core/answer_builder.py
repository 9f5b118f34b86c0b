"""Case and compiled table to answer: everything that a caller reads, in one value."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from coldcase.core import ENGINE_VERSION
from coldcase.core.answer import (
    Advice,
    Answer,
    ChainLink,
    ChainState,
    DerivedValue,
    Discounted,
    EngineName,
    LeftOut,
    NextCheck,
    Ranked,
    Source,
)
from coldcase.core.case import Case
from coldcase.core.coding import HALF, CodingResult, code, machine_state, unexplained
from coldcase.core.compiled_table import Chain, CompiledTable
from coldcase.core.conditions import Observed
from coldcase.core.fixed_point import MILLION, TEN_THOUSAND
from coldcase.core.leads import leads
from coldcase.core.machine_model import MachineModel
from coldcase.core.next_checks import Efforts, next_checks_many
from coldcase.core.recurring import ChainStep
from coldcase.core.rule_table import ALL_EFFORTS, UNDETERMINED
from coldcase.core.second_causes import contributing
from coldcase.core.signs import whole
from coldcase.core.weighing import Evidence, Weighed, collect, observe, weigh_many
from coldcase.core.wording import names, rationale

KEEP_PARTS = Advice(
    text=(
        "No cause is named: keep the compressor, its oil and the electrical parts until the next "
        "checks are made."
    ),
    basis="common practice",
)


@dataclass(frozen=True, slots=True)
class CaseWithReadings:
    """A case with what readings and laboratory yield beside its observations.

    `derived` are the findings, `values` the quantities behind them, `properties` the fluid property library
    that worked them out, `notes` what has to be said about how the case was taken, `left_out` what a lenient
    reading did not take, `efforts` what next checks may cost.
    """

    case: Case
    derived: Mapping[str, tuple[tuple[str, ...], Source]] = field(default_factory=dict)
    values: Sequence[DerivedValue] = ()
    notes: Sequence[str] = ()
    properties: str | None = None
    left_out: Sequence[LeftOut] = ()
    efforts: Efforts = ALL_EFFORTS


def build_answer(
    case_with_readings: CaseWithReadings, compiled: CompiledTable, *, next_checks: bool = True
) -> Answer:
    """The whole answer, without id and not recorded. Without `next_checks` that list is empty."""
    return build_answers([case_with_readings], compiled, next_checks=next_checks)[0]


def build_answers(
    cases: Sequence[CaseWithReadings], compiled: CompiledTable, *, next_checks: bool = True
) -> list[Answer]:
    """The answers to many cases, in their order; those of like machines are weighed together."""
    together: dict[int, list[tuple[int, Evidence]]] = {}
    for place, case_with_readings in enumerate(cases):
        seen = observe(case_with_readings.case, case_with_readings.derived, compiled)
        evidence = collect(case_with_readings.case, seen, compiled)
        together.setdefault(id(evidence.model), []).append((place, evidence))
    answers: dict[int, Answer] = {}
    for group in together.values():
        weighed = weigh_many([evidence for _, evidence in group], compiled)
        efforts = [cases[place].efforts for place, _ in group]
        checks = next_checks_many(weighed, compiled, efforts) if next_checks else [[] for _ in group]
        for (place, _), one, worth_checking in zip(group, weighed, checks, strict=True):
            answers[place] = _answer(cases[place], one, worth_checking, compiled)
    return [answers[place] for place in range(len(cases))]


def _answer(
    case_with_readings: CaseWithReadings,
    weighed: Weighed,
    next_checks: list[NextCheck],
    compiled: CompiledTable,
) -> Answer:
    case, coding = case_with_readings.case, code(weighed, compiled)
    leader = weighed.model.causes[coding.leader]
    cause = compiled.table.causes.get(leader)
    named = cause if coding.status != "undetermined" else None
    speaks_for, against = rationale(weighed, compiled) if named else ([], [])
    left = unexplained(weighed, compiled)
    helpers = contributing(weighed, left, compiled) if named else []
    explained = {finding for helper in helpers for finding in helper.explains}
    return Answer(
        job_ref=case.job.ref,
        supersedes=case.supersedes,
        cause=leader if named else UNDETERMINED,
        title=named.title if named else "Not determined",
        family=named.family if named else None,
        system_borne=named.system_borne if named else False,
        status=coding.status,
        refused_because=coding.refused_because,
        confidence=weighed.confidence[coding.leader] / TEN_THOUSAND,
        machine=machine_state(weighed),
        ranking=_ranking(weighed),
        leads=[] if named else leads(weighed, compiled),
        contributing=helpers,
        rationale=speaks_for,
        against=against,
        unexplained=[code for code in _findings(weighed, left) if named and code not in explained],
        derived=list(case_with_readings.values),
        discounted=_discounted(weighed) if weighed.discounts else [],
        chain=_chain(weighed, leader, compiled) if named else [],
        next_checks=next_checks,
        actions=compiled.actions[leader].applicable(
            case, weighed.evidence.condition_key, weighed.observed, compiled.table
        )
        if named
        else [KEEP_PARTS],
        cautions=compiled.cautions.applicable(
            case, weighed.evidence.condition_key, weighed.observed, compiled.table
        ),
        notes=[*case_with_readings.notes, *_refusal(coding)],
        left_out=list(case_with_readings.left_out),
        rule_table=compiled.name,
        engine=EngineName(version=ENGINE_VERSION, properties=case_with_readings.properties),
    )


def _ranking(weighed: Weighed) -> list[Ranked]:
    causes, confidence = weighed.model.causes, weighed.confidence
    return [Ranked(causes[i], confidence[i] / TEN_THOUSAND) for i in weighed.order]


def _findings(weighed: Weighed, items: list[int]) -> list[str]:
    """The findings of some items as people know them, each once."""
    return list(dict.fromkeys(whole(weighed.items[item].code) for item in items))


def _discounted(weighed: Weighed) -> list[Discounted]:
    return [
        Discounted(
            **names(item),
            kept=item.keep / MILLION,
            reason=item.reason or "",
        )
        for item in weighed.items
        if item.keep < MILLION and item.source != "pattern"
    ]


def _chain(weighed: Weighed, leader: str, compiled: CompiledTable) -> list[ChainLink]:
    trusted = weighed.observed
    if weighed.discounts:
        trusted = {
            item.code: trusted[item.code]
            for item in weighed.items
            if item.source != "pattern" and item.keep >= HALF
        }
    asked_otherwise = compiled.asked_otherwise(trusted)
    kept = weighed.model.kept.chains
    chain = kept.get(leader)
    if chain is None:
        chain = kept[leader] = _chain_on(weighed.model, compiled.chains.get(leader, ()))
    links = []
    for step in chain:
        by: list[str] = []
        not_seen = looked_at = False
        for finding, wanted, known_as in step.sights:
            seen = trusted.get(finding)
            if seen is None:
                continue
            looked_at = True
            if seen <= wanted:
                by.append(known_as)
        if by:
            by = list(dict.fromkeys(by))
        elif looked_at:
            not_seen = _is_not_seen(step, trusted, asked_otherwise)
        state: ChainState = "seen" if by else "not_seen" if not_seen else "not_checked"
        links.append(ChainLink(step=step.step, state=state, by=by))
    return links


def _chain_on(model: MachineModel, chain: Chain) -> tuple[ChainStep, ...]:
    """A chain with what this machine can show of it."""
    return tuple(
        ChainStep(
            step,
            tuple(
                (finding, wanted, whole(finding)) for finding, wanted in sights if finding in model.findings
            ),
        )
        for step, sights in chain
    )


def _is_not_seen(step: ChainStep, trusted: Observed, asked_otherwise: frozenset[str]) -> bool:
    """Whether all that could show a step was looked at, and shows something else."""
    for finding, wanted, _ in step.sights:
        seen = trusted.get(finding)
        if seen is None:
            if finding not in asked_otherwise:
                return False
        elif not seen.isdisjoint(wanted):
            return False
    return True


def _refusal(coding: CodingResult) -> list[str]:
    return [f"No cause is named. {kind.capitalize()}: {reason}." for kind, reason in coding.reasons]
