"""The figures of a set, line by line."""

from collections.abc import Callable, Iterable, Iterator

from coldcase.core.rule_table import UNLISTED
from tests.accuracy.cases import Judged

EDGES = (0.2, 0.4, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)
"""Upper ends of the reliability bins; each bin is closed on the right."""


def figures(cases: list[Judged]) -> Iterator[str]:
    """Of cases as they were sent. `right` counts a refusal where none can be named."""
    to_name = [case for case in cases if not case.to_refuse]
    to_refuse = [case for case in cases if case.to_refuse]
    named = [case for case in cases if not case.refused]
    seconds = [case for case in cases if case.truth.pair and not case.to_refuse]
    machines = [case for case in cases if case.truth.machine is not None]
    facts = sum(case.truth.facts for case in cases)
    yield f"cases                 {len(cases)} ({len(to_name)} to be named, {len(to_refuse)} to be refused)"
    if facts:
        unsaid = sum(case.truth.unsaid for case in cases)
        yield f"cannot be said        {unsaid} of {facts} facts, {unsaid / facts:.1%}"
    yield f"right                 {_share(cases, lambda case: case.right)}"
    yield f"named wrongly         {_share(cases, lambda case: case.wrongly_named)}"
    yield f"in the first three    {_share(cases, lambda case: case.in_first_three)}"
    yield f"refused wrongly       {_share(to_name, lambda case: case.refused)}"
    yield f"refused rightly       {_share(to_refuse, lambda case: case.refused)}"
    if seconds:
        yield f"second cause found    {_share(seconds, lambda case: case.second_found)}"
    alone = [case for case in named if case.truth.facts and not case.truth.pair]
    if alone:
        yield f"second cause made up  {_share(alone, lambda case: bool(case.answer.contributing))}"
    if machines:
        told = _share(machines, lambda case: case.answer.machine == case.truth.machine)
        yield f"state of the machine  {told}"
    yield f"Brier (sum form)      {sum(map(brier, to_name)) / len(to_name):.4f}"
    yield f"calibration error     {calibration_error(named):.3f}"
    yield "reliability           confidence        n   stated   right"
    for lower, upper, inside in bins(named):
        stated, right = means(inside)
        edges = f"({lower:.2f}, {upper:.2f}]"
        yield f"                      {edges}  {len(inside):>4}   {stated:.3f}    {right:.3f}"


def misses(cases: list[Judged]) -> Iterator[str]:
    """Each case that was not answered rightly."""
    for case in cases:
        if not case.right:
            first = ", ".join(f"{row.cause} {row.confidence:.2f}" for row in case.answer.ranking[:3])
            why = case.answer.refused_because or case.answer.status
            yield f"{case.truth.id:<6}{why:<14} judged {'/'.join(sorted(case.truth.right))}: {first}"


def draw_figures(name: str, cases: Iterable[Judged]) -> str:
    """Of cases made worse, in a line."""
    drawn = list(cases)
    unlisted = _share(drawn, lambda case: case.answer.ranking[0].cause == UNLISTED)
    return (
        f"{name:<22}right {_share(drawn, lambda case: case.right)}, named wrongly"
        f" {_share(drawn, lambda case: case.wrongly_named)}, an unknown cause in front {unlisted}"
    )


def brier(case: Judged) -> float:
    """Sum over all causes of (confidence - truth) squared; of several right causes the best placed is the
    truth."""
    truth = next(row.cause for row in case.answer.ranking if row.cause in case.truth.right)
    return sum((row.confidence - (row.cause == truth)) ** 2 for row in case.answer.ranking)


def calibration_error(named: list[Judged]) -> float:
    """Expected calibration error: mean distance of stated and right over the bins, by their sizes."""
    if not named:
        return 0.0
    distances = ((len(inside), means(inside)) for _, _, inside in bins(named))
    return sum(size * abs(stated - right) for size, (stated, right) in distances) / len(named)


def bins(named: list[Judged]) -> Iterator[tuple[float, float, list[Judged]]]:
    """The bins that have answers in them."""
    for lower, upper in zip((0.0, *EDGES), EDGES, strict=False):
        inside = [case for case in named if lower < case.answer.confidence <= upper]
        if inside:
            yield lower, upper, inside


def means(inside: list[Judged]) -> tuple[float, float]:
    """Mean confidence, and the share that was right."""
    stated = sum(case.answer.confidence for case in inside) / len(inside)
    return stated, sum(case.right for case in inside) / len(inside)


def _share(cases: list[Judged], holds: Callable[[Judged], bool]) -> str:
    if not cases:
        return "none"
    hits = sum(map(holds, cases))
    return f"{hits} of {len(cases)}, {hits / len(cases):.3f}"
