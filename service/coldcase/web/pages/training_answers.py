"""What stands on the page of a training case after the answer: what it was, how it weighs, what others
said.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from coldcase.core.answer import Answer
from coldcase.core.rule_table import NO_FAULT
from coldcase.core.titles import in_hundred
from coldcase.db.training import TrainingAnswer
from coldcase.feedback.calibrating import interval
from coldcase.feedback.training import TrainingCase
from coldcase.web.pages import drawing, rule_words
from coldcase.web.pages.drawing import Whisker
from coldcase.web.pages.table_backtests import GIVEN, interval_words, of_how_many
from coldcase.web.pages.table_frame import TablePage, share, times
from coldcase.web.pages.trade_names import TRADE_NAMES
from coldcase.web.pages.training_cases import described

MOST_RANKED = 5


def answer_context(
    page: TablePage,
    found: TrainingCase,
    answer: Answer,
    said: TrainingAnswer,
    others: Sequence[TrainingAnswer],
) -> dict[str, Any]:
    """What the template is filled with."""
    words = page.words
    right = sorted(found.right)
    first = said.causes[0]
    rival = first if first not in found.right and first in page.table.causes else None
    main = answer.cause if answer.cause in found.right else right[0]
    return {
        "page": page,
        "found": found,
        "title": found.title,
        "report": None if found.decision is None else f"/v1/decisions/{found.decision.id}",
        "right": [(words.cause(code), page.cause_path(code)) for code in right],
        "said": said,
        "named": [(words.cause(code), page.cause_path(code)) for code in said.causes],
        "check": None if said.next_check is None else words.finding(said.next_check),
        "check_path": None if said.next_check is None else page.finding_path(said.next_check),
        "given": GIVEN[answer.status],
        "ranking": [
            (words.cause(one.cause), page.cause_path(one.cause), in_hundred(one.confidence))
            for place, one in enumerate(answer.ranking[:MOST_RANKED])
            if place == 0 or in_hundred(one.confidence)
        ],
        "heading": TRADE_NAMES.get(right[0]) or words.cause(right[0]),
        "main": words.cause(main),
        "rival": None if rival is None else words.cause(rival),
        "signs": list(_signs(page, answer, main, rival)),
        "checks": [
            (
                one.question,
                page.finding_path(one.finding),
                rule_words.EFFORT_TOLD.get(one.effort, one.effort),
                one.finding == said.next_check,
            )
            for one in answer.next_checks
        ],
        "contrast": _contrast(page, main, rival),
        "others": _others(page, others),
        "no_fault": main == NO_FAULT,
        **described(found.case, words),
    }


def _signs(page: TablePage, answer: Answer, main: str, rival: str | None) -> Iterator[dict[str, Any]]:
    """What was found and counted: how often it is seen after the right cause, after the one that was named,
    and after others; what tells most first.
    """
    weights = [one for one in (*answer.rationale, *answer.against) if one.counted]
    # Where nothing is named, leads say what speaks for each.
    weights += [one for lead in answer.leads for one in lead.support if one.counted]
    seen = set()
    for weight in sorted(weights, key=lambda one: -abs(one.decibans)):
        outcomes = weight.outcome if isinstance(weight.outcome, list) else [weight.outcome]
        known = weight.finding, tuple(outcomes), weight.absent
        if known in seen:
            continue
        seen.add(known)
        shares = [
            _share(page, weight.finding, outcomes, cause, absent=weight.absent)
            for cause in (main, rival, None)
        ]
        here, named, elsewhere = shares
        if here is None or elsewhere is None:
            continue
        outcome = page.words.outcomes(weight.finding, outcomes)
        yield {
            "finding": page.words.finding(weight.finding),
            "outcome": f"looked for, not there: {outcome}" if weight.absent else outcome,
            "path": page.finding_path(weight.finding, outcomes[0]),
            "here": share(here),
            "named": None if rival is None or named is None else share(named),
            "elsewhere": share(elsewhere),
            "times": times(here, elsewhere),
            "picture": drawing.pair(here, elsewhere),
        }


def _share(
    page: TablePage, code: str, outcomes: Sequence[str], cause: str | None, *, absent: bool
) -> float | None:
    """Of 100 failures from a cause (None: from others) how many show one of these outcomes."""
    pattern = page.table.patterns.get(code)
    if pattern is not None:
        return pattern.background if cause is None else pattern.per_hundred.get(cause, pattern.background)
    row = page.table.findings.get(code)
    if row is None:
        return None
    shares = row.background if cause is None else row.per_hundred.get(cause, row.background)
    found = sum(
        value for outcome, value in zip(row.outcomes, shares, strict=False) if outcome.code in outcomes
    )
    return 100 - found if absent else found


def _contrast(page: TablePage, main: str, rival: str | None) -> str | None:
    """The check that tells the right cause from the one that was named, where the table has it."""
    for one, other in ((main, rival), (rival, main)):
        cause = page.table.causes.get(one or "")
        for row in cause.contrast if cause else ():
            if row.against == other:
                return row.check
    return None


def _others(page: TablePage, others: Sequence[TrainingAnswer]) -> dict[str, Any]:
    """What everybody of this client named first, the trainee among them."""
    counts = Counter(one.causes[0] for one in others)
    rows = [(page.words.cause(code), interval(n, len(others))) for code, n in counts.most_common()]
    checks = Counter(one.next_check for one in others)
    return {
        "count": len(others),
        "right": sum(one.was_right for one in others),
        "picture": drawing.whiskers(
            "others",
            "The cause that was named first",
            [Whisker(title, of_how_many(of), of.share, of.low, of.high) for title, of in rows],
        ),
        "rows": [(title, interval_words(of)) for title, of in rows],
        "checks": [
            ("Nothing more" if code is None else page.words.finding(code), n)
            for code, n in checks.most_common()
        ],
    }
