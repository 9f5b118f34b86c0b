"""Envelopes of remarks on rule tables, and of tables compared."""

from datetime import datetime
from typing import Any, Literal
from uuid import UUID

import msgspec

from coldcase.core.answer import TableName
from coldcase.core.diffing import TableDiff
from coldcase.db.remarks import RemarkState


class RemarkStep(msgspec.Struct, frozen=True, kw_only=True):
    """What came after a remark: an answer, or a version that is said to settle it."""

    kind: Literal["answered", "settled"]
    at: datetime
    text: str | None
    settled_by: int | None
    person: str | None


class Remark(msgspec.Struct, frozen=True, kw_only=True):
    """What somebody disputes of a rule table, as it was then: a place in its document, why, and what should
    stand there.

    `answer` is the last one, `settled_by` a version that says something else there and is not withdrawn.
    `client`, `person` and `decision` are told to that client, and to keys that read all.
    """

    id: UUID
    rule_table: TableName
    pointer: str
    text: str
    proposal: Any
    decision: UUID | None
    client: str | None
    person: str | None
    created_at: datetime
    state: RemarkState
    answer: str | None
    settled_by: int | None
    steps: list[RemarkStep]


class RemarkList(msgspec.Struct, frozen=True, kw_only=True):
    """A page of remarks."""

    items: list[Remark]
    next: str | None


class ComparedRemarks(msgspec.Struct, frozen=True, kw_only=True):
    """Remarks that a difference is about: which the new version is said to settle, of these which say again
    what was disputed (`unsettled`, by id), and which stand open or answered at a place that differs.
    """

    settles: list[Remark]
    unsettled: list[UUID]
    touches: list[Remark]


class TableComparison(msgspec.Struct, frozen=True, kw_only=True):
    """What a rule table (`new`) has otherwise than another one (`old`), and the remarks that it is about."""

    old: TableName
    new: TableName
    diff: TableDiff
    remarks: ComparedRemarks
