"""What a rule table would change: answers before and after, counted, with examples. Pure.

A tally is plain data, so that a backtest can be carried on where it was left; those of pieces of a record,
merged in the order of the pieces, give the same however it was cut.
"""

from collections.abc import Callable, Iterable
from uuid import UUID

import msgspec

from coldcase.backtesting.paired import PairTally, VerdictFigures
from coldcase.core.answer import Status
from coldcase.core.rule_table import UNDETERMINED
from coldcase.core.short_answers import ShortAnswer
from coldcase.errors import Flaw

MOST_EXAMPLES = 5
"""Of one change, for the client who asked and for all others together."""

MOST_REASONS = 50
"""Different reasons, or texts, that are told; the rest is counted."""

LONGEST_REASON = 300

Sees = Callable[[int | None], bool]
"""Whether the examples of a client may be seen."""


class Said(msgspec.Struct, frozen=True):
    """What an answer said of an example."""

    cause: str
    status: Status
    confidence: float


class Example(msgspec.Struct, frozen=True, kw_only=True):
    """One case of a change: the decision's id, or the name of a case of a library."""

    decision: UUID | None = None
    case: str | None = None
    before: Said | None = None
    after: Said | None = None
    established: list[str] | None = None


class Kept(msgspec.Struct, frozen=True):
    """An example with whose decision it is."""

    client: int | None
    example: Example


class CaseGroup(msgspec.Struct):
    """Cases that have something in common: how many, and some of them."""

    count: int = 0
    kept: list[Kept] = msgspec.field(default_factory=list)

    def add(self, kept: Kept, own: int | None) -> None:
        """Counts a case, and keeps it if there are few of its kind."""
        self.count += 1
        if self._has_room(kept.client, own):
            self.kept.append(kept)

    def add_compared(self, one: "Compared", own: int | None) -> None:
        """The same of a case that is made an example only if it is kept: most are not."""
        self.count += 1
        if self._has_room(one.client, own):
            self.kept.append(one.example())

    def _has_room(self, client: int | None, own: int | None) -> bool:
        if len(self.kept) >= 2 * MOST_EXAMPLES:
            return False
        mine = client == own
        return sum((one.client == own) == mine for one in self.kept) < MOST_EXAMPLES

    def merge(self, other: "CaseGroup", own: int | None) -> None:
        """Adds other cases; of the examples those with the lowest ids stay."""
        both = CaseGroup()
        for kept in sorted([*self.kept, *other.kept], key=_id_of):
            both.add(kept, own)
        self.count, self.kept = self.count + other.count, both.kept


def _id_of(kept: Kept) -> int:
    """A library's cases have none: they stay in the order in which they came."""
    return kept.example.decision.int if kept.example.decision else 0


class Compared(msgspec.Struct, frozen=True):
    """One case answered twice. `established` is what is known to be true: None where nobody looked, empty
    where nobody could say.
    """

    client: int | None
    decision: UUID | None
    case: str | None
    before: ShortAnswer
    after: ShortAnswer
    established: frozenset[str] | None

    def example(self) -> Kept:
        """Itself as an example."""
        said = [Said(one.cause, one.status, one.confidence) for one in (self.before, self.after)]
        known = None if self.established is None else sorted(self.established)
        return Kept(
            self.client,
            Example(decision=self.decision, case=self.case, before=said[0], after=said[1], established=known),
        )


class ComparisonTally(msgspec.Struct):
    """Running counts of a backtest, or of a piece of it. `own` is the client who asked."""

    own: int | None = None
    compared: int = 0
    same_code_other_confidence: int = 0
    moves: dict[str, CaseGroup] = msgspec.field(default_factory=dict)
    statuses: dict[str, int] = msgspec.field(default_factory=dict)
    cautions_lost: dict[str, CaseGroup] = msgspec.field(default_factory=dict)
    losing_cautions: int = 0
    unreadable: dict[str, CaseGroup] = msgspec.field(default_factory=dict)
    pairs: PairTally = msgspec.field(default_factory=PairTally)

    def add(self, one: Compared) -> None:
        """Counts a case that both tables answer."""
        before, after = one.before, one.after
        self.compared += 1
        if before.cause != after.cause:
            _group(self.moves, f"{before.cause} {after.cause}").add_compared(one, self.own)
        elif before.confidence != after.confidence:
            self.same_code_other_confidence += 1
        if before.status != after.status:
            name = f"{before.status} {after.status}"
            self.statuses[name] = self.statuses.get(name, 0) + 1
        if before.cautions != after.cautions:
            self._add_cautions(one)
        if one.established is not None:
            self.pairs.add(before, after, one.established)

    def add_same(self) -> None:
        """Counts a case of which both tables say the same, and nobody what is true."""
        self.compared += 1

    def _add_cautions(self, one: Compared) -> None:
        lost = [text for text in one.before.cautions if text not in one.after.cautions]
        self.losing_cautions += bool(lost)
        for text in lost:
            _group(self.cautions_lost, text).add_compared(one, self.own)

    def add_unreadable(self, flaws: Iterable[Flaw], kept: Kept) -> None:
        """Counts a case that the table cannot read, under the first of its flaws."""
        flaw = next(iter(flaws))
        reason = f"{flaw.pointer}: {flaw.detail}"[:LONGEST_REASON]
        _group(self.unreadable, reason).add(kept, self.own)

    def merge(self, following: "ComparisonTally") -> None:
        """Adds what was counted of the cases that come after these. Only here are reasons that come late
        thrown together: a piece does not know which came before.
        """
        self.compared += following.compared
        self.same_code_other_confidence += following.same_code_other_confidence
        self.losing_cautions += following.losing_cautions
        for name, count in following.statuses.items():
            self.statuses[name] = self.statuses.get(name, 0) + count
        for name, group in following.moves.items():
            _group(self.moves, name).merge(group, self.own)
        for text, group in following.cautions_lost.items():
            _of(self.cautions_lost, text).merge(group, self.own)
        for reason, group in following.unreadable.items():
            _of(self.unreadable, reason).merge(group, self.own)
        self.pairs.merge(following.pairs)


