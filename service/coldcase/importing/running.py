"""One import from its file to its last line: cut into chunks, each read, answered and recorded as a whole,
and told of only then.

While a chunk is recorded the next is read and answered, so that the database and this process both work.
"""

import asyncio
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from functools import partial
from typing import Any, BinaryIO
from uuid import UUID

import msgspec
import structlog
from rfc8785 import CanonicalizationError
from uuid_utils import compat

from coldcase import answering, classifying, governing
from coldcase.core.answer import Answer
from coldcase.core.compiled_table import CompiledTable
from coldcase.db import imports, rule_tables
from coldcase.db.bulk_recorder import BulkRecorder, KnownLine, NewLine
from coldcase.db.clock import DatabaseClock
from coldcase.db.decision_batch import checked_row
from coldcase.db.decisions import TEN_THOUSANDTHS
from coldcase.db.engine import READS, make_engine
from coldcase.db.imports import ImportCounts
from coldcase.db.transactions import Transaction, transaction
from coldcase.db.verdicts import NewVerdict
from coldcase.errors import Archived, ColdcaseError, NotRecordable, SupersedesUnknown
from coldcase.feedback.verdicts import GivenVerdict, parse_verdict
from coldcase.importing.answering import NoAnswer, answers
from coldcase.importing.counting import Seen
from coldcase.importing.history import Columns, CsvFile
from coldcase.importing.lines import Line, LineReading, RawLine, Unread, raw_lines, read_line
from coldcase.importing.orders import LINES, ImportOrder, Out, framed
from coldcase.importing.own_layout import layout_parser
from coldcase.importing.telling import LineAnswer, LineRefused, RefusalRendering, Summary, told_line
from coldcase.proof.bulk_lines import line_identity
from coldcase.proof.decision_columns import NewDecision
from coldcase.proof.verdict_prints import verdict_fingerprint

_logger = structlog.get_logger(__name__)

CHUNK_LINES = 500
CHUNK_BYTES = 4 * 1024 * 1024
"""What is read, answered and recorded at once, and so all that a process holds of an import, twice."""

STALE_AFTER = timedelta(seconds=20)
"""The database refuses a record that is a minute off: one that has waited for so long gets its time anew."""


class Stopped(ColdcaseError):
    """The service is stopping, or nobody waits for the answer any more. What was told of is on record; post
    the same again for the rest.
    """

    code = "stopping"


class _Pending:
    """A line on its way: what it says, what it is known by, and in the end what is told of it."""

    __slots__ = ("answer", "earlier", "identity", "line", "made", "outcome")

    def __init__(self, line: Line, identity: UUID, earlier: int | None) -> None:
        self.line = line
        self.identity = identity
        self.earlier = earlier
        self.answer: Answer | None = None
        self.made: dict[UUID, NewDecision] = {}
        """By their ids, the decisions that were sent to be recorded: more than one where that had to be tried
        again with another time."""
        self.outcome: KnownLine | ColdcaseError | None = None


class _Chunk(msgspec.Struct):
    lines: list[_Pending | Unread]
    stamped_at: datetime


async def run_import(
    order: ImportOrder, file: BinaryIO, out: Out, tell: RefusalRendering, stopping: asyncio.Event
) -> None:
    """Answers and records every line of a file, and tells of each through `out`, in frames.

    `tell` renders a refusal. Raises StoreAway where the database is away for too long, Stopped, NotFound for
    a rule table that is gone: what was told until then is on record.
    """
    engine = make_engine(order.database_url, READS, connections=1)
    begin = partial(transaction, engine)
    clock = DatabaseClock()
    looking, recording = (BulkRecorder(order.database_url, clock, order.actor) for _ in range(2))
    seen = Seen(order.spool_folder)
    try:
        await recording.start()
        async with begin() as conn:
            stored = await rule_tables.get_table(conn, order.rule_table)
        compiled = governing.compile_stored(stored)
        work = _Import(
            order, compiled, clock=clock, looking=looking, recording=recording, seen=seen, tell=tell
        )
        await _work_and_note(work, begin, file, out, stopping)
    finally:
        seen.close()
        looking.close()
        recording.close()
        await engine.dispose()


async def _work_and_note(
    work: "_Import", begin: Transaction, file: BinaryIO, out: Out, stopping: asyncio.Event
) -> None:
    finished = False
    try:
        await work.run(file, out, stopping)
        finished = True
    finally:
        told_so_far = msgspec.structs.asdict(work.summary) | {"rule_table": work.order.rule_table}
        counts = ImportCounts(**told_so_far, finished=finished)
        try:
            async with begin() as conn:
                await imports.note_import(
                    conn, import_key=work.order.import_key, counts=counts, actor=work.order.actor
                )
        except ColdcaseError as error:
            _logger.error("an import is told by no event", why=error.detail, **msgspec.structs.asdict(counts))  # noqa: TRY400 - the message says it all
            if finished:
                raise
    out(framed(LINES, told_line({"summary": work.summary})))


