"""The record: clients, keys, rule tables and decisions, append-only, and the roles that may use it.

Revises: nothing, this is the first.
"""

from alembic import op
from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    Computed,
    DateTime,
    ForeignKeyConstraint,
    Identity,
    Integer,
    LargeBinary,
    PrimaryKeyConstraint,
    SmallInteger,
    Text,
    UniqueConstraint,
    Uuid,
    text,
)
from sqlalchemy.dialects.postgresql import ARRAY
from sqlalchemy.types import UserDefinedType

revision = "20261125_0930"
down_revision = None
branch_labels = None
depends_on = None

MOMENT = DateTime(timezone=True)


class Xid8(UserDefinedType[int]):
    """The id of a transaction. Spelled here: a migration must not change when the code does."""

    cache_ok = True

    def get_col_spec(self, **_: object) -> str:
        """The name PostgreSQL has for it."""
        return "xid8"


# Roles belong to the whole server: another database of it may have made them already, or be making them now; or its administrator has,
# because the owner may not.
MAKE_ROLES = """
DO $$
DECLARE
    role record;
BEGIN
    FOR role IN VALUES ('coldcase_service', 'LOGIN'), ('coldcase_auditor', 'NOLOGIN') LOOP
        CONTINUE WHEN EXISTS (SELECT FROM pg_roles WHERE rolname = role.column1);
        BEGIN
            EXECUTE format('CREATE ROLE %I %s', role.column1, role.column2);
        EXCEPTION WHEN duplicate_object OR unique_violation THEN NULL;
        END;
    END LOOP;
END $$
"""

REFUSE_CHANGE = """
CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the record is append-only: % of % is refused', TG_OP, TG_TABLE_NAME USING ERRCODE = 'restrict_violation';
END $$
"""

TELL = """
CREATE FUNCTION tell() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM pg_notify(TG_ARGV[0], '');
    RETURN NULL;
END $$
"""

FIRST_ID_OF_YEAR = """
CREATE FUNCTION first_id_of_year(year integer) RETURNS uuid LANGUAGE sql IMMUTABLE AS $$
    SELECT (lpad(to_hex((extract(epoch FROM make_timestamptz(year, 1, 1, 0, 0, 0, 'UTC')) * 1000)::bigint), 12, '0')
            || repeat('0', 20))::uuid
$$
"""

# A new partition is made beside the table and then attached: that waits for no INSERT and holds none up. Nobody is granted anything on a
# partition itself, and its own row-level security has no policy, so it can be reached through `decision` only.
ENSURE_PARTITIONS = """
CREATE FUNCTION ensure_partitions() RETURNS integer LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    this_year integer := extract(year FROM now() AT TIME ZONE 'UTC');
    part text;
    made integer := 0;
BEGIN
    FOR year IN this_year - 1 .. this_year + 2 LOOP
        part := 'decision_' || year;
        CONTINUE WHEN to_regclass('public.' || part) IS NOT NULL;
        PERFORM pg_advisory_xact_lock(hashtext('coldcase partitions'));
        CONTINUE WHEN to_regclass('public.' || part) IS NOT NULL;
        EXECUTE format('CREATE TABLE %I (LIKE decision INCLUDING ALL EXCLUDING INDEXES EXCLUDING COMMENTS)', part);
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', part);
        EXECUTE format('CREATE TRIGGER never_emptied BEFORE TRUNCATE ON %I EXECUTE FUNCTION refuse_change()', part);
        EXECUTE format('ALTER TABLE decision ATTACH PARTITION %I FOR VALUES FROM (%L) TO (%L)',
                       part, first_id_of_year(year), first_id_of_year(year + 1));
        made := made + 1;
    END LOOP;
    RETURN made;
END $$
"""

# lz4 where the server was built with it. The older method costs more time than all the rest of an INSERT, so without lz4 these are kept
# as they are.
COMPRESS = """
DO $$
BEGIN
    ALTER TABLE decision ALTER case_text SET COMPRESSION lz4, ALTER answer_text SET COMPRESSION lz4;
EXCEPTION WHEN feature_not_supported THEN
    ALTER TABLE decision ALTER case_text SET STORAGE EXTERNAL, ALTER answer_text SET STORAGE EXTERNAL;
END $$
"""

OWN_CLIENT = "client_id = nullif(current_setting('coldcase.client', true), '')::integer"
READS_ALL = "current_setting('coldcase.reads_all', true) = 'on'"


def upgrade() -> None:
    op.execute(MAKE_ROLES)
    make_clients()
    make_rule_tables()
    make_decisions()
    make_idempotency()
    protect()
    isolate()
    grant()
    op.execute("SELECT ensure_partitions()")


