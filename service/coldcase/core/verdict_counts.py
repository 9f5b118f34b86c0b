"""What judged cases saw: of each finding how often each outcome, by established cause and kind of machine.

Counts are whole numbers and only add up, so that the order of cases does not matter. Not counted, for the
established cause may have no part in it: an observation that was discounted (spoilt by the way of opening,
or only told or assumed where one must see or measure), and one that somebody disputes. Outcomes that an
observer could not tell apart are counted as that, beside those that were seen plainly.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import msgspec

from coldcase.core.case import ObservationDetail
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.conditions import machine_of, names_machine, passes_gate
from coldcase.core.fixed_point import MILLION
from coldcase.core.machine_model import MachineKind
from coldcase.core.rule_table import Finding, Gate, Pattern, RuleTable
from coldcase.core.signs import NOT_THERE, SEEN, whole
from coldcase.core.weighing import Evidence

GENERAL = -1
"""The place of a finding's rows for all machines, beside those of its `on_machines`."""

PRESENT, ABSENT = "present", "absent"


@dataclass(slots=True)
class VerdictCounts:
    """Running counts: cases by (cause, machine); what was looked at by (cause, machine, engine's code of the
    finding or pattern, outcomes that were not told apart); and what was left out, by reason.
    """

    judged: Counter[tuple[str, MachineKind]] = field(default_factory=Counter)
    looked: Counter[tuple[str, MachineKind, str, tuple[str, ...]]] = field(default_factory=Counter)
    left_out: Counter[str] = field(default_factory=Counter)

    def add(self, cause: str, evidence: Evidence, compiled: CompiledTable) -> None:
        """Counts one case of which a cause of the table, or `unlisted`, was established."""
        if cause not in evidence.model.causes:
            self.left_out["the machine cannot have the cause"] += 1
            return
        machine = machine_of(evidence.case.unit, compiled.table)
        self.judged[cause, machine] += 1
        plain = self._plain(evidence)
        for code, outcomes in plain.items():
            self.looked[cause, machine, code, tuple(sorted(outcomes))] += 1
        for code, members in compiled.members.items():
            # A pattern is often denied by one of its members alone: those looked at in full tell its share.
            if plain.keys() >= {*members} and (holds := compiled.predicates[code](plain)) is not None:
                self.looked[cause, machine, code, (PRESENT if holds else ABSENT,)] += 1

    def _plain(self, evidence: Evidence) -> dict[str, frozenset[str]]:
        """The findings that count, with their outcomes."""
        disputed = {
            code
            for code, value in evidence.case.observations.items()
            if isinstance(value, ObservationDetail) and value.disputed_by is not None
        }
        plain = {}
        for item in evidence.items:
            if item.source == "pattern":
                continue
            if whole(item.code) in disputed:
                self.left_out["the observation is disputed"] += 1
            elif item.keep < MILLION:
                self.left_out["the observation is discounted"] += 1
            else:
                plain[item.code] = item.weight.outcomes
        return plain


def added(parts: Iterable[VerdictCounts]) -> VerdictCounts:
    """All counts together."""
    total = VerdictCounts()
    for part in parts:
        total.judged.update(part.judged)
        total.looked.update(part.looked)
        total.left_out.update(part.left_out)
    return total


class RowKey(NamedTuple):
    """A row of a table: of a finding or pattern, general or of `on_machines`; of a cause, or the background
    (None).
    """

    code: str
    block: int
    cause: str | None


RowCounter = Counter[tuple[str, tuple[int, ...], tuple[int, ...]]]
"""How often, by (cause, places of the outcomes that the machine can show, places of those that were seen)."""


def counted_rows(table: RuleTable, counts: VerdictCounts) -> dict[RowKey, dict[int, RowCounter]]:
    """What was counted, under the row that holds for each cause and machine.

    Of a finding of kind `several` each sign has counts of its own, under its place: outcome 0 is not there, 1
    is seen. Of every other finding, and of patterns (0 absent, 1 present), all stands under place 0.
    """
    rows: dict[RowKey, dict[int, RowCounter]] = {}
    for (cause, machine, engine_code, outcomes), n in counts.looked.items():
        code, _, sign = engine_code.partition(".")
        place = 0
        possible: tuple[int, ...] = (0, 1) if sign or code in table.patterns else ()
        if code in table.patterns:
            key = RowKey(code, GENERAL, cause if cause in table.patterns[code].per_hundred else None)
            seen = _places(outcomes, (ABSENT, PRESENT))
        else:
            finding = table.findings[code]
            key = row_in_force(code, finding, cause, machine)
            named = [outcome.code for outcome in finding.outcomes]
            place = named.index(sign) if sign else 0
            seen = _places(outcomes, (NOT_THERE, SEEN) if sign else named)
            possible = possible or _possible(finding, machine)
        rows.setdefault(key, {}).setdefault(place, Counter())[cause, possible, seen] += n
    return rows


def row_in_force(code: str, finding: Finding, cause: str, machine: MachineKind) -> RowKey:
    """The row by which a finding is weighed for a cause on a machine."""
    if not finding.on_machines:
        return RowKey(code, GENERAL, cause if cause in finding.per_hundred else None)
    own = [place for place, rows in enumerate(finding.on_machines) if names_machine(rows.when, machine)]
    for place in reversed(own):
        if cause in finding.on_machines[place].per_hundred:
            return RowKey(code, place, cause)
    if cause in finding.per_hundred:
        return RowKey(code, GENERAL, cause)
    own = [place for place in own if finding.on_machines[place].background is not None]
    return RowKey(code, own[-1] if own else GENERAL, None)


