"""Every revision goes up and down, says in `tables.py` what it leaves, and can be applied as plain SQL."""

import re
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from uuid import UUID

import psycopg
import pytest
import structlog
from alembic.script import ScriptDirectory

from coldcase.cli import main
from coldcase.db import embedded, engine, migrating
from coldcase.db import guards as catalogue
from coldcase.errors import RightsMissing, StaleSchema
from tests import guards

SCHEMA = """
SELECT table_name, column_name, data_type, is_nullable, coalesce(column_default, '')
    FROM information_schema.columns
WHERE table_schema = 'public' AND table_name <> 'alembic_version'
UNION ALL
SELECT event_object_table, trigger_name, event_manipulation, action_timing, action_statement
    FROM information_schema.triggers
UNION ALL
SELECT tablename, policyname, cmd, coalesce(qual, ''), coalesce(with_check, '') FROM pg_policies
UNION ALL
SELECT table_name, grantee, privilege_type, is_grantable, '' FROM information_schema.role_table_grants
    WHERE grantee LIKE 'coldcase%'
UNION ALL
SELECT tablename, indexname, '', '', indexdef FROM pg_indexes WHERE schemaname = 'public'
ORDER BY 1, 2, 3, 4, 5
"""


def schema(database) -> list[tuple[str, ...]]:
    with psycopg.connect(database.owner_url.replace("+psycopg", "")) as conn:
        return conn.execute(SCHEMA).fetchall()


def test_there_is_one_head():
    assert len(ScriptDirectory.from_config(migrating.configuration()).get_heads()) == 1


def test_up_down_and_up_again_gives_the_same_schema(empty_database):
    migrating.upgrade(empty_database.owner_url)
    first = schema(empty_database)
    migrating.downgrade(empty_database.owner_url)
    assert {row[0] for row in schema(empty_database)} <= {"alembic_version"}
    migrating.upgrade(empty_database.owner_url)
    assert schema(empty_database) == first


def test_each_revision_can_be_taken_back_by_itself(empty_database):
    revisions = [
        script.revision for script in ScriptDirectory.from_config(migrating.configuration()).walk_revisions()
    ]
    migrating.upgrade(empty_database.owner_url)
    whole = schema(empty_database)
    for revision in [*revisions[1:], "base"]:
        migrating.downgrade(empty_database.owner_url, revision)
    migrating.upgrade(empty_database.owner_url)
    assert schema(empty_database) == whole


def test_the_tables_of_the_code_are_those_of_the_migrations(empty_database):
    migrating.upgrade(empty_database.owner_url)
    migrating.check_schema(empty_database.owner_url)


def test_a_second_upgrade_finds_nothing_to_do(empty_database):
    migrating.upgrade(empty_database.owner_url)
    first = schema(empty_database)
    migrating.upgrade(empty_database.owner_url)
    assert schema(empty_database) == first


def test_the_printed_sql_gives_the_same_schema(empty_database, make_database):
    migrating.upgrade(empty_database.owner_url)
    by_hand = make_database()
    with psycopg.connect(by_hand.owner_url.replace("+psycopg", ""), autocommit=True) as conn:
        conn.execute(migrating.sql())
        conn.execute("SELECT ensure_partitions()")
    assert schema(by_hand) == schema(empty_database)


JOINED = (
    "SELECT pg_has_role('coldcase_service', 'coldcase_auditor', 'SET'), "
    "pg_has_role('coldcase_service', 'coldcase_auditor', 'USAGE')"
)


def test_what_belongs_to_the_whole_server_survives_a_downgrade_of_one_database(
    empty_database, service_database
):
    migrating.upgrade(empty_database.owner_url)
    migrating.downgrade(empty_database.owner_url)
    with psycopg.connect(service_database.service_url.replace("+psycopg", "")) as conn:
        assert conn.execute(JOINED).fetchone() == (True, False)


def test_an_owner_who_may_make_no_roles_uses_those_that_are_there(empty_database, service_database, postgres):
    superuser = postgres.url(embedded.SUPERUSER, empty_database.name)
    with psycopg.connect(superuser.replace("+psycopg", ""), autocommit=True) as conn:
        conn.execute("CREATE ROLE plain_owner LOGIN")
        conn.execute(f"ALTER DATABASE {empty_database.name} OWNER TO plain_owner")
    migrating.upgrade(postgres.url("plain_owner", empty_database.name))
    migrating.check_schema(postgres.url("plain_owner", empty_database.name))


