"""Decisions that came by an import say so and keep the client's own code; which lines of imports are on record; one event an import.

Revises: 20261127_0610.

A line is known by a hash of its client, import key, content and how often that content came before, for good. It is recorded in the
transaction of its decision, so that neither is there without the other. Verdicts of an import are told by one event a statement, with
their number: a million of them would be a million events. Origin and own code are under no seal; what was sent is, by the fingerprint.
A replica of the release before records live decisions only, which is what the columns say where nothing is said.
"""

from alembic import op
from sqlalchemy import Column, PrimaryKeyConstraint, Text, Uuid

revision = "20261127_0700"
down_revision = "20261127_0610"
branch_labels = None
depends_on = None

KNOWN = "origin IN ('live', 'bulk')"

# Whoever's key it is asked for again at the end: it may have been revoked meanwhile, and what was recorded until then is told all the same.
NOTE_IMPORT = """
CREATE FUNCTION note_import(by uuid, called text, told jsonb) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    actor jsonb := coalesce(nullif(current_setting('coldcase.actor', true), ''), '{}')::jsonb;
    whose api_key;
BEGIN
    SELECT * INTO whose FROM api_key WHERE id = by;
    IF whose.id IS NULL OR NOT 'decisions:write' = ANY (whose.scopes) THEN
        RAISE EXCEPTION 'An import is made under a key with the scope `decisions:write`.' USING ERRCODE = 'CC403';
    END IF;
    INSERT INTO audit_event (at, action, subject, client_id, by_role, by_key, person, remote, request_id, details)
    VALUES (clock_timestamp(), 'decisions.imported', called, whose.client_id, session_user, by, nullif(btrim(whose.person), ''),
        actor ->> 'remote', actor ->> 'request_id', jsonb_build_object('client_id', whose.client_id, 'client',
            (SELECT client.name FROM client WHERE client.id = whose.client_id), 'lines', (told ->> 'lines')::bigint,
            'recorded', (told ->> 'recorded')::bigint, 'replayed', (told ->> 'replayed')::bigint, 'refused', (told ->> 'refused')::bigint,
            'verdicts', (told ->> 'verdicts')::bigint, 'rule_table', (told ->> 'rule_table')::integer,
            'finished', (told ->> 'finished')::boolean)::text);
END $$
"""

AUDIT_IMPORTED_VERDICTS = """
CREATE FUNCTION audit_imported_verdicts() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    actor jsonb := coalesce(nullif(current_setting('coldcase.actor', true), ''), '{}')::jsonb;
BEGIN
    INSERT INTO audit_event (at, action, subject, client_id, by_role, by_key, person, remote, request_id, details)
    SELECT now(), 'verdicts.imported', min(made.id::text), made.client_id, session_user, (actor ->> 'key')::uuid, actor ->> 'person',
        actor ->> 'remote', actor ->> 'request_id', jsonb_build_object('verdicts', count(*), 'first', min(made.id::text),
            'last', max(made.id::text))::text
    FROM made WHERE made.origin = 'bulk' GROUP BY made.client_id;
    RETURN NULL;
END $$
"""

EACH = "CREATE TRIGGER audited AFTER INSERT ON verdict FOR EACH ROW {} EXECUTE FUNCTION audit()"
NOTE = "note_import(uuid, text, jsonb)"


def upgrade() -> None:
    for table in ("decision", "verdict"):
        op.add_column(table, Column("origin", Text, nullable=False, server_default="live"))
        op.execute(f"ALTER TABLE {table} ADD CONSTRAINT ck_{table}_origin_is_known CHECK ({KNOWN})")
        op.execute(f"GRANT INSERT (origin) ON {table} TO coldcase_service")
    op.add_column("decision", Column("own_code", Text))
    op.execute("GRANT INSERT (own_code) ON decision TO coldcase_service")
    op.create_table(
        "bulk_line",
        Column("identity", Uuid, nullable=False),
        Column("decision_id", Uuid, nullable=False),
        PrimaryKeyConstraint("identity", name="pk_bulk_line"),
    )
    op.execute("CREATE TRIGGER never_changed BEFORE UPDATE OR DELETE ON bulk_line FOR EACH ROW EXECUTE FUNCTION refuse_change()")
    op.execute("CREATE TRIGGER never_emptied BEFORE TRUNCATE ON bulk_line EXECUTE FUNCTION refuse_change()")
    op.execute("GRANT SELECT, INSERT ON bulk_line TO coldcase_service")
    for body in (NOTE_IMPORT, AUDIT_IMPORTED_VERDICTS):
        op.execute(body)
    for name in (NOTE, "audit_imported_verdicts()"):
        op.execute(f"REVOKE EXECUTE ON FUNCTION {name} FROM PUBLIC")
    op.execute(f"GRANT EXECUTE ON FUNCTION {NOTE} TO coldcase_service")
    op.execute("DROP TRIGGER audited ON verdict")
    op.execute(EACH.format("WHEN (NEW.origin = 'live')"))
    op.execute(
        "CREATE TRIGGER import_audited AFTER INSERT ON verdict REFERENCING NEW TABLE AS made FOR EACH STATEMENT"
        " EXECUTE FUNCTION audit_imported_verdicts()"
    )


def downgrade() -> None:
    """What is known of imports goes: the same lines, posted again, would be recorded again. Decisions and events stay."""
    op.execute("DROP TRIGGER import_audited ON verdict")
    op.execute("DROP TRIGGER audited ON verdict")
    op.execute(EACH.format(""))
    op.execute("DROP FUNCTION audit_imported_verdicts()")
    op.execute(f"DROP FUNCTION {NOTE}")
    op.drop_table("bulk_line")
    op.drop_column("decision", "own_code")
    for table in ("decision", "verdict"):
        op.drop_column(table, "origin")
