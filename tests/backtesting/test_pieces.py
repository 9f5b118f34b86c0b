"""Processes that count pieces: none is left when the one that began them is gone."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

BEGINS_TWO = """
import os, time
from coldcase.backtesting.pieces import Pool

if __name__ == "__main__":
    pool = Pool("postgresql://nobody@127.0.0.1:1/none", 2)
    both = [pool._processes.submit(time.sleep, 0.5) for _ in range(2)]
    [one.result() for one in both]
    print(*pool._processes._processes, flush=True)
    time.sleep(60)
"""


def is_there(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def test_processes_of_a_pool_end_with_a_parent_that_is_killed(tmp_path):
    program = tmp_path / "begins_two.py"
    program.write_text(BEGINS_TWO)
    with subprocess.Popen([sys.executable, program], stdout=subprocess.PIPE, text=True) as parent:
        children = [int(pid) for pid in parent.stdout.readline().split()]
        assert len(children) == 2
        assert all(is_there(pid) for pid in children)
        os.kill(parent.pid, signal.SIGKILL)
    until = time.monotonic() + 20
    while any(is_there(pid) for pid in children):
        assert time.monotonic() < until, children
        time.sleep(0.05)
