"""Whatever is done to keys, clients, or what guards the record, is named by a verification."""

import asyncio
from typing import Any
from uuid import UUID

import psycopg
import pytest
from sqlalchemy import text
from sqlalchemy.ext.asyncio import create_async_engine
from sqlalchemy.pool import NullPool

from coldcase.auditing import guards
from coldcase.cli import main
from coldcase.clock import now
from coldcase.db import embedded, keys, server_programs
from coldcase.db import guards as catalogue
from coldcase.db.engine import driver_url, run_once
from tests import guards as making
from tests.conftest import drop

pytestmark = pytest.mark.anyio

OTHER = "'00000000-0000-7000-8000-000000000009'"
FORGED_KEY = (
    "INSERT INTO api_key (id, client_id, secret_sha256, scopes, created_at) VALUES "
    f"({OTHER}, 1, sha256('x'), '{{audit:read}}', now())"
)
FIRST = "(SELECT min(id::text)::uuid FROM api_key)"

VERDICT = "decision_id, client_id, recorded_at, fingerprint, cause, not_determinable, basis, by_key"

HOLDERS = {
    "scopes widened": (
        "UPDATE api_key SET scopes = '{audit:read,decisions:read:all}' WHERE client_id = 1",
        "key",
        "its scopes is",
    ),
    "another secret": (
        "UPDATE api_key SET secret_sha256 = sha256('x') WHERE client_id = 1",
        "key",
        "another secret",
    ),
    "moved to another client": (
        "UPDATE api_key SET client_id = 2 WHERE client_id = 1",
        "key",
        "its client_id is 2",
    ),
    "another person": ("UPDATE api_key SET person = 'mallory' WHERE client_id = 1", "key", "another person"),
    "a person with a hash of its own": (
        "UPDATE api_key SET person = 'm', salt = '', person_sha256 = sha256('person=m') WHERE client_id = 1",
        "key",
        "another person",
    ),
    "a longer life": (
        "UPDATE api_key SET expires_at = now() WHERE client_id = 1",
        "key",
        "its expires_at is",
    ),
    "an earlier beginning": (
        "UPDATE api_key SET created_at = now() - interval '1 day' WHERE client_id = 1",
        "key",
        "its created_at is",
    ),
    "revoked without an event": (
        "UPDATE api_key SET revoked_at = now() WHERE client_id = 1",
        "key",
        "it is revoked at",
    ),
    "a key slipped in": (FORGED_KEY, "key", f"{OTHER[1:-1]} was inserted"),
    "a key deleted": (f"DELETE FROM api_key WHERE id = {FIRST}", "key", "was deleted"),
    "a key told of twice": (
        (
            "INSERT INTO audit_event (at, action, subject, client_id, by_role, details)"
            " SELECT at, 'key.adopted', subject, client_id, by_role, details FROM audit_event WHERE "
            f"subject = {FIRST}::text"
        ),
        "key",
        "made 2 times",
    ),
    "names of two clients exchanged": (
        (
            "UPDATE client SET name = name || '!';; UPDATE client SET name = CASE id WHEN 1 THEN 'Butter "
            "Store' ELSE 'Tern Haven' END"
        ),
        "client",
        "client 1 is named Butter Store; by its events its name is Tern Haven",
    ),
    "a client slipped in": ("INSERT INTO client (name) VALUES ('Nobody')", "client", "was inserted"),
    "a client deleted": ("DELETE FROM client WHERE id = 2", "client", "client 2 was deleted"),
    "a rule table published": (
        "INSERT INTO rule_table_event (version, kind, at) VALUES (1, 'publish', now())",
        "inserted",
        "rule_table_event 4 has no audit event",
    ),
    "a verdict slipped in": (
        (
            f"INSERT INTO verdict (id, by_client_id, {VERDICT}) SELECT {OTHER}, by_client_id, {VERDICT} "
            "FROM verdict LIMIT 1"
        ),
        "inserted",
        "has no audit event",
    ),
    "a verdict's idempotency key moved": (
        "UPDATE verdict SET by_client_id = 2",
        "key",
        "stands under the idempotency keys",
    ),
}

