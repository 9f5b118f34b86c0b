"""The database itself refuses to change the record, and shows one client nothing of another's."""

import psycopg
import pytest

from coldcase.db import embedded, migrating
from tests.auditing.conftest import plain
from tests.stored_answers import COPIED

RECORDS = {
    "decision": "confidence = 1",
    "verdict": "cause = 'moisture'",
    "rule_table": "document = '{}'",
    "rule_table_event": "kind = 'withdraw'",
    "audit_event": "action = 'nothing.happened'",
    "audit_seal": "count = 0",
    "audit_seal_member": "position = 7",
    "audit_archive": "count = 0",
}
# The last: TRUNCATE of a table that others refer to, without CASCADE.
REFUSALS = (
    psycopg.errors.InsufficientPrivilege,
    psycopg.errors.RestrictViolation,
    psycopg.errors.FeatureNotSupported,
)


def attempts(table: str) -> list[str]:
    return [
        f"UPDATE {table} SET {RECORDS[table]}",
        f"DELETE FROM {table}",
        f"TRUNCATE {table}",
        f"TRUNCATE {table} CASCADE",
        f"ALTER TABLE {table} DISABLE TRIGGER ALL",
        f"ALTER TABLE {table} DISABLE ROW LEVEL SECURITY",
        f"DROP TABLE {table}",
        f"CREATE OR REPLACE RULE hide AS ON INSERT TO {table} DO INSTEAD NOTHING",
    ]


@pytest.mark.parametrize("role", ["coldcase_service", "coldcase_auditor"])
@pytest.mark.parametrize("table", RECORDS)
def test_neither_role_can_change_what_is_recorded(ledger, table, role):
    with psycopg.connect(plain(ledger.database.service_url), autocommit=True) as conn:
        conn.execute(f"SET ROLE {role}")
        conn.execute("SET coldcase.reads_all = 'on'")
        for attempt in attempts(table):
            with pytest.raises(REFUSALS):
                conn.execute(attempt)


FORGED_SEAL = (
    "INSERT INTO audit_seal (number, at, count, from_xid, up_to_xid, next_xid, previous, root, head)"
    " VALUES (9, now(), 0, '3', '4', '5', '', '', '')"
)


MINTED_KEY = (
    "INSERT INTO api_key (id, client_id, secret_sha256, scopes, created_at)"
    " VALUES (gen_random_uuid(), 1, sha256(''), '{decisions:read:all}', now())"
)
DECISION = (
    f"id, client_id, recorded_at, fingerprint, case_text, {COPIED}, cause, status, "
    "confidence, compressor_type, rule_table, engine"
)
VERDICT = "id, decision_id, client_id, recorded_at, fingerprint, cause, not_determinable, basis, by_key"


@pytest.mark.parametrize(
    "attempt",
    [
        "SET session_replication_role = replica",
        "SET ROLE coldcase_owner",
        "SET ROLE postgres",
        "ALTER ROLE coldcase_service SUPERUSER",
        "UPDATE decision_of_this_year SET confidence = 1",
        "DELETE FROM decision_of_this_year",
        "SELECT * FROM decision_of_this_year",
        "SELECT * FROM audit_seal_member",
        (
            "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN "
            "RETURN NULL; END'"
        ),
        FORGED_SEAL,
        (
            "INSERT INTO audit_event (at, action, subject, by_role, details) VALUES (now(), "
            "'key.revoked', '1', 'postgres', '{}')"
        ),
        "INSERT INTO audit_archive (year, at, count, file_sha256) VALUES (1999, now(), 0, '')",
        "INSERT INTO client (name) VALUES ('Nobody')",
        "UPDATE client SET name = 'Nobody'",
        MINTED_KEY,
        "UPDATE api_key SET revoked_at = now()",
        "UPDATE api_key SET scopes = '{decisions:read:all}'",
        (
            "INSERT INTO rule_table (version, digest, document, created_at, created_by) VALUES (2, 'd', "
            "'{}', now(), 'x')"
        ),
        "INSERT INTO rule_table_event (version, kind, at) VALUES (1, 'withdraw', now())",
        f"INSERT INTO decision (xid, {DECISION}) SELECT '9', {DECISION} FROM decision LIMIT 1",
        f"INSERT INTO verdict (xid, {VERDICT}) SELECT '9', {VERDICT} FROM verdict LIMIT 1",
        f"INSERT INTO verdict (by_client_id, {VERDICT}) SELECT 2, {VERDICT} FROM verdict LIMIT 1",
        f"INSERT INTO verdict (salt, person_sha256, {VERDICT}) SELECT '', '', {VERDICT} FROM verdict LIMIT 1",
        "CREATE TEMPORARY TABLE scratch (id integer)",
        "CREATE TABLE scratch (id integer)",
        "CREATE FUNCTION scratch() RETURNS integer LANGUAGE sql AS 'SELECT 1'",
        "CREATE SCHEMA scratch",
        "GRANT coldcase_owner TO coldcase_service",
        "ALTER DATABASE {database} SET search_path = pg_temp",
        "SELECT audit()",
        "SELECT lo_import('/etc/hostname')",
    ],
)
def test_the_service_cannot_get_round_it(ledger, attempt, this_year):
    attempt = attempt.replace("of_this_year", str(this_year)).replace("{database}", ledger.database.name)
    with (
        psycopg.connect(plain(ledger.database.service_url), autocommit=True) as conn,
        pytest.raises(REFUSALS),
    ):
        conn.execute(attempt)


