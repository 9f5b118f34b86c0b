"""A client's crosswalks, each version of them kept; and of a decision the words that it was sent in, where they were the client's own.

Revises: 20261127_0030.

A crosswalk is written by a function that looks up the key itself, and never changes: another version takes its place. It is under no
seal; the event of each version is, with the digest. The words of a decision are under its seal by its fingerprint. A replica of the
release before records decisions without them, and knows no words but ours.
"""

from alembic import op
from sqlalchemy import Column, DateTime, ForeignKeyConstraint, Integer, PrimaryKeyConstraint, Text, Uuid

revision = "20261127_0130"
down_revision = "20261127_0030"
branch_labels = None
depends_on = None

OWN_CLIENT = "client_id = nullif(current_setting('coldcase.client', true), '')::integer"

# What stands already is put there again without a new version, so that a retry is safe whatever it says of what it saw.
PUT_CROSSWALK = """
CREATE FUNCTION put_crosswalk(by uuid, called text, seen text[], fresh boolean, content text, OUT made integer, OUT again boolean)
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    whose integer;
    newest crosswalk;
    print text := 'sha256:' || encode(sha256(convert_to(content, 'UTF8')), 'hex');
BEGIN
    IF by IS NULL THEN
        RAISE EXCEPTION 'A crosswalk is a client''s: it is put there under a key.' USING ERRCODE = 'CC403';
    END IF;
    PERFORM table_actor(by, NULL, 'decisions:write');
    SELECT client_id INTO whose FROM api_key WHERE id = by;
    PERFORM pg_advisory_xact_lock(hashtext('coldcase crosswalk'), whose);
    SELECT * INTO newest FROM crosswalk WHERE client_id = whose AND name = called ORDER BY version DESC LIMIT 1;
    made := coalesce(newest.version, 0);
    again := newest.digest IS NOT DISTINCT FROM print;
    IF again THEN
        RETURN;
    END IF;
    IF fresh AND newest.version IS NOT NULL THEN
        RAISE EXCEPTION 'There is a crosswalk of this name: its ETag is "%".', newest.digest USING ERRCODE = 'CC412';
    END IF;
    IF NOT fresh AND newest.version IS NULL THEN
        RAISE EXCEPTION 'There is no crosswalk of this name yet: `If-None-Match: *` makes it.' USING ERRCODE = 'CC412';
    END IF;
    IF NOT fresh AND NOT (seen IS NULL OR newest.digest = ANY (seen)) THEN
        RAISE EXCEPTION 'The crosswalk was changed meanwhile: its ETag is "%".', newest.digest USING ERRCODE = 'CC412';
    END IF;
    made := made + 1;
    INSERT INTO crosswalk (client_id, name, version, digest, document, recorded_at, by_key)
    VALUES (whose, called, made, print, content, now(), by);
END $$
"""

AUDIT_CROSSWALK = """
CREATE FUNCTION audit_crosswalk() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    actor jsonb := coalesce(nullif(current_setting('coldcase.actor', true), ''), '{}')::jsonb;
BEGIN
    INSERT INTO audit_event (at, action, subject, client_id, by_role, by_key, person, remote, request_id, details)
    VALUES (now(), 'crosswalk.put', NEW.name, NEW.client_id, session_user, (actor ->> 'key')::uuid, actor ->> 'person',
        actor ->> 'remote', actor ->> 'request_id', jsonb_build_object('client_id', NEW.client_id, 'client',
            (SELECT client.name FROM client WHERE client.id = NEW.client_id), 'version', NEW.version, 'digest', NEW.digest)::text);
    RETURN NULL;
END $$
"""

PUT = "put_crosswalk(uuid, text, text[], boolean, text)"


def upgrade() -> None:
    op.create_table(
        "crosswalk",
        Column("client_id", Integer, nullable=False),
        Column("name", Text(collation="C"), nullable=False),
        Column("version", Integer, nullable=False),
        Column("digest", Text, nullable=False),
        Column("document", Text, nullable=False),
        Column("recorded_at", DateTime(timezone=True), nullable=False),
        Column("by_key", Uuid, nullable=False),
        PrimaryKeyConstraint("client_id", "name", "version", name="pk_crosswalk"),
        ForeignKeyConstraint(["client_id"], ["client.id"], name="fk_crosswalk_client_id_client"),
        ForeignKeyConstraint(["by_key"], ["api_key.id"], name="fk_crosswalk_by_key_api_key"),
    )
    for body in (PUT_CROSSWALK, AUDIT_CROSSWALK):
        op.execute(body)
    for name in (PUT, "audit_crosswalk()"):
        op.execute(f"REVOKE EXECUTE ON FUNCTION {name} FROM PUBLIC")
    op.execute(f"GRANT EXECUTE ON FUNCTION {PUT} TO coldcase_service")
    op.execute("CREATE TRIGGER never_changed BEFORE UPDATE OR DELETE ON crosswalk FOR EACH ROW EXECUTE FUNCTION refuse_change()")
    op.execute("CREATE TRIGGER never_emptied BEFORE TRUNCATE ON crosswalk EXECUTE FUNCTION refuse_change()")
    op.execute("CREATE TRIGGER audited AFTER INSERT ON crosswalk FOR EACH ROW EXECUTE FUNCTION audit_crosswalk()")
    op.execute("ALTER TABLE crosswalk ENABLE ROW LEVEL SECURITY")
    op.execute(f"CREATE POLICY seen ON crosswalk FOR SELECT TO coldcase_service USING ({OWN_CLIENT})")
    op.execute("GRANT SELECT ON crosswalk TO coldcase_service")
    op.add_column("decision", Column("own_words", Text))
    op.execute("GRANT INSERT (own_words) ON decision TO coldcase_service")


def downgrade() -> None:
    """Crosswalks go, and the words that decisions were sent in; their events and fingerprints stay."""
    op.drop_column("decision", "own_words")
    op.execute(f"DROP FUNCTION {PUT}")
    op.drop_table("crosswalk")
    op.execute("DROP FUNCTION audit_crosswalk()")
