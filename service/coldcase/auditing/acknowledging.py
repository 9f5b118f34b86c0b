"""Known disorder: the owner declares the very discrepancies that a verification finds known; any other still
makes it fail.

A clock that was wrong for a day, or a row that somebody changed, stays in the record for ever, and an alarm
that always rings hides the next one. What is declared known stands in a sealed audit event, by a digest of
each discrepancy, and every verification tells of it: nothing is hidden, and whoever may act as the owner may
do it.
"""

from typing import Any

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.auditing.verification import Acknowledgement, Verification
from coldcase.db import events, verification
from coldcase.db.events import Actor
from coldcase.errors import ColdcaseError

ACTION = "record.acknowledged"
MOST_ACKNOWLEDGED = 100_000


class NothingToAcknowledge(ColdcaseError):
    """The verification found nothing that could be acknowledged."""

    code = "nothing_to_acknowledge"


class _Details(msgspec.Struct):
    reason: str = "none given"
    troubles: list[str] = []


def _read_details(details: Any) -> _Details:
    """What an event says; one that cannot be read acknowledges nothing."""
    try:
        return msgspec.convert(details, _Details)
    except msgspec.ValidationError:
        return _Details()


async def read_acknowledgements(conn: AsyncConnection, report: Verification) -> None:
    """Tells the report what is acknowledged, by sealed events alone."""
    for event in await verification.sealed_events(conn, ACTION):
        place = len(report.acknowledgements)
        details = _read_details(event.details)
        report.acknowledgements.append(Acknowledgement(event=event.id, reason=details.reason, at=event.at))
        report.known.update(dict.fromkeys(details.troubles, place))


async def acknowledge(conn: AsyncConnection, found: Verification, reason: str, *, actor: Actor) -> int:
    """Writes the event, as the owner; how many discrepancies it names. It counts once it is under a seal.

    `found` must have every digest. Raises NothingToAcknowledge if there is no discrepancy, if a head was
    expected in vain, or if there are more than an event can name.
    """
    digests = sorted(found.digests or ())
    if any(discrepancy.what == "expected" for discrepancy in found.troubles):
        raise NothingToAcknowledge("A chain that does not have the expected head cannot be acknowledged.")
    if not 0 < len(digests) <= MOST_ACKNOWLEDGED:
        raise NothingToAcknowledge(
            f"There are {found.wrong} troubles; one to {MOST_ACKNOWLEDGED} can be acknowledged."
        )
    details = {"reason": reason, "count": len(digests), "troubles": digests}
    await events.write_event(conn, action=ACTION, subject="record", details=details, actor=actor)
    return len(digests)
