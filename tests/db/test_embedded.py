"""PostgreSQL from the wheel: started once, shared, stopped by the last one, whatever its folder is called."""

import os
import signal
import subprocess
import sys
import time

import psycopg
import pytest
import structlog

from coldcase.db import data_folder, embedded, migrating, server_process, server_programs
from coldcase.db.embedded import Embedded
from coldcase.errors import DataDirUnusable, StoreAway


def answers(server, role=embedded.OWNER):
    with psycopg.connect(server.url(role).replace("+psycopg", "")) as conn:
        return conn.execute("SELECT current_user").fetchone() == (role,)


def test_it_runs_for_as_long_as_anybody_uses_it(tmp_path):
    assert Embedded.find(tmp_path) is None
    first = Embedded.start(tmp_path)
    second = Embedded.start(tmp_path)
    found = Embedded.find(tmp_path)
    first.stop()
    second.stop()
    assert answers(found)
    found.stop()
    assert not embedded.is_running(found.folder)
    assert not (embedded.cluster(found.folder) / "postmaster.pid").exists()
    assert Embedded.find(tmp_path) is None
    found.stop()


def test_what_was_in_it_is_there_again(tmp_path):
    with (
        Embedded.start(tmp_path) as server,
        psycopg.connect(server.owner_url.replace("+psycopg", "")) as conn,
    ):
        conn.execute("CREATE TABLE kept (n int)")
    with (
        Embedded.start(tmp_path) as server,
        psycopg.connect(server.owner_url.replace("+psycopg", "")) as conn,
    ):
        assert conn.execute("SELECT count(*) FROM kept").fetchone() == (0,)


@pytest.mark.parametrize(
    "name", ["cold & warm? 100%+#é, one", "long" * 30, '$(touch pwned) `touch pwned` "quoted" \\ o\'clock']
)
def test_any_folder_will_do(tmp_path, name):
    with Embedded.start(tmp_path / name) as server:
        sockets = embedded.socket_folder(server.folder)
        assert answers(server)
    assert sockets.exists() == (sockets.parent == server.folder)


def test_the_owner_is_no_superuser(postgres):
    with psycopg.connect(postgres.owner_url.replace("+psycopg", "")) as conn:
        assert conn.execute(
            "SELECT rolsuper, rolcreaterole FROM pg_roles WHERE rolname = current_user"
        ).fetchone() == (False, True)


def test_a_server_whose_last_user_was_killed_is_stopped_by_the_next_one(tmp_path):
    script = (
        "import os, pathlib; from coldcase.db.embedded import Embedded; "
        f"Embedded.start(pathlib.Path({str(tmp_path)!r})); os._exit(9)"
    )
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 9
    found = Embedded.find(tmp_path)
    assert answers(found)
    found.stop()
    assert not embedded.is_running(found.folder)


def test_a_start_that_fails_says_why_and_leaves_nothing_running(tmp_path):
    with pytest.raises(StoreAway, match="shared_buffers"):
        Embedded.start(tmp_path, settings={"shared_buffers": "nonsense"})
    assert not embedded.is_running(tmp_path)
    with Embedded.start(tmp_path) as server:
        assert answers(server)


def test_a_start_that_was_broken_off_leaves_nothing_running(tmp_path, monkeypatch):
    monkeypatch.setattr(server_process, "DATABASE", "no such name; really")
    with pytest.raises(psycopg.errors.SyntaxError):
        Embedded.start(tmp_path)
    assert not embedded.is_running(tmp_path)


def test_a_temporary_one_leaves_no_folder():
    with embedded.temporary() as server:
        assert answers(server)
    assert not server.folder.exists()


def kill(server):
    pid = server_process.process_id(server.folder)
    assert pid is not None
    os.kill(pid, signal.SIGKILL)
    return pid


