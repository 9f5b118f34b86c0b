"""The lines of an import's answer."""

from collections.abc import Callable
from typing import Any
from uuid import UUID

import msgspec

from coldcase.core.answer import TableName
from coldcase.errors import ColdcaseError

RefusalRendering = Callable[[ColdcaseError], Any]
"""Renders an error as a problem document."""


class LineAnswer(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A line's decision; `replayed` where it was on record before. `other_on_line` is the first line of the
    same `job.ref` that says something else. `answer` is the whole answer where it was asked for.
    """

    line: int
    job_ref: str | None
    id: UUID
    cause: str
    status: str
    confidence: float
    replayed: bool
    other_on_line: int | None = None
    answer: msgspec.Raw | msgspec.UnsetType = msgspec.UNSET


class LineRefused(msgspec.Struct, frozen=True):
    """A line that was not recorded, and why."""

    line: int
    problem: Any


class Counts(msgspec.Struct, kw_only=True):
    """Of lines that are not blank: each was recorded, was on record already (`replayed`) or was refused.
    `verdicts` were recorded with them.
    """

    lines: int = 0
    recorded: int = 0
    replayed: int = 0
    refused: int = 0
    verdicts: int = 0

    def add(self, more: "Counts") -> None:
        """Counts some more lines."""
        for name in Counts.__struct_fields__:
            setattr(self, name, getattr(self, name) + getattr(more, name))


class Summary(Counts, kw_only=True):
    """What came of a whole import; `rule_table` answered."""

    rule_table: TableName


encode = msgspec.json.Encoder().encode


def told_line(line: Any) -> bytes:
    """A line of the answer."""
    return encode(line) + b"\n"
