"""The database seals: one function makes members, root, time, epoch and head, and nobody else may write a seal.

Revises: 20261126_0400.

Leaves and heads say their format from here on (2); what was sealed before goes on in the format that says none. A replica of the
release before seals nothing once this has run, and says so in its log; those of this release do. It also takes seals of format 2
for changed when it verifies. Records whose time is not the database's are refused to the service's role.
"""

from alembic import op

revision = "20261126_0500"
down_revision = "20261126_0400"
branch_labels = None
depends_on = None

# A cluster numbers its transactions by itself: within one, and only there, seals can be compared with them.
EPOCH = """
CREATE FUNCTION record_epoch() RETURNS text LANGUAGE sql STABLE AS $$ SELECT system_identifier::text FROM pg_control_system() $$
"""

# RFC 8785 for what stands in leaves: PostgreSQL escapes text as it does. Times as msgspec spells them, without a fraction that is nought.
JSON_TEXT = """
CREATE FUNCTION leaf_text(value text) RETURNS text LANGUAGE sql STABLE AS $$ SELECT coalesce(to_json(value)::text, 'null') $$
"""
JSON_TIME = """
CREATE FUNCTION leaf_time(value timestamptz) RETURNS text LANGUAGE sql STABLE AS $$
    SELECT coalesce(to_json(replace(to_char(value AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"'), '.000000Z', 'Z'))::text, 'null')
$$
"""

FORMAT = r'"format"\:2'
"""Escaped: SQLAlchemy would take it for a parameter."""

SPELLED = {
    "text": "leaf_text({0})",
    "hex": "leaf_text(encode({0}, 'hex'))",
    "digest": "leaf_text(encode(sha256(convert_to({0}, 'UTF8')), 'hex'))",
    "time": "leaf_time({0})",
    "other": "leaf_text({0}::text)",
    "number": "coalesce(({0})::text, 'null')",
}


def members(**kinds: str) -> str:
    """SQL for the members of a JSON object from columns of `r`; `of=column` after the way to spell it where the name differs."""
    made = []
    for name, kind in kinds.items():
        way, _, column = kind.partition(" of ")
        made.append(f"'\"{name}\":' || " + SPELLED[way].format(f"r.{column or name}"))
    return " || ',' || ".join(made)


DECISION = (
    "'{' || "
    + members(
        answer_sha256="digest of answer_text",
        case_sha256="digest of case_text",
        cause="text",
        circuit="text",
        client="number of client_id",
        closed_at="time",
        compressor_type="text",
        confidence="number",
        engine="text",
        fingerprint="hex",
    )
    + f" || ',{FORMAT},' || "
    + members(id="other", idempotency_key="text", job_ref="text")
    + ' || \',"kind":"decision",\' || '
    + members(recorded_at="time", refrigerant="text", rule_table="number", status="text", supersedes="other", xid="other")
    + " || '}'"
)
RECORDS = {
    "verdict": members(
        basis="text",
        by_client_id="number",
        by_key="other",
        cause="text",
        client_id="number",
        decision_id="other",
        fingerprint="hex",
        id="other",
        idempotency_key="text",
        not_determinable="number",
        note_sha256="hex",
        person_sha256="hex",
        recorded_at="time",
        xid="other",
    ),
    "rule_table": members(
        based_on="number",
        created_at="time",
        created_by_sha256="hex",
        digest="text",
        document_sha256="digest of document",
        note_sha256="hex",
        version="number",
        xid="other",
    ),
    "rule_table_event": members(
        at="time",
        by_key="other",
        id="number",
        kind="text",
        person_sha256="hex",
        reason_sha256="hex",
        version="number",
        xid="other",
    ),
    "audit_event": members(
        action="text",
        at="time",
        by_key="other",
        by_role="text",
        client_id="number",
        details="text",
        id="number",
        person_sha256="hex",
        remote_sha256="hex",
        request_id="text",
        subject="text",
        xid="other",
    ),
}
LEAF = {"decision": DECISION} | {
    kind: "'{" + FORMAT + f',"kind":"{kind}","record":{{\' || {made} || \'}}}}\'' for kind, made in RECORDS.items()
}
CLIENT = {"decision": "r.client_id", "verdict": "r.client_id", "audit_event": "r.client_id"}
NAMED = {"decision": "r.id", "verdict": "r.id", "rule_table": "r.version", "rule_table_event": "r.id", "audit_event": "r.id"}


