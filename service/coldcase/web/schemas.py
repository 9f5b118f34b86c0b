"""Envelopes on the wire; the case, the rule table and the answer inside them are core's own types.

Members whose JSON text is stored (`case`, `answer`, `content`) are sent as that very text.
"""

from datetime import datetime
from typing import Any, Literal
from uuid import UUID

import msgspec

from coldcase.backtesting.comparing import BacktestResult
from coldcase.core.answer import Answer, Status, TableName
from coldcase.core.case import Case
from coldcase.core.rule_table import (
    Action,
    Band,
    Contrast,
    Deadline,
    Effort,
    Gate,
    Kind,
    Retired,
    RuleTable,
    When,
)
from coldcase.db.backtests import BacktestState
from coldcase.db.events import Event
from coldcase.feedback.calibrating import Calibration, Interval
from coldcase.web.crosswalk_schemas import AnswerCodes, SentWords


class _Part(msgspec.Struct, frozen=True):
    pass


class DecisionName(_Part, frozen=True, kw_only=True):
    """One decision of a chain in which each supersedes the one before."""

    id: UUID
    recorded_at: datetime


class Verdict(_Part, frozen=True, kw_only=True):
    """What a person later established to be the cause. Of several on one decision the newest stands. An
    erased word reads `erased`. `person` is the key's; `established_by` is what was sent.
    """

    id: UUID
    recorded_at: datetime
    cause: str | None
    not_determinable: bool
    basis: Literal["teardown", "laboratory", "field", "supplier_report"]
    note: str | None
    person: str | None
    established_by: str | None
    established_at: datetime | None


class DecisionSummary(_Part, frozen=True, kw_only=True):
    """A recorded decision in a list. `origin` says how it came, one by one or by an import; `own_code` is
    what the client calls the failure.
    """

    id: UUID
    recorded_at: datetime
    job_ref: str | None
    circuit: str | None
    closed_at: datetime | None
    compressor_type: str
    refrigerant: str | None
    cause: str
    status: Status
    confidence: float
    rule_table: int
    supersedes: UUID | None
    origin: Literal["live", "bulk"]
    own_code: str | None


class DecisionRecord(_Part, frozen=True, kw_only=True):
    """A recorded decision, whole.

    `chain` runs from the first decision of the job to the newest, which stands; `verdicts` are the newest
    first, as are the decisions `earlier_on_circuit`, at most ten, which none superseded. `own_words`
    are what was sent in words of the client's own, `crosswalk` its codes where they were asked for. `origin`
    says how it came, one by one or by an import; `own_code` is what the client calls the failure.
    """

    id: UUID
    recorded_at: datetime
    case: Case
    answer: Answer
    rule_table: TableName
    chain: list[DecisionName]
    verdicts: list[Verdict]
    earlier_on_circuit: list[DecisionSummary]
    own_words: SentWords | None
    origin: Literal["live", "bulk"]
    own_code: str | None
    crosswalk: AnswerCodes | msgspec.UnsetType = msgspec.UNSET


class DecisionList(_Part, frozen=True, kw_only=True):
    """A page of decisions; `next` is the cursor of the page after it."""

    items: list[DecisionSummary]
    next: str | None


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


class TableSummary(_Part, frozen=True, kw_only=True):
    """A version of the rule table without its content."""

    version: int
    digest: str
    state: Literal["draft", "approved", "published", "withdrawn"]
    current: bool
    based_on: int | None
    note: str | None
    created_at: datetime


class TableList(_Part, frozen=True, kw_only=True):
    """All versions of the rule table, the newest first."""

    items: list[TableSummary]
    next: str | None


class CurrentTable(TableSummary, frozen=True, kw_only=True):
    """The version that answers, with its document."""

    content: RuleTable


class TableEnvelope(TableSummary, frozen=True, kw_only=True):
    """A version of the rule table with its document, a draft's as it stands, flaws and all."""

    content: dict[str, Any]


