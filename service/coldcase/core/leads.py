"""Where no cause is named: the causes that lead, each with what speaks for it and what would decide."""

import numpy as np

from coldcase.core.answer import DecidingCheck, Lead
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.fixed_point import TEN_THOUSAND
from coldcase.core.next_checks import closed_places
from coldcase.core.rule_table import UNLISTED
from coldcase.core.signs import whole
from coldcase.core.weighing import Weighed
from coldcase.core.wording import speaking_for

MOST_LEADS = 3
MOST_SUPPORT = 3
LEAST_LIKELY = TEN_THOUSAND // 20
"""A cause that one answer in twenty would bear is worth a check; a rarer one is not."""

LEAST_TOLD = 0.3
"""Nats of expected evidence; a check that tells two causes less far apart decides nothing between them."""


def leads(weighed: Weighed, compiled: CompiledTable) -> list[Lead]:
    """At most three, the likeliest first; none where nothing speaks for any cause."""
    known = [cause for cause in weighed.order if weighed.model.causes[cause] != UNLISTED]
    found: list[Lead] = []
    for cause in known[:MOST_LEADS]:
        support = speaking_for(cause, weighed, compiled)[:MOST_SUPPORT]
        if not support or (found and weighed.confidence[cause] < LEAST_LIKELY):
            continue
        rival = next(other for other in known if other != cause)
        code = weighed.model.causes[cause]
        found.append(
            Lead(
                cause=code,
                title=compiled.table.causes[code].title,
                confidence=weighed.confidence[cause] / TEN_THOUSAND,
                support=support,
                decided_by=_deciding(cause, rival, weighed, compiled),
            )
        )
    return found


def _deciding(cause: int, rival: int, weighed: Weighed, compiled: CompiledTable) -> DecidingCheck | None:
    """What the table says tells the two apart; else the finding not yet seen that does so best."""
    one, other = (weighed.model.causes[index] for index in (cause, rival))
    for code, against in ((one, other), (other, one)):
        for row in compiled.table.causes[code].contrast:
            if row.against == against:
                return DecidingCheck(against=other, check=row.check, finding=None)
    finding = _best_finding(cause, rival, weighed, compiled)
    if finding is None:
        return None
    question = compiled.table.findings[finding].question
    return DecidingCheck(against=other, check=question, finding=finding)


def _best_finding(cause: int, rival: int, weighed: Weighed, compiled: CompiledTable) -> str | None:
    """The finding expected to tell the two furthest apart (relative entropy of its outcomes, both ways)."""
    matrix = weighed.model.matrix
    if not matrix.codes:
        return None
    here, there = matrix.likelihood[cause], matrix.likelihood[rival]
    told = np.add.reduceat((here - there) * np.log(here / there), matrix.starts)
    told[closed_places(weighed, compiled)] = 0
    best = int(np.argmax(told))
    return whole(matrix.codes[best]) if told[best] >= LEAST_TOLD else None
