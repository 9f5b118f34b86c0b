"""What a verification finds: each thing that is wrong, what of it is known and acknowledged, and the years
that were taken out.
"""

import hashlib
from datetime import datetime
from typing import Any, Literal
from uuid import UUID

import msgspec

from coldcase.proof.canonical import canonical_json

MOST_LISTED = 1000

DiscrepancyKind = Literal[
    "changed",
    "missing",
    "inserted",
    "backdated",
    "words",
    "root",
    "count",
    "chain",
    "head",
    "expected",
    "erased",
    "archive",
    "key",
    "client",
    "guard",
]


class Discrepancy(msgspec.Struct, frozen=True, kw_only=True):
    """A discrepancy, one thing that is wrong: with a record (`kind`, `record`), with a seal, or with the
    chain of seals.

    `state` stands for how the thing is now, where it can be in more than one wrong way.
    """

    what: DiscrepancyKind
    detail: str
    seal: int | None = None
    kind: str | None = None
    record: UUID | None = None
    client_id: int | None = None
    state: str | None = None

    def digest(self) -> str:
        """32 hexadecimal digits for this discrepancy and no other. A record's stays the same when it comes
        under a seal.
        """
        of_record = self.record is not None
        identity = {
            "what": self.what,
            "kind": self.kind,
            "record": str(self.record) if of_record else None,
            "seal": None if of_record else self.seal,
            "state": self.state
            if of_record and self.what not in ("key", "client", "guard")
            else self.state or self.detail,
        }
        return hashlib.sha256(canonical_json(identity)).hexdigest()[:32]


class Acknowledgement(msgspec.Struct, frozen=True, kw_only=True):
    """Troubles that the owner declared known, with a reason, in the sealed audit event of this number; how
    many of them are there.
    """

    event: int
    reason: str
    at: datetime
    found: int = 0


class ArchivedYear(msgspec.Struct, frozen=True, kw_only=True):
    """A year that was taken out by a sealed event, whether its decisions are gone as that says, and whether
    the file was shown.
    """

    year: int
    count: int
    file_sha256: str
    gone: bool = True
    shown: bool = False


class Verification(msgspec.Struct, kw_only=True):
    """What a verification found. `good` unless something is wrong; `unsealed` records are too young to be
    under a seal.

    `taken_out` counts members whose year was archived: the chain holds over their stored hashes; the archive
    itself is checked with the file at hand. `epochs` counts the clusters that the record has been in,
    `acknowledged` the troubles that the owner declared known. At most 1000 troubles are listed, `wrong`
    counts all.
    """

    seals: int = 0
    epochs: int = 0
    records: int = 0
    unsealed: int = 0
    taken_out: int = 0
    erased: int = 0
    acknowledged: int = 0
    head: str | None = None
    wrong: int = 0
    troubles: list[Discrepancy] = []
    archives: list[ArchivedYear] = []
    acknowledgements: list[Acknowledgement] = []
    known: dict[str, int] = {}
    digests: set[str] | None = None

    @property
    def good(self) -> bool:
        """Whether nothing is wrong."""
        return self.wrong == 0

    def as_document(self) -> dict[str, Any]:
        """What a program may read of it."""
        members = msgspec.to_builtins(self)
        return {"good": self.good} | {
            name: value for name, value in members.items() if name not in ("known", "digests")
        }

    @property
    def not_shown(self) -> list[ArchivedYear]:
        """Archived years that are believed gone and whose file nobody has shown."""
        return [archive for archive in self.archives if archive.gone and not archive.shown]

    def add(self, discrepancy: Discrepancy) -> None:
        """Notes one more thing that is wrong, unless it is acknowledged."""
        if self.is_known(discrepancy):
            return
        self.wrong += 1
        if len(self.troubles) < MOST_LISTED:
            self.troubles.append(discrepancy)
        if self.digests is not None:
            self.digests.add(discrepancy.digest())

    def is_known(self, discrepancy: Discrepancy) -> bool:
        """Whether the owner acknowledged this very discrepancy; it is counted then."""
        place = self.known.get(discrepancy.digest()) if self.known else None
        if place is None or discrepancy.what == "expected":
            return False
        self.acknowledged += 1
        one = self.acknowledgements[place]
        self.acknowledgements[place] = msgspec.structs.replace(one, found=one.found + 1)
        return True