class FoundFlaw(_Part, frozen=True, kw_only=True, omit_defaults=True):
    """One flaw of a rule table: where (RFC 6901 pointer), what, and what was likely meant."""

    pointer: str
    detail: str
    suggestion: str | None = None


class TableCheck(_Part, frozen=True, kw_only=True):
    """Every flaw of a rule table as it is now; a draft can be approved when there is none."""

    version: int
    digest: str
    flaws: list[FoundFlaw]


class BacktestSummary(_Part, frozen=True, kw_only=True):
    """A backtest of a rule table as it was when it was started: on which decisions, and how far it is.

    `total` is known once it runs. `of_all_clients`: on all clients' decisions, not only on those of the
    client who asked. `filter` and `person` are told to that client, and to keys that read all.
    """

    id: UUID
    rule_table: TableName
    state: BacktestState
    of_all_clients: bool
    filter: dict[str, Any] | None
    sample: int | None
    library: str | None
    person: str | None
    created_at: datetime
    started_at: datetime | None
    ended_at: datetime | None
    done: int
    total: int | None
    failed_because: str | None


class BacktestReport(BacktestSummary, frozen=True, kw_only=True):
    """A backtest with what it has found, so far or in the end."""

    result: BacktestResult | None


class BacktestList(_Part, frozen=True, kw_only=True):
    """A page of backtests."""

    items: list[BacktestSummary]
    next: str | None


class StarterOnRecord(_Part, frozen=True, kw_only=True):
    """The starter table of this release, and whether a published table of the record has its digest."""

    digest: str
    on_record: bool


class Health(_Part, frozen=True, kw_only=True):
    """Whether the service answers, and whether it can record, and since when that has been so."""

    status: Literal["live", "ready"]
    recording: bool | None = None
    recording_since: datetime | None = None
    rule_table: int | None = None
    starter_table: StarterOnRecord | None = None


class EventList(_Part, frozen=True, kw_only=True):
    """A page of audit events."""

    items: list[Event]
    next: str | None


class SealSummary(_Part, frozen=True, kw_only=True):
    """A seal over `count` records: the root of their Merkle tree, the head before it, and its own; hashes in
    hexadecimal.
    """

    number: int
    at: datetime
    count: int | None
    previous: str
    root: str
    head: str


class SealList(_Part, frozen=True, kw_only=True):
    """A page of seals."""

    items: list[SealSummary]
    next: str | None


class ReportedDiscrepancy(_Part, frozen=True, kw_only=True):
    """One thing that is not as it was sealed."""

    what: str
    detail: str
    seal: int | None
    kind: str | None
    record: UUID | None


class VerificationReport(_Part, frozen=True, kw_only=True):
    """What a verification found.

    `unsealed` records are too young to be under a seal; the years of `taken_out` ones were archived; `erased`
    ones have lost words (notes, labels of persons), lawfully by an event. `wrong` counts all troubles, other
    clients' too, but for those that the owner of the database `acknowledged`; `epochs` counts the database
    servers that the record has been in.
    """

    good: bool
    seals: int
    epochs: int
    records: int | None
    unsealed: int | None
    taken_out: int | None
    erased: int | None
    acknowledged: int | None
    head: str | None
    wrong: int
    troubles: list[ReportedDiscrepancy]


class CauseCount(_Part, frozen=True, kw_only=True):
    """How often a cause was named."""

    cause: str
    counted: Interval


class CauseGroup(_Part, frozen=True, kw_only=True):
    """The causes of one month, circuit, refrigerant, compressor type or client; of all where nothing was
    asked to be grouped.
    """

    group: str | None
    count: int
    causes: list[CauseCount]


class CauseCounts(_Part, frozen=True, kw_only=True):
    """Causes counted, group by group; `truncated` if there are more groups than were asked for."""

    items: list[CauseGroup]
    next: str | None
    truncated: bool


class CalibrationList(_Part, frozen=True, kw_only=True):
    """Calibration of each rule table, status and engine."""

    items: list[Calibration]
    next: str | None