class _Import:
    """One import at work; `summary` counts what was told so far."""

    def __init__(
        self,
        order: ImportOrder,
        compiled: CompiledTable,
        *,
        clock: DatabaseClock,
        looking: BulkRecorder,
        recording: BulkRecorder,
        seen: Seen,
        tell: RefusalRendering,
    ) -> None:
        self.order = order
        self.summary = Summary(
            lines=0, recorded=0, replayed=0, refused=0, verdicts=0, rule_table=compiled.name
        )
        self._compiled = compiled
        self._clock = clock
        self._looking = looking
        self._recording = recording
        self._seen = seen
        self._tell = tell
        self._reading = self._read_by(self._parser())

    def _read_by(self, parse: Any) -> LineReading:
        name = None if self.order.crosswalk is None else self.order.crosswalk.name
        return LineReading(parse, self._judge, name, cells=self.order.media == "csv")

    def _lines(self, file: BinaryIO) -> Iterator[RawLine | Unread]:
        """The lines of the file. Raises `BadCase` for a header that cannot be read."""
        if self.order.media != "csv":
            yield from raw_lines(file)
            return
        crosswalk = self.order.crosswalk
        table = CsvFile(file, Columns(None if crosswalk is None else crosswalk.name, self.order.own_code))
        if crosswalk is None:
            lenient = self.order.lenient
            self._reading = self._read_by(layout_parser(table.header, self._compiled, lenient=lenient))
        for line in table.lines(None):
            if line.error is not None:
                yield Unread(line.number, line.error)
            else:
                yield RawLine(line.number, line.sent.rstrip())

    def _parser(self) -> Any:
        crosswalk = self.order.crosswalk
        if crosswalk is None:
            return partial(classifying.case_of, compiled=self._compiled, lenient=self.order.lenient)
        return partial(
            classifying.case_of_row,
            compiled=self._compiled,
            document=crosswalk.document,
            crosswalk=(crosswalk.name, crosswalk.version),
            lenient=self.order.lenient,
        )

    def _judge(self, raw: Any, failed_at: datetime | None) -> GivenVerdict:
        return parse_verdict(raw, (self._compiled,), failed_at=failed_at, now=self._clock.now())

    async def run(self, file: BinaryIO, out: Out, stopping: asyncio.Event) -> None:
        """Works through the file."""
        lines = self._lines(file)
        ready: _Chunk | None = None
        while cut := _cut(lines):
            recorded = asyncio.create_task(self._record(ready))
            try:
                following = await self._prepare(cut)
            finally:
                # What is being recorded comes to its end, whatever becomes of the next.
                await asyncio.wait([recorded])
            await self._say(recorded.result(), out)
            ready = following
            if stopping.is_set():
                raise Stopped
        await self._say(await self._record(ready), out)

    async def _prepare(self, cut: Sequence[RawLine | Unread]) -> _Chunk:
        """A chunk read, compared with what is on record, and answered."""
        lines = await asyncio.to_thread(self._read, cut)
        pending = [line for line in lines if isinstance(line, _Pending)]
        known = await self._looking.known([line.identity for line in pending]) if pending else {}
        for line in pending:
            line.outcome = known.get(line.identity)
        new = [line for line in pending if line.outcome is None]
        chunk = _Chunk(lines, self._clock.now())
        await asyncio.to_thread(self._answer, new, chunk.stamped_at)
        return chunk

    def _read(self, cut: Sequence[RawLine | Unread]) -> list[_Pending | Unread]:
        read = (one if isinstance(one, Unread) else read_line(one, self._reading) for one in cut)
        return [self._pending(line) for line in read]

    def _pending(self, line: Line | Unread) -> _Pending | Unread:
        if isinstance(line, Unread):
            return line
        came = self._seen.count(line.content)
        before = came if line.before is None else line.before
        ref = line.parsed.case.job.ref
        earlier = None if ref is None else self._seen.other_of_job(ref, line.content, line.number)
        identity = line_identity(self.order.client_id, self.order.import_key, line.content, before)
        return _Pending(line, identity, earlier)

    def _answer(self, new: Sequence[_Pending], at: datetime) -> None:
        found = answers(
            [line.line.parsed for line in new], self._compiled, next_checks=self.order.whole_answers
        )
        for line, answer in zip(new, found, strict=True):
            if isinstance(answer, NoAnswer):
                line.outcome = answer
            else:
                line.answer = answer
                self._stamp(line, at)

    def _stamp(self, line: _Pending, at: datetime) -> None:
        """Makes the decision that is to be recorded at a time."""
        assert line.answer is not None  # noqa: S101 - a line without one has its outcome
        try:
            made = answering.row_of(
                line.line.parsed,
                answering.on_record(line.answer, at),
                self.order.rule_table,
                client_id=self.order.client_id,
                key=None,
                origin="bulk",
                own_code=line.line.own_code,
            )
            checked_row(made)
        except (CanonicalizationError, NotRecordable) as error:
            line.outcome = NotRecordable(str(error))
        else:
            line.made[made.id] = made

    async def _record(self, chunk: _Chunk | None) -> _Chunk | None:
        """Records what of a chunk is new; every line has its outcome then."""
        if chunk is None:
            return None
        new = [line for line in chunk.lines if isinstance(line, _Pending) and line.outcome is None]
        if self._clock.now() - chunk.stamped_at > STALE_AFTER:
            for line in new:
                self._stamp(line, self._clock.now())
        sent = {list(line.made)[-1]: line for line in new if line.outcome is None}
        if not sent:
            return chunk
        became = await self._recording.record([self._new_line(id_, line) for id_, line in sent.items()])
        for id_, line in sent.items():
            if id_ in became.recorded:
                line.outcome = _as_known(line.made[id_])
            elif id_ in became.superseding_nothing:
                line.outcome = SupersedesUnknown()
            elif id_ in became.not_recordable:
                line.outcome = NotRecordable()
        await self._look_up([line for line in sent.values() if line.outcome is None])
        return chunk

    async def _look_up(self, elsewhere: Sequence[_Pending]) -> None:
        """Lines that another import, or a transaction whose end was not seen, has recorded meanwhile."""
        known = await self._recording.known([line.identity for line in elsewhere]) if elsewhere else {}
        for line in elsewhere:
            line.outcome = known[line.identity]

    def _new_line(self, id_: UUID, line: _Pending) -> NewLine:
        given, actor = line.line.verdict, self.order.actor
        verdict = None
        if given is not None:
            said = msgspec.structs.asdict(given)
            verdict = NewVerdict(
                id=compat.uuid7(),
                decision_id=id_,
                client_id=self.order.client_id,
                idempotency_key=None,
                fingerprint=verdict_fingerprint(id_, said),
                by_key=self.order.key,
                person=actor.person,
                **said,
            )
        return NewLine(line.identity, id_, checked_row(line.made[id_]), verdict)

    async def _whole(self, chunk: _Chunk) -> dict[UUID, bytes]:
        """The answers of a chunk's lines, where they were asked for."""
        if not self.order.whole_answers:
            return {}
        lines = [line for line in chunk.lines if isinstance(line, _Pending)]
        made = {id_: row.answer_text.encode() for line in lines for id_, row in line.made.items()}
        ids = [line.outcome.id for line in lines if isinstance(line.outcome, KnownLine)]
        earlier = [id_ for id_ in ids if id_ not in made]
        return made | (dict(await self._recording.answers(earlier)) if earlier else {})

    async def _say(self, chunk: _Chunk | None, out: Out) -> None:
        if chunk is None:
            return
        whole = await self._whole(chunk)
        # Blocks where nobody reads, and then nothing else of this import goes on; no transaction is open.
        out(framed(LINES, b"".join([told_line(self._told(line, whole)) for line in chunk.lines])))

    def _told(self, line: _Pending | Unread, whole: dict[UUID, bytes]) -> LineAnswer | LineRefused:
        self.summary.lines += 1
        if isinstance(line, Unread):
            return self._refused(line.number, line.error)
        number, known = line.line.number, line.outcome
        assert known is not None  # noqa: S101 - the chunk was recorded
        if isinstance(known, ColdcaseError):
            return self._refused(number, known)
        if known.cause is None or known.status is None or known.confidence is None:
            gone = f"Decision {known.id}, which this line is, was taken out of the record into an archive."
            return self._refused(number, Archived(gone))
        replayed = known.id not in line.made
        self.summary.replayed += replayed
        self.summary.recorded += not replayed
        self.summary.verdicts += not replayed and line.line.verdict is not None
        return LineAnswer(
            line=number,
            job_ref=known.job_ref,
            id=known.id,
            cause=known.cause,
            status=known.status,
            confidence=known.confidence / TEN_THOUSANDTHS,
            replayed=replayed,
            other_on_line=line.earlier,
            answer=msgspec.Raw(whole[known.id]) if known.id in whole else msgspec.UNSET,
        )

    def _refused(self, number: int, error: ColdcaseError) -> LineRefused:
        self.summary.refused += 1
        return LineRefused(number, self._tell(error))


def _cut(lines: Iterator[RawLine | Unread]) -> list[RawLine | Unread]:
    """The next chunk; empty at the end."""
    cut: list[RawLine | Unread] = []
    size = 0
    for line in lines:
        cut.append(line)
        size += 0 if isinstance(line, Unread) else len(line.text or b"")
        if len(cut) == CHUNK_LINES or size >= CHUNK_BYTES:
            break
    return cut


def _as_known(made: NewDecision) -> KnownLine:
    return KnownLine(made.id, made.job_ref, made.cause, made.status, made.confidence)