def unsealed(place: int, kind: str) -> str:
    name = NAMED[kind] if kind in ("decision", "verdict") else f"lpad(to_hex({NAMED[kind]}), 32, '0')::uuid"
    return (
        f"SELECT {place}::smallint, r.xid, {name}, {CLIENT.get(kind, 'NULL::integer')}, {LEAF[kind]} FROM {kind} AS r"
        f" WHERE r.xid >= low AND r.xid < high AND NOT EXISTS"
        f" (SELECT FROM audit_seal_member AS m WHERE m.kind = {place} AND m.record = {name})"
    )


UNSEALED = f"""
CREATE FUNCTION unsealed_leaves(low xid8, high xid8) RETURNS TABLE (kind smallint, xid xid8, record uuid, client_id integer, leaf text)
LANGUAGE sql STABLE AS $$ {" UNION ALL ".join(unsealed(place, kind) for place, kind in enumerate(LEAF))} $$
"""

# RFC 9162: pairs, level by level; what is left over at the end of one goes up as it is.
MERKLE_ROOT = r"""
CREATE FUNCTION merkle_root(leaves bytea[]) RETURNS bytea LANGUAGE plpgsql STABLE AS $$
DECLARE
    level bytea[] := leaves;
BEGIN
    WHILE cardinality(level) > 1 LOOP
        level := ARRAY(
            SELECT CASE count(*) WHEN 2 THEN sha256('\x01'::bytea || string_agg(hash, ''::bytea ORDER BY place))
                   ELSE string_agg(hash, ''::bytea) END
            FROM unnest(level) WITH ORDINALITY AS node (hash, place) GROUP BY (place - 1) / 2 ORDER BY (place - 1) / 2);
    END LOOP;
    RETURN level[1];
END $$
"""

# The turn is a lock on the table, which the service's role cannot take: anybody may hold an advisory lock. Each statement has a
# snapshot of its own, so that the last seal is seen that was made before the turn came. A transaction that is still open at the
# horizon, and all that began after it, is left for a later seal. In a new cluster nothing of the former's numbering means anything:
# the first seal takes all that stands there, and an event tells of it.
SEAL_RECORDS = r"""
CREATE FUNCTION seal_records(most integer) RETURNS SETOF audit_seal
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    former audit_seal;
    made audit_seal;
    horizon pg_snapshot;
    restored boolean;
    low xid8;
    high xid8;
    cut xid8;
BEGIN
    BEGIN
        LOCK TABLE audit_seal IN SHARE ROW EXCLUSIVE MODE NOWAIT;
    EXCEPTION WHEN lock_not_available THEN
        RETURN;
    END;
    SELECT * INTO former FROM audit_seal ORDER BY number DESC LIMIT 1;
    SELECT pg_current_snapshot() INTO horizon;
    made.number := coalesce(former.number, 0) + 1;
    -- Were the clock set back, seals would seem to be made anew.
    made.at := greatest(now(), former.at);
    made.format := 2;
    made.epoch := record_epoch();
    made.previous := coalesce(former.head, decode(repeat('00', 32), 'hex'));
    restored := former.epoch <> made.epoch;
    made.from_xid := CASE WHEN restored OR former.number IS NULL THEN '3'::xid8 ELSE former.up_to_xid END;
    made.up_to_xid := pg_snapshot_xmin(horizon);
    made.next_xid := pg_snapshot_xmax(horizon);
    low := made.from_xid;
    high := made.up_to_xid;
    IF restored THEN
        low := '0';
        high := '18446744073709551615';
    ELSE
        -- A seal ends between two transactions, so that a proof need not read many more hashes than `most`.
        SELECT xid INTO cut FROM decision WHERE xid >= low AND xid < high ORDER BY xid OFFSET greatest(most, 1) LIMIT 1;
        IF cut = low THEN
            cut := NULL;
            SELECT xid INTO cut FROM decision WHERE xid > low AND xid < high ORDER BY xid LIMIT 1;
        END IF;
        high := coalesce(cut, high);
        made.up_to_xid := high;
    END IF;
    WITH added AS (
        INSERT INTO audit_seal_member (seal, position, kind, record, client_id, leaf)
        SELECT made.number, row_number() OVER (ORDER BY kind, xid, record) - 1, kind, record, client_id,
               sha256('\x00'::bytea || convert_to(leaf, 'UTF8'))
        FROM unsealed_leaves(low, high)
        RETURNING position, leaf
    )
    SELECT count(*), merkle_root(array_agg(leaf ORDER BY position)) INTO made.count, made.root FROM added;
    IF made.count = 0 THEN
        RETURN;
    END IF;
    made.head := sha256(convert_to(format(
        '{"at":%s,"count":%s,"epoch":%s,"format"\:2,"from_xid":%s,"next_xid":%s,"number":%s,"previous":%s,"root":%s,"up_to_xid":%s}',
        leaf_time(made.at), made.count, leaf_text(made.epoch), leaf_text(made.from_xid::text), leaf_text(made.next_xid::text),
        made.number, leaf_text(encode(made.previous, 'hex')), leaf_text(encode(made.root, 'hex')), leaf_text(made.up_to_xid::text)
    ), 'UTF8'));
    INSERT INTO audit_seal SELECT made.*;
    IF restored THEN
        INSERT INTO audit_event (at, action, subject, by_role, details)
        VALUES (clock_timestamp(), 'record.restored', 'record', session_user, jsonb_build_object(
            'from', former.epoch, 'to', made.epoch, 'last_seal', former.number, 'last_head', encode(former.head, 'hex'))::text);
    END IF;
    RETURN NEXT made;
END $$
"""

