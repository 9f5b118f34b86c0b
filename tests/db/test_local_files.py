"""Locks that only their owner can open, that are waited for in time, and that say who holds them."""

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from coldcase.db.local_files import locked, open_private
from coldcase.errors import StoreAway

HOLD = """
import sys; from pathlib import Path; from coldcase.db.local_files import locked
with locked(Path(sys.argv[1]), seconds=5):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.mark.skipif(not Path("/proc/locks").exists(), reason="only Linux tells who holds a lock")
def test_a_lock_that_another_process_keeps_is_given_up_with_its_name(tmp_path):
    lock = tmp_path / "start.lock"
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, lock], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout.readline() == b"held\n"
        with pytest.raises(StoreAway) as told, locked(lock, seconds=0.2):
            pass
        other.stdin.close()
        assert other.wait(30) == 0
    assert str(lock) in told.value.detail
    assert f"process {other.pid}" in told.value.detail
    with locked(lock, seconds=0):
        pass


def test_nobody_else_can_open_a_lock_file_not_even_one_of_an_earlier_version(tmp_path):
    lock = tmp_path / "start.lock"
    lock.touch()
    lock.chmod(0o644)
    with locked(lock, seconds=0):
        assert stat.S_IMODE(lock.stat().st_mode) == 0o600


def test_a_link_in_place_of_a_lock_file_is_not_followed(tmp_path):
    (tmp_path / "start.lock").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OSError, match=r"start\.lock"):
        open_private(tmp_path / "start.lock", os.O_RDWR)
    assert not (tmp_path / "elsewhere").exists()
