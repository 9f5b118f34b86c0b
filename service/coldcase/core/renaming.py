"""Codes of earlier tables in a case, replaced by those that took their place."""

from typing import Any

import msgspec

from coldcase.core.case import Case, ObservationDetail, Outcomes
from coldcase.core.compiled_table import CompiledTable


def renamed(case: Case, compiled: CompiledTable) -> tuple[Case, list[str]]:
    """Codes of earlier tables replaced by those that took their place."""
    if not compiled.retired:
        return case, []
    notes: list[str] = []
    observations: dict[str, Any] = {}
    for code, outcome in case.observations.items():
        new = _current_finding(code, compiled, notes)
        # Where both codes were sent, the one of this table stands.
        if new is not None and (new == code or new not in case.observations):
            current = _current_outcomes(new, outcome, compiled, notes)
            if current is not None:
                observations.setdefault(new, current)
    return msgspec.structs.replace(case, observations=observations), notes


def _current_outcomes(
    finding: str, outcome: Outcomes, compiled: CompiledTable, notes: list[str]
) -> Outcomes | None:
    """The outcome or outcomes under this table; None where one is gone, for then "one of these" may have
    meant that one. Of signs that were seen or are not there each stands for itself.
    """
    if isinstance(outcome, ObservationDetail):
        return _current_detail(finding, outcome, compiled, notes)
    if isinstance(outcome, str):
        return _current_outcome(finding, outcome, compiled, notes)
    current = [_current_outcome(finding, value, compiled, notes) for value in outcome]
    known = [value for value in current if value is not None]
    if len(known) < len(current):
        return None
    merged = known != outcome and len(set(outcome)) == len(outcome)
    return list(dict.fromkeys(known)) if merged else known


def _current_detail(
    finding: str, detail: ObservationDetail, compiled: CompiledTable, notes: list[str]
) -> ObservationDetail | None:
    outcome = None if detail.outcome is None else _current_outcomes(finding, detail.outcome, compiled, notes)
    signs: list[list[str] | None] = []
    for sent in (detail.seen, detail.not_seen):
        current = [_current_outcome(finding, sign, compiled, notes) for sign in sent or ()]
        signs.append([sign for sign in current if sign is not None] or None)
    if outcome is None and signs == [None, None]:
        return None
    return msgspec.structs.replace(detail, outcome=outcome, seen=signs[0], not_seen=signs[1])


def _current_finding(code: str, compiled: CompiledTable, notes: list[str]) -> str | None:
    row = compiled.retired.get(("finding", None, code))
    if row is None:
        return code
    notes.append(_retirement(f"/observations/{code}", code, row.renamed_to))
    return row.renamed_to


def _current_outcome(finding: str, outcome: str, compiled: CompiledTable, notes: list[str]) -> str | None:
    row = compiled.retired.get(("outcome", finding, outcome))
    if row is None:
        return outcome
    notes.append(_retirement(f"/observations/{finding}", outcome, row.renamed_to))
    return row.renamed_to


def _retirement(place: str, old: str, new: str | None) -> str:
    return f"{place}: '{old}' is retired; " + (f"read as '{new}'." if new else "it is no longer weighed.")
