"""Parquet answered: rows in, the same rows with their answers out, in their order, by processes of this
machine.
"""

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
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
    answered_schema,
    asked_lines,
    pyarrow,
)
from coldcase.importing.telling import RefusalRendering
from coldcase.kept_answers import KeptAnswers
from coldcase.processes import collect_rarely, end_with_parent
from coldcase.readings import refrigerants

AnsweredRows = dict[str, list[Any]]


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


class Answering:
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


_here: list[Answering] = []
"""What a process of this machine has once it began."""


def _begin(pinned: PinnedTable, tell: RefusalRendering) -> None:
    end_with_parent()
    _here.append(Answering(pinned, tell))


def _answer(lines: list[bytes]) -> AnsweredRows:
    [answering] = _here
    return answering.columns(lines)


def _in_processes(
    rows: Iterator[list[bytes]], jobs: int, pinned: PinnedTable, tell: RefusalRendering
) -> Iterator[AnsweredRows]:
    if jobs == 1:
        yield from map(Answering(pinned, tell).columns, rows)
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
    found = _in_processes(asked_lines(source), jobs, pinned, tell)
    return write_answered(target / "answered.parquet", found, say)


def write_answered(
    path: Path, answered: Iterable[AnsweredRows], say: Callable[[int], None] = lambda _: None
) -> int:
    """Writes a file of answers, which bears its name once it is whole; how many rows it has."""
    pa, done = pyarrow(), 0
    half = path.with_name(f"{path.name}.{os.getpid()}.half")
    with pa.parquet.ParquetWriter(half, answered_schema(), compression="zstd") as writer:
        for columns in answered:
            writer.write_table(pa.table(columns, schema=answered_schema()))
            done += len(columns["line"])
            say(done)
    half.rename(path)
    return done
