"""Remarks on rule tables, each with what came after it; drafts that are made once for one Idempotency-Key, and no more of them than a
client may have.

Revises: 20261126_2000.

A remark stays as it was made, and so does each step after it (an answer, a draft that is said to settle it): the service's role can
write neither but by the functions, which look up the key themselves. Neither is under a seal; the events of both are, with the SHA-256
of what was said. The function that drafted before stays for replicas of the release before, and for the command line.
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

revision = "20261126_2200"
down_revision = "20261126_2000"
branch_labels = None
depends_on = None

MOMENT = DateTime(timezone=True)

DEFINER = "LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp"
LOCK = "PERFORM pg_advisory_xact_lock(hashtext('coldcase rule tables'));"

# What a client has made with this key before, if anything. Whoever asks with the same key waits for the first to be done with it.
MADE_BEFORE = """
CREATE FUNCTION made_before(by uuid, what text, idem text, print bytea) RETURNS text LANGUAGE plpgsql AS $$
DECLARE
    found table_request;
    whose integer := (SELECT client_id FROM api_key WHERE id = by);
BEGIN
    IF idem IS NULL THEN
        RETURN NULL;
    END IF;
    PERFORM pg_advisory_xact_lock(hashtext('coldcase table request'), hashtext(whose || ' ' || idem));
    SELECT * INTO found FROM table_request WHERE client_id = whose AND key = idem;
    IF found.key IS NOT NULL AND (found.kind, found.fingerprint) IS DISTINCT FROM (what, print) THEN
        RAISE EXCEPTION 'This Idempotency-Key was already used for something else.' USING ERRCODE = 'CCKEY';
    END IF;
    RETURN found.made;
END $$
"""

KEEP_MADE = """
CREATE FUNCTION keep_made(by uuid, what text, idem text, print bytea, named text) RETURNS void LANGUAGE sql AS $$
    INSERT INTO table_request (client_id, key, kind, fingerprint, made, at)
    SELECT client_id, idem, what, print, named, now() FROM api_key WHERE id = by AND idem IS NOT NULL
$$
"""

DRAFT_ONCE = f"""
CREATE FUNCTION draft_table_once(by uuid, who text, base integer, told text, content text, idem text, print bytea, most integer,
    OUT made integer, OUT again boolean) {DEFINER} AS $$
DECLARE
    before text;
    held integer;
BEGIN
    PERFORM table_actor(by, who, 'tables:draft');
    before := made_before(by, 'draft', idem, print);
    IF before IS NOT NULL THEN
        made := before::integer;
        again := true;
        RETURN;
    END IF;
    {LOCK}
    SELECT count(*) INTO held FROM rule_table_draft AS draft
    WHERE (SELECT kind FROM rule_table_event WHERE version = draft.version ORDER BY id DESC LIMIT 1) <> 'withdraw'
        AND (SELECT key.client_id FROM rule_table_event AS event JOIN api_key AS key ON key.id = event.by_key
             WHERE event.version = draft.version AND event.kind = 'draft' ORDER BY event.id LIMIT 1)
            = (SELECT client_id FROM api_key WHERE id = by);
    IF held >= most THEN
        RAISE EXCEPTION 'This client has % open drafts, as many as one may have: have one published, or withdrawn by somebody with `tables:approve`.',
            held USING ERRCODE = 'CCMAX';
    END IF;
    made := draft_table(by, who, base, told, content);
    again := false;
    PERFORM keep_made(by, 'draft', idem, print, made::text);
END $$
"""

ADD_REMARK = f"""
CREATE FUNCTION add_remark(by uuid, who text, named uuid, of integer, expected text, place text, stood text, said text, proposed text,
    shown uuid, idem text, print bytea, OUT made uuid, OUT again boolean) {DEFINER} AS $$
DECLARE
    before text;
    found record;
BEGIN
    PERFORM table_actor(by, who, 'tables:read');
    before := made_before(by, 'remark', idem, print);
    made := coalesce(before::uuid, named);
    again := before IS NOT NULL;
    IF again THEN
        RETURN;
    END IF;
    SELECT * INTO found FROM table_now(of);
    IF found.digest IS DISTINCT FROM expected THEN
        RAISE EXCEPTION 'The digest is not that of rule table % as it is now, which is %.', of, found.digest USING ERRCODE = 'CCDIG';
    END IF;
    INSERT INTO remark (id, rule_table, digest, pointer, was_sha256, words, proposal, decision_id, by_key, created_at)
    VALUES (named, of, found.digest, place, stood, said, proposed, shown, by, now());
    PERFORM keep_made(by, 'remark', idem, print, named::text);
END $$
"""

ADD_STEP = f"""
CREATE FUNCTION add_remark_step(by uuid, who text, step uuid, of uuid, said text, settling integer) RETURNS void {DEFINER} AS $$
DECLARE
    found record;
BEGIN
    PERFORM table_actor(by, who, 'tables:draft');
    IF NOT EXISTS (SELECT FROM remark WHERE id = of) THEN
        RAISE EXCEPTION 'There is no such remark.' USING ERRCODE = 'CC404';
    END IF;
    IF settling IS NOT NULL THEN
        SELECT * INTO found FROM table_now(settling);
        IF found.last = 'withdraw' THEN
            RAISE EXCEPTION 'Rule table % is withdrawn: it settles nothing.', settling USING ERRCODE = 'CCSTA';
        END IF;
    END IF;
    INSERT INTO remark_step (id, remark_id, kind, words, settled_by, by_key, at)
    VALUES (step, of, CASE WHEN settling IS NULL THEN 'answer' ELSE 'settle' END, said, settling, by, now());
