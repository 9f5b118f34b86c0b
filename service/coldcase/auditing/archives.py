"""Archived years, and what is believed of them: a sealed event's word, and the file once it is shown."""

from collections import Counter
from collections.abc import AsyncIterator
from typing import Self

import msgspec
from msgspec.structs import replace
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.auditing.sealing import record_leaf
from coldcase.auditing.verification import MOST_NAMED, ArchivedYear, Trouble, Verification, Wrong
from coldcase.core import merkle
from coldcase.core.leaves import DecisionRow
from coldcase.db import checks, seals


class Archives:
    """The archives that sealed events tell of, and the decisions of their years that are missed until all have been counted."""

    def __init__(self, told: dict[int, ArchivedYear], report: Verification) -> None:
        self._told = told
        self._report = report
        self._gone: Counter[int] = Counter()
        self._missed: dict[int, list[Trouble]] = {year: [] for year in told}

    @classmethod
    async def read(cls, conn: AsyncConnection, report: Verification) -> Self:
        """The archives. That events and the table of archives say the same is checked; nothing seals that table."""
        told = await _told(conn, report)
        listed = {archive.year: archive for archive in await checks.archives(conn)}
        for year in sorted(told.keys() | listed.keys()):
            event, row = told.get(year), listed.get(year)
            if event is None:
                detail = f"the year {year} stands as archived, and no sealed event says so"
            elif row is None:
                detail = f"the year {year} was archived by a sealed event, and does not stand as archived"
            elif (row.count, row.file_sha256.hex()) != (event.count, event.file_sha256):
                detail = f"the archive of {year} stands with another count or file than its sealed event says"
            else:
                continue
            report.add(Trouble(what="archive", detail=detail))
        return cls(told, report)

    def awaits(self, gone: Trouble, year: int) -> bool:
        """Whether a missing decision may have gone with its archived year; `settle` has the last word."""
        if year not in self._told or self._report.is_known(gone):
            return year in self._told
        self._gone[year] += 1
        if len(self._missed[year]) < MOST_NAMED:
            self._missed[year].append(gone)
        return True

    async def settle(self, conn: AsyncConnection) -> None:
        """Believes a year gone if as many of its decisions are missing as were archived, and none is left; else each is missing."""
        for year, told in self._told.items():
            left = await checks.decisions_of(conn, year)
            gone = self._gone[year] == told.count and left == 0
            self._report.archives.append(replace(told, gone=gone))
            if gone:
                self._report.taken_out += told.count
                continue
            detail = f"{told.count} decisions of {year} were archived; {self._gone[year]} are missing, and the record holds {left}"
            self._report.add(Trouble(what="archive", detail=detail))
            for trouble in self._missed[year]:
                self._report.add(trouble)
            self._report.wrong += self._gone[year] - len(self._missed[year])


async def _told(conn: AsyncConnection, report: Verification) -> dict[int, ArchivedYear]:
    """The years that were taken out, by the sealed events of it."""
    found = {}
    for event in await checks.sealed_events(conn, "year.archived"):
        try:
            made = {**event.details, "year": int(event.subject)}
            archive = msgspec.convert(made, ArchivedYear)
        except (ValueError, msgspec.ValidationError):
            report.add(Trouble(what="archive", detail=f"audit event {event.id} says that a year was archived, and not how"))
        else:
            found[archive.year] = ArchivedYear(year=archive.year, count=archive.count, file_sha256=archive.file_sha256)
    return found


async def check_archive(conn: AsyncConnection, rows: AsyncIterator[list[DecisionRow]], year: int, report: Verification) -> None:
    """Compares an archive's decisions with the hashes under the seals."""
    found, wrong = 0, report.wrong
    async with seals.as_auditor(conn):
        expected = next((archive.count for archive in report.archives if archive.year == year), 0)
        async for batch in rows:
            known = await checks.known_leaves(conn, "decision", [row.id for row in batch])
            for row in batch:
                sealed = known.get(row.id)
                found += sealed is not None
                if sealed is None or merkle.leaf_hash(record_leaf("decision", row, sealed.format)) != sealed.leaf:
                    what: Wrong = "inserted" if sealed is None else "changed"
                    detail = f"decision {row.id} in the archive of {year} was {what}"
                    report.add(Trouble(what=what, kind="decision", record=row.id, client_id=row.client_id, detail=detail))
    if found != expected:
        report.add(Trouble(what="archive", detail=f"the archive of {year} was made of {expected} decisions and holds {found}"))
    if report.wrong == wrong:
        report.archives = [replace(one, shown=one.shown or one.year == year) for one in report.archives]
