"""Where no cause is named: the causes that lead, each with what speaks for it and what would decide."""

import numpy as np

from coldcase.core.answer import DecidingCheck, Lead
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.fixed_point import TEN_THOUSAND
from coldcase.core.machine_model import MachineModel
from coldcase.core.next_checks import closed
from coldcase.core.recurring import Bools
from coldcase.core.rule_table import UNLISTED
from coldcase.core.weighing import Weighed
from coldcase.core.wording import speaking_for

MOST_LEADS = 3
MOST_SUPPORT = 3
LEAST_LIKELY = TEN_THOUSAND // 20
"""A cause that one answer in twenty would bear is worth a check; a rarer one is not."""

LEAST_TOLD = 0.3
"""Nats of expected evidence; a check that tells two causes less far apart decides nothing between them."""


MOST_TELLING = 300
"""Pairs of causes of which a model keeps what tells them apart."""


def leads(weighed: Weighed, compiled: CompiledTable) -> list[Lead]:
    """At most three, the likeliest first; none where nothing speaks for any cause."""
    # One more than is named, for the last one's rival, and one for the cause that nobody knows.
    first = weighed.order[: MOST_LEADS + 2]
    known = [cause for cause in first if weighed.model.causes[cause] != UNLISTED]
    found: list[Lead] = []
    away: Bools | None = None
    for cause in known[:MOST_LEADS]:
        support = speaking_for(cause, weighed, compiled, MOST_SUPPORT)
        if not support or (found and weighed.confidence[cause] < LEAST_LIKELY):
            continue
        rival = next(other for other in known if other != cause)
        code = weighed.model.causes[cause]
        decided_by = _described(code, weighed.model.causes[rival], compiled)
        if decided_by is None:
            away = closed(weighed, compiled) if away is None else away
            decided_by = _deciding(cause, rival, away, weighed.model, compiled)
        found.append(
            Lead(
                cause=code,
                title=compiled.table.causes[code].title,
                confidence=weighed.confidence[cause] / TEN_THOUSAND,
                support=support,
                decided_by=decided_by,
            )
        )
    return found


def _described(one: str, other: str, compiled: CompiledTable) -> DecidingCheck | None:
    """What the table says tells two causes apart."""
    for code, against in ((one, other), (other, one)):
        for row in compiled.table.causes[code].contrast:
            if row.against == against:
                return DecidingCheck(against=other, check=row.check, finding=None)
    return None


def _deciding(
    cause: int, rival: int, away: Bools, model: MachineModel, compiled: CompiledTable
) -> DecidingCheck | None:
    """The finding not yet seen, nor else `away`, that tells two causes apart best."""
    telling = model.kept.telling.get((cause, rival))
    if telling is None:
        if len(model.kept.telling) >= MOST_TELLING:
            model.kept.telling.clear()
        telling = model.kept.telling[cause, rival] = _telling(cause, rival, model)
    place = next((place for place in telling if not away[place]), None)
    if place is None:
        return None
    finding = model.matrix.known_as[place]
    question = compiled.table.findings[finding].question
    return DecidingCheck(against=model.causes[rival], check=question, finding=finding)


def _telling(cause: int, rival: int, model: MachineModel) -> list[int]:
    """The findings expected to tell two causes apart, the one that does so furthest first (relative entropy
    of its outcomes, both ways).
    """
    matrix = model.matrix
    if not matrix.codes:
        return []
    here, there = matrix.likelihood[cause], matrix.likelihood[rival]
    told = np.add.reduceat((here - there) * np.log(here / there), matrix.starts)
    best_down: list[int] = np.argsort(-told, kind="stable").tolist()
    return [place for place in best_down if told[place] >= LEAST_TOLD]
