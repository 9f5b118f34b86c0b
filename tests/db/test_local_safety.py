"""Other accounts of the machine: they get into no embedded server, plant nothing, hold nothing up, and have
nothing of theirs changed."""

import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest
import structlog

from coldcase.db import data_folder, embedded, server_programs
from coldcase.db.embedded import Embedded
from coldcase.db.local_files import private_folder, root_folder
from coldcase.errors import ColdcaseError, DataDirUnusable, NoEmbeddedDatabase

NOBODY = 65534
as_root = pytest.mark.skipif(
    os.geteuid() != 0 or shutil.which("setpriv") is None, reason="only root can become somebody else"
)
LONG = "long" * 30


def as_nobody(*command, **more):
    """A command run by an account that has no business with ours."""
    return subprocess.run(
        ["setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups", *map(str, command)],
        capture_output=True,
        text=True,
        check=False,
        cwd="/",
        **more,
    )


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


@as_root
@pytest.mark.parametrize("name", ["short", LONG])
def test_another_account_can_neither_reach_the_socket_nor_pass_for_a_role(tmp_path, name):
    with Embedded.start(tmp_path / name) as server:
        sockets, psql = embedded.socket_folder(server.folder), server_programs.wheel_programs() / "psql"
        ask = ["-h", sockets, "-p", "5432", "-d", "coldcase", "-c", "SELECT 1"]

        assert mode(sockets) == 0o700
        assert as_nobody("ls", sockets).returncode != 0
        assert as_nobody(psql, "-U", "postgres", *ask).returncode != 0

        # Even with the door left open the server asks the kernel who is there.
        sockets.chmod(0o777)
        (sockets / ".s.PGSQL.5432").chmod(0o777)
        server.folder.chmod(0o755)
        for role in (embedded.SUPERUSER, embedded.OWNER, embedded.SERVICE):
            refused = as_nobody(psql, "-U", role, *ask)
            assert refused.returncode != 0
            assert "Peer authentication failed" in refused.stderr
        sockets.chmod(0o700)


@as_root
def test_a_socket_folder_of_root_s_server_stands_where_nobody_else_can_make_one(tmp_path):
    with Embedded.start(tmp_path / LONG) as server:
        sockets = embedded.socket_folder(server.folder)
        assert (sockets.parent.stat().st_uid, mode(sockets.parent)) == (0, 0o755)
        assert as_nobody("mkdir", sockets.with_name("planted")).returncode != 0
        assert as_nobody("rmdir", sockets).returncode != 0


@as_root
@pytest.mark.parametrize("planted", ["folder", "open folder of one's own", "link", "file"])
def test_a_folder_that_somebody_else_made_is_never_joined(tmp_path, planted):
    place, elsewhere = tmp_path / "place", tmp_path / "elsewhere"
    elsewhere.mkdir(mode=0o700)
    if planted == "link":
        place.symlink_to(elsewhere)
    elif planted == "file":
        place.touch()
    else:
        place.mkdir()
        place.chmod(0o777)
        os.chown(place, NOBODY if planted == "folder" else 0, -1)
    before = place.lstat(), elsewhere.lstat()

    with pytest.raises(DataDirUnusable, match="place"):
        private_folder(place, 0, 0)
    assert [(s.st_uid, s.st_mode) for s in before] == [
        (s.st_uid, s.st_mode) for s in (place.lstat(), elsewhere.lstat())
    ]


@as_root
def test_a_folder_for_all_of_root_s_servers_that_others_can_write_to_is_refused(tmp_path):
    for planted in ("theirs", "open"):
        place = tmp_path / planted
        place.mkdir()
        place.chmod(0o777 if planted == "open" else 0o755)
        os.chown(place, NOBODY if planted == "theirs" else 0, -1)
        with pytest.raises(DataDirUnusable, match=planted):
            root_folder(place)
    assert mode(root_folder(tmp_path / "new")) == 0o755


ORDINARY = """
import os, pathlib, sys
from coldcase.db import embedded
from coldcase.errors import ColdcaseError
folder = pathlib.Path(sys.argv[1])
sockets = embedded.socket_folder(folder)
if sys.argv[2] == "planted":
    sockets.symlink_to(folder.parent)
try:
    with embedded.Embedded.start(folder) as server:
        print(oct(sockets.stat().st_mode), oct(folder.stat().st_mode))
except ColdcaseError as error:
    print(error.code, error.detail)
finally:
    sockets.is_symlink() and sockets.unlink()
"""


@as_root
@pytest.mark.parametrize(
    ("planted", "said"), [("", "0o40700 0o40700"), ("planted", "data_dir_unusable /tmp/coldcase-")]
)
def test_an_ordinary_account_s_server_keeps_others_out_too(tmp_path, planted, said):
    if as_nobody(sys.executable, "-c", "import coldcase", env=os.environ).returncode != 0:
        pytest.skip("an ordinary account cannot run this Python")
    os.chown(tmp_path, NOBODY, NOBODY)
    done = as_nobody(sys.executable, "-W", "ignore", "-c", ORDINARY, tmp_path / LONG, planted, env=os.environ)
    assert done.stdout.startswith(said), done


