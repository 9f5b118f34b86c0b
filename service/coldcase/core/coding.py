"""Ranking to verdict of the engine: coded, named provisionally or refused, and what the leader leaves
unexplained.
"""

from dataclasses import dataclass

from coldcase.core.answer import MachineState, RefusedBecause, Status
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.fixed_point import DECIBAN, MILLION, TEN_THOUSAND
from coldcase.core.rule_table import Threshold
from coldcase.core.weighing import Weighed

HALF = MILLION // 2
AUDIBLE = DECIBAN // 2
"""Half a deciban: less than that is neither for nor against anything."""


Reason = tuple[RefusedBecause, str]


@dataclass(frozen=True, slots=True)
class CodingResult:
    """What is coded, and why not more, in a sentence each. `leader` is an index into the model's causes."""

    leader: int
    status: Status
    reasons: tuple[Reason, ...]

    @property
    def refused_because(self) -> RefusedBecause | None:
        """The first reason's kind; None where a cause is named."""
        return self.reasons[0][0] if self.reasons else None


def code(weighed: Weighed, compiled: CompiledTable) -> CodingResult:
    """The status that the table's thresholds allow the leader, with the reasons for a refusal."""
    leader, second = weighed.order[0], weighed.order[1]
    rules = compiled.table.coding
    doubts = _thin(weighed, leader, rules.thin_margin_decibans)
    # The ranking has weighed the unknown cause already: one that stands far below forbids no name, only
    # certainty.
    unlike = _stands_out_though_unlike(weighed, doubts, compiled)
    reasons = (*(() if unlike else doubts), *_contradictory(weighed, leader, second, compiled))
    if reasons:
        return CodingResult(leader, "undetermined", reasons)
    lost = _lost(weighed, compiled)
    apart = next(i for i in weighed.order[1:] if not weighed.one_story(leader, i))
    bars: tuple[tuple[Status, Threshold, int], ...] = (
        ("coded", rules.coded, second),
        # Whichever of two linked causes is named, the other is named beside it: one story.
        ("provisional", rules.provisional, apart),
    )
    for status, bar, rival in bars:
        if _clears(weighed, bar, rival, rules.strong_decibans):
            return _named(weighed, "provisional" if unlike else status, apart, lost, compiled)
    return CodingResult(
        leader, "undetermined", (("close", "no cause stands far enough above the next to be named"),)
    )


def _stands_out_though_unlike(weighed: Weighed, doubts: tuple[Reason, ...], compiled: CompiledTable) -> bool:
    """Whether the leader clears the bar of a coded answer against the unknown cause, though little of what
    was found is what it usually shows.
    """
    if [kind for kind, _ in doubts] != ["unlike"]:
        return False
    unlisted, rules = len(weighed.model.causes) - 1, compiled.table.coding
    return _clears(weighed, rules.coded, unlisted, rules.strong_decibans)


def _lost(weighed: Weighed, compiled: CompiledTable) -> list[str]:
    """The kinds of evidence that this case no longer has, where they are too many to take no notice."""
    rules, evidence = compiled.table.coding, weighed.evidence
    if rules.after_loss is None:
        return []
    applying = compiled.lost.applying(
        evidence.case, evidence.condition_key, evidence.observed, compiled.table
    )
    kinds = list(dict.fromkeys(compiled.table.lost[index].what for index in applying))
    return kinds if len(kinds) >= rules.many_losses else []


def _named(
    weighed: Weighed, status: Status, rival: int, lost: list[str], compiled: CompiledTable
) -> CodingResult:
    leader, rules = weighed.order[0], compiled.table.coding
    if not lost or rules.after_loss is None:
        return CodingResult(leader, status, ())
    if _clears(weighed, rules.after_loss, rival, rules.strong_decibans):
        return CodingResult(leader, "provisional", ())
    detail = f"{', '.join(lost)}; what is left would have to stand higher than it does"
    return CodingResult(leader, "undetermined", (("lost", detail),))