def downgrade() -> None:
    # The roles stay: other databases of the server may need them.
    for table in ("idempotency", "decision", "rule_table_event", "rule_table", "api_key", "client"):
        op.drop_table(table)
    for function in ("ensure_partitions()", "first_id_of_year(integer)", "tell()", "refuse_change()"):
        op.execute(f"DROP FUNCTION {function}")


def make_clients() -> None:
    op.create_table(
        "client",
        Column("id", Integer, Identity(always=True), nullable=False),
        Column("name", Text, nullable=False),
        PrimaryKeyConstraint("id", name="pk_client"),
        UniqueConstraint("name", name="uq_client_name"),
    )
    op.create_table(
        "api_key",
        Column("id", Uuid, nullable=False),
        Column("client_id", Integer, nullable=False),
        Column("person", Text),
        Column("secret_sha256", LargeBinary, nullable=False),
        Column("scopes", ARRAY(Text), nullable=False),
        Column("created_at", MOMENT, nullable=False),
        Column("expires_at", MOMENT),
        Column("revoked_at", MOMENT),
        PrimaryKeyConstraint("id", name="pk_api_key"),
        UniqueConstraint("secret_sha256", name="uq_api_key_secret_sha256"),
        ForeignKeyConstraint(["client_id"], ["client.id"], name="fk_api_key_client_id_client"),
        CheckConstraint("length(secret_sha256) = 32", name=op.f("ck_api_key_secret_is_a_digest")),
    )


def make_rule_tables() -> None:
    op.create_table(
        "rule_table",
        Column("version", Integer, autoincrement=False, nullable=False),
        Column("digest", Text, nullable=False),
        Column("document", Text, nullable=False),
        Column("based_on", Integer),
        Column("note", Text),
        Column("created_at", MOMENT, nullable=False),
        Column("created_by", Text, nullable=False),
        PrimaryKeyConstraint("version", name="pk_rule_table"),
        UniqueConstraint("digest", name="uq_rule_table_digest"),
        ForeignKeyConstraint(["based_on"], ["rule_table.version"], name="fk_rule_table_based_on_rule_table"),
    )
    op.create_table(
        "rule_table_event",
        Column("id", BigInteger, Identity(always=True), nullable=False),
        Column("version", Integer, nullable=False),
        Column("kind", Text, nullable=False),
        Column("at", MOMENT, nullable=False),
        Column("by_key", Uuid),
        Column("person", Text),
        Column("reason", Text),
        PrimaryKeyConstraint("id", name="pk_rule_table_event"),
        ForeignKeyConstraint(["version"], ["rule_table.version"], name="fk_rule_table_event_version_rule_table"),
        ForeignKeyConstraint(["by_key"], ["api_key.id"], name="fk_rule_table_event_by_key_api_key"),
        CheckConstraint("kind IN ('draft', 'approve', 'publish', 'withdraw')", name=op.f("ck_rule_table_event_kind_is_known")),
    )
    op.create_index("ix_rule_table_event_version", "rule_table_event", ["version"])


def make_decisions() -> None:
    op.create_table(
        "decision",
        Column("id", Uuid, nullable=False),
        Column("client_id", Integer, nullable=False),
        Column("recorded_at", MOMENT, nullable=False),
        Column("xid", Xid8, nullable=False, server_default=text("pg_current_xact_id()")),
        Column("idempotency_key", Text),
        Column("fingerprint", LargeBinary, nullable=False),
        Column("case_text", Text, nullable=False),
        Column("answer_text", Text, nullable=False),
        Column("cause", Text, nullable=False),
        Column("status", Text, nullable=False),
        Column("confidence", SmallInteger, nullable=False, comment="in ten-thousandths"),
        Column("job_ref", Text),
        Column("circuit", Text),
        Column("closed_at", MOMENT),
        Column("at", MOMENT, Computed("COALESCE(closed_at, recorded_at)", persisted=True), nullable=False),
        Column("compressor_type", Text, nullable=False),
        Column("refrigerant", Text),
        Column("rule_table", Integer, nullable=False),
        Column("engine", Text, nullable=False),
        Column("supersedes", Uuid),
        PrimaryKeyConstraint("id", name="pk_decision"),
        CheckConstraint("length(fingerprint) = 32", name=op.f("ck_decision_fingerprint_is_a_digest")),
        CheckConstraint("confidence BETWEEN 0 AND 10000", name=op.f("ck_decision_confidence_is_a_share")),
        CheckConstraint("status IN ('coded', 'provisional', 'undetermined')", name=op.f("ck_decision_status_is_known")),
        postgresql_partition_by="RANGE (id)",
    )
    op.execute(COMPRESS)
    op.create_index("ix_decision_at_id", "decision", ["at", "id"])
    op.create_index("ix_decision_client_id_at_id", "decision", ["client_id", "at", "id"])
    op.create_index("ix_decision_client_id_recorded_at_id", "decision", ["client_id", "recorded_at", "id"])
    for column in ("cause", "status", "compressor_type", "rule_table"):
        op.create_index(f"ix_decision_client_id_{column}_at_id", "decision", ["client_id", column, "at", "id"])
    for column in ("job_ref", "circuit", "refrigerant"):
        op.create_index(
            f"ix_decision_client_id_{column}_at_id",
            "decision",
            ["client_id", column, "at", "id"],
            postgresql_where=text(f"{column} IS NOT NULL"),
        )
    op.create_index("ix_decision_supersedes", "decision", ["supersedes"], postgresql_where=text("supersedes IS NOT NULL"))
    op.create_index("ix_decision_xid", "decision", ["xid"])


