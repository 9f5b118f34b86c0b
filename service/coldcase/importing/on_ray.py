"""Parquet answered on Ray, which has processes on as many machines as it has: the same rows out as by those
of one machine, in the same order.

Imports Ray, an extra of 80 MB: for `coldcase parquet --engine ray` alone. Ray hands out the parts of the
files; each is read, answered and written where it is worked on. To have Ray read and write the rows would be
less to say, and would not keep their order: neither among its tasks of reading nor within what it writes.
"""

import logging
import os
from pathlib import Path
from typing import Any

import ray.data

from coldcase.importing.columnwise import Answering, PinnedTable, write_answered
from coldcase.importing.parquet_files import ROWS_AT_ONCE, asked_part, rows_of_files
from coldcase.importing.telling import RefusalRendering

MOST_OF_A_PART = 20_000
"""Rows of one part, which is a file of what comes out."""

TO_HAND_OUT = 1
"""Cores that Ray is told of on one machine beside those that answer."""


class _AnsweringParts:
    """Answers parts in one process. A part that Ray has done again, because a machine was lost, has the same
    name and the same rows.
    """

    def __init__(self, pinned: PinnedTable, tell: RefusalRendering, target: str) -> None:
        self._answering = Answering(pinned, tell)
        self._target = Path(target)

    def __call__(self, part: dict[str, Any]) -> dict[str, Any]:
        lines = asked_part(part["file"], part["first"], part["rows"])
        path = self._target / f"answered-{part['number']:06}.parquet"
        return {"rows": write_answered(path, map(self._answering.columns, lines))}


def answer_on_ray(
    source: Path, target: Path, pinned: PinnedTable, *, jobs: int, tell: RefusalRendering
) -> int:
    """Answers the rows of Parquet files into a folder; how many. In the cluster that RAY_ADDRESS names, which
    sees both folders, or on this machine by so many processes. Raises BadParquet.
    """
    parts = _parts(source.resolve(), jobs)
    logging.getLogger("ray").setLevel(logging.WARNING)
    if not ray.is_initialized():
        # Those that answer hold a core each to the end.
        local: dict[str, Any] = {"num_cpus": jobs + TO_HAND_OUT, "include_dashboard": False}
        ray.init(log_to_driver=False, **({} if "RAY_ADDRESS" in os.environ else local))
    ray.data.DataContext.get_current().enable_progress_bars = False
    answered = ray.data.from_items(parts, override_num_blocks=len(parts)).map(
        _AnsweringParts,
        fn_constructor_args=(pinned, tell, str(target)),
        compute=ray.data.ActorPoolStrategy(size=jobs),
    )
    return sum(part["rows"] for part in answered.iter_rows())


def _parts(source: Path, jobs: int) -> list[dict[str, Any]]:
    """The parts of the files in their order: enough for all that answer, none longer than a part may be."""
    files = rows_of_files(source)
    most = min(MOST_OF_A_PART, max(ROWS_AT_ONCE, sum(files.values()) // (4 * jobs)))
    cut = [
        {"file": name, "first": first, "rows": min(most, rows - first)}
        for name, rows in files.items()
        for first in range(0, max(rows, 1), most)
    ]
    return [{"number": number, **part} for number, part in enumerate(cut)]
