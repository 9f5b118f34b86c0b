"""Who may do what: the service's role makes no keys and chooses no transaction, and every key and client stands in a sealed event.

Revises: 20261125_1050.
"""

from alembic import op
from sqlalchemy import Column, Integer, LargeBinary, text

revision = "20261126_0200"
down_revision = "20261125_1050"
branch_labels = None
depends_on = None

# All that the service itself says of a record: not `xid`, by which seals go, nor what triggers add.
DECISION = (
    "id, client_id, recorded_at, idempotency_key, fingerprint, case_text, answer_text, cause, status, confidence, job_ref, circuit,"
    " closed_at, compressor_type, refrigerant, rule_table, engine, supersedes"
)
VERDICT = "id, decision_id, client_id, recorded_at, idempotency_key, fingerprint, cause, not_determinable, basis, by_key, person, note"

# A key's idempotency keys are its client's, whosever decision it judges. Filled here, so that nobody can choose it.
TAKE_CLIENT = """
CREATE FUNCTION take_client() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    NEW.by_client_id := (SELECT client_id FROM api_key WHERE id = NEW.by_key);
    RETURN NEW;
END $$
"""

ONLY_REVOKE = """
CREATE FUNCTION only_revoke() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    free text[] := ARRAY['revoked_at', 'person', 'salt'];
BEGIN
    IF to_jsonb(OLD) - free <> to_jsonb(NEW) - free
        OR (OLD.revoked_at IS NOT NULL AND NEW.revoked_at IS DISTINCT FROM OLD.revoked_at)
        OR (NEW.person IS DISTINCT FROM OLD.person AND NEW.person IS DISTINCT FROM 'erased')
        OR (NEW.person IS NOT DISTINCT FROM OLD.person AND NEW.salt IS DISTINCT FROM OLD.salt) THEN
        RAISE EXCEPTION 'the record is append-only: a key can be revoked and its person erased, no more'
            USING ERRCODE = 'restrict_violation';
    END IF;
    IF NEW.person IS DISTINCT FROM OLD.person THEN
        NEW.salt := NULL;
    END IF;
    RETURN NEW;
END $$
"""

# What a sealed event holds of a key, so that `verify` can tell a key that was widened, moved, given another secret or slipped in. The
# secret's digest opens nothing, but it is what keys are found by: the event holds a digest of that.
KEY_FACTS = """
CREATE FUNCTION key_facts(made api_key) RETURNS jsonb LANGUAGE sql STABLE AS $$
    SELECT jsonb_build_object(
        'client_id', made.client_id, 'client', (SELECT name FROM client WHERE id = made.client_id), 'scopes', made.scopes,
        'created_at', made.created_at, 'expires_at', made.expires_at, 'secret', encode(sha256(made.secret_sha256), 'hex'),
        'person_sha256', encode(made.person_sha256, 'hex'))
$$
"""

AUDIT = """
CREATE OR REPLACE FUNCTION audit() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    actor jsonb := coalesce(nullif(current_setting('coldcase.actor', true), ''), '{}')::jsonb;
    made jsonb := to_jsonb(NEW);
    concerned integer := made ->> 'client_id';
    action text;
    subject text := made ->> 'id';
    details jsonb;
BEGIN
    CASE TG_TABLE_NAME
    WHEN 'client' THEN
        action := CASE TG_OP WHEN 'INSERT' THEN 'client.created' ELSE 'client.renamed' END;
        concerned := made ->> 'id';
        details := jsonb_build_object('client_id', concerned, 'client', made -> 'name');
        IF TG_OP = 'UPDATE' THEN
            details := details || jsonb_build_object('before', to_jsonb(OLD) -> 'name');
        END IF;
    WHEN 'api_key' THEN
        action := CASE TG_OP WHEN 'INSERT' THEN 'key.created' ELSE 'key.revoked' END;
        details := key_facts(NEW);
        IF TG_OP = 'UPDATE' THEN
            details := details || jsonb_build_object('revoked_at', made -> 'revoked_at');
        END IF;
    WHEN 'rule_table_event' THEN
        action := 'rule_table.' || (made ->> 'kind');
        subject := made ->> 'version';
        details := jsonb_build_object('event', made -> 'id', 'version', made -> 'version',
            'digest', (SELECT digest FROM rule_table WHERE version = (made ->> 'version')::integer));
        actor := jsonb_build_object('key', made -> 'by_key', 'person', made -> 'person') || actor;
    WHEN 'verdict' THEN
        action := 'verdict.recorded';
        details := jsonb_build_object('decision', made -> 'decision_id', 'cause', made -> 'cause', 'basis', made -> 'basis');
    END CASE;
    INSERT INTO audit_event (at, action, subject, client_id, by_role, by_key, person, remote, request_id, details)
    VALUES (now(), action, subject, concerned, session_user, (actor ->> 'key')::uuid, actor ->> 'person',
            actor ->> 'remote', actor ->> 'request_id', details::text);
    RETURN NULL;
END $$
"""