GUARDS = {
    "a trigger dropped": (
        "DROP TRIGGER only_packed ON decision",
        "trigger only_packed on decision is missing",
    ),
    "a trigger disabled": (
        "ALTER TABLE audit_event DISABLE TRIGGER only_erased",
        "only_erased on audit_event is not as",
    ),
    "a trigger disabled on one year": (
        "ALTER TABLE decision_{year} DISABLE TRIGGER only_packed",
        "only_packed on decision_{year} is not",
    ),
    "a trigger that fires on less": (
        (
            "DROP TRIGGER never_deleted ON verdict;; CREATE TRIGGER never_deleted BEFORE DELETE ON "
            "verdict FOR EACH ROW WHEN (false)"
            " EXECUTE FUNCTION refuse_change()"
        ),
        "never_deleted on verdict is not as",
    ),
    "a trigger more": (
        "CREATE TRIGGER zz BEFORE INSERT ON verdict FOR EACH ROW EXECUTE FUNCTION refuse_change()",
        "trigger zz on verdict is none",
    ),
    "foreign keys' triggers disabled": (
        "ALTER TABLE verdict DISABLE TRIGGER ALL",
        "constraint on verdict is none",
    ),
    "a function emptied": (
        (
            "CREATE OR REPLACE FUNCTION audit() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET "
            "search_path = public, pg_temp"
            " AS 'BEGIN RETURN NULL; END'"
        ),
        "function audit() is not as `coldcase migrate` makes it: body is",
    ),
    "a function that anybody may call": (
        "GRANT EXECUTE ON FUNCTION publish_first TO PUBLIC",
        "execute is ['PUBLIC', 'coldcase_service']",
    ),
    "a function more": (
        "CREATE FUNCTION sha256(text) RETURNS bytea LANGUAGE sql AS 'SELECT null::bytea'",
        "function sha256(text) is none",
    ),
    "a policy dropped": ("DROP POLICY seen ON decision", "policy seen on decision is missing"),
    "a policy widened": ("ALTER POLICY seen ON verdict USING (true)", "policy seen on verdict is not as"),
    "a policy more": (
        "CREATE POLICY open ON decision FOR SELECT TO coldcase_service USING (true)",
        "policy open on decision is none",
    ),
    "row-level security off": ("ALTER TABLE decision DISABLE ROW LEVEL SECURITY", "table decision is not as"),
    "row-level security off for a year": (
        "ALTER TABLE decision_{year} DISABLE ROW LEVEL SECURITY",
        "table decision_{year} is not as",
    ),
    "a grant more": (
        "GRANT DELETE ON decision TO coldcase_service",
        "grant coldcase_service on decision is not as",
    ),
    "a grant on a column": (
        "GRANT INSERT (xid) ON verdict TO coldcase_service",
        "grant coldcase_service on verdict is not as",
    ),
    "a grant to everybody": (
        "GRANT SELECT ON decision_{year} TO PUBLIC",
        "grant PUBLIC on decision_{year} is none",
    ),
    "a grant taken away": (
        "REVOKE SELECT ON audit_seal FROM coldcase_service",
        "grant coldcase_service on audit_seal is missing",
    ),
    "the schema open": (
        "GRANT CREATE ON SCHEMA public TO coldcase_service",
        "grant coldcase_service on schema public is none",
    ),
    "a superuser of the service's": (
        "ALTER ROLE coldcase_service SUPERUSER",
        "role coldcase_service is not as",
    ),
    "an auditor that can log in": ("ALTER ROLE coldcase_auditor LOGIN", "login is True"),
    "a membership more": (
        "GRANT pg_read_all_data TO coldcase_service",
        "membership coldcase_service in pg_read_all_data is none",
    ),
    "an auditor's sight inherited": (
        "GRANT coldcase_auditor TO coldcase_service WITH INHERIT TRUE",
        "inherit is True",
    ),
    "sight of all by a setting": (
        "ALTER ROLE coldcase_service SET coldcase.reads_all = 'on'",
        "setting coldcase.reads_all of coldcase_service",
    ),
    "triggers off by a setting": (
        "ALTER DATABASE {database} SET session_replication_role = replica",
        "setting session_replication_role of every role",
    ),
    "a rule": (
        "CREATE RULE hide AS ON INSERT TO audit_event DO INSTEAD NOTHING",
        "rule hide on audit_event is none",
    ),
    "a table of the service's": (
        "ALTER TABLE audit_seal OWNER TO coldcase_service",
        "owned_by_the_service is True",
    ),
    "another transaction id": (
        "ALTER TABLE verdict ALTER xid SET DEFAULT '9'",
        "default xid of verdict is not as",
    ),
    "another revision": (
        "UPDATE alembic_version SET version_num = '20990101_0000'",
        "at revision 20990101_0000, this release knows",
    ),
}


@pytest.fixture(scope="module")
def record(postgres, make_database, _sealed):
    """A record that each test harms in a transaction that is undone."""
    database = make_database(_sealed.database.name)
    yield database
    drop(postgres, database)


@pytest.fixture
async def as_superuser(record, postgres):
    engine = create_async_engine(driver_url(postgres.url("postgres", record.name)), poolclass=NullPool)
    async with engine.connect() as conn:
        yield conn
        await conn.rollback()
    await engine.dispose()


async def breaches(conn, harm):
    await conn.execute(text("SET LOCAL session_replication_role = replica"))
    for statement in harm.split(";; "):
        await conn.exec_driver_sql(statement)
    return await guards.check_guards(conn)


async def test_nothing_is_wrong_with_what_nobody_touched(as_superuser):
    assert await guards.check_guards(as_superuser) == []