@as_root
def test_no_folder_above_is_opened_for_the_server_s_account(tmp_path):
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o700)
    with pytest.raises(DataDirUnusable, match=rf"{closed} \(mode 0700\).*another folder"):
        Embedded.start(closed / "data")
    assert mode(closed) == 0o700


@pytest.mark.slow
@as_root
def test_programs_out_of_reach_are_copied_and_told_of_not_opened(tmp_path, monkeypatch):
    versions, target = server_programs.wheel_versions()
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o700)
    wheel = versions[target].parents[1]
    for part in (wheel, wheel.with_name(f"{wheel.name}.libs")):
        shutil.copytree(part, closed / part.name, symlinks=True)
    monkeypatch.setattr(server_programs, "CACHE", tmp_path / "cache")
    monkeypatch.setattr(
        server_programs,
        "wheel_versions",
        lambda: ({target: closed / versions[target].relative_to(wheel.parent)}, target),
    )

    with (
        structlog.testing.capture_logs() as logged,
        Embedded.start(tmp_path / "data") as server,
        psycopg.connect(server.owner_url.replace("+psycopg", "")),
    ):
        pass

    assert mode(closed) == 0o700
    assert server_programs.wheel_programs().is_relative_to(tmp_path / "cache")
    assert [
        line["to"].startswith(str(tmp_path / "cache")) for line in logged if "copied" in line["event"]
    ] == [True]


@as_root
def test_nobody_can_hold_the_locks_of_a_data_folder(tmp_path):
    folder = tmp_path / "data"
    folder.mkdir()
    with Embedded.start(folder) as server:
        for name in ("start.lock", "use.lock"):
            assert mode(server.folder / name) == 0o600
            server.folder.chmod(0o755)
            assert as_nobody("flock", "--nonblock", server.folder / name, "true").returncode != 0


def test_a_hung_command_holds_up_others_for_a_while_only(tmp_path, monkeypatch):
    monkeypatch.setattr(data_folder, "LONGEST_LOCK_WAIT_S", 0.3)
    with Embedded.start(tmp_path / "data") as server, data_folder.exclusively(server.folder):
        with pytest.raises(ColdcaseError, match=r"start\.lock has been locked"):
            Embedded.start(tmp_path / "data")
        with pytest.raises(ColdcaseError, match=r"start\.lock has been locked"):
            Embedded.find(tmp_path / "data")


def test_a_foreign_or_impossible_data_folder_is_refused_in_words(tmp_path):
    (tmp_path / "file").touch()
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "accounts.ods").touch()
    for place, why in (
        ("file", "not a folder|File exists"),
        ("file/below", "Not a directory"),
        ("full", "accounts.ods"),
        ("a\0b", "null"),
    ):
        with pytest.raises(DataDirUnusable, match=why) as told:
            Embedded.start(tmp_path / place)
        assert "COLDCASE_DATA_DIR" in told.value.detail
    assert [path.name for path in (tmp_path / "full").iterdir()] == ["accounts.ods"]
    with pytest.raises(DataDirUnusable, match="no record"):
        Embedded.start(tmp_path / "none", new=False)
    assert not (tmp_path / "none").exists()


@as_root
def test_the_folder_and_the_record_of_another_account_are_refused(tmp_path):
    folder = tmp_path / "theirs"
    folder.mkdir()
    os.chown(folder, NOBODY, -1)
    for join in (Embedded.start, Embedded.find):
        with pytest.raises(DataDirUnusable, match=f"user id {NOBODY}"):
            join(folder)
    os.chown(folder, 0, -1)
    (folder / "postgres").mkdir()
    os.chown(folder / "postgres", NOBODY, -1)
    with pytest.raises(DataDirUnusable, match=f"record of user id {NOBODY}"):
        Embedded.start(folder)


@as_root
def test_an_account_without_a_name_is_told_so(tmp_path):
    script = (
        "import pathlib, sys; from coldcase.db.embedded import Embedded; "
        "Embedded.start(pathlib.Path(sys.argv[1]))"
    )
    os.chown(tmp_path, 54321, -1)
    command = [
        "setpriv",
        "--reuid=54321",
        "--regid=54321",
        "--clear-groups",
        sys.executable,
        "-W",
        "ignore",
        "-c",
        script,
    ]
    done = subprocess.run([*command, tmp_path / "data"], capture_output=True, text=True, check=False, cwd="/")
    if "No module named" in done.stderr or done.returncode == 126:
        pytest.skip("an ordinary account cannot run this Python")
    assert "user id 54321" in done.stderr
    assert NoEmbeddedDatabase.__name__ in done.stderr


def test_nothing_of_the_environment_moves_the_server(tmp_path, monkeypatch):
    for name, value in {
        "PGPORT": "1",
        "PGHOST": "/nowhere",
        "PGUSER": "nobody",
        "PGDATABASE": "none",
        "PGDATA": "/nowhere",
    }.items():
        monkeypatch.setenv(name, value)
    with (
        Embedded.start(tmp_path / "data") as server,
        psycopg.connect(server.owner_url.replace("+psycopg", "")) as conn,
    ):
        assert conn.execute("SELECT current_user, current_database()").fetchone() == (
            embedded.OWNER,
            embedded.DATABASE,
        )
        assert Path(embedded.socket_folder(server.folder) / ".s.PGSQL.5432").is_socket()