OTHER_REASONS = ""
"""Stands for all reasons that are not told apart."""


def _of(groups: dict[str, CaseGroup], name: str) -> CaseGroup:
    if name not in groups and len(groups) >= MOST_REASONS:
        name = OTHER_REASONS
    return _group(groups, name)


def _group(groups: dict[str, CaseGroup], name: str) -> CaseGroup:
    found = groups.get(name)
    if found is None:
        found = groups[name] = CaseGroup()
    return found


class CodeChange(msgspec.Struct, frozen=True, kw_only=True, rename={"from_": "from"}):
    """How many codes change from one cause to another, `undetermined` among them."""

    from_: str
    to: str
    count: int
    examples: list[Example]


class NamedGroup(msgspec.Struct, frozen=True, kw_only=True):
    """How many cases have a reason, or lose a text, in common; an empty text is all others together."""

    text: str
    count: int
    examples: list[Example]


class StatusChange(msgspec.Struct, frozen=True, kw_only=True, rename={"from_": "from"}):
    """How many answers change from one status to another."""

    from_: str
    to: str
    count: int


class Dangerous(msgspec.Struct, frozen=True, kw_only=True):
    """The changes to look at first: a cause named where none was, another cause named, cautions that are no
    longer given (`losing_cautions` counts the cases).
    """

    refused_to_named: list[CodeChange]
    named_to_other: list[CodeChange]
    losing_cautions: int
    cautions_lost: list[NamedGroup]


class BacktestResult(msgspec.Struct, frozen=True, kw_only=True):
    """What a rule table would change of the cases that it was tried on.

    `compared` cases were answered by both sides, `unreadable` ones cannot be read under the table, by the
    first flaw of each. `changed` counts other codes, `same_code_other_confidence` other confidences under
    the same code. `verdicts` is null where nothing was established. A cause that the table only renames
    does not change.
    """

    compared: int
    changed: int
    same_code_other_confidence: int
    unreadable: int
    unreadable_because: list[NamedGroup]
    changes: list[CodeChange]
    statuses: list[StatusChange]
    dangerous: Dangerous
    verdicts: VerdictFigures | None


def result_of(tally: ComparisonTally, *, sees: Sees | None = None) -> BacktestResult:
    """The result; with `sees` only examples of the clients for whom it says so."""
    changes = [_change(name, group, sees) for name, group in _largest_first(tally.moves)]
    return BacktestResult(
        compared=tally.compared,
        changed=sum(group.count for group in tally.moves.values()),
        same_code_other_confidence=tally.same_code_other_confidence,
        unreadable=sum(group.count for group in tally.unreadable.values()),
        unreadable_because=_named(tally.unreadable, sees),
        changes=changes,
        statuses=[
            StatusChange(from_=name.split()[0], to=name.split()[1], count=count)
            for name, count in sorted(tally.statuses.items(), key=lambda one: (-one[1], one[0]))
        ],
        dangerous=Dangerous(
            refused_to_named=[one for one in changes if one.from_ == UNDETERMINED],
            named_to_other=[one for one in changes if UNDETERMINED not in (one.from_, one.to)],
            losing_cautions=tally.losing_cautions,
            cautions_lost=_named(tally.cautions_lost, sees),
        ),
        verdicts=tally.pairs.figures(),
    )


def _largest_first(groups: dict[str, CaseGroup]) -> list[tuple[str, CaseGroup]]:
    return sorted(groups.items(), key=lambda one: (-one[1].count, one[0]))


def _examples(group: CaseGroup, sees: Sees | None) -> list[Example]:
    seen = [kept.example for kept in group.kept if sees is None or sees(kept.client)]
    return seen[:MOST_EXAMPLES]


def _change(name: str, group: CaseGroup, sees: Sees | None) -> CodeChange:
    before, after = name.split()
    return CodeChange(from_=before, to=after, count=group.count, examples=_examples(group, sees))


def _named(groups: dict[str, CaseGroup], sees: Sees | None) -> list[NamedGroup]:
    return [
        NamedGroup(text=text, count=group.count, examples=_examples(group, sees))
        for text, group in _largest_first(groups)
    ]
