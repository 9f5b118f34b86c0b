"""Envelopes of the vocabulary: what a form is built from, and what stands behind a cause."""

import msgspec

from coldcase.core.answer import TableName
from coldcase.core.rule_table import Action, Band, Contrast, Deadline, Effort, Gate, Kind, Retired, When


class _Part(msgspec.Struct, frozen=True):
    pass


class MemberChoice(_Part, frozen=True, kw_only=True):
    """A member of `unit` or `opening`: the values it takes, or the units of its quantity; neither for free
    text and numbers.
    """

    member: str
    required: bool
    values: list[str | bool] | None = None
    units: list[str] | None = None


class OutcomeChoice(_Part, frozen=True, kw_only=True):
    """One possible answer to a finding's question, what it means in a line, and the machines on which it can
    be.
    """

    code: str
    title: str
    definition: str | None
    gate: Gate


class FindingChoice(_Part, frozen=True, kw_only=True):
    """A finding as a form asks for it. `before`: what must not have happened yet. `quantities` can yield
    it.

    Of kind `one` its outcomes exclude each other; of kind `several` each is a sign that was seen, or looked
    for and is not there. One that is `succeeded_by` another is still taken, but the other is asked.
    """

    code: str
    kind: Kind
    succeeded_by: str | None
    station: str
    title: str
    question: str
    effort: Effort
    before: Deadline | None
    gate: Gate
    outcomes: list[OutcomeChoice]
    quantities: list[str]


class CauseChoice(_Part, frozen=True, kw_only=True):
    """A cause as a list shows it."""

    code: str
    title: str
    family: str
    system_borne: bool


class QuantityLimit(_Part, frozen=True, kw_only=True):
    """How a quantity becomes an outcome of a finding, on which machines, and by what authority."""

    finding: str
    bands: list[Band]
    when: When
    basis: str


class QuantityChoice(_Part, frozen=True, kw_only=True):
    """A quantity that readings yield or that is sent as it is, and the findings that it yields."""

    code: str
    unit: str
    meaning: str
    lowest: float
    highest: float
    limits: list[QuantityLimit]


class Vocabulary(_Part, frozen=True, kw_only=True):
    """Everything that a form is built from, under one rule table."""

    rule_table: TableName
    unit: list[MemberChoice]
    opening: list[MemberChoice]
    stations: list[str]
    findings: list[FindingChoice]
    causes: list[CauseChoice]
    quantities: list[QuantityChoice]
    retired: list[Retired]


class CauseStep(_Part, frozen=True, kw_only=True):
    """One link of the chain from circumstance to final event, and the outcomes that show it."""

    step: str
    seen_as: dict[str, list[str]]


class CauseSheet(_Part, frozen=True, kw_only=True):
    """One cause: what it is, how it goes on, what to do, and how to tell it from its look-alikes."""

    code: str
    title: str
    family: str
    summary: str
    system_borne: bool
    gate: Gate
    chain: list[CauseStep]
    actions: list[Action]
    contrast: list[Contrast]
    rule_table: TableName
