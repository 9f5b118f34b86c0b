"""The data folder of an embedded server: what lies where in it, whose it must be, and who may use it when."""

import fcntl
import hashlib
import os
import stat
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

from coldcase.db.local_files import RUN, acquire, locked, open_private
from coldcase.db.server_programs import first_closed, server_user
from coldcase.errors import DataDirUnusable

LONGEST_LOCK_WAIT_S = 120
"""How long a command waits for another one that starts or stops the server of the same folder."""

LONGEST_SOCKET_FOLDER = 85
"""Bytes: a socket's whole path must fit in about 104, and `.s.PGSQL.5432` is part of it."""

OURS = frozenset(
    {
        "postgres",
        "postgres.new",
        "run",
        "start.lock",
        "use.lock",
        "server.log",
        "hba.conf",
        "ident.conf",
        "lost+found",
    }
)
"""What may lie in a data folder before there is a cluster in it."""


def cluster(folder: Path) -> Path:
    """Where the server keeps its data."""
    return folder / "postgres"


def socket_folder(folder: Path) -> Path:
    """Where its socket is: in the data folder, or where that makes no path for one, in a folder for what
    runs, by the path's hash.
    """
    beside = folder / "run"
    # A comma parts one host from the next.
    if len(os.fsencode(beside)) <= LONGEST_SOCKET_FOLDER and "," not in str(beside):
        return beside
    name = hashlib.sha256(os.fsencode(folder)).hexdigest()[:16]
    # Everybody may write to /tmp and could be there first: `private_folder` sees that, and root, who has a
    # better place, takes that.
    return RUN / name if os.geteuid() == 0 else Path("/tmp") / f"coldcase-{name}"  # noqa: S108


def resolved(data_dir: Path) -> Path:
    """The folder's own path. Raises DataDirUnusable."""
    try:
        return data_dir.expanduser().resolve()
    except (OSError, RuntimeError, ValueError) as error:
        raise unusable(data_dir, f"cannot be found ({error})") from error


def unusable(folder: Path, why: str) -> DataDirUnusable:
    """The error that names the folder, and how it was chosen."""
    return DataDirUnusable(f"The data folder {folder} (--data-dir, COLDCASE_DATA_DIR) {why}.")


@contextmanager
def sayable(folder: Path) -> Iterator[None]:
    """Turns what the file system says into DataDirUnusable."""
    try:
        yield
    except OSError as error:
        named = "" if error.filename in {None, str(folder)} else f"{error.filename}: "
        raise unusable(folder, f"cannot be used ({named}{error.strerror})") from error


def prepare(folder: Path) -> None:
    """Makes the data folder, or makes sure that it is this account's own, closed to others, and one that the
    server can reach.

    Raises DataDirUnusable or OSError. Nothing outside the folder is changed.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    require_own(folder)
    foreign = sorted(path.name for path in folder.iterdir() if path.name not in OURS)
    if foreign and not cluster(folder).exists():
        raise unusable(folder, f"holds other files ('{foreign[0]}'): choose a new or empty one")
    user = server_user()
    if os.geteuid() == 0:
        os.chown(folder, -1, user.pw_gid)
        folder.chmod(0o710)
        if (closed := first_closed(folder)) is not None:
            raise unusable(
                folder,
                f"is out of reach: under root PostgreSQL runs as '{user.pw_name}', which cannot pass "
                f"through {closed} "
                f"(mode {stat.S_IMODE(closed.stat().st_mode):04o}). Choose another folder, such as "
                "/var/lib/coldcase, or open that one",
            )
    else:
        folder.chmod(0o700)
    if cluster(folder).exists() and (owner := cluster(folder).stat().st_uid) != user.pw_uid:
        raise unusable(
            folder,
            f"holds a record of user id {owner}, not of '{user.pw_name}': run the command as the "
            "account that made it",
        )


def require_own(folder: Path) -> None:
    """Raises DataDirUnusable unless this is a folder of the account that runs the command."""
    if not folder.is_dir():
        raise unusable(folder, "is not a folder")
    if (owner := folder.stat().st_uid) != os.geteuid():
        raise unusable(
            folder, f"belongs to user id {owner}: run the command as that account, or choose another folder"
        )


def exclusively(folder: Path) -> AbstractContextManager[None]:
    """One process at a time starts, joins or stops the server of a folder. Raises StoreAway if another takes
    too long.
    """
    return locked(folder / "start.lock", seconds=LONGEST_LOCK_WAIT_S)


def share_folder(folder: Path) -> int:
    """A hold on the server of this folder, for as long as the descriptor is open."""
    path = folder / "use.lock"
    hold = open_private(path, os.O_RDWR)
    try:
        acquire(hold, fcntl.LOCK_SH, path, seconds=LONGEST_LOCK_WAIT_S)
    except BaseException:
        os.close(hold)
        raise
    return hold
