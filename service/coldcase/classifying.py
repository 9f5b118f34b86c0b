"""Use case: why did this compressor fail? Case to answer, and answer to record."""

import asyncio
import hashlib
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial

import msgspec
from uuid_utils import compat

from coldcase.core import ENGINE_VERSION, reporting
from coldcase.core.answer import Answer
from coldcase.core.canonical import canonical, fingerprint
from coldcase.core.case import Job
from coldcase.core.compiled import Book
from coldcase.core.intake import Taken, take
from coldcase.core.json_text import read_json
from coldcase.core.leniency import take_lenient
from coldcase.core.reporting import Question
from coldcase.db.batch import NewDecision
from coldcase.db.clock import nanoseconds
from coldcase.db.recorder import Recorder
from coldcase.db.waiting import Recorded
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
        return Question(taken.case, notes=taken.notes, left_out=taken.left_out)
    found = derive(taken.case, book.table)
    return Question(
        taken.case,
        derived={finding: (outcomes, found.sources[finding]) for finding, outcomes in found.outcomes.items()},
        values=found.values,
        notes=[*taken.notes, *found.notes],
        properties=found.properties,
        left_out=taken.left_out,
    )


REMEMBERED_BYTES = 64 * 1024 * 1024
"""Of answers, by the length of their JSON; in memory they take about as much."""


class Desk:
    """Where cases are answered that arrive one by one.

    Cases that arrive together are weighed together, for much of the work costs the same for one as for thirty. The same
    evidence under the same table has the same answer, whoever sends it: forms ask again with every tick, and the short
    notes of job close repeat; so answers are cached. Those to cases that were read leniently are not: they quote what was
    sent.
    """

    def __init__(self, most_bytes: int = REMEMBERED_BYTES) -> None:
        self.cached_bytes = 0
        self._most_bytes = most_bytes
        self._waiting: list[tuple[Taken, Book, asyncio.Future[Answer]]] = []
        self._cache: dict[bytes, tuple[Answer, int]] = {}

    async def answer(self, taken: Taken, book: Book) -> Answer:
        """The answer to a case, as `explain` gives it."""
        if taken.left_out:
            return await self._ask(taken, book)
        key = _cache_key(taken, book)
        cached = self._cache.get(key)
        if cached is None:
            answer = await self._ask(taken, book)
            self._remember(key, answer)
        else:
            answer = cached[0]
        return msgspec.structs.replace(answer, job_ref=taken.case.job.ref, supersedes=taken.case.supersedes)

    def _remember(self, key: bytes, answer: Answer) -> None:
        if key in self._cache:
            return
        size = len(encode(answer))
        self._cache[key] = answer, size
        self.cached_bytes += size
        while self.cached_bytes > self._most_bytes:
            self.cached_bytes -= self._cache.pop(next(iter(self._cache)))[1]

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


def _cache_key(taken: Taken, book: Book) -> bytes:
    """Of all that an answer may depend on: the whole case but for what never is weighed, so that whatever is added counts."""
    unit = msgspec.structs.replace(taken.case.unit, ref=None)
    weighed = msgspec.structs.replace(taken.case, unit=unit, job=Job(), evidence=[], supersedes=None)
    return hashlib.sha256(encode((book.digest, weighed, taken.notes))).digest()


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
    at = recorder.clock.now()
    id_ = compat.uuid7(nanoseconds=nanoseconds(at))
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
