"""What the database itself refuses of rule tables, whatever the service's role may ask."""

import hashlib
from datetime import timedelta
from uuid import uuid4

import psycopg
import pytest

from coldcase.clock import now
from coldcase.db import keys, rule_tables
from coldcase.db.engine import run_once
from tests.db.conftest import plain

BASE = b'{"a":1}'


def digest(document: bytes) -> str:
    return "sha256:" + hashlib.sha256(document).hexdigest()


@pytest.fixture
def record(service_database):
    """A record with a published table, and a function that makes keys."""
    run_once(service_database.owner_url, lambda conn: rule_tables.publish_first(conn, BASE, digest(BASE)))

    def key(person, *scopes, expired=False):
        return run_once(
            service_database.owner_url,
            lambda conn: keys.create_key(
                conn,
                id_=uuid4(),
                client_name="Tern Haven",
                person=person,
                scopes=scopes or ("tables:draft", "tables:approve"),
                secret_sha256=keys.secret_digest(keys.new_secret()),
                now=now() - timedelta(days=2),
                expires_at=now() - timedelta(days=1) if expired else None,
            ),
        ).id

    return key


DRAFT = "SELECT draft_table(%s, %s, 1, 'why', %s)"
EDIT = "SELECT edit_draft(%s, NULL, 2, %s, %s)"
APPROVE = "SELECT approve_table(%s, %s, 2, %s, 'why')"
PUBLISH = "SELECT publish_table(%s, NULL, %s, %s, 'why', %s)"


def backtested(as_owner):
    """Tried on a library alone, which is enough while nothing is recorded."""
    as_owner.execute(
        "INSERT INTO backtest (id, rule_table, digest, asked, library, state, created_at, result)"
        " SELECT gen_random_uuid(), version, digest, '{}', 'worked', 'finished', now(), '{}'"
        " FROM rule_table_draft"
    )


def refused(conn, code, query, values):
    with pytest.raises(psycopg.Error) as caught:
        conn.execute(query, values)
    assert caught.value.sqlstate == code, caught.value


@pytest.mark.parametrize(
    "statement",
    [
        "INSERT INTO rule_table_draft SELECT 9, digest, document, 1, NULL, now() FROM rule_table",
        "UPDATE rule_table_draft SET document = '{}'",
        "DELETE FROM rule_table_draft",
        "TRUNCATE rule_table_draft",
        "INSERT INTO rule_table_event (version, kind, at) VALUES (2, 'approve', now())",
        "INSERT INTO rule_table SELECT 9, 'd', '{}', 1, NULL, now(), 'x'",
        "UPDATE rule_table SET document = '{}'",
        "SELECT table_actor(NULL, 'x', 'tables:draft')",
    ],
)
def test_the_service_writes_no_table_by_itself(record, as_service, statement):
    as_service.execute(DRAFT, [record("bench-1"), None, None])
    refused(as_service, "42501", statement, [])


def test_without_a_key_that_may_the_service_does_nothing(record, as_service, as_owner):
    for by in (None, uuid4(), record("bench-1", "tables:read"), record("bench-1", expired=True)):
        refused(as_service, "CC403", DRAFT, [by, "bench-1", None])
    refused(as_service, "CC403", APPROVE, [record("bench-2", "tables:draft"), None, digest(BASE)])
    revoked = record("bench-1")
    as_owner.execute("UPDATE api_key SET revoked_at = now() WHERE id = %s", [revoked])
    refused(as_service, "CC403", DRAFT, [revoked, None, None])


def test_the_person_is_the_key_s_whatever_is_claimed(record, as_service):
    by = record("bench-1")
    as_service.execute(DRAFT, [by, "somebody else", '{"a":2}'])
    refused(as_service, "CCOWN", APPROVE, [record("bench-1"), "somebody else", digest(b'{"a":2}')])
    named = as_service.execute("SELECT person FROM rule_table_event WHERE version = 2").fetchall()
    assert named == [("bench-1",)]


def test_a_draft_that_was_changed_behind_its_approval_is_not_published(record, as_service, as_owner):
    as_service.execute(DRAFT, [record("bench-1"), None, '{"a":2}'])
    backtested(as_owner)
    as_service.execute(APPROVE, [record("bench-2"), None, digest(b'{"a":2}')])
    as_owner.execute("UPDATE rule_table_draft SET document = '{\"a\":3}', digest = %s", [digest(b'{"a":3}')])
    refused(as_service, "CCAPP", PUBLISH, [record("bench-2"), 2, digest(b'{"a":3}'), 1])
    as_owner.execute("UPDATE rule_table_draft SET digest = %s", [digest(b'{"a":2}')])
    refused(as_service, "22000", PUBLISH, [record("bench-2"), 2, digest(b'{"a":2}'), 1])


def test_published_it_is_a_row_that_stays_and_the_draft_is_gone(record, as_service, as_owner):
    author, approver = record("bench-1"), record("bench-2")
    as_service.execute(DRAFT, [author, None, '{"a":2}'])
    as_service.execute(EDIT, [author, digest(b'{"a":2}'), '{"a":3}'])
    refused(as_service, "CC412", EDIT, [author, digest(b'{"a":2}'), '{"a":4}'])
    backtested(as_owner)
    as_service.execute(APPROVE, [approver, None, digest(b'{"a":3}')])
    as_service.execute(PUBLISH, [approver, 2, digest(b'{"a":3}'), 1])
    assert as_service.execute("SELECT count(*) FROM rule_table_draft").fetchone() == (0,)
    assert as_service.execute(
        "SELECT digest, document, based_on, note, created_by FROM rule_table WHERE version = 2"
    ).fetchone() == (digest(b'{"a":3}'), '{"a":3}', 1, "why", "bench-1")
    refused(as_service, "CCSTA", EDIT, [author, digest(b'{"a":3}'), '{"a":4}'])
    with pytest.raises(psycopg.errors.RestrictViolation):
        as_owner.execute("UPDATE rule_table SET document = '{}' WHERE version = 2")