@pytest.mark.slow
@pytest.mark.parametrize("by", ["this process", "one that is gone"])
def test_a_killed_server_is_started_again_by_the_next_command_even_if_nobody_has_buried_it(tmp_path, by):
    """Until its parent has asked after it, a dead process looks alive to PostgreSQL, which then refuses to
    start."""
    script = (
        "import os, pathlib; from coldcase.db.embedded import Embedded; "
        f"Embedded.start(pathlib.Path({str(tmp_path)!r})); os._exit(9)"
    )
    server: Embedded | None
    if by == "this process":
        server = Embedded.start(tmp_path)
    else:
        subprocess.run([sys.executable, "-W", "ignore", "-c", script], check=False)
        server = Embedded.find(tmp_path)
    with server:
        pid = kill(server)
        with Embedded.start(tmp_path) as again:
            assert answers(again)
            assert server_process.process_id(again.folder) != pid


@pytest.mark.slow
def test_a_server_that_was_killed_just_before_it_is_stopped_is_not_waited_for(tmp_path):
    with Embedded.start(tmp_path) as server, data_folder.exclusively(server.folder):
        kill(server)
        begun = time.monotonic()
        server_process.halt(server.folder, server_programs.wheel_programs())
        assert time.monotonic() - begun < server_process.LONGEST_CHANGE_S / 2


def test_a_keeper_starts_a_killed_server_again_as_often_as_need_be(tmp_path, monkeypatch):
    monkeypatch.setattr(embedded, "LOOK_S", 0.05)
    with Embedded.start(tmp_path, settings={"work_mem": "7MB"}) as server, server.kept_running():
        for _ in range(2):
            pid = kill(server)
            until = time.monotonic() + 120
            while server_process.process_id(server.folder) in {pid, None} or not embedded.is_running(
                server.folder
            ):
                assert time.monotonic() < until
                time.sleep(0.02)
            with psycopg.connect(server.owner_url.replace("+psycopg", "")) as conn:
                assert conn.execute("SHOW work_mem").fetchone() == ("7MB",)
    assert not embedded.is_running(server.folder)


@pytest.mark.slow
def test_a_keeper_that_cannot_start_the_server_tries_on(tmp_path, monkeypatch):
    monkeypatch.setattr(embedded, "LOOK_S", 0.05)
    monkeypatch.setattr(server_process, "LONGEST_BURIAL_S", 1)
    with (
        structlog.testing.capture_logs() as logged,
        Embedded.start(tmp_path) as server,
        server.kept_running(),
    ):
        control = embedded.cluster(server.folder) / "global" / "pg_control"
        with data_folder.exclusively(server.folder):
            kill(server)
            control.rename(control.with_suffix(".away"))
        until = time.monotonic() + 120
        while not any("could not be started again" in line["event"] for line in logged):
            assert time.monotonic() < until
            time.sleep(0.02)
        control.with_suffix(".away").rename(control)
        while not embedded.is_running(server.folder):
            assert time.monotonic() < until
            time.sleep(0.02)
        assert answers(server)


def test_a_record_of_the_wheel_s_other_version_goes_on_under_that_version(tmp_path, monkeypatch):
    versions, newest = server_programs.wheel_versions()
    older = min(versions)
    with monkeypatch.context() as then:
        then.setattr(server_programs, "wheel_versions", lambda: ({older: versions[older]}, older))
        with Embedded.start(tmp_path) as server:
            migrating.upgrade(server.owner_url)
    assert older != newest
    with (
        Embedded.start(tmp_path) as server,
        psycopg.connect(server.service_url.replace("+psycopg", "")) as conn,
    ):
        assert conn.info.server_version // 10_000 == older
        assert conn.execute("SELECT count(*) FROM decision").fetchone() == (0,)


def test_a_record_of_a_version_that_the_wheel_lacks_says_what_helps(tmp_path):
    with Embedded.start(tmp_path) as server:
        pass
    (embedded.cluster(server.folder) / "PG_VERSION").write_text("15\n")
    with pytest.raises(DataDirUnusable, match=r"PostgreSQL 15.*16 and 18.*pg_dump"):
        Embedded.start(tmp_path)
