"""What a proposal found: told as figures, and as the note of its draft."""

from collections.abc import Iterable, Iterator

import msgspec

from coldcase.backtesting.paired import Scores, VerdictFigures
from coldcase.core.learning import LEAST_VERDICTS, LearnedNumber, PriorStrength


class MovedCount(msgspec.Struct, frozen=True, kw_only=True):
    """How many numbers of the table moved: natural frequencies, backgrounds among them apart, and base
    rates.
    """

    frequencies: int
    backgrounds: int
    base_rates: int


class ProposalSummary(msgspec.Struct, frozen=True, kw_only=True):
    """What a proposal was learned from and what came of it.

    `judged` cases count, `by_cause` says of which cause; `left_out` counts cases, and single observations,
    that do not, by reason. `temperature` is what is proposed, `temperature_before` the base's. `circuits`
    and `times` are the base (before) and the proposal (after) on cases that it was not learned from; null
    where there are none. `circuits_kept_temperature` is the former at the base's temperature, where another
    one is proposed: thresholds are not learned, so a higher temperature refuses more. `worse` says in which
    figures the proposal is worse than the base there.
    """

    judged: int
    by_cause: dict[str, int]
    left_out: dict[str, int]
    strength: PriorStrength
    least_verdicts: int = LEAST_VERDICTS
    moved: MovedCount
    temperature_before: float
    temperature: float
    circuits: VerdictFigures | None
    times: VerdictFigures | None
    circuits_kept_temperature: VerdictFigures | None
    worse: list[str]


def moved_count(numbers: Iterable[LearnedNumber]) -> MovedCount:
    """The numbers that moved, counted."""
    places = [one.pointer for one in numbers]
    return MovedCount(
        frequencies=sum("/per_hundred/" in place for place in places),
        backgrounds=sum(place.endswith("/background") for place in places),
        base_rates=sum(place.startswith("/base_rate") for place in places),
    )


TRIED_ON = {"circuits": "circuits left out", "times": "the newest cases left out"}


def worse_than_base(circuits: VerdictFigures | None, times: VerdictFigures | None) -> list[str]:
    """In which figures the proposal is worse, each in a sentence."""
    return [
        sentence
        for name, figures in (("circuits", circuits), ("times", times))
        if figures is not None
        for sentence in _worse(TRIED_ON[name], figures)
    ]


def _worse(tried_on: str, figures: VerdictFigures) -> Iterator[str]:
    before, after = figures.before, figures.after
    if after.right.count < before.right.count:
        fewer = f"fewer are right: {before.right.count} before, {after.right.count} after"
        yield f"On {tried_on} {fewer} (p = {figures.difference.p_value:.2g} by McNemar's test)."
    for name in ("wrong", "refused"):
        was, is_ = getattr(before, name).count, getattr(after, name).count
        if is_ > was:
            yield f"On {tried_on} more are {_NAMES[name]}: {was} before, {is_} after."
    for name, was_mean, is_mean in (
        ("Brier score", before.brier.mean, after.brier.mean),
        ("log loss", before.log_loss.mean, after.log_loss.mean),
    ):
        if was_mean is not None and is_mean is not None and is_mean > was_mean:
            yield f"On {tried_on} the {name} is worse: {was_mean:.4f} before, {is_mean:.4f} after."


_NAMES = {"wrong": "named wrongly", "refused": "refused"}


def draft_note(found: ProposalSummary, base: int) -> str:
    """The note of the draft: from what, by how much, and how it did on what was left out."""
    moved, strength = found.moved, found.strength
    learned_from = (
        f"Proposed from {found.judged} verdicts on rule table {base}: a row counts as {strength.rows:g} "
        f"cases, the base rates as {strength.base_rates:g}."
    )
    moves = (
        f"{moved.frequencies} frequencies, {moved.backgrounds} numbers of backgrounds and "
        f"{moved.base_rates} base rates moved; the temperature is {found.temperature:g}, before "
        f"{found.temperature_before:g}."
    )
    lines = [learned_from, moves]
    lines += [_tried(TRIED_ON[name], getattr(found, name)) for name in TRIED_ON if getattr(found, name)]
    if found.circuits is None and found.times is None:
        lines.append("It was tried on nothing that it was not learned from.")
    if found.circuits_kept_temperature is not None:
        kept = _side(found.circuits_kept_temperature.after)
        lines.append(f"With the temperature left at {found.temperature_before:g} it would be: {kept}.")
    if found.worse:
        lines.append("It is WORSE than its base in this: " + " ".join(found.worse))
    return " ".join(lines)


def _tried(tried_on: str, figures: VerdictFigures) -> str:
    told = [_side(side) for side in (figures.before, figures.after)]
    return f"On {tried_on} ({figures.judged}): {told[0]} before; {told[1]} after."


def _side(scores: Scores) -> str:
    counts = f"{scores.right.count} right, {scores.wrong.count} wrong, {scores.refused.count} refused"
    if scores.brier.mean is None or scores.log_loss.mean is None:
        return counts
    return f"{counts}, Brier {scores.brier.mean:.4f}, log loss {scores.log_loss.mean:.4f}"
