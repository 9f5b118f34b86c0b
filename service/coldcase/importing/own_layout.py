"""The column layout of our own for CSV: a column is named by the member that it fills.

`job.ref`, `unit.compressor_type`, `observations.copper_plating`, `readings.suction_pressure [psig]`: the
names of the JSON, parted by points, a quantity with its unit in brackets. Several signs of one finding are
parted by `;`, an empty cell is nothing that was looked at. It is read as a crosswalk whose members are these
columns.
"""

import dataclasses
import re
from collections.abc import Callable, Sequence
from typing import Any

from coldcase.core.case_reader import ParsedCase
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.crosswalk_checking import BadCrosswalk, parse_crosswalk
from coldcase.core.crosswalk_reading import RowReader
from coldcase.core.own_words import parse_own_words
from coldcase.errors import BadCase, Flaw
from coldcase.readings.impossible_values import impossible_values

_COLUMN = re.compile(r"([a-z][a-z0-9_]*(?:\.[a-z0-9_]+)*)(?:\s*\[([^\]]+)\])?")
SEPARATOR = ";"
VERDICT = "verdict."


def is_beside(column: str) -> bool:
    """Whether a column stands beside the case: the client's own code, or a member of the verdict."""
    return column == "own_code" or column.startswith(VERDICT)


def layout_parser(
    header: Sequence[str], compiled: CompiledTable, *, lenient: bool = False
) -> Callable[[Any], ParsedCase]:
    """What reads the case of a row under a header. Raises `BadCase` with every column that means nothing."""
    columns = [name for name in header if name and not is_beside(name)]
    try:
        crosswalk = parse_crosswalk(
            {"inbound": {"members": {name: _member(name) for name in columns}}}, compiled
        )
    except BadCrosswalk as error:
        raise BadCase(tuple(_of_column(flaw) for flaw in error.flaws)) from error
    assert crosswalk.inbound is not None  # noqa: S101 - it was given
    reader = RowReader(crosswalk.inbound)

    def parse(row: Any) -> ParsedCase:
        parsed = parse_own_words(row, reader, compiled, impossible_values, crosswalk=("", 0), lenient=lenient)
        # The columns are words of ours: what is kept is the case.
        return dataclasses.replace(parsed, own_words=None)

    return parse


NAMES_NOTHING = (
    "names no member of a case. A column is called by the member that it fills, parts parted by points, a "
    "quantity with its unit in brackets: `job.ref`, `observations.copper_plating`, "
    "`readings.suction_pressure [psig]`."
)


def _of_column(flaw: Flaw) -> Flaw:
    """A flaw of the crosswalk that a header stands for, told of its column."""
    place, _, part = flaw.pointer.removeprefix("/inbound/members/").partition("/")
    column = place.replace("~1", "/").replace("~0", "~")
    detail = flaw.detail
    if part == "to" and not column.startswith("observations."):
        detail = f"'{column[:100]}' {NAMES_NOTHING}"
    elif part == "unit" and "[" not in column:
        detail = (
            f"{detail.removesuffix('.')}: `{column[:100]} [{detail.rpartition(' ')[2].removesuffix('.')}]`."
        )
    meant = flaw.suggestion and flaw.suggestion.removeprefix("/").replace("/", ".")
    return Flaw(f"/{place}", detail, meant)


def _member(column: str) -> dict[str, Any]:
    found = _COLUMN.fullmatch(column.strip())
    if found is None:
        return {"to": f"/{column}"[:200]}
    path, unit = found.groups()
    member: dict[str, Any] = {"to": "/" + path.replace(".", "/")}
    if unit is not None:
        member["unit"] = unit.strip()
    if path.startswith("observations."):
        member["separator"] = SEPARATOR
    return member
