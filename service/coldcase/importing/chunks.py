"""One chunk of an import after another, in one process: read, then answered, recorded and told as a whole."""

import asyncio
from collections.abc import Sequence
from datetime import datetime
from functools import partial
from typing import Any
from uuid import UUID

import msgspec
from rfc8785 import CanonicalizationError
from uuid_utils import compat

from coldcase import answering, classifying
from coldcase.core.compiled_table import CompiledTable
from coldcase.db.bulk_recorder import BulkRecorder, KnownLine, NewLine
from coldcase.db.decision_batch import BatchRow, checked_row
from coldcase.db.decisions import TEN_THOUSANDTHS
from coldcase.db.verdicts import NewVerdict
from coldcase.errors import Archived, ColdcaseError, NotRecordable, SupersedesUnknown
from coldcase.feedback.verdicts import GivenVerdict, parse_verdict
from coldcase.importing.answered import AnsweredLine, taken_answers
from coldcase.importing.answering import NoAnswer, written_answers
from coldcase.importing.counting import LineSeen, Place, seen_line
from coldcase.importing.lines import (
    Line,
    LineReading,
    RawLine,
    SentLine,
    Unread,
    sent_line,
    understood_line,
)
from coldcase.importing.orders import ImportOrder
from coldcase.importing.own_layout import layout_parser
from coldcase.importing.telling import Counts, LineAnswer, LineRefused, RefusalRendering, told_line
from coldcase.kept_answers import KeptAnswers, WrittenAnswer, with_json
from coldcase.proof.bulk_lines import line_identity
from coldcase.proof.decision_columns import NewDecision
from coldcase.proof.verdict_prints import verdict_fingerprint

CutLine = RawLine | AnsweredLine | Unread


class ToldChunk(msgspec.Struct, frozen=True):
    """What is told of a chunk: the lines of the answer, and what they count."""

    text: bytes
    counts: Counts


class _Pending:
    """A line on its way: what was sent, what it is known by, and in the end what is told of it."""

    __slots__ = ("identity", "made", "other_on_line", "outcome", "sent", "understood")

    def __init__(self, sent: SentLine, identity: UUID) -> None:
        self.sent = sent
        self.identity = identity
        """As if it were the first of its content, or the one that it says; until it has its place."""
        self.other_on_line: int | None = None
        self.understood: Line | None = None
        """What it says; None for one that is on record."""
        self.made: NewDecision | None = None
        """The decision that was sent to be recorded."""
        self.outcome: KnownLine | ColdcaseError | None = None

    @property
    def line(self) -> Line:
        """What it says, of one that is new."""
        assert self.understood is not None  # noqa: S101 - as above
        return self.understood

    @property
    def told_by_record(self) -> bool:
        """Whether its decision is there, and not in an archive."""
        return isinstance(self.outcome, KnownLine) and self.outcome.cause is not None

    @property
    def ref(self) -> str | None:
        """The reference of its job."""
        if self.understood is not None:
            return self.understood.parsed.case.job.ref
        return self.outcome.job_ref if isinstance(self.outcome, KnownLine) else None


