"""What `docs/reading-the-record.md` says is so: its reader and its query are run as they stand there."""

import json
import re
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest

from tests.auditing.conftest import plain
from tests.stored_answers import answer_of, rewriting

PAGE = (Path(__file__).parents[2] / "docs" / "reading-the-record.md").read_text("utf-8")
[READER] = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
[QUERY] = re.findall(r"```sql\n(.*?)```", PAGE, re.DOTALL)


@pytest.fixture
def job(ledger) -> str:
    """A job with two decisions, one of which a release before kept as text."""
    ledger.harm(f"UPDATE decision SET job_ref = 'TH-1184' WHERE id IN ('{ledger.ids[0]}', '{ledger.ids[1]}')")
    ledger.harm(rewriting(ledger.superuser_url, ledger.ids[1], lambda text: text))
    return "TH-1184"


def test_the_reader_prints_every_answer_of_a_job(ledger, job, tmp_path):
    program = tmp_path / "reader.py"
    program.write_text(READER)
    command = [sys.executable, str(program), plain(ledger.database.owner_url), job]
    printed = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    with psycopg.connect(ledger.superuser_url) as conn:
        told = [f"{id_} {answer_of(conn, id_)}" for id_ in sorted(ledger.ids[:2])]
    assert printed.splitlines() == told


def test_the_reader_names_a_damaged_answer(ledger, job, tmp_path):
    ledger.harm(f"UPDATE decision SET answer_sha256 = sha256('x') WHERE id = '{ledger.ids[0]}'")
    program = tmp_path / "reader.py"
    program.write_text(READER)
    command = [sys.executable, str(program), plain(ledger.database.owner_url), job]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert f"{ledger.ids[0]} is damaged" in done.stderr


def test_plain_sql_says_what_an_auditor_asks(ledger, job):
    assert len(ledger.ask(QUERY)) == 2


def test_the_command_exports_what_was_answered(ledger, job):
    command = [sys.executable, "-m", "coldcase", "export", "--database-url", ledger.database.service_url]
    lines = subprocess.run(command, capture_output=True, text=True, check=True).stdout.splitlines()
    assert json.loads(lines[-1]) == {"summary": {"rows": len(ledger.ids)}}
    with psycopg.connect(ledger.superuser_url) as conn:
        assert {row["id"]: row["answer"] for row in map(json.loads, lines[:-1])} == {
            str(id_): json.loads(answer_of(conn, id_)) for id_ in ledger.ids
        }
