"""Parquet files of lines, and of lines with their answers; pyarrow is an extra, loaded when first used."""

from collections.abc import Iterator, Mapping
from itertools import accumulate
from pathlib import Path
from typing import Any

from coldcase.errors import ColdcaseError
from coldcase.importing.answered import ANSWERED_COLUMNS, AnsweredLine, posted_line
from coldcase.importing.lines import LONGEST_LINE

ROWS_AT_ONCE = 500
ASKED_COLUMNS = ("line", "case", "own_code", "verdict", "occurrence")


class ExtraMissing(ColdcaseError):
    """An optional part is not installed."""

    code = "extra_missing"


class BadParquet(ColdcaseError):
    """The Parquet files are not what is expected."""

    code = "bad_parquet"


def pyarrow() -> Any:
    """The library. Raises ExtraMissing."""
    try:
        import pyarrow as pa  # noqa: PLC0415 - an optional extra, and 60 MB
        import pyarrow.dataset  # noqa: PLC0415
        import pyarrow.parquet  # noqa: PLC0415
    except ImportError as missing:
        raise ExtraMissing("Parquet needs pyarrow: install `coldcase[parquet]`.") from missing
    return pa


def files_of(place: Path) -> list[str]:
    """The Parquet files of a folder, by name, or the one file. Raises BadParquet where there are none."""
    found = sorted(map(str, place.rglob("*.parquet"))) if place.is_dir() else [str(place)]
    if not found or not Path(found[0]).is_file():
        raise BadParquet(f"{place}: there are no Parquet files.")
    return found


def batches(place: Path, wanted: tuple[str, ...], needed: tuple[str, ...]) -> Iterator[Any]:
    """Record batches of those of the wanted columns that are there, in the order of the files. Raises
    BadParquet where one of the needed is not, or something is no Parquet.
    """
    pa = pyarrow()
    for name in files_of(place):
        try:
            with pa.parquet.ParquetFile(name) as file:
                _expect(name, file, needed)
                columns = [column for column in wanted if column in file.schema_arrow.names]
                yield from file.iter_batches(ROWS_AT_ONCE, columns=columns)
        except (pa.ArrowException, OSError) as error:
            raise BadParquet(f"{name}: {error}") from error


def _expect(name: str, file: Any, needed: tuple[str, ...]) -> None:
    for column in needed:
        if column not in file.schema_arrow.names:
            raise BadParquet(f"{name}: there is no column '{column}'.")


def asked_lines(place: Path) -> Iterator[list[bytes]]:
    """The lines of files that are to be answered, some at a time. Raises BadParquet."""
    for batch in batches(place, ASKED_COLUMNS, needed_of(place)):
        yield posted_lines(batch.to_pydict())


def asked_part(name: str, first: int, rows: int) -> Iterator[list[bytes]]:
    """The lines of so many rows of one file, the first of which is number `first` (from 0). Of a row group
    that begins before it the rows up to it are read as well. Raises BadParquet.
    """
    pa, last = pyarrow(), first + rows
    with pa.parquet.ParquetFile(name) as file:
        sizes = [file.metadata.row_group(group).num_rows for group in range(file.num_row_groups)]
        ends = [*accumulate(sizes)]
        groups = [group for group, end in enumerate(ends) if first < end and end - sizes[group] < last]
        place = ends[groups[0]] - sizes[groups[0]] if groups else 0
        columns = [column for column in ASKED_COLUMNS if column in file.schema_arrow.names]
        for batch in file.iter_batches(ROWS_AT_ONCE, row_groups=groups, columns=columns):
            here, upto = max(first - place, 0), min(last - place, batch.num_rows)
            place += batch.num_rows
            if here < upto:
                yield posted_lines(batch.slice(here, upto - here).to_pydict())


def rows_of_files(place: Path) -> dict[str, int]:
    """How many rows each file has, of which all have the column that is needed. Raises BadParquet."""
    pa, counted, needed = pyarrow(), {}, needed_of(place)
    for name in files_of(place):
        try:
            with pa.parquet.ParquetFile(name) as file:
                _expect(name, file, needed)
                counted[name] = file.metadata.num_rows
        except (pa.ArrowException, OSError) as error:
            raise BadParquet(f"{name}: {error}") from error
    return counted


def needed_of(place: Path) -> tuple[str, ...]:
    """The column that holds the lines, or the cases. Raises BadParquet where there is neither."""
    pa, name = pyarrow(), files_of(place)[0]
    try:
        names = pa.parquet.read_schema(name).names
    except (pa.ArrowException, OSError) as error:
        raise BadParquet(f"{name}: {error}") from error
    if "line" in names:
        return ("line",)
    if "case" in names:
        return ("case",)
    raise BadParquet(f"{name}: there is neither a column 'line', as it is posted, nor a column 'case'.")


def posted_lines(columns: Mapping[str, list[Any]]) -> list[bytes]:
    """Lines as they would be posted: of a column of lines, or of cases with what stands beside them."""
    if "line" in columns:
        return [_bytes(line) for line in columns["line"]]
    cases = columns["case"]
    empty: list[Any] = [None] * len(cases)
    beside = zip(*(columns.get(name, empty) for name in ASKED_COLUMNS[2:]), strict=True)
    return [
        posted_line(
            _bytes(case),
            None if own_code is None else str(own_code),
            None if verdict is None else _bytes(verdict),
            None if occurrence is None else int(occurrence),
        )
        for case, (own_code, verdict, occurrence) in zip(cases, beside, strict=True)
    ]


def _bytes(text: Any) -> bytes:
    """A cell of text; empty for none, which is told as no JSON."""
    if text is None:
        return b""
    if isinstance(text, bytes | str):
        return text if isinstance(text, bytes) else text.encode()
    raise BadParquet("Cases, verdicts and lines are columns of JSON text.")


def answered_lines(place: Path) -> Iterator[AnsweredLine]:
    """Rows with their answers, in the order of the files, from 1. Raises BadParquet."""
    number = 0
    wanted = ("line", "answer", "rule_table", "engine")
    for batch in batches(place, wanted, wanted):
        columns = batch.to_pydict()
        for line, answer, table, engine in zip(*(columns[name] for name in wanted), strict=True):
            number += 1
            text = _bytes(line)
            yield AnsweredLine(
                number, text if len(text) <= LONGEST_LINE else None, answer, str(table), str(engine)
            )


def answered_schema() -> Any:
    """The schema of what is written."""
    pa = pyarrow()
    kinds = {bytes: pa.binary(), str: pa.string(), float: pa.float64()}
    return pa.schema([(name, kinds[kind]) for name, kind in ANSWERED_COLUMNS.items()])
