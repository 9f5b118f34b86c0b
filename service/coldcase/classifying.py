"""Use case: why did this compressor fail? Case to answer, pure: no I/O, no clock, nothing recorded."""

from functools import lru_cache
from typing import Any

import msgspec

from coldcase.core import answer_builder
from coldcase.core.answer import Answer, AnswerHead
from coldcase.core.answer_builder import CaseWithReadings
from coldcase.core.case_reader import ParsedCase, parse_case
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.crosswalk import Crosswalk
from coldcase.core.crosswalk_reading import RowReader
from coldcase.core.leniency import parse_case_leniently
from coldcase.core.own_words import parse_own_words
from coldcase.core.strict_json import read_json
from coldcase.readings.findings import derive, derive_outcomes
from coldcase.readings.impossible_values import impossible_values

encode_answer = msgspec.json.Encoder().encode


def rest_of(answer: Answer) -> bytes:
    """The JSON of an answer from where its head ends: what is written once, however often it is given."""
    return encode_answer(answer)[len(_encoded_head(answer)) :]


def with_head(answer: Answer, rest: bytes) -> bytes:
    """The JSON of an answer whose members after the head are those of `rest`."""
    return _encoded_head(answer) + rest


def _encoded_head(answer: Answer) -> bytes:
    head = AnswerHead(
        id=answer.id,
        recorded=answer.recorded,
        recorded_at=answer.recorded_at,
        job_ref=answer.job_ref,
        supersedes=answer.supersedes,
    )
    return encode_answer(head)[:-1]


def read_case(body: bytes, compiled: CompiledTable, *, lenient: bool = False) -> ParsedCase:
    """The case of a JSON text. Raises `Malformed`, or `BadCase` with every flaw; leniently only what no case
    can be made of.
    """
    return case_of(read_json(body), compiled, lenient=lenient)


def case_of(raw: Any, compiled: CompiledTable, *, lenient: bool = False) -> ParsedCase:
    """The case of a JSON value. Raises as `read_case` does."""
    parse = parse_case_leniently if lenient else parse_case
    return parse(raw, compiled, impossible_values)


@lru_cache(128)
def crosswalk_of(document: str) -> Crosswalk:
    """The crosswalk of a text on record."""
    return msgspec.json.decode(document, type=Crosswalk)


@lru_cache(128)
def _row_reader(document: str) -> RowReader:
    inbound = crosswalk_of(document).inbound
    assert inbound is not None  # noqa: S101 - asked for by whoever found the crosswalk
    return RowReader(inbound)


def read_own_words(
    body: bytes, compiled: CompiledTable, *, document: str, crosswalk: tuple[str, int], lenient: bool = False
) -> ParsedCase:
    """The case of a JSON text in a client's own words; `document` is the crosswalk of that name and version.

    Raises as `read_case` does, every flaw under the client's own names.
    """
    return case_of_row(read_json(body), compiled, document=document, crosswalk=crosswalk, lenient=lenient)


def case_of_row(
    row: Any, compiled: CompiledTable, *, document: str, crosswalk: tuple[str, int], lenient: bool = False
) -> ParsedCase:
    """The case of a JSON value in a client's own words. Raises as `read_own_words` does."""
    reader = _row_reader(document)
    return parse_own_words(row, reader, compiled, impossible_values, crosswalk=crosswalk, lenient=lenient)


def answer_case(parsed: ParsedCase, compiled: CompiledTable, *, next_checks: bool = True) -> Answer:
    """The answer to a case under a rule table: pure, without an id, not recorded."""
    return answer_builder.build_answer(add_readings(parsed, compiled), compiled, next_checks=next_checks)


def add_outcomes(parsed: ParsedCase, compiled: CompiledTable) -> CaseWithReadings:
    """A case with the findings that its readings and oil results yield, and nothing of what is shown of
    them.
    """
    if not parsed.case.metered:
        return CaseWithReadings(parsed.case)
    return CaseWithReadings(
        parsed.case, derived=derive_outcomes(parsed.case, compiled.apart, compiled.limits)
    )


def add_readings(parsed: ParsedCase, compiled: CompiledTable) -> CaseWithReadings:
    """A case with what its readings and oil results yield."""
    if not parsed.case.metered:
        return CaseWithReadings(
            parsed.case, notes=parsed.notes, left_out=parsed.left_out, efforts=parsed.efforts
        )
    found = derive(parsed.case, compiled.apart, compiled.limits)
    return CaseWithReadings(
        parsed.case,
        derived={finding: (outcomes, found.sources[finding]) for finding, outcomes in found.outcomes.items()},
        values=found.values,
        notes=[*parsed.notes, *found.notes],
        properties=found.properties,
        left_out=parsed.left_out,
        efforts=parsed.efforts,
    )
