"""PostgreSQL from a wheel, under a data folder: for a laptop, a demo and tests, on Linux and macOS.

Every process that uses the server of a folder holds a shared lock there; whoever lets go last stops it. The
kernel gives the lock of a killed process back, so nothing is left running for longer than until the next
command on that folder ends.

The server listens on a Unix socket in a folder that only its own account (and root) can enter, and lets in,
without a password, only the account that started it and its own, which it asks the kernel for.
"""

import fcntl
import os
import shutil
import tempfile
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Self
from urllib.parse import quote

import psycopg
import structlog

from coldcase.db.data_folder import (
    cluster,
    exclusively,
    prepare,
    require_own,
    resolved,
    sayable,
    share_folder,
    socket_folder,
    unusable,
)
from coldcase.db.local_files import try_lock
from coldcase.db.server_process import (
    DATABASE,
    OWNER,
    PORT,
    SERVICE,
    SUPERUSER,
    halt,
    is_alive,
    is_running,
    launch,
)
from coldcase.db.server_programs import wheel_programs
from coldcase.errors import ColdcaseError

__all__ = [
    "DATABASE",
    "OWNER",
    "SERVICE",
    "SUPERUSER",
    "Embedded",
    "cluster",
    "halt",
    "is_running",
    "launch",
    "socket_folder",
    "temporary",
    "wheel_programs",
]

_logger = structlog.get_logger()

LOOK_S = 0.5
LONGEST_PAUSE_S = 30.0
"""How often the keeper looks after the server, and how far apart its tries to start it become while they
fail."""


class Embedded:
    """One process's hold on the server of a data folder."""

    def __init__(self, folder: Path, hold: int, settings: Mapping[str, str]) -> None:
        self.folder = folder
        self._hold: int | None = hold
        self._settings = settings

    @classmethod
    def start(cls, data_dir: Path, *, settings: Mapping[str, str] | None = None, new: bool = True) -> Self:
        """Starts the server of this folder, or joins the one that runs there. Makes the folder, roles and an
        empty database if `new`.

        `settings` are PostgreSQL's own, for this run. Raises NoEmbeddedDatabase if the wheel is not
        installed, DataDirUnusable if the folder cannot be used, or holds no server and is not to get a new
        one, StoreAway if the server does not start (with the end of its log).
        """
        folder = resolved(data_dir)
        with sayable(folder):
            if not new and not cluster(folder).is_dir():
                raise unusable(
                    folder, "holds no record yet; `coldcase serve` and `coldcase migrate` make one"
                )
            prepare(folder)
            with exclusively(folder):
                if not is_running(folder):
                    launch(folder, wheel_programs(cluster(folder)), settings or {})
                return cls(folder, share_folder(folder), settings or {})

    @classmethod
    def find(cls, data_dir: Path) -> Self | None:
        """Joins the server that runs in this folder; None if none does. Raises DataDirUnusable if the folder
        is somebody else's.
        """
        folder = resolved(data_dir)
        with sayable(folder):
            if not folder.exists():
                return None
            require_own(folder)
            if not cluster(folder).is_dir():
                return None
            with exclusively(folder):
                return cls(folder, share_folder(folder), {}) if is_running(folder) else None

    @property
    def owner_url(self) -> str:
        """For migrations."""
        return self.url(OWNER)

    @property
    def service_url(self) -> str:
        """For the service; the role exists once the database is migrated."""
        return self.url(SERVICE)

    def url(self, role: str, database: str = DATABASE) -> str:
        """The address of a database of this server, as any of its roles."""
        return f"postgresql+psycopg://{role}@/{database}?host={quote(str(socket_folder(self.folder)))}&port={PORT}"

    @contextmanager
    def kept_running(self) -> Iterator[None]:
        """While the block runs, a server that ended without being asked is started again, as often as need
        be.
        """
        leaving = threading.Event()
        keeper = threading.Thread(
            target=self._keep, args=[leaving], name="keeper of the embedded server", daemon=True
        )
        keeper.start()
        try:
            yield
        finally:
            leaving.set()
            keeper.join()

    def _keep(self, leaving: threading.Event) -> None:
        pause = LOOK_S
        while not leaving.wait(pause):
            if is_alive(self.folder):
                pause = LOOK_S
                continue
            try:
                with exclusively(self.folder):
                    if not is_running(self.folder):
                        _logger.warning("the embedded PostgreSQL has ended; it is started again")
                        launch(self.folder, wheel_programs(cluster(self.folder)), self._settings)
                pause = LOOK_S
            except (ColdcaseError, OSError, psycopg.Error) as error:
                pause = min(2 * pause, LONGEST_PAUSE_S)
                _logger.error("the embedded PostgreSQL could not be started again", error=str(error))  # noqa: TRY400 - it says why itself

    def stop(self) -> None:
        """Lets go of the server, and stops it if nobody else uses it. Twice does no harm."""
        if self._hold is None:
            return
        hold, self._hold = self._hold, None
        try:
            with exclusively(self.folder):
                if try_lock(hold, fcntl.LOCK_EX) and is_running(self.folder):
                    halt(self.folder, wheel_programs(cluster(self.folder)))
        finally:
            os.close(hold)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


@contextmanager
def temporary(**settings: str) -> Iterator[Embedded]:
    """A server in a folder of its own that is gone afterwards."""
    folder = Path(tempfile.mkdtemp(prefix="coldcase-"))
    try:
        with Embedded.start(folder, settings=settings) as server:
            yield server
    finally:
        shutil.rmtree(folder, ignore_errors=True)
