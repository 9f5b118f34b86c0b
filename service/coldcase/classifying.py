"""Use case: why did this compressor fail? Case to answer, and answer to record."""

import hashlib
from datetime import UTC, datetime

import msgspec
from uuid_utils import compat

from coldcase.core import ENGINE_VERSION
from coldcase.core.answer import Answer
from coldcase.core.canonical import canonical
from coldcase.core.compiled import Book
from coldcase.core.intake import Taken, take, take_lenient
from coldcase.core.json_text import read_json
from coldcase.core.reporting import explain as weigh_and_word
from coldcase.db.batch import NewDecision
from coldcase.db.recorder import Recorded, Recorder
from coldcase.readings.findings import derive
from coldcase.readings.impossible import impossible

encode = msgspec.json.Encoder().encode


def now() -> datetime:
    """The clock, read once at the edge."""
    return datetime.now(UTC)  # noqa: TID251  # this is the edge


def read(body: bytes, book: Book, *, lenient: bool = False) -> Taken:
    """The case of a JSON text. Raises `Malformed`, or `BadCase` with every flaw; leniently only for an unreadable unit."""
    raw = read_json(body)
    return take_lenient(raw, book, impossible) if lenient else take(raw, book, impossible)


def explain(taken: Taken, book: Book, *, next_checks: bool = True) -> Answer:
    """The answer to a case under a rule table: pure, without an id, not recorded."""
    if not taken.case.metered:
        return weigh_and_word(taken.case, book, notes=taken.notes, next_checks=next_checks)
    found = derive(taken.case, book.table)
    return weigh_and_word(
        taken.case,
        book,
        derived={finding: (outcomes, found.sources[finding]) for finding, outcomes in found.outcomes.items()},
        values=found.values,
        notes=[*taken.notes, *found.notes],
        properties=found.properties,
        next_checks=next_checks,
    )


async def record(taken: Taken, book: Book, recorder: Recorder, *, client_id: int, key: str | None) -> Recorded:
    """Answers a case and commits the decision; the bytes in the result are what is to be sent.

    Raises `StoreAway`, `Busy`, `KeyReused`, `KeyInFlight` or `SupersedesUnknown`, and then nothing is recorded;
    `OutcomeUnknown`, and then nobody knows until the same key is sent again.
    """
    version = book.version
    assert version is not None  # noqa: S101 - a service answers by a table on record only
    id_, at = compat.uuid7(), now()
    answer = msgspec.structs.replace(explain(taken, book), id=id_, recorded=True, recorded_at=at)
    case, text = taken.case, canonical(taken.raw)
    new = NewDecision(
        id=id_,
        client_id=client_id,
        recorded_at=at,
        key=key,
        # By what was sent, so that a retry stays the same case whatever the table has come to say of its words.
        fingerprint=hashlib.sha256(text if taken.sent is taken.raw else canonical(taken.sent)).digest(),
        case=text,
        answer=encode(answer),
        cause=answer.cause,
        status=answer.status,
        confidence=round(answer.confidence * 10_000),
        job_ref=case.job.ref,
        circuit=case.job.circuit,
        closed_at=case.job.closed_at,
        compressor_type=case.unit.compressor_type,
        refrigerant=case.unit.refrigerant,
        rule_table=version,
        engine=ENGINE_VERSION,
        supersedes=case.supersedes,
    )
    return await recorder.record(new)
