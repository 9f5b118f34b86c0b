"""Use case: answers for a service. Cases are batched and answers cached in the event loop, and each decision
is recorded.
"""

import asyncio
from collections.abc import Callable
from datetime import datetime
from functools import partial
from typing import Literal

import msgspec
from uuid_utils import compat

from coldcase.classifying import add_readings, answer_case, with_head
from coldcase.core import ENGINE_VERSION, answer_builder
from coldcase.core.answer import Answer
from coldcase.core.case_reader import ParsedCase
from coldcase.core.compiled_table import CompiledTable
from coldcase.db.clock import nanoseconds
from coldcase.db.recorder import Recorder
from coldcase.db.waiting import Recorded
from coldcase.kept_answers import KeptAnswers, WrittenAnswer, evidence_key, with_json
from coldcase.proof.canonical import canonical_json, fingerprint, fingerprint_of
from coldcase.proof.decision_columns import NewDecision
from coldcase.proof.own_words import words_fingerprint, words_text

CACHED_BYTES = 64 * 1024 * 1024
"""Of answers, by the length of their JSON twice: once as it is, once as the values that it was written of."""


class AnswerBatcher:
    """Where cases are answered that arrive one by one: micro-batching, with a cache of answers.

    Cases that arrive together are weighed together, for much of the work costs the same for one as for
    thirty. Answers are cached: forms ask again with every tick, and the short notes of job close repeat.
    """

    def __init__(self, most_bytes: int = CACHED_BYTES) -> None:
        self._waiting: list[tuple[ParsedCase, CompiledTable, asyncio.Future[Answer]]] = []
        self._kept = KeptAnswers(most_bytes)

    @property
    def cached_bytes(self) -> int:
        """What the cached answers take in memory, about."""
        return self._kept.bytes

    async def answer(self, parsed: ParsedCase, compiled: CompiledTable) -> Answer:
        """The answer to a case, as `answer_case` gives it."""
        return (await self.written(parsed, compiled)).answer

    async def written(self, parsed: ParsedCase, compiled: CompiledTable) -> WrittenAnswer:
        """The same with its JSON."""
        key = evidence_key(parsed, compiled)
        if key is None:
            return with_json(await self._ask(parsed, compiled))
        kept = self._kept.get(key)
        if kept is None:
            kept = self._kept.keep(key, await self._ask(parsed, compiled))
        return kept.to(parsed)

    def _ask(self, parsed: ParsedCase, compiled: CompiledTable) -> asyncio.Future[Answer]:
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[Answer] = loop.create_future()
        if not self._waiting:
            loop.call_soon(self._weigh)
        self._waiting.append((parsed, compiled, answer))
        return answer

    def _weigh(self) -> None:
        waiting, self._waiting = self._waiting, []
        for compiled in {id(compiled): compiled for _, compiled, _ in waiting}.values():
            together = [(parsed, answer) for parsed, of, answer in waiting if of is compiled]
            try:
                answers = answer_builder.build_answers(
                    [add_readings(parsed, compiled) for parsed, _ in together], compiled
                )
            except Exception:  # noqa: BLE001 - one case's trouble is not its neighbours': each is asked alone below
                for parsed, answer in together:
                    _settle(answer, partial(answer_case, parsed, compiled))
            else:
                for (_, answer), given in zip(together, answers, strict=True):
                    if not answer.cancelled():
                        answer.set_result(given)


def _settle(future: "asyncio.Future[Answer]", work: Callable[[], Answer]) -> None:
    if future.cancelled():
        return
    try:
        future.set_result(work())
    except Exception as error:  # noqa: BLE001 - goes to whoever asked
        future.set_exception(error)


async def record_answer(
    parsed: ParsedCase,
    compiled: CompiledTable,
    batcher: AnswerBatcher,
    recorder: Recorder,
    *,
    client_id: int,
    key: str | None,
) -> Recorded:
    """Answers a case and commits the decision; the bytes in the result are what is to be sent.

    Raises `StoreAway`, `Busy`, `KeyReused`, `KeyInFlight` or `SupersedesUnknown`, and then nothing is
    recorded; `OutcomeUnknown`, and then nobody knows until the same key is sent again.
    """
    version = compiled.version
    assert version is not None  # noqa: S101 - a service answers by a table on record only
    answer, rest = await batcher.written(parsed, compiled)
    named = on_record(answer, recorder.clock.now())
    text = with_head(named, rest)
    return await recorder.record(
        row_of(parsed, named, version, client_id=client_id, key=key, origin="live", own_code=None, text=text)
    )


def on_record(answer: Answer, at: datetime) -> Answer:
    """The answer as it is recorded at a time, which its id begins with."""
    id_ = compat.uuid7(nanoseconds=nanoseconds(at))
    return msgspec.structs.replace(answer, id=id_, recorded=True, recorded_at=at)


def row_of(
    parsed: ParsedCase,
    answer: Answer,
    version: int,
    *,
    client_id: int,
    key: str | None,
    origin: Literal["live", "bulk"],
    own_code: str | None,
    text: bytes,
) -> NewDecision:
    """The row of a decision whose answer has its id and time; `version` is the rule table that answered,
    `text` the answer's JSON.

    Raises `rfc8785.CanonicalizationError` where the client's own words have no canonical text.
    """
    assert answer.id is not None  # noqa: S101 - `on_record` gave both
    assert answer.recorded_at is not None  # noqa: S101 - as before
    case = parsed.case
    own_words = None if parsed.own_words is None else words_text(*parsed.own_words)
    case_text = canonical_json(parsed.raw)
    # By what was sent, so that a retry stays the same case whatever the table has come to say of its words,
    # or the crosswalk of its client.
    if own_words is not None:
        known_by = words_fingerprint(own_words)
    else:
        known_by = fingerprint_of(case_text) if parsed.sent is parsed.raw else fingerprint(parsed.sent)
    return NewDecision(
        id=answer.id,
        client_id=client_id,
        recorded_at=answer.recorded_at,
        idempotency_key=key,
        fingerprint=known_by,
        case_text=case_text.decode(),
        answer_text=text.decode(),
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
        own_words=own_words,
        origin=origin,
        own_code=own_code,
    )
