"""PostgreSQL from the wheel: started once, shared, stopped by the last one, whatever its folder is called."""

import subprocess
import sys

import psycopg
import pytest

from coldcase.db import embedded
from coldcase.db.embedded import Embedded
from coldcase.errors import StoreAway


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
    with Embedded.start(tmp_path) as server, psycopg.connect(server.owner_url.replace("+psycopg", "")) as conn:
        conn.execute("CREATE TABLE kept (n int)")
    with Embedded.start(tmp_path) as server, psycopg.connect(server.owner_url.replace("+psycopg", "")) as conn:
        assert conn.execute("SELECT count(*) FROM kept").fetchone() == (0,)


@pytest.mark.parametrize("name", ["cold & warm? 100%+#é", "one,two", "long" * 30])
def test_any_folder_will_do(tmp_path, name):
    with Embedded.start(tmp_path / name) as server:
        sockets = embedded.socket_folder(server.folder)
        assert answers(server)
    assert sockets.exists() == (sockets.parent == server.folder)


def test_the_owner_is_no_superuser(postgres):
    with psycopg.connect(postgres.owner_url.replace("+psycopg", "")) as conn:
        assert conn.execute("SELECT rolsuper, rolcreaterole FROM pg_roles WHERE rolname = current_user").fetchone() == (False, True)


def test_a_server_whose_last_user_was_killed_is_stopped_by_the_next_one(tmp_path):
    script = f"import os, pathlib; from coldcase.db.embedded import Embedded; Embedded.start(pathlib.Path({str(tmp_path)!r})); os._exit(9)"
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
    monkeypatch.setattr(embedded, "DATABASE", "no such name; really")
    with pytest.raises(psycopg.errors.SyntaxError):
        Embedded.start(tmp_path)
    assert not embedded.is_running(tmp_path)


def test_a_temporary_one_leaves_no_folder():
    with embedded.temporary() as server:
        assert answers(server)
    assert not server.folder.exists()