def _places(outcomes: Sequence[str], named: Sequence[str]) -> tuple[int, ...]:
    return tuple(sorted(named.index(outcome) for outcome in outcomes))


def _possible(finding: Finding, machine: MachineKind) -> tuple[int, ...]:
    return tuple(
        place for place, outcome in enumerate(finding.outcomes) if passes_gate(outcome.gate, *machine)
    )


class SeenOutcome(msgspec.Struct, frozen=True):
    """One number of a row: of 100 failures the table says `per_hundred`; of `looked` judged cases in which
    it was looked at the outcome was seen in `seen`, and could not be told from another one in `unclear`.
    """

    outcome: str
    per_hundred: float
    looked: int
    seen: int
    unclear: int


class RowEvidence(msgspec.Struct, frozen=True):
    """How often judged cases saw a row: `judged` of its cause on machines for which it holds, and what was
    seen of each outcome. Without a cause it is the background, judged by all causes that have no row.
    """

    pointer: str
    finding: str
    cause: str | None
    judged: int
    outcomes: list[SeenOutcome]


def row_evidence(table: RuleTable, counts: VerdictCounts) -> list[RowEvidence]:
    """Of every row of which a case was judged what was seen, in the order of the table."""
    judged, rows = judged_rows(table, counts), counted_rows(table, counts)
    return [
        RowEvidence(
            row_pointer(key, table), key.code, key.cause, judged[key], _seen(key, table, rows.get(key, {}))
        )
        for key in row_keys(table)
        if judged[key]
    ]


def row_keys(table: RuleTable) -> Iterator[RowKey]:
    """Every row of findings and patterns."""
    for code, finding in table.findings.items():
        yield RowKey(code, GENERAL, None)
        yield from (RowKey(code, GENERAL, cause) for cause in finding.per_hundred)
        for place, rows in enumerate(finding.on_machines):
            if rows.background is not None:
                yield RowKey(code, place, None)
            yield from (RowKey(code, place, cause) for cause in rows.per_hundred)
    for code, pattern in table.patterns.items():
        yield RowKey(code, GENERAL, None)
        yield from (RowKey(code, GENERAL, cause) for cause in pattern.per_hundred)


def shares_of(key: RowKey, table: RuleTable) -> list[float]:
    """The numbers of a row."""
    row: Finding | Pattern = (
        table.findings[key.code] if key.code in table.findings else table.patterns[key.code]
    )
    if isinstance(row, Pattern):
        return [row.background if key.cause is None else row.per_hundred[key.cause]]
    of = row if key.block == GENERAL else row.on_machines[key.block]
    found = of.background if key.cause is None else of.per_hundred[key.cause]
    return list(found or ())


def outcome_codes(code: str, table: RuleTable) -> list[str]:
    """The outcomes that the numbers of a finding's or pattern's rows are of."""
    return (
        [outcome.code for outcome in table.findings[code].outcomes] if code in table.findings else [PRESENT]
    )


def row_pointer(key: RowKey, table: RuleTable) -> str:
    """Where a row stands in the document (RFC 6901)."""
    place = f"/findings/{key.code}" if key.code in table.findings else f"/patterns/{key.code}"
    if key.block != GENERAL:
        place += f"/on_machines/{key.block}"
    return f"{place}/background" if key.cause is None else f"{place}/per_hundred/{key.cause}"


def judged_rows(table: RuleTable, counts: VerdictCounts) -> Counter[RowKey]:
    """How many cases were judged for which each row holds."""
    judged: Counter[RowKey] = Counter()
    by_cause: Counter[str] = Counter()
    for (cause, _), n in counts.judged.items():
        by_cause[cause] += n
    for code, finding in table.findings.items():
        if finding.gate == Gate() and not finding.on_machines:
            for cause, n in by_cause.items():
                judged[RowKey(code, GENERAL, cause if cause in finding.per_hundred else None)] += n
            continue
        for (cause, machine), n in counts.judged.items():
            if passes_gate(finding.gate, *machine):
                judged[row_in_force(code, finding, cause, machine)] += n
    for code, pattern in table.patterns.items():
        for cause, n in by_cause.items():
            judged[RowKey(code, GENERAL, cause if cause in pattern.per_hundred else None)] += n
    return judged


def _seen(key: RowKey, table: RuleTable, counted: Mapping[int, RowCounter]) -> list[SeenOutcome]:
    shares, one_sign = shares_of(key, table), tells_signs(key.code, table)
    return [
        SeenOutcome(outcome, shares[place], *seen_of(counted.get(place if one_sign else 0, Counter()), sight))
        for place, outcome in enumerate(outcome_codes(key.code, table))
        for sight in (1 if one_sign else place,)
    ]


def tells_signs(code: str, table: RuleTable) -> bool:
    """Whether each number is of a sign that is seen or not there (a pattern is one), and not of outcomes that
    exclude each other.
    """
    return code in table.patterns or table.findings[code].kind == "several"


def seen_of(counted: RowCounter, outcome: int) -> tuple[int, int, int]:
    """In how many cases it was looked at, the outcome seen plainly, and seen as one of several."""
    plain = sum(n for (_, _, seen), n in counted.items() if seen == (outcome,))
    unclear = sum(n for (_, _, seen), n in counted.items() if outcome in seen and len(seen) > 1)
    return counted.total(), plain, unclear