OLD_AUDIT = """
CREATE OR REPLACE FUNCTION audit() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    actor jsonb := coalesce(nullif(current_setting('coldcase.actor', true), ''), '{}')::jsonb;
    made jsonb := to_jsonb(NEW);
    action text;
    subject text;
    details jsonb;
BEGIN
    CASE TG_TABLE_NAME
    WHEN 'api_key' THEN
        action := CASE TG_OP WHEN 'INSERT' THEN 'key.created' ELSE 'key.revoked' END;
        subject := made ->> 'id';
        details := jsonb_build_object('scopes', made -> 'scopes', 'expires_at', made -> 'expires_at');
    WHEN 'rule_table_event' THEN
        action := 'rule_table.' || (made ->> 'kind');
        subject := made ->> 'version';
        details := jsonb_build_object('event', made -> 'id');
        actor := jsonb_build_object('key', made -> 'by_key', 'person', made -> 'person') || actor;
    WHEN 'verdict' THEN
        action := 'verdict.recorded';
        subject := made ->> 'id';
        details := jsonb_build_object('decision', made -> 'decision_id', 'cause', made -> 'cause', 'basis', made -> 'basis');
    END CASE;
    INSERT INTO audit_event (at, action, subject, client_id, by_role, by_key, person, remote, request_id, details)
    VALUES (now(), action, subject, (made ->> 'client_id')::integer, session_user, (actor ->> 'key')::uuid, actor ->> 'person',
            actor ->> 'remote', actor ->> 'request_id', details::text);
    RETURN NULL;
END $$
"""

# The one thing that a starting service adds to the rule tables: version 1, where there is none.
PUBLISH_FIRST = """
CREATE FUNCTION publish_first(first_document text, first_digest text) RETURNS boolean
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
    PERFORM pg_advisory_xact_lock(hashtext('coldcase rule tables'));
    IF EXISTS (SELECT FROM rule_table) THEN
        RETURN false;
    END IF;
    IF first_digest IS DISTINCT FROM 'sha256:' || encode(sha256(convert_to(first_document, 'UTF8')), 'hex') THEN
        RAISE EXCEPTION 'the digest is not that of the document' USING ERRCODE = 'data_exception';
    END IF;
    INSERT INTO rule_table (version, digest, document, created_at, created_by)
    VALUES (1, first_digest, first_document, now(), 'starter');
    INSERT INTO rule_table_event (version, kind, at, person)
    SELECT 1, kind, now(), 'starter' FROM unnest(ARRAY['draft', 'approve', 'publish']) WITH ORDINALITY AS step (kind, place)
    ORDER BY place;
    RETURN true;
END $$
"""

# Keys and clients that are older than such events get one now; on a second upgrade, those only that were made in between.
ADOPT = """
INSERT INTO audit_event (at, action, subject, client_id, by_role, details)
SELECT now(), 'client.adopted', id::text, id, session_user, jsonb_build_object('client_id', id, 'client', name)::text
FROM client WHERE NOT EXISTS (
    SELECT FROM audit_event WHERE action IN ('client.created', 'client.adopted') AND subject = client.id::text) ORDER BY client.id;
INSERT INTO audit_event (at, action, subject, client_id, by_role, details)
SELECT now(), 'key.adopted', id::text, client_id, session_user,
       (key_facts(api_key) || jsonb_build_object('revoked_at', revoked_at))::text
FROM api_key WHERE NOT EXISTS (
    SELECT FROM audit_event WHERE action IN ('key.created', 'key.adopted') AND subject = api_key.id::text
    AND details::jsonb ? 'secret') ORDER BY api_key.created_at, api_key.id
"""

NO_TEMPORARY_TABLES = """
DO $$
BEGIN
    EXECUTE format('REVOKE TEMPORARY ON DATABASE %I FROM PUBLIC', current_database());
EXCEPTION WHEN insufficient_privilege THEN NULL;
END $$
"""

# Functions of PostgreSQL's own: only where the owner is a superuser can they be taken away.
NO_LARGE_OBJECTS = """
DO $$
DECLARE
    writer regprocedure;
BEGIN
    FOR writer IN SELECT oid::regprocedure FROM pg_proc WHERE pronamespace = 'pg_catalog'::regnamespace AND proname IN
        ('lo_create', 'lo_creat', 'lo_from_bytea', 'lo_open', 'lo_put', 'lowrite', 'lo_truncate', 'lo_truncate64', 'lo_unlink')
    LOOP
        EXECUTE format('REVOKE EXECUTE ON FUNCTION %s FROM PUBLIC', writer);
    END LOOP;
EXCEPTION WHEN insufficient_privilege THEN NULL;
END $$
"""

REFUSED = "EXECUTE FUNCTION refuse_change()"


def upgrade() -> None:
    commit_persons()
    for function in (TAKE_CLIENT, ONLY_REVOKE, KEY_FACTS, AUDIT, PUBLISH_FIRST):
        op.execute(function)
    op.execute("REVOKE EXECUTE ON FUNCTION publish_first(text, text) FROM PUBLIC")
    op.execute("GRANT EXECUTE ON FUNCTION publish_first(text, text) TO coldcase_service")
    own_verdict_keys()
    protect()
    for statement in ADOPT.split(";"):
        op.execute(statement)
    grant()