def test_two_who_migrate_at_once_do_not_get_in_each_others_way(empty_database):
    with ThreadPoolExecutor() as pool:
        list(pool.map(migrating.upgrade, [empty_database.owner_url] * 4))
    migrating.check_schema(empty_database.owner_url)


def test_the_service_gets_the_password_it_was_given(empty_database, postgres):
    migrating.upgrade(empty_database.owner_url, service_password="it's a 'secret'")
    superuser = postgres.url(embedded.SUPERUSER, "postgres")
    with psycopg.connect(superuser.replace("+psycopg", ""), autocommit=True) as conn:
        kept = conn.execute(
            "SELECT rolpassword FROM pg_authid WHERE rolname = 'coldcase_service'"
        ).fetchone()[0]
        conn.execute("ALTER ROLE coldcase_service PASSWORD NULL")
    assert kept.startswith("SCRAM-SHA-256$")


BEFORE_KEYS_WERE_AUDITED = "20261125_1050"
OLD_RECORD = """
INSERT INTO client (name) VALUES ('Tern Haven'), ('Butter Store');
INSERT INTO api_key (id, client_id, person, secret_sha256, scopes, created_at)
VALUES ('00000000-0000-7000-8000-000000000001', 1, 'bench', sha256('1'), '{preview}', now()),
       ('00000000-0000-7000-8000-000000000002', 2, NULL, sha256('2'), '{preview}', now());
INSERT INTO verdict (id, decision_id, client_id, recorded_at, idempotency_key, fingerprint, cause,
    not_determinable, basis, by_key)
SELECT gen_random_uuid(), gen_random_uuid(), 1, now(), 'vk', '', 'moisture', false, 'field', id FROM api_key
    WHERE client_id = 2
"""


def test_keys_and_verdicts_of_before_are_adopted_once(empty_database):
    migrating.upgrade(empty_database.owner_url)
    migrating.downgrade(empty_database.owner_url, BEFORE_KEYS_WERE_AUDITED)
    with psycopg.connect(empty_database.owner_url.replace("+psycopg", ""), autocommit=True) as conn:
        for statement in OLD_RECORD.split(";"):
            conn.execute(statement)
    for _ in range(2):
        migrating.upgrade(empty_database.owner_url)
        with psycopg.connect(empty_database.owner_url.replace("+psycopg", "")) as conn:
            found = conn.execute(
                "SELECT action, client_id, details::json ->> 'client' FROM audit_event WHERE action "
                "LIKE '%.adopted'"
            )
            named = [("client", 1), ("client", 2), ("key", 1), ("key", 2)]
            names = {1: "Tern Haven", 2: "Butter Store"}
            assert found.fetchall() == [(f"{kind}.adopted", number, names[number]) for kind, number in named]
            assert conn.execute("SELECT by_client_id FROM verdict").fetchall() == [(2,)]
        migrating.downgrade(empty_database.owner_url, BEFORE_KEYS_WERE_AUDITED)


def test_migrations_import_nothing_of_the_service_that_changes():
    for file in (migrating.script_folder() / "versions").glob("*.py"):
        assert "coldcase" not in "".join(
            line for line in file.read_text().splitlines() if line.startswith(("import", "from"))
        ), file


PARTS = """
SELECT inhrelid::regclass::text, pg_get_expr(relpartbound, oid) FROM pg_inherits JOIN pg_class
    ON oid = inhrelid
WHERE inhparent = 'decision'::regclass ORDER BY 1
"""


def test_years_are_made_ahead_and_meet_without_a_gap(empty_database):
    migrating.upgrade(empty_database.owner_url)
    with psycopg.connect(empty_database.owner_url.replace("+psycopg", "")) as conn:
        years = [int(name.removeprefix("decision_")) for name, _ in conn.execute(PARTS).fetchall()]
        this_year = conn.execute("SELECT extract(year FROM now() AT TIME ZONE 'UTC')::int").fetchone()[0]
        bounds = [re.findall(r"'(.*?)'", bound) for _, bound in conn.execute(PARTS).fetchall()]
    assert years == list(range(this_year - 1, this_year + 3))
    assert [end for _, end in bounds[:-1]] == [start for start, _ in bounds[1:]]
    firsts = [datetime.fromtimestamp((UUID(start).int >> 80) / 1000, UTC) for start, _ in bounds]
    assert firsts == [datetime(year, 1, 1, tzinfo=UTC) for year in years]


