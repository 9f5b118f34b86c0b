"""What discounts leave of an outcome's weight: the strongest of those that touch it, and why."""

from collections.abc import Iterable

from coldcase.core.case import Known
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.fixed_point import MILLION
from coldcase.core.machine_model import MachineModel, OutcomeWeight

MOST_DISCOUNTED = 20_000
"""Outcomes, with what discounts them, that a model remembers."""


def kept(
    discounts: Iterable[int],
    code: str,
    weight: OutcomeWeight,
    compiled: CompiledTable,
    known: Known | None = None,
) -> tuple[int, str | None]:
    """The share (millionths) that the strongest discount leaves of an outcome, and its reason."""
    for index in discounts:
        row = compiled.compiled_discounts[index]
        if row.touches(code, weight, known):
            return row.keep, row.reason
    return MILLION, None


class DiscountedOutcomes:
    """The same for the discounts `by` that apply to one case, the strongest first. The model remembers, for
    the same machine is mostly opened in the same way.
    """

    def __init__(self, by: tuple[int, ...], model: MachineModel, compiled: CompiledTable) -> None:
        self.by = by
        self._compiled, self._known = compiled, model.kept.discounted

    def of(self, code: str, weight: OutcomeWeight, known: Known | None) -> tuple[int, str | None]:
        """What is left of an outcome that is known in this way, and why."""
        if not self.by:
            return MILLION, None
        if weight.row < 0:
            return kept(self.by, code, weight, self._compiled, known)
        about = self.by, weight.row, known
        found = self._known.get(about)
        if found is None:
            if len(self._known) >= MOST_DISCOUNTED:
                self._known.clear()
            found = self._known[about] = kept(self.by, code, weight, self._compiled, known)
        return found
