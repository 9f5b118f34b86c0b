"""Rule tables proposed from verdicts: one row each, worked off like a backtest, with where each proposed number comes from.

Revises: 20261127_0130.

The service starts one by a function of the owner's, which looks up the key; the process that works it off writes its progress, and ends
it by another, which makes the draft in the same transaction. What has ended stays as it is; the event holds the counts and the SHA-256
of where the numbers come from.
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

revision = "20261127_0500"
down_revision = "20261127_0130"
branch_labels = None
depends_on = None

MOMENT = DateTime(timezone=True)

DEFINER = "LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp"
MOST_WAITING = 5

START_PROPOSAL = f"""
CREATE FUNCTION start_proposal(by uuid, who text, named uuid, of integer, whose integer, worth text, most integer) RETURNS void {DEFINER} AS $$
DECLARE
    print text := (SELECT digest FROM rule_table WHERE version = of);
BEGIN
    PERFORM table_actor(by, who, 'tables:draft');
    PERFORM pg_advisory_xact_lock(hashtext('coldcase rule tables'));
    IF print IS NULL THEN
        RAISE EXCEPTION 'There is no published rule table % to base a draft on.', of USING ERRCODE = 'CC404';
    END IF;
    IF (SELECT count(*) FROM proposal WHERE state IN ('waiting', 'running')) >= {MOST_WAITING} THEN
        RAISE EXCEPTION 'As many proposals as may wait are waiting: ask again when one has ended.' USING ERRCODE = 'CCBSY';
    END IF;
    INSERT INTO proposal (id, rule_table, digest, client_id, strength, most_drafts, state, created_at, by_key)
    VALUES (named, of, print, whose, worth, most, 'waiting', now(), by);
END $$
"""

# The draft is of whoever asked for it: the key must still be good, and its client have room for a draft. Without a content nothing
# was to be proposed.
FINISH_PROPOSAL = f"""
CREATE FUNCTION finish_proposal(named uuid, attempt integer, told text, content text, origins text, sums text) RETURNS boolean {DEFINER} AS $$
DECLARE
    mine proposal;
    made integer;
BEGIN
    SELECT * INTO mine FROM proposal WHERE id = named FOR UPDATE;
    IF mine.state IS DISTINCT FROM 'running' OR mine.attempts <> attempt THEN
        RETURN false;
    END IF;
    IF content IS NOT NULL THEN
        SELECT once.made INTO made FROM draft_table_once(mine.by_key, NULL, mine.rule_table, told, content, NULL, NULL, mine.most_drafts) AS once;
    END IF;
    UPDATE proposal SET state = 'finished', ended_at = now(), draft = made, numbers = origins, summary = sums WHERE id = named;
    RETURN true;
END $$
"""

AUDIT_PROPOSAL = """
CREATE FUNCTION audit_proposal() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    actor jsonb := coalesce(nullif(current_setting('coldcase.actor', true), ''), '{}')::jsonb;
    said jsonb := NEW.summary::jsonb;
BEGIN
    INSERT INTO audit_event (at, action, subject, by_role, by_key, person, remote, request_id, details)
    VALUES (now(), 'rule_table.proposed', NEW.draft::text, session_user, NEW.by_key, actor ->> 'person', actor ->> 'remote',
        actor ->> 'request_id',
        (jsonb_build_object('proposal', NEW.id, 'version', NEW.draft, 'based_on', NEW.rule_table, 'judged', said -> 'judged',
            'moved', said -> 'moved', 'of_all_clients', NEW.client_id IS NULL,
            'numbers_sha256', encode(sha256(convert_to(NEW.numbers, 'UTF8')), 'hex'))
         || coalesce((SELECT jsonb_build_object('client_id', client.id, 'client', client.name) FROM api_key
                      JOIN client ON client.id = api_key.client_id WHERE api_key.id = NEW.by_key), '{}'))::text);
    RETURN NULL;
END $$
"""

CALLED = {
    "start_proposal(uuid, text, uuid, integer, integer, text, integer)": START_PROPOSAL,
    "finish_proposal(uuid, integer, text, text, text, text)": FINISH_PROPOSAL,
}
"""What the service's role may call."""

PROGRESS = "state, started_at, ended_at, attempts, total, done, failed_because"

TRIGGERS = (
    "CREATE TRIGGER audited AFTER UPDATE OF state ON proposal FOR EACH ROW WHEN (NEW.draft IS NOT NULL) EXECUTE FUNCTION audit_proposal()",
    "CREATE TRIGGER never_changed BEFORE UPDATE ON proposal FOR EACH ROW WHEN (OLD.state NOT IN ('waiting', 'running')) EXECUTE FUNCTION refuse_change()",
    "CREATE TRIGGER never_deleted BEFORE DELETE ON proposal FOR EACH ROW EXECUTE FUNCTION refuse_change()",
    "CREATE TRIGGER never_emptied BEFORE TRUNCATE ON proposal EXECUTE FUNCTION refuse_change()",
)


def upgrade() -> None:
    op.create_table(
        "proposal",
        Column("id", Uuid, nullable=False),
        Column("rule_table", Integer, nullable=False),
        Column("digest", Text, nullable=False),
        Column("client_id", Integer),
        Column("strength", Text, nullable=False),
        Column("most_drafts", Integer, nullable=False),
        Column("state", Text, nullable=False),
        Column("created_at", MOMENT, nullable=False),
        Column("by_key", Uuid, nullable=False),
        Column("started_at", MOMENT),
        Column("ended_at", MOMENT),
        Column("attempts", Integer, nullable=False, server_default="0"),
        Column("total", Integer),
        Column("done", Integer, nullable=False, server_default="0"),
        Column("draft", Integer),
        Column("numbers", Text),
        Column("summary", Text),
        Column("failed_because", Text),
        PrimaryKeyConstraint("id", name="pk_proposal"),
        ForeignKeyConstraint(["by_key"], ["api_key.id"], name="fk_proposal_by_key_api_key"),
        CheckConstraint("state IN ('waiting', 'running', 'finished', 'failed')", name="ck_proposal_state_is_known"),
        CheckConstraint("(summary IS NULL) = (state <> 'finished')", name="ck_proposal_finished_has_a_summary"),
        CheckConstraint("(draft IS NULL) = (numbers IS NULL)", name="ck_proposal_draft_has_numbers"),
    )
    op.create_index("uq_proposal_draft", "proposal", ["draft"], unique=True)
    op.execute(AUDIT_PROPOSAL)
    op.execute("REVOKE EXECUTE ON FUNCTION audit_proposal() FROM PUBLIC")
    for statement in TRIGGERS:
        op.execute(statement)
    op.execute("GRANT SELECT ON proposal TO coldcase_service, coldcase_auditor")
    op.execute(f"GRANT UPDATE ({PROGRESS}) ON proposal TO coldcase_service")
    for name, body in CALLED.items():
        op.execute(body)
        op.execute(f"REVOKE EXECUTE ON FUNCTION {name} FROM PUBLIC")
        op.execute(f"GRANT EXECUTE ON FUNCTION {name} TO coldcase_service")


def downgrade() -> None:
    """Proposals go, and with them where their drafts' numbers come from; the drafts and the events stay."""
    for name in CALLED:
        op.execute(f"DROP FUNCTION {name}")
    op.drop_table("proposal")
    op.execute("DROP FUNCTION audit_proposal()")