START = "SELECT start_backtest(%s, NULL, gen_random_uuid(), 1, %s, NULL, '{}', NULL, NULL)"


def test_a_backtest_is_started_by_who_may_and_of_the_table_as_it_is(record, as_service, as_owner):
    author = record("bench-1")
    refused(as_service, "CC403", START, [record("bench-1", "tables:approve"), digest(BASE)])
    refused(as_service, "CCDIG", START, [author, digest(b"{}")])
    for _ in range(20):
        as_service.execute(START, [author, digest(BASE)])
    refused(as_service, "CCBSY", START, [author, digest(BASE)])
    as_service.execute("UPDATE backtest SET state = 'finished', result = '{}'")
    for statement in ("UPDATE backtest SET done = 7", "DELETE FROM backtest", "TRUNCATE backtest"):
        with pytest.raises(psycopg.errors.RestrictViolation):
            as_owner.execute(statement)
    for statement in ("UPDATE backtest SET digest = 'x'", "DELETE FROM backtest"):
        refused(as_service, "42501", statement, [])
    refused(as_service, "42501", "INSERT INTO backtest SELECT * FROM backtest", [])


PROPOSE = "SELECT start_proposal(%s, NULL, gen_random_uuid(), %s, NULL, '{}', 9)"
FINISH = "SELECT finish_proposal((SELECT id FROM proposal WHERE state <> 'finished'), %s, 'why', %s, %s, %s)"
SUMMARY = '{"judged": 12, "moved": {}}'


def test_a_proposal_is_started_by_who_may_and_ends_once_with_its_draft(record, as_service, as_owner):
    author = record("bench-1")
    refused(as_service, "CC403", PROPOSE, [record("bench-1", "tables:approve"), 1])
    refused(as_service, "CC404", PROPOSE, [author, 7])
    as_service.execute(PROPOSE, [author, 1])
    made = [1, '{"a":2}', "[]", SUMMARY]
    # Nobody works on it yet; then another attempt does.
    assert as_service.execute(FINISH, made).fetchone() == (False,)
    as_service.execute("UPDATE proposal SET state = 'running', attempts = 2")
    assert as_service.execute(FINISH, made).fetchone() == (False,)
    assert as_service.execute(FINISH, [2, *made[1:]]).fetchone() == (True,)
    assert as_owner.execute("SELECT draft, numbers, summary, state FROM proposal").fetchone() == (
        *(2, "[]", SUMMARY, "finished"),
    )
    assert as_owner.execute("SELECT document, note FROM rule_table_draft").fetchone() == ('{"a":2}', "why")
    assert as_owner.execute(
        "SELECT person FROM rule_table_event WHERE version = 2 AND kind = 'draft'"
    ).fetchone() == ("bench-1",)
    [details] = as_owner.execute(
        "SELECT details::jsonb FROM audit_event WHERE action = 'rule_table.proposed' AND subject = '2'"
    ).fetchone()
    assert (details["judged"], details["numbers_sha256"]) == (12, hashlib.sha256(b"[]").hexdigest())


def test_what_a_proposal_came_to_is_not_the_services_to_write(record, as_service, as_owner):
    author = record("bench-1")
    for _ in range(5):
        as_service.execute(PROPOSE, [author, 1])
    refused(as_service, "CCBSY", PROPOSE, [author, 1])
    for column, value in (("draft", "2"), ("numbers", "'[]'"), ("summary", "'{}'"), ("by_key", "NULL")):
        refused(as_service, "42501", f"UPDATE proposal SET {column} = {value}", [])
    refused(as_service, "42501", "DELETE FROM proposal", [])
    refused(as_service, "42501", "INSERT INTO proposal SELECT * FROM proposal", [])
    as_service.execute("UPDATE proposal SET state = 'failed'")
    for statement in ("UPDATE proposal SET done = 7", "DELETE FROM proposal", "TRUNCATE proposal"):
        with pytest.raises(psycopg.errors.RestrictViolation):
            as_owner.execute(statement)


def test_numbers_are_given_once(record, service_database, as_service):
    author = record("bench-1")
    first = as_service.execute(DRAFT, [author, None, None]).fetchone()
    with psycopg.connect(plain(service_database.service_url)) as other:
        second = other.execute(DRAFT, [author, None, None]).fetchone()
        other.rollback()
        third = other.execute(DRAFT, [author, None, None]).fetchone()
        other.commit()
    assert (first, second, third) == ((2,), (3,), (3,))


def test_what_was_remarked_stays_as_it_was(record, as_service, as_owner):
    for table in ("remark", "remark_step"):
        refused(as_service, "42501", f"INSERT INTO {table} SELECT * FROM {table}", [])
        refused(as_service, "42501", f"DELETE FROM {table}", [])
        with pytest.raises(psycopg.Error):
            as_owner.execute(f"TRUNCATE {table} CASCADE")
    refused(as_service, "42501", "SELECT * FROM table_request", [])