def _clears(weighed: Weighed, bar: Threshold, rival: int, strong: float) -> bool:
    first, second = weighed.confidence[weighed.order[0]], weighed.confidence[rival]
    groups: dict[str, int] = {}
    for item, size in zip(weighed.items, weighed.for_story, strict=True):
        if size >= AUDIBLE:
            groups[item.weight.group] = groups.get(item.weight.group, 0) + size
    alone_and_soft = len(groups) == 1 and max(groups.values()) < strong * DECIBAN
    return (
        first >= round(bar.least_confidence * TEN_THOUSAND)
        and first >= bar.least_ratio * second
        and len(groups) >= bar.least_groups
        and not alone_and_soft
    )


def _thin(weighed: Weighed, leader: int, margin: float) -> tuple[Reason, ...]:
    unlisted = len(weighed.model.causes) - 1
    above = weighed.score(leader) - weighed.score(unlisted)
    if leader != unlisted and above >= margin * DECIBAN:
        return ()
    surprise = weighed.score(unlisted) - int(weighed.model.prior[-1])
    if above + surprise >= max(margin * DECIBAN, 1):
        detail = (
            f"what was found is {surprise / DECIBAN:.0f} decibans less likely than what the cause in front"
            " usually shows, so that a cause which the table does not know may as well explain it"
        )
        return (("unlike", detail),)
    return (
        (
            "thin",
            (
                f"the leading cause stands only {above / DECIBAN:.1f} decibans above a cause that the "
                "table does not know"
            ),
        ),
    )


def _contradictory(weighed: Weighed, leader: int, second: int, compiled: CompiledTable) -> tuple[Reason, ...]:
    rules = compiled.table.coding
    support, against = _balance(weighed.for_story)
    # Even where a table calls anything strong, nothing at all is not.
    strong = max(rules.strong_decibans * DECIBAN, 1)
    reasons: list[Reason] = []
    if against >= strong and against >= rules.contradiction_ratio * support:
        detail = (
            f"what speaks against the leading cause ({against / DECIBAN:.0f} decibans) weighs at least"
            f" {rules.contradiction_ratio:.0%} of what speaks for it ({support / DECIBAN:.0f} decibans)"
        )
        reasons.append(("contradictory", detail))
    close = rules.provisional.least_ratio * weighed.confidence[second] > weighed.confidence[leader]
    if (
        close
        and not weighed.one_story(leader, second)
        and support >= strong
        and _balance(weighed.column(second))[0] >= strong
    ):
        titles = [compiled.table.causes[weighed.model.causes[i]].title for i in (leader, second)]
        reasons.append(
            (
                "contradictory",
                f"'{titles[0]}' and '{titles[1]}' stand close together, each with strong support",
            )
        )
    return tuple(reasons)


def _balance(weights: list[int]) -> tuple[int, int]:
    """What speaks for and what speaks against a cause, in nanobans as counted."""
    return sum(w for w in weights if w > 0), -sum(w for w in weights if w < 0)


def machine_state(weighed: Weighed) -> MachineState:
    """What the findings say of the compressor itself; discounted evidence (kept below half) says nothing of
    it. Good windings alone do not make a machine sound that growls or does not pump.
    """
    shown = {item.weight.shows for item in weighed.items if item.keep >= HALF}
    if "damage" in shown or shown & {"trouble", "runs_well", "outside_fault"} == {"trouble"}:
        return "damaged"
    return "sound" if shown & {"sound", "runs_well"} else "not_shown"


def unexplained(weighed: Weighed, compiled: CompiledTable) -> list[int]:
    """The signs (items that are no clear outcomes) that the leader makes no more likely and its chain does
    not hold.
    """
    in_chain = compiled.in_chain.get(weighed.model.causes[weighed.order[0]], frozenset())
    return [
        index
        for index, (item, size) in enumerate(zip(weighed.items, weighed.for_story, strict=True))
        if size < AUDIBLE
        and not item.weight.clear
        and item.source != "pattern"
        and item.replaced_by is None
        and not any((item.code, outcome) in in_chain for outcome in item.outcomes)
    ]
