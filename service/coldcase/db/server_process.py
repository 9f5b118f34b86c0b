"""The embedded server's process: started, looked after, stopped. Its caller holds the lock of the data
folder.
"""

import os
import pwd
import shutil
import signal
import subprocess
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

import psycopg
from psycopg.conninfo import make_conninfo
from psycopg.pq import PGconn, Ping

from coldcase.db.data_folder import cluster, socket_folder
from coldcase.db.local_files import RUN, open_private, private_folder, root_folder, write_private
from coldcase.db.server_programs import as_server_user, environment, run_program, server_user
from coldcase.errors import StoreAway

SUPERUSER = "postgres"
OWNER = "coldcase_owner"
SERVICE = "coldcase_service"
DATABASE = "coldcase"
PORT = 5432
"""Only a part of the socket's name; said everywhere, so that a PGPORT of the operator's is not taken for
it."""

LONGEST_CHANGE_S = 60
LONGEST_BURIAL_S = 15
"""How long a start after a crash is tried again while the dead server is not buried yet."""

_started: dict[Path, subprocess.Popen[bytes]] = {}
"""Servers that this process started: its children, who would stay zombies if it did not wait for them."""


def is_running(folder: Path) -> bool:
    """Whether the server of this folder is up; one that is just starting, stopping or recovering is waited
    for.
    """
    sockets = socket_folder(folder)
    if not sockets.exists():
        return False
    user = server_user()
    private_folder(sockets, user.pw_uid, user.pw_gid)
    until = time.monotonic() + LONGEST_CHANGE_S
    while (said := ping(sockets)) == Ping.REJECT:
        if time.monotonic() > until:
            raise StoreAway(f"The server of {folder} neither starts nor stops.")
        time.sleep(0.05)
    return said == Ping.OK


def ping(sockets: Path) -> Ping:
    """What the server with its socket here says to a caller."""
    return Ping(
        PGconn.ping(make_conninfo(host=str(sockets), port=PORT, user=SUPERUSER, connect_timeout=5).encode())
    )


def is_alive(folder: Path) -> bool:
    """Whether the server's process is there, however long it may take to answer."""
    pid = process_id(folder)
    if pid is None:
        return False
    started = _started.get(folder)
    if started is not None and started.poll() is None:
        return True
    # One that was left to this process, as to the first one of a container, is buried here; another's is
    # looked at.
    with suppress(ChildProcessError):
        os.waitpid(pid, os.WNOHANG)
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return not is_zombie(pid)


def is_zombie(pid: int) -> bool:
    """Whether a process has ended and only waits to be buried; False where the system does not say."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return False


def process_id(folder: Path) -> int | None:
    """The server's process, as it says itself; that of a dead one if it had no time to take its word back."""
    try:
        return int((cluster(folder) / "postmaster.pid").read_text().split("\n", 1)[0])
    except (FileNotFoundError, ValueError):
        return None


def launch(folder: Path, programs: Path, settings: Mapping[str, str]) -> None:
    """Starts the server, on a new data folder if there is none yet, and makes its owner and database where
    they are missing.

    After a crash it is tried for a while: until the dead server is buried and its children have noticed,
    PostgreSQL refuses to start.
    """
    if not cluster(folder).exists():
        make_cluster(folder, programs)
    user = server_user()
    sockets = socket_folder(folder)
    if sockets.parent == RUN:
        root_folder(RUN)
    private_folder(sockets, user.pw_uid, user.pw_gid)
    write_access(folder)
    bury(folder)
    crashed = process_id(folder) is not None
    until = time.monotonic() + LONGEST_BURIAL_S
    while True:
        try:
            start_server(folder, programs, settings)
            break
        except StoreAway:
            if not crashed or time.monotonic() > until:
                raise
        is_alive(folder)
        time.sleep(0.2)
    try:
        make_database(sockets)
    except BaseException:
        halt(folder, programs)
        raise


def write_access(folder: Path) -> None:
    """Who may connect: by the kernel's word, the account that runs this command and the server's own, as any
    role; nobody else.
    """
    user = server_user()
    names = {user.pw_name, pwd.getpwuid(os.geteuid()).pw_name}
    mode = 0o640 if os.geteuid() == 0 else 0o600
    write_private(folder / "hba.conf", "local all all peer map=coldcase\n", mode=mode, gid=user.pw_gid)
    write_private(
        folder / "ident.conf",
        "".join(f'coldcase "{name}" all\n' for name in sorted(names)),
        mode=mode,
        gid=user.pw_gid,
    )


