"""Use case: why did this compressor fail? Case to answer, and answer to record."""

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial

import msgspec
from uuid_utils import compat

from coldcase.core import ENGINE_VERSION, reporting
from coldcase.core.answer import Answer
from coldcase.core.canonical import canonical, fingerprint
from coldcase.core.compiled import Book
from coldcase.core.intake import Taken, take, take_lenient
from coldcase.core.json_text import read_json
from coldcase.core.reporting import Question
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
    return reporting.explain(question(taken, book), book, next_checks=next_checks)


def question(taken: Taken, book: Book) -> Question:
    """A case with what its readings and oil results yield."""
    if not taken.case.metered:
        return Question(taken.case, notes=taken.notes)
    found = derive(taken.case, book.table)
    return Question(
        taken.case,
        derived={finding: (outcomes, found.sources[finding]) for finding, outcomes in found.outcomes.items()},
        values=found.values,
        notes=[*taken.notes, *found.notes],
        properties=found.properties,
    )


MOST_KNOWN = 4096


class Desk:
    """Where cases are answered that arrive one by one.

    Cases that arrive together are weighed together, for much of the work costs the same for one as for thirty. The same
    evidence under the same table has the same answer, whoever sends it: forms ask again with every tick, and the short
    notes of job close repeat; so answers are remembered, by all that they depend on.
    """

    def __init__(self) -> None:
        self._waiting: list[tuple[Taken, Book, asyncio.Future[Answer]]] = []
        self._known: dict[bytes, Answer] = {}

    async def answer(self, taken: Taken, book: Book) -> Answer:
        """The answer to a case, as `explain` gives it."""
        evidence = _evidence(taken, book)
        answer = self._known.get(evidence)
        if answer is None:
            answer = await self._ask(taken, book)
            if len(self._known) >= MOST_KNOWN:
                del self._known[next(iter(self._known))]
            self._known[evidence] = answer
        return msgspec.structs.replace(answer, job_ref=taken.case.job.ref, supersedes=taken.case.supersedes)

    def _ask(self, taken: Taken, book: Book) -> asyncio.Future[Answer]:
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[Answer] = loop.create_future()
        if not self._waiting:
            loop.call_soon(self._weigh)
        self._waiting.append((taken, book, answer))
        return answer

    def _weigh(self) -> None:
        waiting, self._waiting = self._waiting, []
        for book in {id(book): book for _, book, _ in waiting}.values():
            together = [(taken, answer) for taken, of, answer in waiting if of is book]
            try:
                answers = reporting.explain_many([question(taken, book) for taken, _ in together], book)
            except Exception:  # noqa: BLE001 - one case's trouble is not its neighbours': each is asked alone below
                for taken, answer in together:
                    _settle(answer, partial(explain, taken, book))
            else:
                for (_, answer), given in zip(together, answers, strict=True):
                    if not answer.cancelled():
                        answer.set_result(given)


def _evidence(taken: Taken, book: Book) -> bytes:
    """All that an answer depends on, but for whose job it is."""
    case = taken.case
    parts = (book.digest, msgspec.structs.replace(case.unit, ref=None), case.opening, case.observations, taken.notes)
    return encode((*parts, case.readings, case.oil_results) if case.metered else parts)


def _settle(future: "asyncio.Future[Answer]", work: Callable[[], Answer]) -> None:
    if future.cancelled():
        return
    try:
        future.set_result(work())
    except Exception as error:  # noqa: BLE001 - goes to whoever asked
        future.set_exception(error)


async def record(taken: Taken, book: Book, desk: Desk, recorder: Recorder, *, client_id: int, key: str | None) -> Recorded:
    """Answers a case and commits the decision; the bytes in the result are what is to be sent.

    Raises `StoreAway`, `Busy`, `KeyReused`, `KeyInFlight` or `SupersedesUnknown`, and then nothing is recorded;
    `OutcomeUnknown`, and then nobody knows until the same key is sent again.
    """
    version = book.version
    assert version is not None  # noqa: S101 - a service answers by a table on record only
    answer = await desk.answer(taken, book)
    id_, at = compat.uuid7(), now()
    answer = msgspec.structs.replace(answer, id=id_, recorded=True, recorded_at=at)
    case, text = taken.case, canonical(taken.raw)
    new = NewDecision(
        id=id_,
        client_id=client_id,
        recorded_at=at,
        key=key,
        # By what was sent, so that a retry stays the same case whatever the table has come to say of its words.
        fingerprint=fingerprint(taken.sent),
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
