"""What a release before kept as text is packed beside a service that runs; nothing else of it changes."""

import asyncio
import hashlib
import os
import signal
import subprocess
import sys
import time

import httpx
import psycopg
import pytest

from coldcase.cli import main
from coldcase.db import migrating
from coldcase.proof.decision_columns import StoredDecision
from tests.auditing.conftest import plain
from tests.serving import make_key, serving
from tests.stored_answers import answers_of, decisions_of, rewriting

COPIES = 4000
COPIED = ", ".join(
    name for name in StoredDecision.__struct_fields__ if name not in ("id", "xid", "answer_text")
)
MULTIPLY = f"""
INSERT INTO decision (id, answer_text, {COPIED})
SELECT (left(id::text, 24) || lpad(to_hex(n), 12, '0'))::uuid, replace(answer_text, 'TH-', 'TH-' || n),
    {COPIED}
FROM decision, generate_series(1, %s) AS n WHERE id = %s
"""


@pytest.fixture
def texts(ledger):
    """A sealed record as a release before would have left it: every answer a text, no dictionary."""
    return as_texts(ledger, copies=0)


@pytest.fixture
def many_texts(ledger):
    """The same of so many that packing them takes a while."""
    return as_texts(ledger, copies=COPIES)


def as_texts(ledger, *, copies: int):
    with psycopg.connect(ledger.superuser_url, autocommit=True) as conn:
        conn.execute("SET session_replication_role = replica")
        for id_ in ledger.ids:
            conn.execute(rewriting(ledger.superuser_url, id_, lambda text: text))
        conn.execute("DELETE FROM answer_dictionary")
        conn.execute(MULTIPLY, [copies, ledger.ids[0]])
        conn.execute("DELETE FROM audit_seal_member")
        conn.execute("DELETE FROM audit_seal")
    asyncio.run(ledger.seal())
    assert asyncio.run(ledger.verify()).good
    return ledger


def state(ledger) -> dict[str, str]:
    """Of each decision all that its leaf is made from, by its digest."""
    rows = asyncio.run(decisions_of(ledger.engine))
    return {str(row.id): hashlib.sha256(repr(row).encode()).hexdigest() for row in rows}


def left(ledger) -> int:
    return ledger.ask("SELECT count(*) FROM decision WHERE answer_text IS NOT NULL")[0][0]


def pack(ledger) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "coldcase", "pack", "--owner-url", ledger.database.owner_url]
    return subprocess.Popen(command, stderr=subprocess.PIPE, text=True)


def test_all_texts_are_packed_and_no_answer_changes(texts, capsys):
    before = state(texts)
    for packed in (len(texts.ids), 0):
        assert main(["pack", "--owner-url", texts.database.owner_url], {}) == 0
        assert f"coldcase: {packed} answers packed" in capsys.readouterr().err
        assert (left(texts), state(texts)) == (0, before)
    assert asyncio.run(texts.verify()).good


@pytest.mark.slow
def test_what_is_killed_goes_on_where_it_was_and_no_answer_changes(many_texts):
    before, all_of_them = state(many_texts), left(many_texts)
    process = pack(many_texts)
    deadline = time.monotonic() + 60
    while left(many_texts) == all_of_them and time.monotonic() < deadline:
        time.sleep(0.02)
    os.kill(process.pid, signal.SIGKILL)
    process.communicate()
    assert 0 < left(many_texts) < all_of_them
    assert state(many_texts) == before

    done = pack(many_texts)
    _, said = done.communicate(timeout=120)
    assert done.returncode == 0, said
    assert left(many_texts) == 0
    assert f"{all_of_them:,}" not in said, "those that were packed before the kill are not packed again"
    assert state(many_texts) == before
    assert asyncio.run(many_texts.verify()).good
    again = pack(many_texts)
    assert "coldcase: 0 answers packed" in again.communicate(timeout=60)[1]


@pytest.mark.slow
def test_the_service_records_reads_and_replays_meanwhile(many_texts):
    secret = make_key(many_texts.database.owner_url, "decisions:write", "decisions:read")
    body = {"unit": {"compressor_type": "scroll", "motor": "three_phase"}, "job": {"ref": "TH-1"}}
    headers = {"Authorization": f"Bearer {secret}", "Idempotency-Key": "before"}
    with (
        serving(many_texts.database.service_url) as service,
        httpx.Client(base_url=service.address, headers=headers, trust_env=False, timeout=20) as http,
    ):
        first = http.post("/v1/classifications", json=body)
        assert first.status_code == 201
        process, answers = pack(many_texts), 0
        while process.poll() is None:
            made = http.post("/v1/classifications", json=body, headers={"Idempotency-Key": f"key-{answers}"})
            assert made.status_code == 201
            assert http.post("/v1/classifications", json=body).content == first.content
            assert http.get(f"/v1/decisions/{made.json()['id']}").json()["answer"] == made.json()
            answers += 1
        process.communicate()
        assert (process.returncode, answers > 5) == (0, True)
        # The same bytes again, once they are packed.
        repeated = http.post("/v1/classifications", json=body)
        assert (repeated.status_code, repeated.content) == (200, first.content)
    assert asyncio.run(many_texts.verify()).good


