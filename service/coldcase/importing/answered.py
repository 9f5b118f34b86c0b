"""Lines answered as columns, without a service or a record; and taken up again with their answers. Pure."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from functools import partial
from typing import Any, NamedTuple

import msgspec

from coldcase.classifying import case_of, with_head
from coldcase.core import ENGINE_VERSION
from coldcase.core.answer import Answer
from coldcase.core.compiled_table import CompiledTable
from coldcase.errors import ColdcaseError
from coldcase.feedback.verdicts import parse_verdict
from coldcase.importing.answering import answers, written_answers
from coldcase.importing.lines import LONGEST_LINE, Line, LineReading, RawLine, read_line
from coldcase.importing.telling import RefusalRendering
from coldcase.kept_answers import KeptAnswers, WrittenAnswer

ANSWERED_COLUMNS = {
    "line": bytes,
    "job_ref": str,
    "cause": str,
    "status": str,
    "confidence": float,
    "answer": bytes,
    "problem": str,
    "rule_table": str,
    "engine": str,
}
"""What is written of each row. `line` is as it would be posted, `answer` is the answer's JSON without id and
time, `problem` why there is none; `rule_table` is the digest of the one that answered.
"""

CHECKED_EVERY = 100
"""Of lines that come with their answers so many are answered again, one each."""


class OtherAnswer(ColdcaseError):
    """The answer of a row is not the one that the rule table on record gives: answer the rows again."""

    code = "other_answer"


class AnsweredLine(NamedTuple):
    """A line by its number, with its answer (None where it got none), and what answered: the digest of a rule
    table, and an engine.
    """

    number: int
    text: bytes | None
    answer: bytes | None
    rule_table: str
    engine: str


def posted_line(case: bytes, own_code: str | None, verdict: bytes | None, occurrence: int | None) -> bytes:
    """The line of a case and what stands beside it, each but the code as JSON."""
    beside = b"" if own_code is None else b',"own_code":' + msgspec.json.encode(own_code)
    if verdict is not None:
        beside += b',"verdict":' + verdict
    if occurrence is not None:
        beside += b',"occurrence":%d' % occurrence
    # Between the parts of a JSON text a line feed is a blank, and within them it cannot be.
    return (b'{"case":' + case + beside + b"}").replace(b"\n", b" ").replace(b"\r", b" ")


def answered_columns(
    lines: Sequence[bytes],
    compiled: CompiledTable,
    kept: KeptAnswers,
    *,
    now: datetime,
    tell: RefusalRendering,
) -> dict[str, list[Any]]:
    """Lines answered together, by the names of ANSWERED_COLUMNS. `kept` are answers given before, `now`
    judges verdicts, `tell` renders a refusal.
    """

    def judge(raw: Any, failed_at: datetime | None) -> Any:
        return parse_verdict(raw, (compiled,), failed_at=failed_at, now=now)

    reading = LineReading(partial(case_of, compiled=compiled), judge)
    read = [read_line(one, reading) for one in as_raw_lines(lines)]
    good = [line for line in read if isinstance(line, Line)]
    given = written_answers([line.parsed for line in good], compiled, kept, next_checks=False)
    found = dict(zip(map(id, good), given, strict=True))
    rows = [_row(found[id(line)] if isinstance(line, Line) else line.error, tell) for line in read]
    made = {name: [row.get(name) for row in rows] for name in ANSWERED_COLUMNS}
    return made | {
        "line": list(lines),
        "rule_table": [compiled.digest] * len(lines),
        "engine": [ENGINE_VERSION] * len(lines),
    }


def as_raw_lines(lines: Iterable[bytes]) -> Iterable[RawLine]:
    """Lines as they are read, from 1."""
    for number, text in enumerate(lines, start=1):
        yield RawLine(number, text if len(text) <= LONGEST_LINE else None)


def _row(became: WrittenAnswer | ColdcaseError, tell: RefusalRendering) -> dict[str, Any]:
    if isinstance(became, ColdcaseError):
        return {"problem": msgspec.json.encode(tell(became)).decode()}
    answer, rest = became
    return {
        "job_ref": answer.job_ref,
        "cause": answer.cause,
        "status": answer.status,
        "confidence": answer.confidence,
        "answer": with_head(answer, rest),
    }


def taken_answers(lines: Sequence[tuple[Line, AnsweredLine]], compiled: CompiledTable) -> list[Answer]:
    """The answers that came with lines, as the rule table on record gives them. Raises OtherAnswer for what
    cannot be that: another table or engine, and of the lines that are answered again any difference.
    """
    taken = [_taken(came, compiled) for _, came in lines]
    checked = [place for place, (line, _) in enumerate(lines) if line.number % CHECKED_EVERY == 1]
    again = answers([lines[place][0].parsed for place in checked], compiled, next_checks=False)
    for place, answer in zip(checked, again, strict=True):
        if answer != taken[place]:
            raise OtherAnswer(f"Row {lines[place][0].number}: {OtherAnswer().detail}")
    return taken


def _taken(came: AnsweredLine, compiled: CompiledTable) -> Answer:
    said = (came.rule_table, came.engine)
    if said != (compiled.digest, ENGINE_VERSION):
        raise OtherAnswer(
            f"Row {came.number} was answered by {said[0]} and engine {said[1]}, on record answers "
            f"{compiled.digest} and {ENGINE_VERSION}. Answer the rows again by the rule table on record."
        )
    try:
        answer = msgspec.json.decode(came.answer or b"", type=Answer)
    except msgspec.DecodeError as error:
        raise OtherAnswer(f"Row {came.number} holds no answer: {error}.") from error
    # Elsewhere the table has no number.
    return msgspec.structs.replace(answer, rule_table=compiled.name)