END $$
"""

AUDIT_REMARK = """
CREATE FUNCTION audit_remark() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    actor jsonb := coalesce(nullif(current_setting('coldcase.actor', true), ''), '{}')::jsonb;
    made jsonb := to_jsonb(NEW);
    about remark;
    action text := 'rule_table.remarked';
    details jsonb;
BEGIN
    IF TG_TABLE_NAME = 'remark' THEN
        about := NEW;
    ELSE
        SELECT * INTO about FROM remark WHERE id = (made ->> 'remark_id')::uuid;
        action := CASE made ->> 'kind' WHEN 'answer' THEN 'rule_table.remark_answered' ELSE 'rule_table.remark_settled' END;
    END IF;
    details := jsonb_build_object('remark', about.id, 'version', about.rule_table, 'digest', about.digest, 'pointer', about.pointer,
        'sha256', encode(sha256(convert_to((made - 'by_key')::text, 'UTF8')), 'hex'))
        || CASE WHEN made ->> 'settled_by' IS NULL THEN '{}' ELSE jsonb_build_object('settled_by', made -> 'settled_by') END;
    INSERT INTO audit_event (at, action, subject, by_role, by_key, person, remote, request_id, details)
    VALUES (now(), action, about.rule_table::text, session_user, (actor ->> 'key')::uuid, actor ->> 'person', actor ->> 'remote',
        actor ->> 'request_id', (details || coalesce((SELECT jsonb_build_object('client_id', client.id, 'client', client.name)
            FROM api_key JOIN client ON client.id = api_key.client_id WHERE api_key.id = (made ->> 'by_key')::uuid), '{}'))::text);
    RETURN NULL;
END $$
"""

HELPERS = {
    "made_before(uuid, text, text, bytea)": MADE_BEFORE,
    "keep_made(uuid, text, text, bytea, text)": KEEP_MADE,
    "audit_remark()": AUDIT_REMARK,
}
CALLED = {
    "draft_table_once(uuid, text, integer, text, text, text, bytea, integer)": DRAFT_ONCE,
    "add_remark(uuid, text, uuid, integer, text, text, text, text, text, uuid, text, bytea)": ADD_REMARK,
    "add_remark_step(uuid, text, uuid, uuid, text, integer)": ADD_STEP,
}
"""What the service's role may call."""

KEPT = ("remark", "remark_step", "table_request")


def upgrade() -> None:
    op.create_table(
        "remark",
        Column("id", Uuid, nullable=False),
        Column("rule_table", Integer, nullable=False),
        Column("digest", Text, nullable=False),
        Column("pointer", Text, nullable=False),
        Column("was_sha256", Text, nullable=False),
        Column("words", Text, nullable=False),
        Column("proposal", Text),
        Column("decision_id", Uuid),
        Column("by_key", Uuid),
        Column("created_at", MOMENT, nullable=False),
        PrimaryKeyConstraint("id", name="pk_remark"),
        ForeignKeyConstraint(["by_key"], ["api_key.id"], name="fk_remark_by_key_api_key"),
    )
    op.create_index("ix_remark_rule_table_id", "remark", ["rule_table", "id"])
    op.create_table(
        "remark_step",
        Column("id", Uuid, nullable=False),
        Column("remark_id", Uuid, nullable=False),
        Column("kind", Text, nullable=False),
        Column("words", Text),
        Column("settled_by", Integer),
        Column("by_key", Uuid),
        Column("at", MOMENT, nullable=False),
        PrimaryKeyConstraint("id", name="pk_remark_step"),
        ForeignKeyConstraint(["remark_id"], ["remark.id"], name="fk_remark_step_remark_id_remark"),
        ForeignKeyConstraint(["by_key"], ["api_key.id"], name="fk_remark_step_by_key_api_key"),
        CheckConstraint("kind IN ('answer', 'settle')", name="ck_remark_step_kind_is_known"),
        CheckConstraint("(kind = 'settle') = (settled_by IS NOT NULL)", name="ck_remark_step_settled_by_a_table"),
    )
    op.create_index("ix_remark_step_remark_id_id", "remark_step", ["remark_id", "id"])
    op.create_index("ix_remark_step_settled_by", "remark_step", ["settled_by"])
    op.create_table(
        "table_request",
        Column("client_id", Integer, nullable=False),
        Column("key", Text(collation="C"), nullable=False),
        Column("kind", Text, nullable=False),
        Column("fingerprint", LargeBinary, nullable=False),
        Column("made", Text, nullable=False),
        Column("at", MOMENT, nullable=False),
        PrimaryKeyConstraint("client_id", "key", name="pk_table_request"),
    )
    for name, body in (HELPERS | CALLED).items():
        op.execute(body)
        op.execute(f"REVOKE EXECUTE ON FUNCTION {name} FROM PUBLIC")
    for name in CALLED:
        op.execute(f"GRANT EXECUTE ON FUNCTION {name} TO coldcase_service")
    for table in KEPT:
        op.execute(f"CREATE TRIGGER never_changed BEFORE UPDATE OR DELETE ON {table} FOR EACH ROW EXECUTE FUNCTION refuse_change()")
        op.execute(f"CREATE TRIGGER never_emptied BEFORE TRUNCATE ON {table} EXECUTE FUNCTION refuse_change()")
    for table in ("remark", "remark_step"):
        op.execute(f"CREATE TRIGGER audited AFTER INSERT ON {table} FOR EACH ROW EXECUTE FUNCTION audit_remark()")
        op.execute(f"GRANT SELECT ON {table} TO coldcase_service, coldcase_auditor")


def downgrade() -> None:
    """Remarks go; their events stay."""
    for name in CALLED:
        op.execute(f"DROP FUNCTION {name}")
    for table in ("table_request", "remark_step", "remark"):
        op.drop_table(table)
    for name in HELPERS:
        op.execute(f"DROP FUNCTION {name}")
