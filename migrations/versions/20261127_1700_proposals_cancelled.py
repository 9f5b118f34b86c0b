"""Proposals are cancelled before they end, and listed by version.

Revises: 20261127_1300.

As a backtest is: by a function of the owner's, which looks up the key; an event tells of it. The process that works on one finds that it
is no longer its own when it writes how far it is, or its end. Replicas of the release before know no such state, and refuse to show one.
"""

from alembic import op

revision = "20261127_1700"
down_revision = "20261127_1300"
branch_labels = None
depends_on = None

DEFINER = "LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp"

CANCEL = "cancel_proposal(uuid, text, uuid)"
CANCEL_PROPOSAL = f"""
CREATE FUNCTION cancel_proposal(by uuid, who text, named uuid) RETURNS void {DEFINER} AS $$
DECLARE
    was text;
BEGIN
    PERFORM table_actor(by, who, 'tables:draft');
    SELECT state INTO was FROM proposal WHERE id = named FOR UPDATE;
    IF was IS NULL THEN
        RAISE EXCEPTION 'There is no such proposal.' USING ERRCODE = 'CC404';
    END IF;
    IF was NOT IN ('waiting', 'running') THEN
        RAISE EXCEPTION 'The proposal has ended: it is %.', was USING ERRCODE = 'CCSTA';
    END IF;
    UPDATE proposal SET state = 'cancelled', ended_at = now() WHERE id = named;
END $$
"""

AUDIT_CANCELLED = f"""
CREATE FUNCTION audit_cancelled_proposal() RETURNS trigger {DEFINER} AS $$
DECLARE
    actor jsonb := coalesce(nullif(current_setting('coldcase.actor', true), ''), '{{}}')::jsonb;
BEGIN
    INSERT INTO audit_event (at, action, subject, by_role, by_key, person, remote, request_id, details)
    VALUES (now(), 'rule_table.proposal_cancelled', NEW.rule_table::text, session_user, (actor ->> 'key')::uuid, actor ->> 'person',
        actor ->> 'remote', actor ->> 'request_id',
        (jsonb_build_object('proposal', NEW.id, 'based_on', NEW.rule_table)
         || coalesce((SELECT jsonb_build_object('client_id', client.id, 'client', client.name) FROM api_key
                      JOIN client ON client.id = api_key.client_id WHERE api_key.id = (actor ->> 'key')::uuid), '{{}}'))::text);
    RETURN NULL;
END $$
"""

AUDITED = """
CREATE TRIGGER cancelling_audited AFTER UPDATE OF state ON proposal FOR EACH ROW WHEN (NEW.state = 'cancelled')
EXECUTE FUNCTION audit_cancelled_proposal()
"""

# The migration that made it gave its prefix twice.
STATE_KNOWN_BEFORE = "ck_proposal_ck_proposal_state_is_known"
STATE_KNOWN = "ck_proposal_state_is_known"
STATES_BEFORE = "state IN ('waiting', 'running', 'finished', 'failed')"
STATES = "state IN ('waiting', 'running', 'finished', 'cancelled', 'failed')"


def upgrade() -> None:
    op.execute(f"ALTER TABLE proposal DROP CONSTRAINT {STATE_KNOWN_BEFORE}")
    op.execute(f"ALTER TABLE proposal ADD CONSTRAINT {STATE_KNOWN} CHECK ({STATES})")
    op.create_index("ix_proposal_rule_table_id", "proposal", ["rule_table", "id"])
    op.execute(AUDIT_CANCELLED)
    op.execute("REVOKE EXECUTE ON FUNCTION audit_cancelled_proposal() FROM PUBLIC")
    op.execute(AUDITED)
    op.execute(CANCEL_PROPOSAL)
    op.execute(f"REVOKE EXECUTE ON FUNCTION {CANCEL} FROM PUBLIC")
    op.execute(f"GRANT EXECUTE ON FUNCTION {CANCEL} TO coldcase_service")


def downgrade() -> None:
    """What was cancelled has failed, as far as the release before can tell; the events stay."""
    op.execute(f"DROP FUNCTION {CANCEL}")
    op.execute("DROP TRIGGER cancelling_audited ON proposal")
    op.execute("DROP FUNCTION audit_cancelled_proposal()")
    op.drop_index("ix_proposal_rule_table_id", table_name="proposal")
    op.execute("ALTER TABLE proposal DISABLE TRIGGER USER")
    op.execute("UPDATE proposal SET state = 'failed', failed_because = 'it was cancelled' WHERE state = 'cancelled'")
    op.execute("ALTER TABLE proposal ENABLE TRIGGER USER")
    op.execute(f"ALTER TABLE proposal DROP CONSTRAINT {STATE_KNOWN}")
    op.execute(f"ALTER TABLE proposal ADD CONSTRAINT {STATE_KNOWN_BEFORE} CHECK ({STATES_BEFORE})")
