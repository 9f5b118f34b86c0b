"""A case in a client's own words: read by the crosswalk, then as any case, its flaws under the client's
names.
"""

import dataclasses
from typing import Any

from coldcase.core.case_reader import ImpossibilityCheck, OwnWords, ParsedCase, parse_case
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.crosswalk_case import ReadRow
from coldcase.core.crosswalk_reading import RowReader
from coldcase.core.leniency import as_left_out, most_told, parse_case_leniently, told_of
from coldcase.core.unknown_words import escaped
from coldcase.errors import BadCase, Flaw

TOO_LARGE_TO_KEEP = "A whole number of this size cannot be kept exactly; send it as text."
REQUIRED = "This member is required."


def parse_own_words(
    raw: Any,
    reader: RowReader,
    compiled: CompiledTable,
    impossibility_check: ImpossibilityCheck | None = None,
    *,
    crosswalk: tuple[str, int],
    lenient: bool = False,
) -> ParsedCase:
    """The case that a row of a client's own stands for; `crosswalk` is the name and version of what reads it.

    Raises `BadCase` with every flaw; leniently only where no unit can be read, or no case at all.
    """
    if not isinstance(raw, dict):
        raise BadCase((Flaw("", "A case in words of your own is a flat JSON object."),))
    if unkept := [name for name, value in raw.items() if _is_beyond(value)]:
        raise BadCase(tuple(Flaw(f"/{escaped(name)}", TOO_LARGE_TO_KEEP) for name in unkept))
    row = reader.read(raw, compiled)
    words = OwnWords(*crosswalk, raw)
    parse = parse_case_leniently if lenient else parse_case
    try:
        parsed = parse(row.case, compiled, impossibility_check)
    except BadCase as error:
        raise BadCase(_all_flaws(error.flaws, reader, row)) from error
    if row.flaws and not lenient:
        raise BadCase(tuple(row.flaws))
    return dataclasses.replace(_left_out_named(parsed, raw, reader, row), own_words=words)


def _is_beyond(value: Any) -> bool:
    match value:
        case dict():
            return any(map(_is_beyond, value.values()))
        case list():
            return any(map(_is_beyond, value))
        case _:
            return isinstance(value, int) and abs(value) >= 2**53


def _all_flaws(ours: tuple[Flaw, ...], reader: RowReader, row: ReadRow) -> tuple[Flaw, ...]:
    """The flaws of the row and of its case; what is missing because the row's member is flawed is told
    once.
    """
    aims = reader.aims(row.flaws)
    missed = {flaw.pointer for flaw in ours if flaw.detail == REQUIRED}
    missed = {place for place in missed if any(aim == place or aim.startswith(f"{place}/") for aim in aims)}
    read = (reader.named(flaw, row) for flaw in ours if flaw.pointer not in missed)
    return tuple(dict.fromkeys((*row.flaws, *read)))


def _left_out_named(parsed: ParsedCase, raw: dict[str, Any], reader: RowReader, row: ReadRow) -> ParsedCase:
    """With all that was left out under the client's names: of its words, and of what they stand for."""
    if not row.flaws and not parsed.left_out:
        return parsed
    flaws = [
        *row.flaws,
        *(reader.named(Flaw(one.pointer, one.detail, one.suggestion), row) for one in parsed.left_out),
    ]
    told = most_told([as_left_out(raw, flaw) for flaw in flaws])
    notes = (*map(told_of, told), *parsed.notes[len(parsed.left_out) :])
    return dataclasses.replace(parsed, left_out=tuple(told), notes=notes)