@pytest.mark.parametrize("table", RECORDS)
def test_the_owner_is_held_back_from_doing_it_by_accident(ledger, table):
    ledger.harm("INSERT INTO audit_archive (year, at, count, file_sha256) VALUES (1999, now(), 0, '')")
    with psycopg.connect(plain(ledger.database.owner_url), autocommit=True) as conn:
        for attempt in attempts(table)[:4]:
            with pytest.raises(REFUSALS):
                conn.execute(attempt)


NOTE_S_SALT_GONE = "salt = overlay(salt PLACING decode(repeat('00', 16), 'hex') FROM 17)"


def test_words_can_be_erased_by_the_owner_but_not_changed(ledger):
    with psycopg.connect(plain(ledger.database.owner_url), autocommit=True) as conn:
        for change in (
            "note = 'another'",
            "note = 'erased'",
            "note = 'erased', salt = NULL, basis = 'field'",
            "note = NULL, salt = NULL",
            "salt = NULL",
            "salt = decode(repeat('07', 32), 'hex')",
            "salt = uuid_send(gen_random_uuid())",
            f"note = 'another', {NOTE_S_SALT_GONE}",
            f"note = NULL, {NOTE_S_SALT_GONE}",
            f"note = 'erased', {NOTE_S_SALT_GONE}, person = 'erased'",
            f"note = 'erased', {NOTE_S_SALT_GONE}, note_sha256 = NULL",
            NOTE_S_SALT_GONE,
        ):
            with pytest.raises(psycopg.errors.RestrictViolation):
                conn.execute(f"UPDATE verdict SET {change}")
        for change in (
            "'lab-8'",
            "NULL",
            "'erased', established_at = NULL",
            "'erased', note = 'x', salt = NULL",
        ):
            with pytest.raises(psycopg.errors.RestrictViolation):
                conn.execute(f"UPDATE verdict SET established_by = {change}")
        with pytest.raises(psycopg.errors.RestrictViolation):
            conn.execute("UPDATE verdict SET established_at = now()")
        assert (
            conn.execute(
                f"UPDATE verdict SET note = 'erased', {NOTE_S_SALT_GONE} WHERE id = '{ledger.verdicts[0]}'"
            ).rowcount
            == 1
        )
        assert conn.execute("UPDATE verdict SET note = 'erased', salt = NULL").rowcount == 2
        assert conn.execute("UPDATE verdict SET established_by = 'erased'").rowcount == 2


@pytest.mark.parametrize("table", ["decision", "verdict", "audit_event"])
@pytest.mark.parametrize("client", [1, 2])
def test_a_query_without_a_filter_shows_a_client_its_own_rows_only(ledger, table, client):
    with psycopg.connect(plain(ledger.database.service_url)) as conn:
        assert conn.execute(f"SELECT * FROM {table} WHERE client_id IS NOT NULL").fetchall() == []
        conn.execute("SELECT set_config('coldcase.client', %s, true)", [str(client)])
        seen = conn.execute(f"SELECT client_id FROM {table} WHERE client_id IS NOT NULL").fetchall()
        assert {row[0] for row in seen} == {client}
        conn.execute("SELECT set_config('coldcase.reads_all', 'on', true)")
        both = conn.execute(
            f"SELECT DISTINCT client_id FROM {table} WHERE client_id IS NOT NULL ORDER BY 1"
        ).fetchall()
        assert both == [(1,), (2,)]


def test_what_a_transaction_may_see_ends_with_it(ledger):
    with psycopg.connect(plain(ledger.database.service_url)) as conn:
        conn.execute("SELECT set_config('coldcase.client', '1', true)")
        assert conn.execute("SELECT count(*) FROM decision").fetchone() == (6,)
        conn.commit()
        assert conn.execute("SELECT count(*) FROM decision").fetchone() == (0,)


def test_the_auditors_sight_has_to_be_asked_for(ledger):
    with psycopg.connect(plain(ledger.database.service_url), autocommit=True) as conn:
        assert conn.execute("SELECT count(*) FROM decision").fetchone() == (0,)
        conn.execute("SET ROLE coldcase_auditor")
        assert conn.execute("SELECT count(*) FROM decision").fetchone() == (12,)


def test_the_first_table_is_published_once_by_whoever_starts(ledger):
    with psycopg.connect(plain(ledger.database.service_url), autocommit=True) as conn:
        assert conn.execute("SELECT publish_first('{}', 'sha256:0')").fetchone() == (False,)
    assert ledger.ask("SELECT version FROM rule_table") == [(1,)]


def test_whose_key_gave_a_verdict_is_filled_by_the_database(ledger):
    assert (
        ledger.ask("SELECT by_client_id = api_key.client_id FROM verdict JOIN api_key ON api_key.id = by_key")
        == [(True,)] * 2
    )


def test_large_objects_are_no_business_of_the_service_where_the_owner_may_say_so(empty_database, postgres):
    migrating.upgrade(postgres.url(embedded.SUPERUSER, empty_database.name))
    with psycopg.connect(plain(empty_database.service_url), autocommit=True) as conn:
        for attempt in (
            "lo_create(0)",
            "lo_creat(0)",
            "lo_from_bytea(0, '')",
            "lo_open(1, 0)",
            "lo_put(1, 0, '')",
            "lo_unlink(1)",
        ):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                conn.execute(f"SELECT {attempt}")
