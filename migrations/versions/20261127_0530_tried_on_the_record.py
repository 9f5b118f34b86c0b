"""An approval wants a backtest on recorded decisions, where there are any.

Revises: 20261127_0130.

A library of cases alone, or a search that found nothing, says nothing of what the record would have been: it counts only while nothing
is recorded. What a backtest was tried on stands in its row for good.
"""

from alembic import op

revision = "20261127_0530"
down_revision = "20261127_0500"
branch_labels = None
depends_on = None

DEFINER = "LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp"
LOCK = "PERFORM pg_advisory_xact_lock(hashtext('coldcase rule tables'));"

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

NEEDS_A_TRIAL = """
    IF NOT EXISTS (SELECT FROM backtest WHERE rule_table = of AND digest = found.digest AND state = 'finished'
                   AND (library IS NULL AND done > 0 OR NOT EXISTS (SELECT FROM decision))) THEN
        RAISE EXCEPTION 'Rule table % has no finished backtest of % (%): `POST /v1/rule-tables/%/backtests` starts one.', of, found.digest,
            coalesce((SELECT CASE WHEN state <> 'finished' THEN 'the last one is ' || state
                                  WHEN library IS NULL THEN 'the last one found none of the recorded decisions'
                                  ELSE 'the last one was tried on the library ' || library || ', not on recorded decisions' END
                      FROM backtest WHERE rule_table = of AND digest = found.digest ORDER BY id DESC LIMIT 1),
                     'none was started since the last edit'), of USING ERRCODE = 'CCBTE';
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


def upgrade() -> None:
    op.execute(APPROVE_BEGINS + NEEDS_A_TRIAL + APPROVE_ENDS)


def downgrade() -> None:
    op.execute(APPROVE_BEGINS + NEEDS_BACKTEST + APPROVE_ENDS)