@pytest.fixture
def at(empty_database):
    """A function that says what the service says of a database at a revision, or of one that was changed by a
    statement of the owner's."""
    migrating.upgrade(empty_database.owner_url)

    def run(change):
        with psycopg.connect(empty_database.owner_url.replace("+psycopg", ""), autocommit=True) as conn:
            conn.execute(change)
        return engine.run_once(empty_database.service_url, engine.require_current)

    return run


def revised(revision: str) -> str:
    return f"UPDATE alembic_version SET version_num = '{revision}'"


@pytest.mark.parametrize(
    "change",
    [revised("20261125_0930"), "DELETE FROM alembic_version", "ALTER TABLE alembic_version RENAME TO gone"],
)
def test_the_service_refuses_an_older_schema_and_names_the_command(at, change):
    with pytest.raises(StaleSchema, match="run `coldcase migrate`"):
        at(change)


def test_a_replica_that_meets_a_newer_schema_goes_on_and_says_so(at):
    with structlog.testing.capture_logs() as logged:
        at(revised("20990101_0000"))
    assert [line["found"] for line in logged if "newer release" in line["event"]] == ["20990101_0000"]


def test_a_database_of_a_newer_release_is_left_as_it_is(empty_database, capsys):
    migrating.upgrade(empty_database.owner_url)
    with psycopg.connect(empty_database.owner_url.replace("+psycopg", ""), autocommit=True) as conn:
        conn.execute(revised("20990101_0000"))
    before = schema(empty_database)

    assert main(["migrate", "--owner-url", empty_database.owner_url], {}) == 0
    assert "the database is at 20990101_0000, a newer release" in capsys.readouterr().err
    assert schema(empty_database) == before


def test_a_role_that_cannot_seal_is_refused_at_start(empty_database, postgres):
    migrating.upgrade(empty_database.owner_url)
    with psycopg.connect(
        postgres.url(embedded.SUPERUSER, "postgres").replace("+psycopg", ""), autocommit=True
    ) as conn:
        conn.execute("CREATE ROLE lone_service LOGIN IN ROLE pg_read_all_data")
    with pytest.raises(RightsMissing, match=r"may not act as coldcase_auditor.*`coldcase migrate`"):
        engine.run_once(postgres.url("lone_service", empty_database.name), engine.require_ready)


def test_serve_says_so_in_a_sentence(empty_database, capsys):
    migrating.upgrade(empty_database.owner_url)
    assert main(["serve", "--port", "0", "--database-url", empty_database.owner_url], {}) == 1
    assert "may not act as coldcase_auditor" in capsys.readouterr().err


def test_a_server_that_is_too_old_is_named(empty_database, monkeypatch, capsys):
    monkeypatch.setattr(migrating, "OLDEST_SERVER", 990_000)
    assert main(["migrate", "--owner-url", empty_database.owner_url], {}) == 1
    assert "PostgreSQL 99 or newer is needed, this server is" in capsys.readouterr().err


def test_a_migration_that_fails_says_why_in_a_sentence(empty_database, capsys):
    assert main(["migrate", "--owner-url", empty_database.service_url], {}) == 1
    assert "permission denied for schema public" in capsys.readouterr().err


def test_what_is_missing_of_policies_and_grants_is_made_anew_and_told(empty_database, capsys):
    migrating.upgrade(empty_database.owner_url)
    with psycopg.connect(empty_database.owner_url.replace("+psycopg", ""), autocommit=True) as conn:
        for harm in (
            "DROP POLICY seen ON decision",
            "DROP POLICY taken_over ON idempotency",
            "REVOKE ALL ON decision, verdict, api_key, client FROM coldcase_service, coldcase_auditor",
            "REVOKE ALL ON FUNCTION publish_first, ensure_partitions FROM coldcase_service",
            f"GRANT TEMPORARY ON DATABASE {empty_database.name} TO PUBLIC",
            "GRANT DELETE ON decision TO coldcase_service",
        ):
            conn.execute(harm)

    assert main(["migrate", "--owner-url", empty_database.owner_url], {}) == 0
    told = capsys.readouterr().err
    assert "made anew, for it was missing: policy seen on decision" in told
    with psycopg.connect(empty_database.owner_url.replace("+psycopg", ""), autocommit=True) as conn:
        conn.execute("REVOKE DELETE ON decision FROM coldcase_service")
        [(details,)] = conn.execute(
            "SELECT details FROM audit_event WHERE action = 'guards.mended'"
        ).fetchall()
    assert "policy taken_over on idempotency" in details
    assert guards.made(empty_database.owner_url).guards == catalogue.expected_guards().guards
    assert migrating.upgrade(empty_database.owner_url).mended == []