class ChunkWork:
    """Works on chunks of one import, one at a time: `read`, then `finish`, between which the import says
    where each line stands among all.

    `header` is the one of a CSV file in our own layout, `kept` are answers given before. Raises BadCase for a
    header that means nothing.
    """

    def __init__(
        self,
        order: ImportOrder,
        compiled: CompiledTable,
        *,
        header: Sequence[str] | None,
        kept: KeptAnswers,
        recorder: BulkRecorder,
        tell: RefusalRendering,
    ) -> None:
        self._order = order
        self._compiled = compiled
        self._kept = kept
        self._recorder = recorder
        self._tell = tell
        crosswalk = order.crosswalk
        name = None if crosswalk is None else crosswalk.name
        self._reading = LineReading(self._parser(header), self._judge, name, cells=order.media == "csv")
        self._lines: list[_Pending | Unread] = []
        self._came: dict[int, AnsweredLine] = {}

    def _parser(self, header: Sequence[str] | None) -> Any:
        lenient, crosswalk = self._order.lenient, self._order.crosswalk
        if header is not None:
            return layout_parser(header, self._compiled, lenient=lenient)
        if crosswalk is None:
            return partial(classifying.case_of, compiled=self._compiled, lenient=lenient)
        return partial(
            classifying.case_of_row,
            compiled=self._compiled,
            document=crosswalk.document,
            crosswalk=(crosswalk.name, crosswalk.version),
            lenient=lenient,
        )

    def _judge(self, raw: Any, failed_at: datetime | None) -> GivenVerdict:
        now = self._recorder.clock.now()
        return parse_verdict(raw, (self._compiled,), failed_at=failed_at, now=now)

    async def read(self, cut: Sequence[CutLine]) -> list[LineSeen | None]:
        """Reads a chunk; by what each line is known among the others, None where it cannot be taken.

        Of a line on record it is not asked again what it says. Raises StoreAway.
        """
        self._came = {one.number: one for one in cut if isinstance(one, AnsweredLine)}
        await asyncio.to_thread(self._take, cut)
        await self._look_up([line for line in self._lines if isinstance(line, _Pending)])
        await asyncio.to_thread(self._understand)
        return [None if isinstance(line, Unread) else seen_line(line.sent, line.ref) for line in self._lines]

    async def finish(self, places: Sequence[Place | None]) -> ToldChunk:
        """Answers and records of the chunk what is new, and tells of all of it. Raises StoreAway."""
        await self._look_up(self._placed(self._lines, places))
        await asyncio.to_thread(self._understand)
        lines, self._lines = self._lines, []
        pending = [line for line in lines if isinstance(line, _Pending)]
        # A line that says what one before it in this chunk says, and which time it is, is that one.
        first = {line.identity: line for line in reversed(pending) if line.outcome is None}
        new = sorted(first.values(), key=lambda line: line.sent.number)
        await asyncio.to_thread(self._answer, new, self._recorder.clock.now())
        await self._record([line for line in new if line.outcome is None])
        await self._look_up([line for line in pending if line.outcome is None])
        for line in pending:
            # Or what became of the line that it is.
            line.outcome = line.outcome or first[line.identity].outcome
        counts = Counts()
        whole = await self._whole(pending)
        return ToldChunk(b"".join([told_line(self._told(line, whole, counts)) for line in lines]), counts)

    # Why a line is refused keeps the frames that it was raised in until garbage is looked for, which is rare
    # in these processes: so none of them has the chunk for a variable of its own.
    def _take(self, cut: Sequence[CutLine]) -> None:
        self._lines = [self._sent(one) for one in cut]

    def _understand(self) -> None:
        self._lines = [self._understood(line) for line in self._lines]

    def _sent(self, one: CutLine) -> _Pending | Unread:
        sent = one if isinstance(one, Unread) else sent_line(one, self._reading)
        return sent if isinstance(sent, Unread) else _Pending(sent, self._identity(sent, sent.before or 0))

    def _identity(self, sent: SentLine, before: int) -> UUID:
        return line_identity(self._order.client_id, self._order.import_key, sent.content, before)

    def _understood(self, line: _Pending | Unread) -> _Pending | Unread:
        """A line with what it says, where the record does not tell enough; or why it cannot be taken."""
        if isinstance(line, Unread) or line.understood is not None or line.told_by_record:
            return line
        said = understood_line(line.sent, self._reading)
        if isinstance(said, Unread):
            return said
        line.understood = said
        return line

    def _placed(self, lines: Sequence[_Pending | Unread], places: Sequence[Place | None]) -> list[_Pending]:
        """Gives each line its place; those of which it has to be asked anew whether they are on record."""
        moved = []
        for line, place in zip(lines, places, strict=True):
            if isinstance(line, Unread) or place is None:
                continue
            line.other_on_line = place.other_on_line
            identity = self._identity(line.sent, place.before)
            if identity != line.identity or place.again:
                line.identity, line.outcome = identity, None
                moved.append(line)
        return moved

    async def _look_up(self, lines: Sequence[_Pending]) -> None:
        """Those that are on record: as ever, or since another import, or a transaction whose end was not
        seen, has recorded them.
        """
        known = await self._recorder.known([line.identity for line in lines]) if lines else {}
        for line in lines:
            line.outcome = known.get(line.identity)

    def _answer(self, new: Sequence[_Pending], at: datetime) -> None:
        for line, answer in zip(new, self._answers([line.line for line in new]), strict=True):
            if isinstance(answer, NoAnswer):
                line.outcome = answer
            else:
                self._make(line, answer, at)

    def _answers(self, lines: Sequence[Line]) -> Sequence[WrittenAnswer | NoAnswer]:
        if self._order.media == "answered":
            came = [(line, self._came[line.number]) for line in lines]
            return [with_json(answer) for answer in taken_answers(came, self._compiled)]
        parsed = [line.parsed for line in lines]
        return written_answers(parsed, self._compiled, self._kept, next_checks=self._order.whole_answers)

    def _make(self, line: _Pending, given: WrittenAnswer, at: datetime) -> None:
        """Makes the decision that is to be recorded at a time."""
        named = answering.on_record(given.answer, at)
        try:
            line.made = answering.row_of(
                line.line.parsed,
                named,
                self._order.rule_table,
                client_id=self._order.client_id,
                key=None,
                origin="bulk",
                own_code=line.line.own_code,
                text=classifying.with_head(named, given.rest),
            )
        except CanonicalizationError as error:
            line.outcome = NotRecordable(str(error))

    async def _record(self, new: Sequence[_Pending]) -> None:
        """Records lines; those without an outcome then were recorded by somebody else meanwhile."""
        sent: dict[UUID, tuple[_Pending, BatchRow]] = {}
        for line in new:
            assert line.made is not None  # noqa: S101 - a line without it has its outcome
            try:
                sent[line.made.id] = line, checked_row(line.made)
            except NotRecordable as error:
                line.outcome = error
        if not sent:
            return
        became = await self._recorder.record([self._new_line(line, row) for line, row in sent.values()])
        for id_, (line, _) in sent.items():
            if id_ in became.recorded and line.made is not None:
                line.outcome = _as_known(line.made)
            elif id_ in became.superseding_nothing:
                line.outcome = SupersedesUnknown()
            elif id_ in became.not_recordable:
                line.outcome = NotRecordable()

    def _new_line(self, line: _Pending, row: BatchRow) -> NewLine:
        assert line.made is not None  # noqa: S101 - its row was made of it
        given, actor, id_ = line.line.verdict, self._order.actor, line.made.id
        verdict = None
        if given is not None:
            said = msgspec.structs.asdict(given)
            verdict = NewVerdict(
                id=compat.uuid7(),
                decision_id=id_,
                client_id=self._order.client_id,
                idempotency_key=None,
                fingerprint=verdict_fingerprint(id_, said),
                by_key=self._order.key,
                person=actor.person,
                **said,
            )
        return NewLine(line.identity, id_, row, verdict)

    async def _whole(self, lines: Sequence[_Pending]) -> dict[UUID, bytes]:
        """The answers of a chunk's lines, where they were asked for."""
        if not self._order.whole_answers:
            return {}
        made = {line.made.id: line.made.answer_text.encode() for line in lines if line.made is not None}
        ids = {line.outcome.id for line in lines if isinstance(line.outcome, KnownLine)}
        earlier = sorted(ids - made.keys())
        return made | (dict(await self._recorder.answers(earlier)) if earlier else {})

    def _told(
        self, line: _Pending | Unread, whole: dict[UUID, bytes], counts: Counts
    ) -> LineAnswer | LineRefused:
        counts.lines += 1
        if isinstance(line, Unread):
            return self._refused(line.number, line.error, counts)
        number, known = line.sent.number, line.outcome
        assert known is not None  # noqa: S101 - the chunk was recorded
        if isinstance(known, ColdcaseError):
            return self._refused(number, known, counts)
        if known.cause is None or known.status is None or known.confidence is None:
            gone = f"Decision {known.id}, which this line is, was taken out of the record into an archive."
            return self._refused(number, Archived(gone), counts)
        replayed = line.made is None or known.id != line.made.id
        counts.replayed += replayed
        counts.recorded += not replayed
        counts.verdicts += not replayed and line.line.verdict is not None
        return LineAnswer(
            line=number,
            job_ref=known.job_ref,
            id=known.id,
            cause=known.cause,
            status=known.status,
            confidence=known.confidence / TEN_THOUSANDTHS,
            replayed=replayed,
            other_on_line=line.other_on_line,
            answer=msgspec.Raw(whole[known.id]) if known.id in whole else msgspec.UNSET,
        )

    def _refused(self, number: int, error: ColdcaseError, counts: Counts) -> LineRefused:
        counts.refused += 1
        return LineRefused(number, self._tell(error))


def _as_known(made: NewDecision) -> KnownLine:
    return KnownLine(made.id, made.job_ref, made.cause, made.status, made.confidence)