# How long a record is on its way: the service goes by the database's clock, and a batch waits a second or two.
TIMELY = "recorded_at BETWEEN now() - interval '1 minute' AND now() + interval '1 minute'"

FUNCTIONS = (
    "seal_records(integer)",
    "merkle_root(bytea[])",
    "unsealed_leaves(xid8, xid8)",
    "leaf_time(timestamptz)",
    "leaf_text(text)",
    "record_epoch()",
)

# That a record was restored before this cannot be told; where its last seal ends beyond all transactions of this cluster, it was.
OF_THIS_EPOCH = """
UPDATE audit_seal SET epoch = CASE
    WHEN (SELECT up_to_xid FROM audit_seal ORDER BY number DESC LIMIT 1) <= pg_snapshot_xmax(pg_current_snapshot()) THEN record_epoch()
    ELSE 'unknown' END
WHERE epoch IS NULL
"""


def upgrade() -> None:
    # What a downgrade has left is there.
    op.execute("ALTER TABLE audit_seal ADD COLUMN IF NOT EXISTS format smallint NOT NULL DEFAULT 1, ADD COLUMN IF NOT EXISTS epoch text")
    op.execute("ALTER TABLE audit_seal_member ADD COLUMN IF NOT EXISTS client_id integer")
    for function in (EPOCH, JSON_TEXT, JSON_TIME, UNSEALED, MERKLE_ROOT, SEAL_RECORDS):
        op.execute(function)
    op.execute("ALTER TABLE audit_seal DISABLE TRIGGER never_changed")
    op.execute(OF_THIS_EPOCH)
    op.execute("ALTER TABLE audit_seal ENABLE TRIGGER never_changed")
    op.alter_column("audit_seal", "epoch", nullable=False)
    for function in FUNCTIONS:
        op.execute(f"REVOKE EXECUTE ON FUNCTION {function} FROM PUBLIC")
    op.execute("GRANT EXECUTE ON FUNCTION seal_records(integer) TO coldcase_service")
    op.execute("GRANT EXECUTE ON FUNCTION record_epoch() TO coldcase_service, coldcase_auditor")
    op.execute("REVOKE INSERT ON audit_seal, audit_seal_member FROM coldcase_auditor")
    for table in ("decision", "verdict"):
        op.execute(f"ALTER POLICY recorded ON {table} WITH CHECK ({TIMELY})")


def downgrade() -> None:
    """Seals of format 2 stay, with what they say of themselves; the release before takes them for changed."""
    for table in ("decision", "verdict"):
        op.execute(f"ALTER POLICY recorded ON {table} WITH CHECK (true)")
    op.execute("GRANT INSERT ON audit_seal, audit_seal_member TO coldcase_auditor")
    for function in FUNCTIONS:
        op.execute(f"DROP FUNCTION {function}")
    op.alter_column("audit_seal", "epoch", nullable=True)
