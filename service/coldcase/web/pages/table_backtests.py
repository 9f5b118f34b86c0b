"""What stands on the pages of backtests, worked out before the template sees it."""

from collections.abc import Iterable, Sequence
from typing import Any

from coldcase.backtesting.comparing import BacktestResult, CodeChange, Example, NamedGroup
from coldcase.backtesting.paired import Estimate, Scores, VerdictFigures
from coldcase.core.titles import in_hundred
from coldcase.db.backtests import UNFINISHED
from coldcase.db.rule_tables import StoredTable
from coldcase.feedback.calibrating import Interval, Reliability
from coldcase.web.backtest_schemas import BacktestReport, BacktestSummary
from coldcase.web.pages import drawing, rule_words
from coldcase.web.pages.drawing import CurvePoint, Whisker
from coldcase.web.pages.rule_words import TableWords
from coldcase.web.pages.table_frame import TablePage

RUN_WORDS = {
    "waiting": "waits for its turn",
    "running": "is running",
    "finished": "has ended",
    "cancelled": "was cancelled",
    "failed": "failed",
}
GIVEN = {"coded": "named", "provisional": "named for now", "undetermined": "not named"}
LIBRARY_WORDS = {
    "worked": "the worked cases",
    "development": "the development cases",
    "bench": "the cases of the bench",
}
OUTCOMES = (
    ("right", "Right: the established cause was named"),
    ("wrong", "Wrong: another cause was named"),
    ("refused", "Refused: none was named, though there is one"),
)


def listed_context(stored: StoredTable, found: Sequence[BacktestSummary]) -> dict[str, Any]:
    """The list of a version's backtests."""
    return {
        "stored": stored,
        "backtests": [_summary(one, stored) for one in found],
        "tried_on": [("decisions", "decisions on record"), *LIBRARY_WORDS.items()],
    }


def backtest_context(page: TablePage, found: BacktestReport) -> dict[str, Any]:
    """What the template is filled with; of one that has nothing counted yet `result` is None."""
    return {
        "page": page,
        **_summary(found, page.stored),
        "result": None if found.result is None else _result(page.words, found.result),
    }


def _summary(found: BacktestSummary, stored: StoredTable) -> dict[str, Any]:
    share = None if not found.total else f"{found.done * 100 // found.total}"
    return {
        "backtest": found,
        "run": RUN_WORDS[found.state],
        "on": tried_on(found),
        "progress": share if found.state == "running" else None,
        "unfinished": found.state in UNFINISHED,
        "edited_since": found.rule_table.digest != stored.digest,
    }


def tried_on(found: BacktestSummary) -> str:
    """Which cases it was tried on."""
    if found.library is not None:
        return LIBRARY_WORDS.get(found.library, rule_words.plain(found.library))
    told = "all decisions on record" if found.of_all_clients else "your own decisions"
    if found.sample is not None:
        told = f"a sample of about {found.sample} of {told}"
    # Times of no end and the order of the search are no filter to a reader.
    given = {name: value for name, value in (found.filter or {}).items() if value and name != "by"}
    if given:
        told += ", where " + ", ".join(
            f"{rule_words.plain(name.rstrip('_'))} is {rule_words.plain(str(value))}"
            for name, value in given.items()
        )
    return told


def _result(words: TableWords, result: BacktestResult) -> dict[str, Any]:
    dangerous = result.dangerous
    apart = [*dangerous.refused_to_named, *dangerous.named_to_other]
    return {
        "found": result,
        "dangerous": [
            ("A cause would be named where none was", _changes(words, dangerous.refused_to_named)),
            ("Another cause would be named", _changes(words, dangerous.named_to_other)),
        ],
        "cautions_lost": _groups(words, dangerous.cautions_lost),
        "no_longer": _changes(words, [one for one in result.changes if one not in apart]),
        "statuses": [
            (GIVEN.get(one.from_, one.from_), GIVEN.get(one.to, one.to), one.count) for one in result.statuses
        ],
        "unreadable": _groups(words, result.unreadable_because),
        "verdicts": None if result.verdicts is None else _verdicts(result.verdicts),
    }


