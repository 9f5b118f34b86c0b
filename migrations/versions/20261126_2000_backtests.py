"""Backtests: recorded decisions classified again under another rule table, one row each; without a finished one nothing is approved.

Revises: 20261126_1700.

The service starts and cancels by functions of the owner's, which look up the key; the process that works one off writes its progress, and
what has ended stays as it is. Beginning and end are audit events; that of the end holds the digest of the result.
"""

from alembic import op
from sqlalchemy import (
    CheckConstraint,
    Column,
    DateTime,
    ForeignKeyConstraint,
    Integer,
    PrimaryKeyConstraint,
    Text,
    Uuid,
)

revision = "20261126_2000"
down_revision = "20261126_1700"
branch_labels = None
depends_on = None

MOMENT = DateTime(timezone=True)

DEFINER = "LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp"
LOCK = "PERFORM pg_advisory_xact_lock(hashtext('coldcase rule tables'));"
MOST_WAITING = 20

START_BACKTEST = f"""
CREATE FUNCTION start_backtest(by uuid, who text, named uuid, of integer, expected text, whose integer, what text, size integer, cases text)
RETURNS void {DEFINER} AS $$
DECLARE
    found record;
BEGIN
    PERFORM table_actor(by, who, 'tables:draft');
    {LOCK}
    SELECT * INTO found FROM table_now(of);
    IF found.digest IS DISTINCT FROM expected THEN
        RAISE EXCEPTION 'The digest is not that of rule table % as it is now, which is %.', of, found.digest USING ERRCODE = 'CCDIG';
    END IF;
    IF (SELECT count(*) FROM backtest WHERE state IN ('waiting', 'running')) >= {MOST_WAITING} THEN
        RAISE EXCEPTION 'As many backtests as may wait are waiting: cancel one, or ask again when one has ended.' USING ERRCODE = 'CCBSY';
    END IF;
    INSERT INTO backtest (id, rule_table, digest, client_id, asked, sample, library, state, created_at, by_key)
    VALUES (named, of, found.digest, whose, what, size, cases, 'waiting', now(), by);
END $$
"""

CANCEL_BACKTEST = f"""
CREATE FUNCTION cancel_backtest(by uuid, who text, named uuid) RETURNS void {DEFINER} AS $$
DECLARE
    was text;
BEGIN
    PERFORM table_actor(by, who, 'tables:draft');
    SELECT state INTO was FROM backtest WHERE id = named FOR UPDATE;
    IF was IS NULL THEN
        RAISE EXCEPTION 'There is no such backtest.' USING ERRCODE = 'CC404';
    END IF;
    IF was NOT IN ('waiting', 'running') THEN
        RAISE EXCEPTION 'The backtest has ended: it is %.', was USING ERRCODE = 'CCSTA';
    END IF;
    UPDATE backtest SET state = 'cancelled', ended_at = now() WHERE id = named;
END $$
"""

AUDIT_BACKTEST = """
CREATE FUNCTION audit_backtest() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    actor jsonb := coalesce(nullif(current_setting('coldcase.actor', true), ''), '{}')::jsonb;
BEGIN
    INSERT INTO audit_event (at, action, subject, by_role, by_key, person, remote, request_id, details)
    VALUES (now(), 'rule_table.backtest_' || CASE NEW.state WHEN 'waiting' THEN 'started' ELSE NEW.state END, NEW.rule_table::text,
        session_user, (actor ->> 'key')::uuid, actor ->> 'person', actor ->> 'remote', actor ->> 'request_id',
        (jsonb_build_object('backtest', NEW.id, 'version', NEW.rule_table, 'digest', NEW.digest)
         || CASE WHEN NEW.result IS NULL THEN '{}'
            ELSE jsonb_build_object('result_sha256', encode(sha256(convert_to(NEW.result, 'UTF8')), 'hex')) END
         || coalesce((SELECT jsonb_build_object('client_id', client.id, 'client', client.name) FROM api_key
                      JOIN client ON client.id = api_key.client_id WHERE api_key.id = (actor ->> 'key')::uuid), '{}'))::text);
    RETURN NULL;
END $$
"""

APPROVE_BEGINS = f"""
CREATE OR REPLACE FUNCTION approve_table(by uuid, who text, of integer, agreed text, why text) RETURNS void {DEFINER} AS $$
DECLARE
    approver text := table_actor(by, who, 'tables:approve');
    found record;
    same integer;
BEGIN
    {LOCK}
    SELECT * INTO found FROM table_now(of);
    IF approver IS NULL THEN
        RAISE EXCEPTION 'A person approves: this key names none.' USING ERRCODE = 'CCPER';
    END IF;
    IF found.last NOT IN ('draft', 'edit', 'withdraw') THEN
        RAISE EXCEPTION 'Rule table % is approved already.', of USING ERRCODE = 'CCSTA';
    END IF;
    IF found.digest IS DISTINCT FROM agreed THEN
        RAISE EXCEPTION 'The digest is not that of rule table % as it is now, which is %.', of, found.digest USING ERRCODE = 'CCDIG';
    END IF;
    IF EXISTS (SELECT FROM rule_table_event AS made WHERE made.version = of AND made.kind IN ('draft', 'edit')
               AND (made.person IS NULL OR lower(btrim(made.person)) = lower(approver) OR made.by_key = by)) THEN
        RAISE EXCEPTION 'Another person approves than whoever made or edited the draft; an author without a person could be anybody.'
            USING ERRCODE = 'CCOWN';
    END IF;
    SELECT version INTO same FROM rule_table WHERE digest = found.digest AND version <> of;
    IF same IS NOT NULL THEN
        RAISE EXCEPTION 'Rule table % has the same content: publish that one.', same USING ERRCODE = 'CCREC';
    END IF;
"""

