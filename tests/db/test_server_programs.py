"""The system account that runs PostgreSQL where the command runs as root."""

import os
import pwd
import subprocess
import sys

import pytest

from coldcase.db.server_programs import environment, server_account
from coldcase.errors import StoreAway

as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root makes system accounts")


@pytest.fixture
def new_account():
    """The name of an account that is not there yet, and is gone again afterwards."""
    name = f"cctest{os.getpid()}"
    yield name
    subprocess.run(["userdel", name], check=False, capture_output=True)


@as_root
def test_an_account_that_many_want_at_once_is_made_once_and_told_of(new_account):
    script = (
        "from coldcase.logs import start_logging; from coldcase.db.server_programs import server_account;"
        f" start_logging('warning'); print(server_account({new_account!r}).pw_uid)"
    )
    many = [
        subprocess.Popen(
            [sys.executable, "-c", script], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        for _ in range(6)
    ]
    said = [process.communicate(timeout=120) for process in many]

    assert [process.returncode for process in many] == [0] * 6, said
    assert {out.strip() for out, _ in said} == {str(pwd.getpwnam(new_account).pw_uid)}
    assert sum(new_account in err for _, err in said) == 1


@as_root
def test_an_account_that_cannot_be_made_says_what_to_do():
    with pytest.raises(StoreAway, match="--database-url"):
        server_account("no such name")


def test_the_server_is_told_nothing_of_the_operators_but_what_the_loader_needs(monkeypatch):
    for name in ("PGPORT", "COLDCASE_OWNER_URL", "LD_LIBRARY_PATH", "FAKETIME"):
        monkeypatch.setenv(name, "x")
    told = environment()
    assert told.keys() & {"PGPORT", "COLDCASE_OWNER_URL", "LD_LIBRARY_PATH", "FAKETIME"} == {
        "LD_LIBRARY_PATH",
        "FAKETIME",
    }
