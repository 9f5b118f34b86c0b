"""Case and book to answer: everything that a caller reads, in one value."""

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
from coldcase.core.coding import HALF, Coding, code, contributing, machine_state, unexplained
from coldcase.core.compiled import Book
from coldcase.core.fixed_point import PARTS, WHOLE
from coldcase.core.next_checks import next_checks_many
from coldcase.core.rule_table import UNDETERMINED
from coldcase.core.weighing import Evidence, Weighed, collect, observe, weigh_many
from coldcase.core.wording import rationale, said

KEEP_PARTS = Advice(
    text="No cause is named: keep the compressor, its oil and the electrical parts until the next checks are made.", basis="common practice"
)


@dataclass(frozen=True, slots=True)
class Question:
    """A case with what readings and laboratory yield beside its observations.

    `derived` are the findings, `values` the quantities behind them, `properties` the fluid property library that worked
    them out, `notes` what has to be said about how the case was taken, `left_out` what a lenient reading did not take.
    """

    case: Case
    derived: Mapping[str, tuple[tuple[str, ...], Source]] = field(default_factory=dict)
    values: Sequence[DerivedValue] = ()
    notes: Sequence[str] = ()
    properties: str | None = None
    left_out: Sequence[LeftOut] = ()


def explain(question: Question, book: Book, *, next_checks: bool = True) -> Answer:
    """The whole answer, without id and not recorded. Without `next_checks` that list is empty."""
    return explain_many([question], book, next_checks=next_checks)[0]


def explain_many(questions: Sequence[Question], book: Book, *, next_checks: bool = True) -> list[Answer]:
    """The answers to many cases, in their order; those of like machines are weighed together."""
    together: dict[int, list[tuple[int, Evidence]]] = {}
    for place, question in enumerate(questions):
        evidence = collect(question.case, observe(question.case, question.derived), book)
        together.setdefault(id(evidence.page), []).append((place, evidence))
    answers: dict[int, Answer] = {}
    for group in together.values():
        weighed = weigh_many([evidence for _, evidence in group], book)
        checks = next_checks_many(weighed, book) if next_checks else [[] for _ in group]
        for (place, _), one, worth_checking in zip(group, weighed, checks, strict=True):
            answers[place] = _answer(questions[place], one, worth_checking, book)
    return [answers[place] for place in range(len(questions))]


def _answer(question: Question, weighed: Weighed, next_checks: list[NextCheck], book: Book) -> Answer:
    case, coding = question.case, code(weighed, book)
    leader = weighed.page.causes[coding.leader]
    cause = book.table.causes.get(leader)
    named = cause if coding.status != "undetermined" else None
    speaks_for, against = rationale(weighed, book)
    left = unexplained(weighed, book)
    helpers = contributing(weighed, left, book) if cause else []
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
        confidence=weighed.confidence[coding.leader] / WHOLE,
        machine=machine_state(weighed),
        ranking=_ranking(weighed),
        contributing=helpers,
        rationale=speaks_for,
        against=against,
        unexplained=[weighed.items[i].code for i in left if weighed.items[i].code not in explained],
        derived=list(question.values),
        discounted=_discounted(weighed) if weighed.discounts else [],
        chain=_chain(weighed, leader, book),
        next_checks=next_checks,
        actions=book.actions[leader].given(case, weighed.evidence.kind, weighed.observed, book.table) if named else [KEEP_PARTS],
        cautions=book.cautions.given(case, weighed.evidence.kind, weighed.observed, book.table),
        notes=[*question.notes, *_refusal(coding)],
        left_out=list(question.left_out),
        rule_table=book.name,
        engine=EngineName(version=ENGINE_VERSION, properties=question.properties),
    )


def _ranking(weighed: Weighed) -> list[Ranked]:
    causes, confidence = weighed.page.causes, weighed.confidence
    return [Ranked(causes[i], confidence[i] / WHOLE) for i in weighed.order]


def _discounted(weighed: Weighed) -> list[Discounted]:
    return [
        Discounted(finding=item.code, outcome=said(item.outcomes), kept=item.keep / PARTS, reason=item.reason or "")
        for item in weighed.items
        if item.keep < PARTS and item.source != "pattern"
    ]


def _chain(weighed: Weighed, leader: str, book: Book) -> list[ChainLink]:
    trusted = weighed.observed
    if weighed.discounts:
        trusted = {item.code: trusted[item.code] for item in weighed.items if item.source != "pattern" and item.keep >= HALF}
    sheets = weighed.page.sheets
    links = []
    for step, sights in book.chains.get(leader, ()):
        by = [finding for finding, wanted in sights if finding in trusted and trusted[finding] <= wanted]
        state: ChainState = "seen" if by else "not_checked"
        possible = [(finding, wanted) for finding, wanted in sights if finding in sheets]
        if possible and all(finding in trusted and trusted[finding].isdisjoint(wanted) for finding, wanted in possible):
            state = "not_seen"
        links.append(ChainLink(step=step, state=state, by=by))
    return links


def _refusal(coding: Coding) -> list[str]:
    return [f"No cause is named. {kind.capitalize()}: {reason}." for kind, reason in coding.reasons]