NEEDS_BACKTEST = """
    IF NOT EXISTS (SELECT FROM backtest WHERE rule_table = of AND digest = found.digest AND state = 'finished') THEN
        RAISE EXCEPTION 'Rule table % has no finished backtest of % (%): `POST /v1/rule-tables/%/backtests` starts one.', of, found.digest,
            coalesce((SELECT 'the last one is ' || state FROM backtest WHERE rule_table = of AND digest = found.digest
                      ORDER BY id DESC LIMIT 1), 'none was started since the last edit'), of USING ERRCODE = 'CCBTE';
    END IF;
"""

APPROVE_ENDS = """
    INSERT INTO rule_table_event (version, kind, at, by_key, person, reason) VALUES (of, 'approve', now(), by, approver, why);
END $$
"""

APPROVE_TABLE = APPROVE_BEGINS + NEEDS_BACKTEST + APPROVE_ENDS
APPROVE_BEFORE = APPROVE_BEGINS + APPROVE_ENDS

CALLED = {
    "start_backtest(uuid, text, uuid, integer, text, integer, text, integer, text)": START_BACKTEST,
    "cancel_backtest(uuid, text, uuid)": CANCEL_BACKTEST,
}
"""What the service's role may call."""

PROGRESS = "state, started_at, ended_at, attempts, up_to, total, done, place, tally, result, failed_because"

TRIGGERS = (
    "CREATE TRIGGER audited AFTER INSERT OR UPDATE OF state ON backtest FOR EACH ROW EXECUTE FUNCTION audit_backtest()",
    "CREATE TRIGGER never_changed BEFORE UPDATE ON backtest FOR EACH ROW WHEN (OLD.state NOT IN ('waiting', 'running')) EXECUTE FUNCTION refuse_change()",
    "CREATE TRIGGER never_deleted BEFORE DELETE ON backtest FOR EACH ROW EXECUTE FUNCTION refuse_change()",
    "CREATE TRIGGER never_emptied BEFORE TRUNCATE ON backtest EXECUTE FUNCTION refuse_change()",
)


def upgrade() -> None:
    op.create_table(
        "backtest",
        Column("id", Uuid, nullable=False),
        Column("rule_table", Integer, nullable=False),
        Column("digest", Text, nullable=False),
        Column("client_id", Integer),
        Column("asked", Text, nullable=False),
        Column("sample", Integer),
        Column("library", Text),
        Column("state", Text, nullable=False),
        Column("created_at", MOMENT, nullable=False),
        Column("by_key", Uuid),
        Column("started_at", MOMENT),
        Column("ended_at", MOMENT),
        Column("attempts", Integer, nullable=False, server_default="0"),
        Column("up_to", Uuid),
        Column("total", Integer),
        Column("done", Integer, nullable=False, server_default="0"),
        Column("place", Uuid),
        Column("tally", Text),
        Column("result", Text),
        Column("failed_because", Text),
        PrimaryKeyConstraint("id", name="pk_backtest"),
        ForeignKeyConstraint(["by_key"], ["api_key.id"], name="fk_backtest_by_key_api_key"),
        CheckConstraint("state IN ('waiting', 'running', 'finished', 'cancelled', 'failed')", name="ck_backtest_state_is_known"),
        CheckConstraint("(result IS NULL) = (state <> 'finished')", name="ck_backtest_finished_has_a_result"),
    )
    op.create_index("ix_backtest_rule_table_id", "backtest", ["rule_table", "id"])
    op.execute(AUDIT_BACKTEST)
    op.execute("REVOKE EXECUTE ON FUNCTION audit_backtest() FROM PUBLIC")
    for statement in TRIGGERS:
        op.execute(statement)
    op.execute("GRANT SELECT ON backtest TO coldcase_service, coldcase_auditor")
    op.execute(f"GRANT UPDATE ({PROGRESS}) ON backtest TO coldcase_service")
    op.execute(APPROVE_TABLE)
    for name, body in CALLED.items():
        op.execute(body)
        op.execute(f"REVOKE EXECUTE ON FUNCTION {name} FROM PUBLIC")
        op.execute(f"GRANT EXECUTE ON FUNCTION {name} TO coldcase_service")


def downgrade() -> None:
    """Backtests go; their events stay."""
    op.execute(APPROVE_BEFORE)
    for name in CALLED:
        op.execute(f"DROP FUNCTION {name}")
    op.drop_table("backtest")
    op.execute("DROP FUNCTION audit_backtest()")