@pytest.mark.parametrize("harm", HOLDERS)
async def test_what_was_done_to_a_key_or_client_is_named(as_superuser, harm):
    statement, what, words = HOLDERS[harm]
    found = await breaches(as_superuser, statement)
    assert found
    assert {breach.what for breach in found} <= {what, "key"}
    assert any(breach.what == what and words in breach.detail for breach in found), found


@pytest.mark.parametrize("harm", GUARDS)
async def test_what_was_done_to_a_guard_is_named(as_superuser, record, harm, this_year):
    statement, words = (
        part.replace("{year}", str(this_year)).replace("{database}", record.name) for part in GUARDS[harm]
    )
    found = await breaches(as_superuser, statement)
    assert {breach.what for breach in found} == {"guard"}
    assert any(words in breach.detail for breach in found), found


EVENTS_OF_KEYS = "UPDATE audit_event SET {change} WHERE action ~ '^(key|client|rule_table)[.]'"


@pytest.mark.parametrize(
    "change",
    [
        "details = '{}'",
        "details = 'no JSON'",
        "details = '[]'",
        "details = replace(details, '-', '+')",
        (
            """details = '{"secret": 1, "created_at": "soon", "expires_at": 7, "client_id": [],"""
            """ "scopes": null, "person_sha256": {}}'"""
        ),
        "subject = 'nobody'",
        "subject = ''",
        "client_id = NULL",
        "action = 'key.revoked'",
    ],
)
async def test_events_that_were_tampered_with_stop_no_verification(as_superuser, change):
    found = await breaches(as_superuser, EVENTS_OF_KEYS.replace("{change}", change))
    assert found or "client_id" in change


async def test_the_proper_ways_are_no_breach(as_superuser, record):
    for change in (
        "UPDATE api_key SET revoked_at = now() WHERE client_id = 1",
        "UPDATE api_key SET person = 'erased'",
        "UPDATE client SET name = 'Tern Haven Ice' WHERE id = 1",
        "UPDATE client SET name = 'Tern Haven' WHERE id = 2",
        "INSERT INTO client (name) VALUES ('Whey Store')",
        f"{FORGED_KEY}",
    ):
        await as_superuser.exec_driver_sql(change)
    assert await guards.check_guards(as_superuser) == []
    [(details,)] = await as_superuser.exec_driver_sql(
        "SELECT details::jsonb FROM audit_event WHERE action = 'client.renamed' AND subject = '1'"
    )
    assert details == {"client_id": 1, "client": "Tern Haven Ice", "before": "Tern Haven"}


def test_keys_of_a_person_hold_after_the_label_is_erased(ledger, capsys):
    owner = ["--owner-url", ledger.database.owner_url]
    assert (
        main(
            [
                "keys",
                "create",
                "--client",
                "Cheese Store",
                "--person",
                "bench-7",
                "--scope",
                "preview",
                *owner,
            ],
            {},
        )
        == 0
    )
    assert main(["erase", "--person", "bench-7", "--yes", *owner], {}) == 0
    assert asyncio.run(ledger.verify()).troubles == []


def test_verify_tells_of_keys_and_guards_beside_the_seals(ledger, capsys):
    ledger.harm(
        "UPDATE api_key SET scopes = '{decisions:read:all}' WHERE client_id = 1",
        "DELETE FROM client WHERE id = 2",
    )
    with psycopg.connect(ledger.superuser_url, autocommit=True) as conn:
        conn.execute("DROP TRIGGER never_deleted ON client")

    assert main(["verify", "--database-url", ledger.database.service_url], {}) == 1
    told = capsys.readouterr().out
    assert "key: key " in told
    assert "client: client 2 was deleted" in told
    assert "guard: trigger never_deleted on client is missing" in told


def test_the_guards_that_are_known_are_those_of_the_migrations(empty_database):
    """`python -m tests.guards` writes the file anew."""
    making.migrating.upgrade(empty_database.owner_url)
    made = making.made(empty_database.owner_url)
    assert making.FILE.read_bytes() == making.spelled(made)
    assert catalogue.expected_guards() == made


def test_they_are_the_same_on_the_oldest_server_there_is(monkeypatch):
    versions, _ = server_programs.wheel_versions()
    monkeypatch.setattr(server_programs, "wheel_versions", lambda: (versions, min(versions)))
    with embedded.temporary(fsync="off") as server:
        making.migrating.upgrade(server.owner_url)
        assert making.made(server.owner_url) == catalogue.expected_guards()


def test_a_key_made_by_the_command_is_told_by_its_event(ledger):
    secret = keys.new_secret()
    values: dict[str, Any] = {
        "client_name": "Ice Store",
        "person": "bench",
        "scopes": ["preview"],
        "secret_sha256": keys.secret_digest(secret),
        "now": now(),
    }
    run_once(ledger.database.owner_url, lambda conn: keys.create_key(conn, id_=UUID(int=9), **values))
    assert asyncio.run(ledger.verify()).good
