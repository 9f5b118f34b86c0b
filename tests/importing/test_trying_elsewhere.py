"""A dry run by several processes says what one process says, whatever becomes of them."""

import io
import json
import multiprocessing
import time
from collections.abc import Iterator
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest

from coldcase.cli.bulk_trial import _trying_by
from coldcase.importing.counting import Seen
from coldcase.importing.history import json_lines
from coldcase.importing.trying import Trial, try_lines
from coldcase.importing.trying_elsewhere import TrialPool
from tests.scale.differing import differing


@pytest.fixture
def pool() -> Iterator[TrialPool]:
    with closing(TrialPool(2, partial(_trying_by, None, None, None))) as pool:
        while not pool.is_ready(1_000_000):
            time.sleep(0.1)
        yield pool


def tried(folder: Path, elsewhere: TrialPool | None) -> Trial:
    cases = [json.dumps(case) for case in differing(1500)]
    cases[700] = cases[1200] = '{"unit": {"compressor_type": "scrol"}}'
    cases[1400] = "x" * 70_000
    file = io.BytesIO("\n".join(cases).encode())
    trying = _trying_by(None, None, None)
    with closing(Seen(str(folder))) as seen:
        return try_lines(json_lines(file, seen), trying, elsewhere)


def test_several_processes_say_what_one_says_and_what_dead_ones_had_is_tried_here(
    pool: TrialPool, tmp_path: Path
) -> None:
    here = tried(tmp_path, None)
    assert (here.lines, here.refused) == (1500, 3)
    there = tried(tmp_path, pool)
    # The first lines are read here, for they come before any process.
    there.first_lines = here.first_lines
    assert there == here
    for process in multiprocessing.active_children():
        process.kill()
    there = tried(tmp_path, pool)
    there.first_lines = here.first_lines
    assert there == here


def test_small_files_begin_no_process(tmp_path: Path) -> None:
    with closing(TrialPool(2, partial(_trying_by, None, None, None))) as small:
        tried(tmp_path, small)
        assert small._processes is None
