"""Lines of a file tried by several processes, which end with the one that began them."""

import multiprocessing
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool

from coldcase.importing.hands import WORTH_IT_AFTER
from coldcase.importing.history import HistoryLine
from coldcase.importing.trying import PartTried, Trying
from coldcase.processes import collect_rarely, end_with_parent
from coldcase.readings import refrigerants


class TrialPool:
    """So many processes, begun when it is worth it; in each `readied` says by what lines are tried."""

    def __init__(self, jobs: int, readied: Callable[[], Trying]) -> None:
        self.at_once = jobs
        self._readied = readied
        self._processes: ProcessPoolExecutor | None = None
        self._began: list[Future[None]] = []

    def is_ready(self, lines: int) -> bool:
        """Whether they have begun, all but perhaps some; `lines` are those that came so far."""
        if self._processes is None and self.at_once > 1 and lines >= WORTH_IT_AFTER:
            self._processes = ProcessPoolExecutor(
                self.at_once,
                multiprocessing.get_context("spawn"),
                initializer=_begin,
                initargs=(self._readied,),
            )
            self._began = [self._processes.submit(_nothing) for _ in range(self.at_once)]
        return bool(self._began) and all(one.done() and one.exception() is None for one in self._began)

    def part(self, lines: Sequence[HistoryLine]) -> Callable[[], PartTried | None]:
        """Begins a part; what it yields waits for what came of it."""
        assert self._processes is not None  # noqa: S101 - they are ready
        try:
            trying = self._processes.submit(_try, lines)
        except BrokenProcessPool:
            return _nothing
        return lambda: _came_of(trying)

    def close(self) -> None:
        """Ends the processes."""
        if self._processes is not None:
            self._processes.shutdown(cancel_futures=True)


def _came_of(trying: Future[PartTried]) -> PartTried | None:
    try:
        return trying.result()
    except BrokenProcessPool:
        return None


_kept: list[Trying] = []
"""What a process has once it began."""


def _begin(readied: Callable[[], Trying]) -> None:
    end_with_parent()
    collect_rarely()
    refrigerants.library()
    _kept.append(readied())


def _nothing() -> None:
    """Done by a process that has begun, or in place of one that died."""


def _try(lines: Sequence[HistoryLine]) -> PartTried:
    [trying] = _kept
    return trying.part(lines)
