"""Case and book to answer: everything that a caller reads, in one value."""

from collections.abc import Mapping, Sequence

from coldcase.core import ENGINE_VERSION
from coldcase.core.answer import Advice, Answer, ChainLink, DerivedValue, Discounted, EngineName, Ranked, Source, TableName
from coldcase.core.case import Case
from coldcase.core.coding import HALF, Coding, code, contributing, machine_state, unexplained
from coldcase.core.compiled import Book
from coldcase.core.fixed_point import PARTS, WHOLE
from coldcase.core.logic import Observed, applies
from coldcase.core.next_checks import next_checks as worth_checking
from coldcase.core.rule_table import UNDETERMINED, Action, Cause
from coldcase.core.weighing import Weighed, observe, weigh
from coldcase.core.wording import rationale, said

KEEP_PARTS = Advice(
    text="No cause is named: keep the compressor, its oil and the electrical parts until the next checks are made.", basis="common practice"
)


def explain(
    case: Case,
    book: Book,
    *,
    derived: Mapping[str, tuple[tuple[str, ...], Source]] | None = None,
    values: Sequence[DerivedValue] = (),
    notes: Sequence[str] = (),
    properties: str | None = None,
    next_checks: bool = True,
) -> Answer:
    """The whole answer, without id and not recorded.

    `derived` are the findings that readings and laboratory yield, `values` the quantities behind them, `properties`
    the fluid property library that worked them out. Without `next_checks` that list is empty (it costs most).
    """
    weighed = weigh(case, observe(case, derived or {}), book)
    coding = code(weighed, book)
    cause = book.table.causes.get(weighed.page.causes[coding.leader])
    named = cause if coding.status != "undetermined" else None
    speaks_for, against = rationale(weighed, coding.leader, book)
    left = unexplained(weighed, coding.leader, book)
    helpers = contributing(weighed, coding.leader, left, book) if cause else []
    explained = {finding for helper in helpers for finding in helper.explains}
    return Answer(
        job_ref=case.job.ref,
        supersedes=case.supersedes,
        cause=weighed.page.causes[coding.leader] if named else UNDETERMINED,
        title=named.title if named else "Not determined",
        family=named.family if named else None,
        system_borne=named.system_borne if named else False,
        status=coding.status,
        confidence=weighed.confidence[coding.leader] / WHOLE,
        machine=machine_state(weighed, book),
        ranking=_ranking(weighed),
        contributing=helpers,
        rationale=speaks_for,
        against=against,
        unexplained=[weighed.items[i].code for i in left if weighed.items[i].code not in explained],
        derived=list(values),
        discounted=_discounted(weighed),
        chain=_chain(weighed, cause) if cause else [],
        next_checks=worth_checking(case, weighed, book) if next_checks else [],
        actions=_actions(named.actions, case, weighed.observed, book) if named else [KEEP_PARTS],
        cautions=_cautions(case, weighed.observed, book),
        notes=[*notes, *_refusal(coding)],
        rule_table=TableName(version=book.version, digest=book.digest),
        engine=EngineName(version=ENGINE_VERSION, properties=properties),
    )


def _ranking(weighed: Weighed) -> list[Ranked]:
    return [Ranked(cause=weighed.page.causes[i], confidence=weighed.confidence[i] / WHOLE) for i in weighed.order]


def _discounted(weighed: Weighed) -> list[Discounted]:
    return [
        Discounted(finding=item.code, outcome=said(item.outcomes), kept=item.keep / PARTS, reason=item.reason or "")
        for item in weighed.items
        if item.keep < PARTS and item.source != "pattern"
    ]


def _chain(weighed: Weighed, cause: Cause) -> list[ChainLink]:
    trusted = {item.code: item.outcomes for item in weighed.items if item.source != "pattern" and item.keep >= HALF}
    links = []
    for step in cause.chain:
        by = [finding for finding, wanted in step.seen_as.items() if finding in trusted and set(trusted[finding]) <= set(wanted)]
        complete = all(finding in trusted for finding in step.seen_as if finding in weighed.page.sheets)
        links.append(ChainLink(step=step.step, state="seen" if by else "not_seen" if complete else "not_checked", by=by))
    return links


def _cautions(case: Case, observed: Observed, book: Book) -> list[Advice]:
    rows = (book.table.cautions[index] for index in book.cautions.applying(case, observed, book.table))
    return [Advice(text=row.text, basis=row.basis) for row in rows]


def _actions(rows: Sequence[Action], case: Case, observed: Observed, book: Book) -> list[Advice]:
    return [Advice(text=row.text, basis=row.basis) for row in rows if applies(row.when, case, observed, book.table)]


def _refusal(coding: Coding) -> list[str]:
    return [f"No cause is named. {reason[0].upper()}{reason[1:]}." for reason in coding.reasons]
