"""Envelopes of the record's audit: events, seals, and what a verification found."""

from datetime import datetime
from uuid import UUID

import msgspec

from coldcase.db.events import Event


class _Part(msgspec.Struct, frozen=True):
    pass


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
