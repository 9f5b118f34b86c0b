"""The result of a backtest as text, for people to read. Pure."""

from collections.abc import Iterator

from coldcase.backtesting.comparing import BacktestResult, CodeChange, Example
from coldcase.backtesting.paired import Estimate, Scores, VerdictFigures
from coldcase.feedback.calibrating import Interval


def result_text(result: BacktestResult) -> str:
    """Lines that end with a newline: what changes, the dangerous first, and how good both sides are."""
    return "".join(f"{line}\n" for line in _lines(result))


def _lines(result: BacktestResult) -> Iterator[str]:
    yield (
        f"{result.compared} cases compared: {result.changed} change their code, "
        f"{result.same_code_other_confidence} their confidence alone; {result.unreadable} cannot be read"
    )
    dangerous = result.dangerous
    groups = (
        ("named where no cause was", dangerous.refused_to_named),
        ("another cause is named", dangerous.named_to_other),
        ("no longer named", [one for one in result.changes if one not in _apart(result)]),
    )
    for title, changes in groups:
        if changes:
            yield f"{title}:"
            yield from (f"  {_change(one)}" for one in changes)
    if dangerous.losing_cautions:
        yield f"{dangerous.losing_cautions} cases lose cautions:"
        yield from (f"  {one.count} x {one.text}" for one in dangerous.cautions_lost)
    for reason in result.unreadable_because:
        yield f"cannot be read: {reason.count} x {reason.text}{_names(reason.examples)}"
    if result.verdicts is not None:
        yield from _verdicts(result.verdicts)


def _apart(result: BacktestResult) -> list[CodeChange]:
    return [*result.dangerous.refused_to_named, *result.dangerous.named_to_other]


def _change(one: CodeChange) -> str:
    return f"{one.count} x {one.from_} → {one.to}{_names(one.examples)}"


def _names(examples: list[Example]) -> str:
    named = [str(example.case or example.decision) for example in examples]
    return f": {'; '.join(named)}" if named else ""


def _verdicts(found: VerdictFigures) -> Iterator[str]:
    yield f"of {found.judged} of which it is known what is right:"
    for side, scores in (("before", found.before), ("after", found.after)):
        yield f"  {side:6} {_scores(scores)}"
    split = found.difference
    yield (
        f"  right on one side only: {split.right_before_only} before, {split.right_after_only} after;"
        f" p = {split.p_value:.3g} (McNemar's exact test)"
    )
    yield f"  difference: Brier score {_mean(split.brier)}, log loss {_mean(split.log_loss)}"


def _scores(scores: Scores) -> str:
    return (
        f"right {_share(scores.right)}, wrong {_share(scores.wrong)}, refused {_share(scores.refused)},"
        f" Brier score {_mean(scores.brier)}, log loss {_mean(scores.log_loss)}"
    )


def _share(found: Interval) -> str:
    if found.share is None or found.low is None or found.high is None:
        return "none"
    return f"{found.count} ({found.share:.0%}, {found.low:.0%} to {found.high:.0%})"


def _mean(found: Estimate) -> str:
    if found.mean is None:
        return "unknown"
    width = "" if found.low is None else f" ({found.low:.3f} to {found.high:.3f})"
    return f"{found.mean:.3f}{width}"
