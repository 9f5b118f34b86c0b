"""Parquet answered: rows in, the same rows with their answers out, in their order; by processes of this
machine, or on Ray, which has them on as many machines as it has.
"""

import logging
import os
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import msgspec

from coldcase.clock import now
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.rule_table import RuleTable
from coldcase.importing.answered import answered_columns
from coldcase.importing.answering import KEPT_BYTES
from coldcase.importing.parquet_files import (
    ASKED_COLUMNS,
    ROWS_AT_ONCE,
    ExtraMissing,
    answered_schema,
    asked_lines,
    files_of,
    needed_of,
    posted_lines,
    pyarrow,
)
from coldcase.importing.telling import RefusalRendering
from coldcase.kept_answers import KeptAnswers
from coldcase.processes import collect_rarely, end_with_parent
from coldcase.readings import refrigerants

MOST_OF_A_BLOCK = 20_000
"""Rows that Ray hands on at once."""

AnsweredRows = dict[str, list[Any]]

READ_AND_WRITE = 2
"""Cores that Ray is told of on one machine beside those that answer."""


class PinnedTable(msgspec.Struct, frozen=True):
    """The one rule table that answers all rows: its canonical text and digest."""

    document: bytes
    digest: str

    def compiled(self) -> CompiledTable:
        """Ready for any case."""
        table = msgspec.json.decode(self.document, type=RuleTable)
        compiled = compile_table(table, version=None, digest=self.digest)
        compiled.make_models()
        return compiled


class _Answering:
    """Answers rows in one process."""

    def __init__(self, pinned: PinnedTable, tell: RefusalRendering) -> None:
        collect_rarely()
        refrigerants.library()
        self._compiled = pinned.compiled()
        self._kept = KeptAnswers(KEPT_BYTES)
        self._tell = tell

    def columns(self, lines: list[bytes]) -> AnsweredRows:
        """Lines with their answers."""
        return answered_columns(lines, self._compiled, self._kept, now=now(), tell=self._tell)

    def __call__(self, batch: Any) -> Any:
        """A table of Arrow with its answers, as Ray calls it."""
        found = self.columns(posted_lines(batch.to_pydict()))
        return pyarrow().table(found, schema=answered_schema())


_here: list[_Answering] = []
"""What a process of this machine has once it began."""


def _begin(pinned: PinnedTable, tell: RefusalRendering) -> None:
    end_with_parent()
    _here.append(_Answering(pinned, tell))


def _answer(lines: list[bytes]) -> AnsweredRows:
    [answering] = _here
    return answering.columns(lines)


def _in_processes(
    rows: Iterator[list[bytes]], jobs: int, pinned: PinnedTable, tell: RefusalRendering
) -> Iterator[AnsweredRows]:
    if jobs == 1:
        yield from map(_Answering(pinned, tell).columns, rows)
        return
    waiting: deque[Future[AnsweredRows]] = deque()
    with ProcessPoolExecutor(
        jobs, get_context("spawn"), initializer=_begin, initargs=(pinned, tell)
    ) as processes:
        for lines in rows:
            waiting.append(processes.submit(_answer, lines))
            if len(waiting) > 2 * jobs:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def answer_here(
    source: Path,
    target: Path,
    pinned: PinnedTable,
    *,
    jobs: int,
    tell: RefusalRendering,
    say: Callable[[int], None],
) -> int:
    """Answers the rows of Parquet files into a folder, in constant memory; how many. Raises BadParquet,
    ExtraMissing.
    """  # fmt: skip
    pa, done = pyarrow(), 0
    half = target / "answered.parquet.half"
    with pa.parquet.ParquetWriter(half, answered_schema(), compression="zstd") as writer:
        for columns in _in_processes(asked_lines(source), jobs, pinned, tell):
            writer.write_table(pa.table(columns, schema=answered_schema()))
            done += len(columns["line"])
            say(done)
    half.rename(target / "answered.parquet")
    return done


def answer_on_ray(
    source: Path, target: Path, pinned: PinnedTable, *, jobs: int, tell: RefusalRendering
) -> int:
    """The same on Ray: in the cluster that RAY_ADDRESS names, which sees both folders, or on this machine by
    so many processes.
    """
    try:
        import ray.data  # noqa: PLC0415 - an optional extra, and 80 MB
    except ImportError as missing:
        raise ExtraMissing("Ray is not installed: install `coldcase[ray]`.") from missing
    needed = needed_of(source)
    names = pyarrow().parquet.read_schema(files_of(source)[0]).names
    logging.getLogger("ray").setLevel(logging.WARNING)
    if not ray.is_initialized():
        # Those that answer hold a core each to the end; to read and to write takes others.
        local: dict[str, Any] = {"num_cpus": jobs + READ_AND_WRITE, "include_dashboard": False}
        ray.init(log_to_driver=False, **({} if "RAY_ADDRESS" in os.environ else local))
    context = ray.data.DataContext.get_current()
    context.execution_options.preserve_order = True
    context.enable_progress_bars = False
    asked = [name for name in ASKED_COLUMNS if name in names and (needed != ("line",) or name == "line")]
    rows = ray.data.read_parquet(
        files_of(source), columns=asked, override_num_blocks=_blocks(source, jobs)
    ).map_batches(
        _Answering,
        fn_constructor_args=(pinned, tell),
        batch_size=ROWS_AT_ONCE,
        batch_format="pyarrow",
        compute=ray.data.ActorPoolStrategy(size=jobs),
    )
    rows.write_parquet(str(target), compression="zstd")
    counted: int = ray.data.read_parquet(str(target)).count()
    return counted


def _blocks(source: Path, jobs: int) -> int:
    """In how many parts the rows go round: enough for all that answer, none too large for memory."""
    read = pyarrow().parquet.read_metadata
    rows: int = sum(read(name).num_rows for name in files_of(source))
    return max(1, min(rows // ROWS_AT_ONCE, max(4 * jobs, rows // MOST_OF_A_BLOCK)))