def downgrade() -> None:
    """The events of keys and clients stay; a person's label that stands in them by its hash can then not be checked any more."""
    ungrant()
    for trigger, table in (
        ("audited", "client"),
        ("never_deleted", "client"),
        ("never_emptied", "client"),
        ("words_committed", "api_key"),
        ("only_revoked", "api_key"),
        ("client_taken", "verdict"),
    ):
        op.execute(f"DROP TRIGGER {trigger} ON {table}")
    op.execute(
        "CREATE TRIGGER stays_revoked BEFORE UPDATE ON api_key FOR EACH ROW"
        " WHEN (OLD.revoked_at IS NOT NULL AND NEW.revoked_at IS DISTINCT FROM OLD.revoked_at) EXECUTE FUNCTION refuse_change()"
    )
    op.execute(OLD_AUDIT)
    for function in ("publish_first(text, text)", "key_facts(api_key)", "only_revoke()", "take_client()"):
        op.execute(f"DROP FUNCTION {function}")
    op.drop_column("api_key", "person_sha256")
    op.drop_column("api_key", "salt")
    op.drop_index("uq_verdict_by_client_id_idempotency_key", "verdict")
    op.create_index(
        "uq_verdict_client_id_idempotency_key",
        "verdict",
        ["client_id", "idempotency_key"],
        unique=True,
        postgresql_where=text("idempotency_key IS NOT NULL"),
    )
    op.drop_column("verdict", "by_client_id")


def own_verdict_keys() -> None:
    op.add_column("verdict", Column("by_client_id", Integer))
    op.execute("ALTER TABLE verdict DISABLE TRIGGER only_erased")
    op.execute("UPDATE verdict SET by_client_id = api_key.client_id FROM api_key WHERE api_key.id = verdict.by_key")
    op.execute("ALTER TABLE verdict ENABLE TRIGGER only_erased")
    op.drop_index("uq_verdict_client_id_idempotency_key", "verdict")
    op.create_index(
        "uq_verdict_by_client_id_idempotency_key",
        "verdict",
        ["by_client_id", "idempotency_key"],
        unique=True,
        postgresql_where=text("idempotency_key IS NOT NULL"),
    )
    op.execute("CREATE TRIGGER client_taken BEFORE INSERT ON verdict FOR EACH ROW EXECUTE FUNCTION take_client()")


def commit_persons() -> None:
    for column in ("salt", "person_sha256"):
        op.add_column("api_key", Column(column, LargeBinary))
    op.execute("UPDATE api_key SET salt = uuid_send(gen_random_uuid()) WHERE person IS DISTINCT FROM 'erased'")
    op.execute("UPDATE api_key SET person_sha256 = sha256(salt || convert_to('person=' || person, 'UTF8'))")


def protect() -> None:
    op.execute("CREATE TRIGGER words_committed BEFORE INSERT ON api_key FOR EACH ROW EXECUTE FUNCTION commit_words('person')")
    op.execute("DROP TRIGGER stays_revoked ON api_key")
    op.execute("CREATE TRIGGER only_revoked BEFORE UPDATE ON api_key FOR EACH ROW EXECUTE FUNCTION only_revoke()")
    op.execute(f"CREATE TRIGGER never_deleted BEFORE DELETE ON client FOR EACH ROW {REFUSED}")
    op.execute(f"CREATE TRIGGER never_emptied BEFORE TRUNCATE ON client {REFUSED}")
    op.execute("CREATE TRIGGER audited AFTER INSERT OR UPDATE OF name ON client FOR EACH ROW EXECUTE FUNCTION audit()")


def grant() -> None:
    op.execute("REVOKE INSERT ON client, api_key, rule_table, rule_table_event, decision, verdict FROM coldcase_service")
    op.execute("REVOKE UPDATE (revoked_at) ON api_key FROM coldcase_service")
    op.execute(f"GRANT INSERT ({DECISION}) ON decision TO coldcase_service")
    op.execute(f"GRANT INSERT ({VERDICT}) ON verdict TO coldcase_service")
    op.execute("GRANT SELECT ON api_key TO coldcase_auditor")
    op.execute("GRANT SELECT ON alembic_version TO coldcase_service, coldcase_auditor")
    op.execute(NO_TEMPORARY_TABLES)
    op.execute(NO_LARGE_OBJECTS)


def ungrant() -> None:
    op.execute(f"REVOKE INSERT ({DECISION}) ON decision FROM coldcase_service")
    op.execute(f"REVOKE INSERT ({VERDICT}) ON verdict FROM coldcase_service")
    op.execute("GRANT INSERT ON client, api_key, rule_table, rule_table_event, decision, verdict TO coldcase_service")
    op.execute("GRANT UPDATE (revoked_at) ON api_key TO coldcase_service")
    op.execute("REVOKE SELECT ON api_key FROM coldcase_auditor")
