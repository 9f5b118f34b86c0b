"""Archived years, and what is believed of them: a sealed event's word, and the file once it is shown."""

from collections import Counter
from collections.abc import AsyncIterator
from typing import Self

import msgspec
from msgspec.structs import replace
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.auditing.sealing import record_leaf
from coldcase.auditing.verification import (
    MOST_LISTED,
    ArchivedYear,
    Discrepancy,
    DiscrepancyKind,
    Verification,
)
from coldcase.db import seals, verification
from coldcase.proof import merkle
from coldcase.proof.decision_columns import StoredDecision


class Archives:
    """The archives that sealed events tell of, and the decisions of their years that are missed until all
    have been counted.
    """

    def __init__(self, by_event: dict[int, ArchivedYear], report: Verification) -> None:
        self._by_event = by_event
        self._report = report
        self._gone: Counter[int] = Counter()
        self._missed: dict[int, list[Discrepancy]] = {year: [] for year in by_event}

    @classmethod
    async def read(cls, conn: AsyncConnection, report: Verification) -> Self:
        """The archives. That events and the table of archives say the same is checked; nothing seals that
        table.
        """
        by_event = await _archives_by_events(conn, report)
        listed = {archive.year: archive for archive in await verification.archives(conn)}
        for year in sorted(by_event.keys() | listed.keys()):
            event, row = by_event.get(year), listed.get(year)
            if event is None:
                detail = f"the year {year} stands as archived, and no sealed event says so"
            elif row is None:
                detail = f"the year {year} was archived by a sealed event, and does not stand as archived"
            elif (row.count, row.file_sha256.hex()) != (event.count, event.file_sha256):
                detail = f"the archive of {year} stands with another count or file than its sealed event says"
            else:
                continue
            report.add(Discrepancy(what="archive", detail=detail))
        return cls(by_event, report)

    def awaits(self, gone: Discrepancy, year: int) -> bool:
        """Whether a missing decision may have gone with its archived year; `settle` has the last word."""
        if year not in self._by_event or self._report.is_known(gone):
            return year in self._by_event
        self._gone[year] += 1
        if len(self._missed[year]) < MOST_LISTED:
            self._missed[year].append(gone)
        return True

    async def settle(self, conn: AsyncConnection) -> None:
        """Believes a year gone if as many of its decisions are missing as were archived, and none is left;
        else each is missing.
        """
        for year, by_event in self._by_event.items():
            left = await verification.decisions_of(conn, year)
            gone = self._gone[year] == by_event.count and left == 0
            self._report.archives.append(replace(by_event, gone=gone))
            if gone:
                self._report.taken_out += by_event.count
                continue
            detail = (
                f"{by_event.count} decisions of {year} were archived; {self._gone[year]} are "
                f"missing, and the record holds {left}"
            )
            self._report.add(Discrepancy(what="archive", detail=detail))
            for discrepancy in self._missed[year]:
                self._report.add(discrepancy)
            self._report.wrong += self._gone[year] - len(self._missed[year])


async def _archives_by_events(conn: AsyncConnection, report: Verification) -> dict[int, ArchivedYear]:
    """The years that were taken out, by the sealed events of it."""
    found = {}
    for event in await verification.sealed_events(conn, "year.archived"):
        try:
            made = {**event.details, "year": int(event.subject)}
            archive = msgspec.convert(made, ArchivedYear)
        except (ValueError, msgspec.ValidationError):
            report.add(
                Discrepancy(
                    what="archive",
                    detail=f"audit event {event.id} says that a year was archived, and not how",
                )
            )
        else:
            found[archive.year] = ArchivedYear(
                year=archive.year, count=archive.count, file_sha256=archive.file_sha256
            )
    return found


async def check_archive(
    conn: AsyncConnection, rows: AsyncIterator[list[StoredDecision]], year: int, report: Verification
) -> None:
    """Compares an archive's decisions with the hashes under the seals."""
    found, wrong = 0, report.wrong
    async with seals.as_auditor(conn):
        expected = next((archive.count for archive in report.archives if archive.year == year), 0)
        async for batch in rows:
            known = await verification.known_leaves(conn, "decision", [row.id for row in batch])
            for row in batch:
                sealed = known.get(row.id)
                found += sealed is not None
                if (
                    sealed is None
                    or merkle.leaf_hash(record_leaf("decision", row, sealed.format)) != sealed.leaf
                ):
                    what: DiscrepancyKind = "inserted" if sealed is None else "changed"
                    detail = f"decision {row.id} in the archive of {year} was {what}"
                    report.add(
                        Discrepancy(
                            what=what, kind="decision", record=row.id, client_id=row.client_id, detail=detail
                        )
                    )
    if found != expected:
        report.add(
            Discrepancy(
                what="archive",
                detail=f"the archive of {year} was made of {expected} decisions and holds {found}",
            )
        )
    if report.wrong == wrong:
        report.archives = [replace(one, shown=one.shown or one.year == year) for one in report.archives]