def make_idempotency() -> None:
    op.create_table(
        "idempotency",
        Column("client_id", Integer, nullable=False),
        Column("key", Text(collation="C"), nullable=False),
        Column("fingerprint", LargeBinary, nullable=False),
        Column("decision_id", Uuid, nullable=False),
        Column("expires_at", MOMENT, nullable=False),
        PrimaryKeyConstraint("client_id", "key", name="pk_idempotency"),
    )
    op.create_index("ix_idempotency_expires_at", "idempotency", ["expires_at"])


def protect() -> None:
    """Triggers: the owner too is held back from changing the record by accident; and changes are told to every replica."""
    for function in (REFUSE_CHANGE, TELL, FIRST_ID_OF_YEAR, ENSURE_PARTITIONS):
        op.execute(function)
    op.execute("REVOKE EXECUTE ON FUNCTION ensure_partitions() FROM PUBLIC")
    for table in ("decision", "rule_table", "rule_table_event"):
        op.execute(f"CREATE TRIGGER never_changed BEFORE UPDATE OR DELETE ON {table} FOR EACH ROW EXECUTE FUNCTION refuse_change()")
        op.execute(f"CREATE TRIGGER never_emptied BEFORE TRUNCATE ON {table} EXECUTE FUNCTION refuse_change()")
    op.execute("CREATE TRIGGER never_deleted BEFORE DELETE ON api_key FOR EACH ROW EXECUTE FUNCTION refuse_change()")
    op.execute("CREATE TRIGGER never_emptied BEFORE TRUNCATE ON api_key EXECUTE FUNCTION refuse_change()")
    op.execute(
        "CREATE TRIGGER stays_revoked BEFORE UPDATE ON api_key FOR EACH ROW WHEN (OLD.revoked_at IS NOT NULL)"
        " EXECUTE FUNCTION refuse_change()"
    )
    op.execute("CREATE TRIGGER told AFTER INSERT OR UPDATE ON api_key EXECUTE FUNCTION tell('coldcase_keys')")
    op.execute("CREATE TRIGGER told AFTER INSERT ON rule_table_event EXECUTE FUNCTION tell('coldcase_tables')")


def isolate() -> None:
    """Row-level security: a client's rows for whoever set `coldcase.client`, all rows for whoever set `coldcase.reads_all`."""
    op.execute("ALTER TABLE decision ENABLE ROW LEVEL SECURITY")
    op.execute(f"CREATE POLICY seen ON decision FOR SELECT TO coldcase_service USING ({OWN_CLIENT} OR {READS_ALL})")
    op.execute("CREATE POLICY recorded ON decision FOR INSERT TO coldcase_service WITH CHECK (true)")
    op.execute("CREATE POLICY audited ON decision FOR SELECT TO coldcase_auditor USING (true)")
    op.execute("ALTER TABLE idempotency ENABLE ROW LEVEL SECURITY")
    op.execute("CREATE POLICY seen ON idempotency FOR SELECT TO coldcase_service USING (true)")
    op.execute("CREATE POLICY taken ON idempotency FOR INSERT TO coldcase_service WITH CHECK (true)")
    op.execute("CREATE POLICY taken_over ON idempotency FOR UPDATE TO coldcase_service USING (expires_at <= now()) WITH CHECK (true)")
    op.execute("CREATE POLICY swept ON idempotency FOR DELETE TO coldcase_service USING (expires_at <= now())")


def grant() -> None:
    """What the two roles may do; neither owns anything, so neither can disable a trigger."""
    op.execute("GRANT SELECT, INSERT ON client, api_key, rule_table, rule_table_event, decision TO coldcase_service")
    op.execute("GRANT UPDATE (revoked_at) ON api_key TO coldcase_service")
    op.execute("GRANT SELECT, INSERT, UPDATE, DELETE ON idempotency TO coldcase_service")
    op.execute("GRANT EXECUTE ON FUNCTION ensure_partitions() TO coldcase_service")
    op.execute("GRANT SELECT ON client, rule_table, rule_table_event, decision TO coldcase_auditor")
    op.execute("GRANT SELECT ON alembic_version TO coldcase_service, coldcase_auditor")
