"""The words of a case against the rule table: findings, outcomes, what an exhibit shows; what was meant."""

from collections.abc import Iterator, Mapping, Sequence

from coldcase.core.case import Case
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.conditions import machine_of
from coldcase.core.machine_model import MachineModel
from coldcase.core.suggesting import nearest
from coldcase.errors import Flaw

MOST_MEANT = 4
"""Words of a list of outcomes of which it is looked for what was meant.

That costs the most, and more are no slips of the pen.
"""


def unknown_words(case: Case, compiled: CompiledTable) -> Iterator[Flaw]:
    """Flaws of a case as it was sent, so that each stands where its caller finds it, whatever a code is
    called now.
    """
    model = compiled.model_for(machine_of(case.unit))
    for code, outcome in case.observations.items():
        finding_model = model.findings.get(code)
        if finding_model is None or not (
            outcome in finding_model.rows
            if isinstance(outcome, str)
            else _distinct(outcome, finding_model.rows)
        ):
            yield from word_flaws(code, outcome, model, compiled)
    yield from exhibit_words([exhibit.finding for exhibit in case.evidence], compiled)


def exhibit_words(findings: Sequence[str | None], compiled: CompiledTable) -> Iterator[Flaw]:
    """Flaws of the finding that each exhibit names, in their order; None for one that names none."""
    for index, code in enumerate(findings):
        if (
            code is not None
            and code not in compiled.table.findings
            and ("finding", None, code) not in compiled.retired
        ):
            yield Flaw(
                f"/evidence/{index}/finding",
                f"The rule table has no finding '{code}'.",
                nearest(code, compiled.table.findings),
            )


def _distinct(outcomes: list[str], possible: Mapping[str, int]) -> bool:
    return len(set(outcomes)) == len(outcomes) and possible.keys() >= set(outcomes)


def word_flaws(
    code: str, outcome: str | list[str], model: MachineModel, compiled: CompiledTable
) -> Iterator[Flaw]:
    """What is wrong with an observation whose shape is right: with its code, or with each of its words.
    Retired ones are known.
    """
    place = f"/observations/{escaped(code)}"
    row = compiled.retired.get(("finding", None, code))
    current = code if row is None else row.renamed_to
    finding = compiled.table.findings.get(current or "")
    if current is None:
        return
    if finding is None:
        yield Flaw(
            place, f"The rule table has no finding '{code[:64]}'.", nearest(code, compiled.table.findings)
        )
    elif current not in model.findings:
        yield Flaw(place, f"'{finding.title}' cannot be found on this motor, connection and compressor type.")
    elif isinstance(outcome, str):
        yield from _outcome_flaw(place, outcome, current, model, compiled)
    else:
        if len(set(outcome)) < len(outcome):
            yield Flaw(place, "An outcome is named twice.")
        for index, word in enumerate(outcome):
            yield from _outcome_flaw(
                f"{place}/{index}", word, current, model, compiled, meant=index < MOST_MEANT
            )


def _outcome_flaw(
    place: str, word: str, code: str, model: MachineModel, compiled: CompiledTable, *, meant: bool = True
) -> Iterator[Flaw]:
    finding, row = compiled.table.findings[code], compiled.retired.get(("outcome", code, word))
    current = word if row is None else row.renamed_to
    known = [outcome.code for outcome in finding.outcomes]
    if current is None or current in model.findings[code].rows:
        return
    if current in known:
        yield Flaw(
            place, f"'{finding.title}' cannot be '{word}' on this motor, connection and compressor type."
        )
    else:
        yield Flaw(
            place,
            f"'{finding.title}' has no outcome '{word[:64]}'; it has {', '.join(known)}.",
            nearest(word, known) if meant else None,
        )


def escaped(name: str) -> str:
    """A name as a part of a pointer (RFC 6901)."""
    return name.replace("~", "~0").replace("/", "~1")
