"""Envelopes on the wire; the case, the rule table and the answer inside them are core's own types.

Members whose JSON text is stored (`case`, `answer`, `content`) are sent as that very text.
"""

from datetime import datetime
from typing import Any, Literal
from uuid import UUID

import msgspec

from coldcase.core.answer import Answer, Status, TableName
from coldcase.core.case import Case
from coldcase.core.rule_table import (
    RuleTable,
)
from coldcase.db.decisions import DecisionOrigin
from coldcase.db.rule_tables import TableState
from coldcase.db.verdicts import Basis
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
    basis: Basis
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
    origin: DecisionOrigin
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
    origin: DecisionOrigin
    own_code: str | None
    crosswalk: AnswerCodes | msgspec.UnsetType = msgspec.UNSET


class DecisionList(_Part, frozen=True, kw_only=True):
    """A page of decisions; `next` is the cursor of the page after it."""

    items: list[DecisionSummary]
    next: str | None


class TableSummary(_Part, frozen=True, kw_only=True):
    """A version of the rule table without its content."""

    version: int
    digest: str
    state: TableState
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
