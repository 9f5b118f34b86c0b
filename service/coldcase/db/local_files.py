"""Files and folders of this machine that other accounts must not meddle with: locks with a deadline, folders
of one's own.
"""

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


def root_folder(path: Path) -> Path:
    """A folder that all may enter and root alone can write to, made if need be; as root only. Raises
    DataDirUnusable if it is not one.
    """
    with suppress(FileExistsError):
        path.mkdir(mode=0o755)
        path.chmod(0o755)
    found = path.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != 0 or found.st_mode & 0o022:
        raise DataDirUnusable(
            f"{path} is not a folder that root alone can write to: remove it, or mend its owner and mode."
        )
    return path


def private_folder(path: Path, uid: int, gid: int) -> None:
    """Makes a folder that only the account `uid` can enter, or makes sure that it is one.

    One that somebody else made, or could enter, or that is a symbolic link, is never joined: raises
    DataDirUnusable.
    """
    with suppress(FileExistsError):
        path.mkdir(mode=0o700)
    try:
        opened = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError as error:
        raise DataDirUnusable(
            f"{path} is not a folder of this account's own ({error.strerror}): remove it."
        ) from error
    try:
        found = os.fstat(opened)
        if found.st_uid not in {uid, os.geteuid()} or stat.S_IMODE(found.st_mode) & 0o077:
            raise DataDirUnusable(f"{path} belongs to somebody else, or others could enter it: remove it.")
        if found.st_uid != uid:
            os.fchown(opened, uid, gid)
    finally:
        os.close(opened)


def open_private(path: Path, flags: int, *, mode: int = 0o600) -> int:
    """The descriptor of a file that others can open no wider than `mode` allows. Raises OSError, also where
    it is a symbolic link.
    """
    opened = os.open(path, flags | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, mode)
    # Those of earlier versions could be opened, and so locked, by everybody.
    if stat.S_IMODE(os.fstat(opened).st_mode) != mode:
        os.fchmod(opened, mode)
    return opened


def write_private(path: Path, text: str, *, mode: int, gid: int) -> None:
    """Writes a file anew that nobody but its owner, and with mode 0640 the group, can read."""
    opened = open_private(path, os.O_WRONLY, mode=mode)
    with open(opened, "w") as file:  # noqa: PTH123 - a descriptor
        file.truncate()
        os.fchown(opened, -1, gid)
        file.write(text)


@contextmanager
def locked(path: Path, *, seconds: float) -> Iterator[None]:
    """Holds an exclusive lock on a file while the block runs. Raises StoreAway, naming file and holder, if it
    is not free in time.
    """
    lock = open_private(path, os.O_RDWR)
    try:
        acquire(lock, fcntl.LOCK_EX, path, seconds=seconds)
        yield
    finally:
        os.close(lock)


def acquire(lock: int, kind: int, path: Path, *, seconds: float) -> None:
    """Locks an open file. Raises StoreAway, naming its path and who holds it, if it is not free in time."""
    until = time.monotonic() + seconds
    while not try_lock(lock, kind):
        if time.monotonic() > until:
            holder = holders(lock)
            raise StoreAway(
                f"{path} has been locked for {seconds:g} s by {holder}: another command hangs, or is "
                "at work for long."
            )
        time.sleep(0.02)


def try_lock(lock: int, kind: int = fcntl.LOCK_EX) -> bool:
    """Whether a lock on this open file could be had at once."""
    try:
        fcntl.flock(lock, kind | fcntl.LOCK_NB)
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
