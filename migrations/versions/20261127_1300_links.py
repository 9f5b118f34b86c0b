"""Links: a page of the record shown to somebody without a key, until the link ends or is revoked.

Revises: 20261127_1230.

An address is the link's number under a signature with a secret of this record's own, which every replica reads; a reader of the
record could forge one, and can read what it would show him anyway. A link is made and revoked by functions that look up the key
themselves, is never deleted, and both are told by events. Replicas of the release before know none.
"""

from alembic import op
from sqlalchemy import (
    CheckConstraint,
    Column,
    DateTime,
    ForeignKeyConstraint,
    Integer,
    LargeBinary,
    PrimaryKeyConstraint,
    Text,
    Uuid,
)

revision = "20261127_1300"
down_revision = "20261127_1230"
branch_labels = None
depends_on = None

MOMENT = DateTime(timezone=True)

OWN_CLIENT = "client_id = nullif(current_setting('coldcase.client', true), '')::integer"
READS_ALL = "current_setting('coldcase.reads_all', true) = 'on'"
DEFINER = "LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp"

MAKE_LINK = f"""
CREATE FUNCTION make_link(by uuid, needed text, named uuid, what text, of_what text, other integer, print_of text, ends timestamptz,
    idem text, print bytea, OUT made uuid, OUT again boolean) {DEFINER} AS $$
DECLARE
    before text;
BEGIN
    IF by IS NULL THEN
        RAISE EXCEPTION 'A link is made under a key.' USING ERRCODE = 'CC403';
    END IF;
    PERFORM table_actor(by, NULL, needed);
    before := made_before(by, 'link', idem, print);
    made := coalesce(before::uuid, named);
    again := before IS NOT NULL;
    IF again THEN
        RETURN;
    END IF;
    INSERT INTO page_link (id, client_id, kind, subject, against, digest, by_key, created_at, expires_at)
    SELECT named, client_id, what, of_what, other, print_of, by, now(), ends FROM api_key WHERE id = by;
    PERFORM keep_made(by, 'link', idem, print, named::text);
END $$
"""

REVOKE_LINK = f"""
CREATE FUNCTION revoke_link(by uuid, needed text, named uuid, of_what text, every boolean) RETURNS void {DEFINER} AS $$
BEGIN
    IF by IS NULL THEN
        RAISE EXCEPTION 'A link is revoked under a key.' USING ERRCODE = 'CC403';
    END IF;
    PERFORM table_actor(by, NULL, needed);
    IF NOT EXISTS (SELECT FROM page_link WHERE id = named AND subject = of_what
            AND (every OR client_id = (SELECT client_id FROM api_key WHERE id = by))) THEN
        RAISE EXCEPTION 'There is no such link.' USING ERRCODE = 'CC404';
    END IF;
    UPDATE page_link SET revoked_at = now() WHERE id = named AND revoked_at IS NULL;
END $$
"""

AUDIT_LINK = """
CREATE FUNCTION audit_link() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    actor jsonb := coalesce(nullif(current_setting('coldcase.actor', true), ''), '{}')::jsonb;
BEGIN
    INSERT INTO audit_event (at, action, subject, client_id, by_role, by_key, person, remote, request_id, details)
    VALUES (now(), CASE TG_OP WHEN 'INSERT' THEN 'link.made' ELSE 'link.revoked' END, NEW.subject, NEW.client_id, session_user,
        (actor ->> 'key')::uuid, actor ->> 'person', actor ->> 'remote', actor ->> 'request_id', jsonb_build_object(
            'client_id', NEW.client_id, 'client', (SELECT client.name FROM client WHERE client.id = NEW.client_id),
            'link', NEW.id, 'kind', NEW.kind, 'against', NEW.against, 'expires_at', NEW.expires_at)::text);
    RETURN NULL;
END $$
"""

MAKE = "make_link(uuid, text, uuid, text, text, integer, text, timestamptz, text, bytea)"
REVOKE = "revoke_link(uuid, text, uuid, text, boolean)"


def upgrade() -> None:
    op.create_table("link_secret", Column("secret", LargeBinary, nullable=False))
    op.execute("INSERT INTO link_secret SELECT sha256(convert_to(gen_random_uuid()::text || gen_random_uuid(), 'UTF8'))")
    op.create_table(
        "page_link",
        Column("id", Uuid, nullable=False),
        Column("client_id", Integer, nullable=False),
        Column("kind", Text, nullable=False),
        Column("subject", Text, nullable=False),
        Column("against", Integer),
        Column("digest", Text),
        Column("by_key", Uuid, nullable=False),
        Column("created_at", MOMENT, nullable=False),
        Column("expires_at", MOMENT, nullable=False),
        Column("revoked_at", MOMENT),
        PrimaryKeyConstraint("id", name="pk_page_link"),
        ForeignKeyConstraint(["client_id"], ["client.id"], name="fk_page_link_client_id_client"),
        ForeignKeyConstraint(["by_key"], ["api_key.id"], name="fk_page_link_by_key_api_key"),
        CheckConstraint("kind IN ('decision', 'rule_table', 'diff')", name="ck_page_link_kind_is_known"),
        CheckConstraint("(kind = 'diff') = (against IS NOT NULL)", name="ck_page_link_diff_is_of_two"),
        CheckConstraint("(kind = 'decision') = (digest IS NULL)", name="ck_page_link_table_has_a_digest"),
    )
    op.create_index("ix_page_link_subject_id", "page_link", ["subject", "id"])
    for body in (MAKE_LINK, REVOKE_LINK, AUDIT_LINK):
        op.execute(body)
    for name in (MAKE, REVOKE, "audit_link()"):
        op.execute(f"REVOKE EXECUTE ON FUNCTION {name} FROM PUBLIC")
    for name in (MAKE, REVOKE):
        op.execute(f"GRANT EXECUTE ON FUNCTION {name} TO coldcase_service")
    op.execute("CREATE TRIGGER never_deleted BEFORE DELETE ON page_link FOR EACH ROW EXECUTE FUNCTION refuse_change()")
    op.execute("CREATE TRIGGER never_emptied BEFORE TRUNCATE ON page_link EXECUTE FUNCTION refuse_change()")
    op.execute("CREATE TRIGGER audited AFTER INSERT OR UPDATE ON page_link FOR EACH ROW EXECUTE FUNCTION audit_link()")
    op.execute("ALTER TABLE page_link ENABLE ROW LEVEL SECURITY")
    op.execute(f"CREATE POLICY seen ON page_link FOR SELECT TO coldcase_service USING (({OWN_CLIENT}) OR ({READS_ALL}))")
    op.execute("GRANT SELECT ON page_link, link_secret TO coldcase_service")


def downgrade() -> None:
    """Links go, and open nothing any more; their events stay."""
    for name in (MAKE, REVOKE):
        op.execute(f"DROP FUNCTION {name}")
    op.drop_table("page_link")
    op.drop_table("link_secret")
    op.execute("DROP FUNCTION audit_link()")
