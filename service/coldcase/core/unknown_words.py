"""The words of a case against the rule table: findings, outcomes, what an exhibit shows; what was meant."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from coldcase.core.case import Case, ObservationDetail, Outcomes, signs_of
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.conditions import machine_of
from coldcase.core.machine_model import MachineModel
from coldcase.core.rule_table import Finding
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
    model = compiled.model_for(machine_of(case.unit, compiled.table))
    for code, value in case.observations.items():
        finding_model = model.findings.get(code)
        if finding_model is None or not (isinstance(value, str) and value in finding_model.rows):
            yield from word_flaws(code, value, model, compiled)
    yield from exhibit_words([exhibit.finding for exhibit in case.evidence], compiled)


def exhibit_words(findings: Sequence[str | None], compiled: CompiledTable) -> Iterator[Flaw]:
    """Flaws of the finding that each exhibit names, in their order; None for one that names none."""
    for index, code in enumerate(findings):
        if (
            code is not None
            and code not in compiled.table.findings
            and ("finding", None, code) not in compiled.retired
        ):
            yield no_finding(code, f"/evidence/{index}/finding", compiled)


def no_finding(code: str, place: str, compiled: CompiledTable) -> Flaw:
    """The flaw of a code that is no finding's: the nearest one, or where they are listed."""
    meant = nearest(code, compiled.table.findings)
    listed = "" if meant else " Its vocabulary lists what it has (`GET /v1/vocabulary`)."
    return Flaw(place, f"The rule table has no finding '{code[:64]}'.{listed}", meant)


def word_flaws(code: str, value: Outcomes, model: MachineModel, compiled: CompiledTable) -> Iterator[Flaw]:
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
        yield no_finding(code, place, compiled)
        return
    possible = compiled.possible(current, model)
    if not possible:
        yield Flaw(place, f"'{finding.title}' cannot be found on this motor, connection and compressor type.")
        return
    if isinstance(value, ObservationDetail):
        yield from _detail_flaws(place, value, finding)
    for where, words in _sent_words(place, value):
        if len(set(words.values())) < len(words):
            yield Flaw(where, "An outcome is named twice.")
        for index, (pointer, word) in enumerate(words.items()):
            yield from _outcome_flaw(
                _Word(pointer, word, current), possible, compiled, meant=index < MOST_MEANT
            )


def _detail_flaws(place: str, value: ObservationDetail, finding: Finding) -> Iterator[Flaw]:
    """What is wrong with an observation's members together."""
    if finding.kind == "one" and (value.seen or value.not_seen):
        name = "seen" if value.seen else "not_seen"
        yield Flaw(f"{place}/{name}", f"'{finding.title}' takes one outcome, under 'outcome'.", "outcome")
    if value.outcome is None and not value.seen and not value.not_seen:
        wanted = "an outcome" if finding.kind == "one" else "what was seen, or looked for and not there"
        yield Flaw(place, f"The observation does not say {wanted}.")
    seen, not_seen = signs_of(value)
    both = [sign for sign in not_seen if sign in seen]
    if both:
        yield Flaw(f"{place}/not_seen", f"'{both[0][:64]}' cannot be seen and not seen.")


def _sent_words(place: str, value: Outcomes | None) -> Iterator[tuple[str, dict[str, str]]]:
    """Every list of words of an observation, with the place of the list and of each word."""
    if isinstance(value, str):
        yield place, {place: value}
    elif isinstance(value, list):
        yield place, {f"{place}/{index}": word for index, word in enumerate(value)}
    elif value is not None:
        for name in ("outcome", "seen", "not_seen"):
            yield from _sent_words(f"{place}/{name}", getattr(value, name))
        if value.disputed_by is not None:
            yield from _sent_words(f"{place}/disputed_by/outcome", value.disputed_by.outcome)


class _Word(NamedTuple):
    pointer: str
    word: str
    finding: str


def _outcome_flaw(sent: _Word, possible: set[str], compiled: CompiledTable, *, meant: bool) -> Iterator[Flaw]:
    place, word, code = sent
    finding, row = compiled.table.findings[code], compiled.retired.get(("outcome", code, word))
    current = word if row is None else row.renamed_to
    known = [outcome.code for outcome in finding.outcomes]
    if current is None or current in possible:
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