DIGEST = "sha256(convert_to(answer_text, 'UTF8'))"


@pytest.mark.parametrize(
    "change",
    [
        "confidence = 1",
        "case_text = '{}'",
        "answer_text = '{}'",
        "answer_text = NULL, answer_packed = 'x', answer_sha256 = sha256('x')",
        f"answer_text = NULL, answer_packed = NULL, answer_sha256 = {DIGEST}",
        f"answer_text = NULL, answer_packed = 'x', answer_sha256 = {DIGEST}, cause = 'moisture '",
        f"answer_text = NULL, answer_packed = 'x', answer_sha256 = {DIGEST}, xid = '9'",
        f"answer_text = NULL, answer_packed = 'x', answer_sha256 = {DIGEST}, own_words = '{{}}'",
        f"answer_packed = 'x', answer_sha256 = {DIGEST}",
    ],
)
def test_the_owner_can_pack_a_text_and_no_more(texts, change):
    with (
        psycopg.connect(plain(texts.database.owner_url), autocommit=True) as conn,
        pytest.raises(psycopg.errors.RestrictViolation),
    ):
        conn.execute(f"UPDATE decision SET {change} WHERE id = '{texts.ids[0]}'")


@pytest.mark.parametrize(
    "change",
    [
        "answer_packed = answer_packed || 'x'",
        "dictionary = NULL",
        "answer_text = '{}', answer_packed = NULL, answer_sha256 = NULL, dictionary = NULL",
    ],
)
def test_what_is_packed_stays_as_it_is(ledger, change):
    with (
        psycopg.connect(plain(ledger.database.owner_url), autocommit=True) as conn,
        pytest.raises(psycopg.errors.RestrictViolation),
    ):
        conn.execute(f"UPDATE decision SET {change} WHERE id = '{ledger.ids[0]}'")


def test_the_service_s_role_packs_nothing_of_before(texts):
    with (
        psycopg.connect(plain(texts.database.service_url), autocommit=True) as conn,
        pytest.raises(psycopg.errors.InsufficientPrivilege),
    ):
        conn.execute(f"UPDATE decision SET answer_text = NULL, answer_packed = 'x', answer_sha256 = {DIGEST}")


def test_what_was_packed_wrongly_is_named_by_the_next_verification(texts):
    """The database cannot look into what is packed: the owner could put anything there."""
    with psycopg.connect(plain(texts.database.owner_url), autocommit=True) as conn:
        conn.execute(
            f"UPDATE decision SET answer_text = NULL, answer_packed = 'x', answer_sha256 = {DIGEST}"
            f" WHERE id = '{texts.ids[0]}'"
        )
    found = asyncio.run(texts.verify())
    assert [(one.what, str(texts.ids[0]) in one.detail) for one in found.troubles] == [("changed", True)]


def test_a_record_taken_back_to_the_release_before_has_its_texts_again(ledger):
    with psycopg.connect(ledger.superuser_url) as conn:
        before = sorted(answers_of(conn, "true"))
    migrating.downgrade(ledger.database.owner_url, "20261127_0530")
    assert sorted(ledger.ask("SELECT id, answer_text FROM decision")) == before
    migrating.upgrade(ledger.database.owner_url)
    assert asyncio.run(ledger.verify()).good


ZEROS = "decode(repeat('00', 700000), 'hex')"


@pytest.mark.parametrize(
    "harm",
    [
        f"UPDATE answer_dictionary SET content = overlay(content PLACING {ZEROS} FROM 9999)",
        "DELETE FROM answer_dictionary",
    ],
)
def test_a_dictionary_that_was_harmed_is_named_by_a_verification(ledger, harm):
    """In a process of its own: one that has read the dictionary before still unpacks."""
    ledger.harm(harm)
    command = [sys.executable, "-m", "coldcase", "verify", "--database-url", ledger.database.service_url]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, f"{ledger.ids[0]}" in done.stdout) == (1, True)


@pytest.mark.parametrize(
    "harm",
    [
        "UPDATE answer_dictionary SET rule_table = 2",
        "DELETE FROM answer_dictionary",
        "TRUNCATE answer_dictionary",
    ],
)
def test_the_owner_does_not_harm_a_dictionary_by_accident(ledger, harm):
    with (
        psycopg.connect(plain(ledger.database.owner_url), autocommit=True) as conn,
        pytest.raises(psycopg.errors.RestrictViolation),
    ):
        conn.execute(harm)


def test_a_rule_table_keeps_its_dictionary(ledger):
    """The service's role may give one to a table that has none, and to no other."""
    with psycopg.connect(plain(ledger.database.service_url), autocommit=True) as conn:
        for of_table in (1, 9):
            given = conn.execute("SELECT keep_dictionary(%s, %s)", [of_table, b"\x37\xa4\x30\xec" + b"1" * 9])
            assert given.fetchone() == (False,)
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            conn.execute("INSERT INTO answer_dictionary SELECT 7, 1, content, made_at FROM answer_dictionary")
