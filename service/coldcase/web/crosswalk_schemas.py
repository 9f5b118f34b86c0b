"""Envelopes of crosswalks, and of answers that carry a client's own codes."""

from datetime import datetime
from typing import Any

import msgspec

from coldcase.core.answer import Answer
from coldcase.core.crosswalk import OwnCodes


class CrosswalkSummary(msgspec.Struct, frozen=True, kw_only=True):
    """A crosswalk's newest version."""

    name: str
    version: int
    digest: str
    recorded_at: datetime


class CrosswalkVersion(CrosswalkSummary, frozen=True, kw_only=True):
    """A version of a crosswalk, with its document."""

    content: dict[str, Any]


class CrosswalkList(msgspec.Struct, frozen=True, kw_only=True):
    """A page of crosswalks, by name; `next` is the cursor of the page after it."""

    items: list[CrosswalkSummary]
    next: str | None


class AnswerCodes(msgspec.Struct, frozen=True, kw_only=True):
    """The client's codes of the cause that is named and of those that contributed, by a crosswalk and its
    version; null where it has none.
    """

    name: str
    version: int
    cause: OwnCodes | None
    contributing: dict[str, OwnCodes | None]


class AnswerWithCodes(Answer, frozen=True, kw_only=True):
    """An answer; `crosswalk` is there where one was asked for, beside what is recorded."""

    crosswalk: AnswerCodes | msgspec.UnsetType = msgspec.UNSET


class SentWords(msgspec.Struct, frozen=True, kw_only=True):
    """What a client sent in words of its own, and the crosswalk and version that it was read by."""

    crosswalk: str
    version: int
    sent: dict[str, Any]
