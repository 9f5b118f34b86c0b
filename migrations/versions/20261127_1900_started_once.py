"""A backtest or a proposal is started once for one Idempotency-Key.

Revises: 20261127_1800.

As a draft is made and a remark. The functions that started them before stay, for replicas of the release before; those that are new call
them. Before anything of a request is checked it is looked up: what was started once is answered again, whatever became of the table.
"""

from alembic import op

revision = "20261127_1900"
down_revision = "20261127_1800"
branch_labels = None
depends_on = None

DEFINER = "LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp"

STARTED_BEFORE = f"""
CREATE FUNCTION started_before(by uuid, who text, kind text, idem text, print bytea) RETURNS uuid {DEFINER} AS $$
BEGIN
    PERFORM table_actor(by, who, 'tables:draft');
    RETURN made_before(by, kind, idem, print)::uuid;
END $$
"""

START_BACKTEST_ONCE = f"""
CREATE FUNCTION start_backtest_once(by uuid, who text, named uuid, of integer, expected text, whose integer, what text, size integer,
    cases text, idem text, print bytea, OUT made uuid, OUT again boolean) {DEFINER} AS $$
BEGIN
    made := started_before(by, who, 'backtest', idem, print);
    again := made IS NOT NULL;
    IF again THEN
        RETURN;
    END IF;
    PERFORM start_backtest(by, who, named, of, expected, whose, what, size, cases);
    PERFORM keep_made(by, 'backtest', idem, print, named::text);
    made := named;
END $$
"""

START_PROPOSAL_ONCE = f"""
CREATE FUNCTION start_proposal_once(by uuid, who text, named uuid, of integer, whose integer, worth text, most integer, idem text,
    print bytea, OUT made uuid, OUT again boolean) {DEFINER} AS $$
BEGIN
    made := started_before(by, who, 'proposal', idem, print);
    again := made IS NOT NULL;
    IF again THEN
        RETURN;
    END IF;
    PERFORM start_proposal(by, who, named, of, whose, worth, most);
    PERFORM keep_made(by, 'proposal', idem, print, named::text);
    made := named;
END $$
"""

CALLED = {
    "started_before(uuid, text, text, text, bytea)": STARTED_BEFORE,
    "start_backtest_once(uuid, text, uuid, integer, text, integer, text, integer, text, text, bytea)": START_BACKTEST_ONCE,
    "start_proposal_once(uuid, text, uuid, integer, integer, text, integer, text, bytea)": START_PROPOSAL_ONCE,
}
"""What the service's role may call."""


def upgrade() -> None:
    for name, body in CALLED.items():
        op.execute(body)
        op.execute(f"REVOKE EXECUTE ON FUNCTION {name} FROM PUBLIC")
        op.execute(f"GRANT EXECUTE ON FUNCTION {name} TO coldcase_service")


def downgrade() -> None:
    """What was started stays, and so does what its keys stand for."""
    for name in CALLED:
        op.execute(f"DROP FUNCTION {name}")