def _changes(words: TableWords, changes: Iterable[CodeChange]) -> list[dict[str, Any]]:
    return [
        {
            "before": words.cause(one.from_),
            "after": words.cause(one.to),
            "count": one.count,
            "examples": [_example(words, example) for example in one.examples],
        }
        for one in changes
    ]


def _groups(words: TableWords, groups: Iterable[NamedGroup]) -> list[dict[str, Any]]:
    return [
        {
            "text": one.text or "others",
            "count": one.count,
            "examples": [_example(words, example) for example in one.examples],
        }
        for one in groups
    ]


def _example(words: TableWords, one: Example) -> dict[str, Any]:
    known = [words.cause(cause) for cause in one.established or ()]
    return {
        "name": one.case or "a decision",
        "path": None if one.decision is None else f"/v1/decisions/{one.decision}",
        "sure": [
            f"{GIVEN[said.status]}, {in_hundred(said.confidence)} of 100 sure"
            for said in (one.before, one.after)
            if said
        ],
        "established": None if one.established is None else " or ".join(known) or "nobody could say",
    }


def _verdicts(found: VerdictFigures) -> dict[str, Any]:
    sides = (("Before", found.before), ("After", found.after))
    rows = [(title, [(side, getattr(scores, name)) for side, scores in sides]) for name, title in OUTCOMES]
    split = found.difference
    return {
        "judged": found.judged,
        "not_determinable": found.not_determinable,
        "picture": drawing.whiskers(
            "verdicts",
            "How good the answers were and would be",
            [
                Whisker(
                    f"{title.partition(':')[0]}, {side.lower()}", of_how_many(of), of.share, of.low, of.high
                )
                for title, pairs in rows
                for side, of in pairs
            ],
        ),
        "rows": [(title, [interval_words(of) for _, of in pairs]) for title, pairs in rows],
        "scores": [
            ("Brier score (0 best, 2 worst)", *_estimates(sides, "brier"), estimate_words(split.brier)),
            ("Logarithmic loss (0 best)", *_estimates(sides, "log_loss"), estimate_words(split.log_loss)),
        ],
        "split": split,
        "chance": _chance(split.p_value),
        "curves": [
            (
                side,
                reliability_curve(f"curve-{side.lower()}", f"{side}: stated and right", scores.reliability),
                reliability_rows(scores.reliability),
            )
            for side, scores in sides
        ],
    }


def _estimates(sides: Iterable[tuple[str, Scores]], name: str) -> list[str]:
    return [estimate_words(getattr(scores, name)) for _, scores in sides]


def _chance(p_value: float) -> str:
    """McNemar's p in words."""
    if p_value >= 0.1:
        return "chance alone would often split them so unevenly"
    if p_value >= 0.01:
        return f"chance alone would split them so unevenly about {p_value * 100:.0f} times in 100"
    return "chance alone would hardly ever split them so unevenly"


def of_how_many(of: Interval) -> str:
    """A share as it stands in a picture."""
    return f"{of.count} of {of.of}"


def interval_words(of: Interval) -> str:
    """A share with its 95 % interval."""
    if of.share is None or of.low is None or of.high is None:
        return "nothing counted"
    return f"{of.count} of {of.of}: {of.share:.0%} ({of.low:.0%} to {of.high:.0%})"


def estimate_words(of: Estimate) -> str:
    """A mean with its 95 % interval."""
    if of.mean is None:
        return "nothing counted"
    return f"{of.mean:.3f}" + ("" if of.low is None else f" ({of.low:.3f} to {of.high:.3f})")


def reliability_curve(name: str, title: str, bins: Iterable[Reliability]) -> Any:
    """Stated confidences against how often they were right."""
    return drawing.curve(
        name,
        title,
        [
            CurvePoint(one.mean_confidence, of.share, of.low, of.high, of.of)
            for one in bins
            if one.mean_confidence is not None
            and (of := one.right).share is not None
            and of.low is not None
            and of.high is not None
        ],
    )


def reliability_rows(bins: Iterable[Reliability]) -> list[tuple[str, str, str]]:
    """The same in numbers: the range of stated confidence, its mean, how often right."""
    return [
        (
            f"{one.above * 100:.0f} to {one.up_to * 100:.0f}",
            f"{one.mean_confidence * 100:.0f}",
            interval_words(one.right),
        )
        for one in bins
        if one.mean_confidence is not None
    ]