def start_server(folder: Path, programs: Path, settings: Mapping[str, str]) -> None:
    """Starts the server and waits until it is ready. Raises StoreAway with what it logged if it ends, or is
    not ready in time.
    """
    sockets = socket_folder(folder)
    options = {
        "listen_addresses": "",
        "port": str(PORT),
        "unix_socket_directories": str(sockets),
        "unix_socket_permissions": "0700",
        "hba_file": str(folder / "hba.conf"),
        "ident_file": str(folder / "ident.conf"),
        **settings,
    }
    given = [part for name, value in options.items() for part in ("-c", f"{name}={value}")]
    command = [str(programs / "postgres"), "-D", str(cluster(folder)), *given]
    with os.fdopen(open_private(folder / "server.log", os.O_RDWR | os.O_APPEND), "rb") as told:
        start = told.seek(0, os.SEEK_END)
        # Not by pg_ctl, which hands the paths to a shell. A session of its own: a terminal's Ctrl-C is not
        # meant for it.
        server = subprocess.Popen(  # noqa: S603
            command,
            stdin=subprocess.DEVNULL,
            stdout=told,
            stderr=told,
            cwd="/",
            env=environment(),
            start_new_session=True,
            **as_server_user(),
        )
        _started[folder] = server
        try:
            ready = wait_until_ready(server, sockets)
        except StoreAway:
            # It recovers from a crash: stopped now, it would have to begin anew the next time.
            raise
        except BaseException:
            server.send_signal(signal.SIGINT)
            bury(folder)
            raise
        if not ready:
            del _started[folder]
            told.seek(start)
            raise StoreAway(f"PostgreSQL did not start:\n{told.read().decode(errors='replace').strip()}")


def wait_until_ready(server: subprocess.Popen[bytes], sockets: Path) -> bool:
    """Whether the server came to answer, rather than to its end. Raises StoreAway if it does neither in
    time.
    """
    until = time.monotonic() + LONGEST_CHANGE_S
    while ping(sockets) != Ping.OK:
        if server.poll() is not None:
            return False
        if time.monotonic() > until:
            raise StoreAway(
                f"PostgreSQL, process {server.pid}, is not ready after {LONGEST_CHANGE_S} s: try "
                "again in a while."
            )
        time.sleep(0.02)
    return True


def halt(folder: Path, programs: Path) -> None:
    """Stops the server; whoever is still connected is disconnected. One that has ended by itself is well
    too.
    """
    try:
        run_program(
            programs / "pg_ctl",
            "stop",
            "--no-wait",
            "--silent",
            "--mode",
            "fast",
            "--pgdata",
            cluster(folder),
        )
    except StoreAway:
        if is_alive(folder):
            raise
    # pg_ctl itself would take a dead child of this process for one that lives, as long as it is not buried.
    until = time.monotonic() + LONGEST_CHANGE_S
    while is_alive(folder):
        if time.monotonic() > until:
            raise StoreAway(f"The server of {folder} does not stop.")
        time.sleep(0.02)
    bury(folder)
    sockets = socket_folder(folder)
    if sockets.parent != folder:
        with suppress(OSError):
            sockets.rmdir()


def bury(folder: Path) -> None:
    """Waits for the end of a server that this process started and that is about to be gone. Raises StoreAway
    if it stays.
    """
    if (started := _started.get(folder)) is not None:
        try:
            started.wait(LONGEST_CHANGE_S)
        except subprocess.TimeoutExpired as error:
            raise StoreAway(
                f"The server of {folder}, process {started.pid}, neither answers nor ends."
            ) from error
        del _started[folder]


def make_cluster(folder: Path, programs: Path) -> None:
    """A new data folder under another name first, so that one which was never finished is not taken for a
    good one.
    """
    unfinished = folder / "postgres.new"
    shutil.rmtree(unfinished, ignore_errors=True)
    user = server_user()
    private_folder(unfinished, user.pw_uid, user.pw_gid)
    access = ("--auth-local=peer", "--auth-host=reject")
    run_program(
        programs / "initdb",
        *access,
        "--encoding=UTF8",
        "--locale=C",
        f"--username={SUPERUSER}",
        f"--pgdata={unfinished}",
    )
    unfinished.rename(cluster(folder))


def make_database(sockets: Path) -> None:
    """The owner, who is no superuser so that what works here works on any server, and its database."""
    with psycopg.connect(
        host=str(sockets), port=PORT, user=SUPERUSER, dbname=SUPERUSER, autocommit=True
    ) as conn:
        if conn.execute("SELECT FROM pg_roles WHERE rolname = %s", [OWNER]).fetchone() is None:
            conn.execute(f"CREATE ROLE {OWNER} LOGIN CREATEROLE")
        if conn.execute("SELECT FROM pg_database WHERE datname = %s", [DATABASE]).fetchone() is None:
            conn.execute(f"CREATE DATABASE {DATABASE} OWNER {OWNER}")
