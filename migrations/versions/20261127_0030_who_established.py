"""A verdict says who established it and when; audit events are found by person and by time.

Revises: 20261126_2200.

Both stand under the seal by the verdict's fingerprint, of which they are a part. Who established it is a label that can be erased, as a
note can, by a trigger of its own: the salts of the other texts are told by their number. A replica of the release before records verdicts
without the two.
"""

from alembic import op
from sqlalchemy import Column, DateTime, Text

revision = "20261127_0030"
down_revision = "20261126_2200"
branch_labels = None
depends_on = None

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
            'digest', coalesce((SELECT digest FROM rule_table WHERE version = subject::integer),
                               (SELECT digest FROM rule_table_draft WHERE version = subject::integer)))
            || coalesce((SELECT jsonb_build_object('client_id', client.id, 'client', client.name) FROM api_key
                         JOIN client ON client.id = api_key.client_id WHERE api_key.id = (made ->> 'by_key')::uuid), '{}');
        actor := jsonb_build_object('key', made -> 'by_key', 'person', made -> 'person') || actor;
    WHEN 'verdict' THEN
        action := 'verdict.recorded';
        details := jsonb_build_object('decision', made -> 'decision_id', 'cause', made -> 'cause', 'basis', made -> 'basis')WHEN_ESTABLISHED;
    END CASE;
    INSERT INTO audit_event (at, action, subject, client_id, by_role, by_key, person, remote, request_id, details)
    VALUES (now(), action, subject, concerned, session_user, (actor ->> 'key')::uuid, actor ->> 'person',
            actor ->> 'remote', actor ->> 'request_id', details::text);
    RETURN NULL;
END $$
"""

WHEN_ESTABLISHED = """
            || CASE WHEN made ->> 'established_at' IS NULL THEN '{}'
               ELSE jsonb_build_object('established_at', made -> 'established_at') END"""

ONLY_ERASE_ESTABLISHER = """
CREATE FUNCTION only_erase_establisher() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.established_by IS NULL OR NEW.established_by IS DISTINCT FROM 'erased'
        OR to_jsonb(OLD) - 'established_by' <> to_jsonb(NEW) - 'established_by' THEN
        RAISE EXCEPTION 'the record is append-only: who established a verdict can be erased, not changed'
            USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$
"""

SAME = "OLD.established_by IS NOT DISTINCT FROM NEW.established_by"
ERASED = "CREATE TRIGGER only_erased BEFORE UPDATE ON verdict FOR EACH ROW {} EXECUTE FUNCTION only_erase('person', 'note')"


def upgrade() -> None:
    op.add_column("verdict", Column("established_by", Text))
    op.add_column("verdict", Column("established_at", DateTime(timezone=True)))
    op.execute("GRANT INSERT (established_by, established_at) ON verdict TO coldcase_service")
    op.execute(ONLY_ERASE_ESTABLISHER)
    op.execute("DROP TRIGGER only_erased ON verdict")
    op.execute(ERASED.format(f"WHEN ({SAME})"))
    op.execute(
        f"CREATE TRIGGER establisher_erased BEFORE UPDATE ON verdict FOR EACH ROW WHEN (NOT {SAME})"
        " EXECUTE FUNCTION only_erase_establisher()"
    )
    op.execute(AUDIT.replace("WHEN_ESTABLISHED", WHEN_ESTABLISHED))
    op.create_index("ix_audit_event_at_id", "audit_event", ["at", "id"])
    op.create_index("ix_audit_event_person_id", "audit_event", ["person", "id"])


def downgrade() -> None:
    op.drop_index("ix_audit_event_person_id", "audit_event")
    op.drop_index("ix_audit_event_at_id", "audit_event")
    op.execute(AUDIT.replace("WHEN_ESTABLISHED", ""))
    op.execute("DROP TRIGGER establisher_erased ON verdict")
    op.execute("DROP TRIGGER only_erased ON verdict")
    op.execute(ERASED.format(""))
    op.execute("DROP FUNCTION only_erase_establisher()")
    op.drop_column("verdict", "established_at")
    op.drop_column("verdict", "established_by")
