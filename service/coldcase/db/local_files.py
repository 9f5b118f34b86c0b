"""Files and folders of this machine that other accounts must not meddle with: locks with a deadline, folders of one's own."""

import fcntl
import os
import re
import stat
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from coldcase.errors import DataDirUnusable, StoreAway

RUN = Path("/run/coldcase")
"""Where root keeps what must not stand in a folder that everybody may write to."""


def make_run_folder() -> Path:
    """`RUN`, made if need be; as root only. Raises DataDirUnusable if somebody else could write to it."""
    with suppress(FileExistsError):
        RUN.mkdir(mode=0o755)
        RUN.chmod(0o755)
    found = RUN.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != 0 or found.st_mode & 0o022:
        raise DataDirUnusable(f"{RUN} is not a folder that root alone can write to.")
    return RUN


def open_lock(path: Path) -> int:
    """The descriptor of a lock file that only its owner can open. Raises OSError, also where the path is a symbolic link."""
    opened = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
    # Files of earlier versions could be opened, and so locked, by everybody.
    if stat.S_IMODE(os.fstat(opened).st_mode) != 0o600:
        os.fchmod(opened, 0o600)
    return opened


@contextmanager
def locked(path: Path, *, seconds: float) -> Iterator[None]:
    """Holds an exclusive lock on a file while the block runs. Raises StoreAway, naming file and holder, if it is not free in time."""
    lock = open_lock(path)
    try:
        until = time.monotonic() + seconds
        while not try_lock(lock):
            if time.monotonic() > until:
                holder = holders(lock)
                raise StoreAway(f"{path} has been locked for {seconds:g} s by {holder}: another command hangs, or is at work for long.")
            time.sleep(0.02)
        yield
    finally:
        os.close(lock)


def try_lock(lock: int) -> bool:
    """Whether an exclusive lock on this open file could be had at once."""
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def holders(lock: int) -> str:
    """Who holds a lock on this open file, in words."""
    found = os.fstat(lock)
    device = f"{os.major(found.st_dev):02x}:{os.minor(found.st_dev):02x}:{found.st_ino}"
    try:
        listed = Path("/proc/locks").read_text()
    except OSError:
        listed = ""
    pids = re.findall(rf"^\d+: FLOCK +\S+ +\S+ +(\d+) {re.escape(device)} ", listed, re.MULTILINE)
    return f"process {', '.join(pids)}" if pids else "another process"
