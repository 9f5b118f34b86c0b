"""What makes the record one that can be trusted: verdicts, audit events, seals, archives, and words that can be erased.

Revises: 20261125_0930.
"""

from alembic import op
from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
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
from sqlalchemy.types import UserDefinedType

revision = "20261125_1050"
down_revision = "20261125_0930"
branch_labels = None
depends_on = None

MOMENT = DateTime(timezone=True)


class Xid8(UserDefinedType[int]):
    """The id of a transaction. Spelled here: a migration must not change when the code does."""

    cache_ok = True

    def get_col_spec(self, **_: object) -> str:
        """The name PostgreSQL has for it."""
        return "xid8"


OWN_CLIENT = "client_id = nullif(current_setting('coldcase.client', true), '')::integer"
READS_ALL = "current_setting('coldcase.reads_all', true) = 'on'"
BASES = "basis IN ('teardown', 'laboratory', 'field', 'supplier_report')"

# A seal covers a word (a note, a person's label, an address) by its salted hash only. Erasing the word and its salt leaves nothing that
# the word could be guessed from, and breaks no seal.
COMMIT_WORDS = """
CREATE FUNCTION commit_words() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    words jsonb := to_jsonb(NEW);
    salt bytea := uuid_send(gen_random_uuid());
    made jsonb := jsonb_build_object('salt', salt);
    word text;
BEGIN
    FOREACH word IN ARRAY TG_ARGV LOOP
        made := made || jsonb_build_object(word || '_sha256', sha256(salt || convert_to(word || '=' || (words ->> word), 'UTF8')));
    END LOOP;
    RETURN jsonb_populate_record(NEW, made);
END $$
"""

ONLY_ERASE = """
CREATE FUNCTION only_erase() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    before jsonb := to_jsonb(OLD);
    after jsonb := to_jsonb(NEW);
    word text;
BEGIN
    FOREACH word IN ARRAY TG_ARGV LOOP
        IF after ->> word IS DISTINCT FROM before ->> word AND after ->> word IS DISTINCT FROM 'erased' THEN
            RAISE EXCEPTION 'the record is append-only: a word of % can be erased, not changed', TG_TABLE_NAME
                USING ERRCODE = 'restrict_violation';
        END IF;
    END LOOP;
    IF before - TG_ARGV - 'salt' <> after - TG_ARGV - 'salt' OR after ->> 'salt' IS NOT NULL THEN
        RAISE EXCEPTION 'the record is append-only: % of % is refused', TG_OP, TG_TABLE_NAME USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$
"""

# The database itself writes the event, so that no caller can forget to. Whoever acts says who they are in `coldcase.actor` (JSON).
AUDIT = """
CREATE FUNCTION audit() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    actor jsonb := coalesce(nullif(current_setting('coldcase.actor', true), ''), '{}')::jsonb;
    made jsonb := to_jsonb(NEW);
    action text;
    subject text;
    details jsonb;
BEGIN
    CASE TG_TABLE_NAME
    WHEN 'api_key' THEN
        action := CASE TG_OP WHEN 'INSERT' THEN 'key.created' ELSE 'key.revoked' END;
        subject := made ->> 'id';
        details := jsonb_build_object('scopes', made -> 'scopes', 'expires_at', made -> 'expires_at');
    WHEN 'rule_table_event' THEN
        action := 'rule_table.' || (made ->> 'kind');
        subject := made ->> 'version';
        details := jsonb_build_object('event', made -> 'id');
        actor := jsonb_build_object('key', made -> 'by_key', 'person', made -> 'person') || actor;
    WHEN 'verdict' THEN
        action := 'verdict.recorded';
        subject := made ->> 'id';
        details := jsonb_build_object('decision', made -> 'decision_id', 'cause', made -> 'cause', 'basis', made -> 'basis');
    END CASE;
    INSERT INTO audit_event (at, action, subject, client_id, by_role, by_key, person, remote, request_id, details)
    VALUES (now(), action, subject, (made ->> 'client_id')::integer, session_user, (actor ->> 'key')::uuid, actor ->> 'person',
            actor ->> 'remote', actor ->> 'request_id', details::text);
    RETURN NULL;
END $$
"""

# As the roles do, so does this belong to the whole server; a downgrade leaves it to the other databases.
JOIN_ROLES = """
DO $$
BEGIN
    IF NOT EXISTS (SELECT FROM pg_auth_members WHERE roleid = 'coldcase_auditor'::regrole AND member = 'coldcase_service'::regrole) THEN
        GRANT coldcase_auditor TO coldcase_service WITH INHERIT FALSE, SET TRUE;
    END IF;
END $$
"""

APPEND_ONLY = {
    "verdict": ("person", "note"),
    "audit_event": ("person", "remote"),
    "rule_table": ("created_by", "note"),
    "rule_table_event": ("person", "reason"),
}
"""The tables whose rows are sealed, beside the decisions, and their words."""


def upgrade() -> None:
    for function in (COMMIT_WORDS, ONLY_ERASE, AUDIT):
        op.execute(function)
    op.execute("REVOKE EXECUTE ON FUNCTION audit() FROM PUBLIC")
    make_verdicts()
    make_audit_events()
    make_seals()
    add_words_to_rule_tables()
    protect()
    isolate()
    grant()


def downgrade() -> None:
    op.execute("DROP TRIGGER audited ON api_key")
    op.execute("DROP TRIGGER stays_revoked ON api_key")
    op.execute(
        "CREATE TRIGGER stays_revoked BEFORE UPDATE ON api_key FOR EACH ROW WHEN (OLD.revoked_at IS NOT NULL)"
        " EXECUTE FUNCTION refuse_change()"
    )
    for table in ("rule_table", "rule_table_event"):
        for trigger in ("words_committed", "only_erased", "never_deleted"):
            op.execute(f"DROP TRIGGER {trigger} ON {table}")
        op.execute(f"CREATE TRIGGER never_changed BEFORE UPDATE OR DELETE ON {table} FOR EACH ROW EXECUTE FUNCTION refuse_change()")
        for column in ("salt", *(f"{word}_sha256" for word in APPEND_ONLY[table]), "xid"):
            op.drop_column(table, column)
    op.execute("DROP TRIGGER audited ON rule_table_event")
    for table in ("audit_archive", "audit_seal_member", "audit_seal", "audit_event", "verdict"):
        op.drop_table(table)
    for function in ("audit()", "only_erase()", "commit_words()"):
        op.execute(f"DROP FUNCTION {function}")


def transaction_id() -> Column[int]:
    return Column("xid", Xid8, nullable=False, server_default=text("pg_current_xact_id()"))


def make_verdicts() -> None:
    op.create_table(
        "verdict",
        Column("id", Uuid, nullable=False),
        Column("decision_id", Uuid, nullable=False),
        Column("client_id", Integer, nullable=False),
        Column("recorded_at", MOMENT, nullable=False),
        transaction_id(),
        Column("idempotency_key", Text(collation="C")),
        Column("fingerprint", LargeBinary, nullable=False),
        Column("cause", Text),
        Column("not_determinable", Boolean, nullable=False),
        Column("basis", Text, nullable=False),
        Column("by_key", Uuid),
        Column("person", Text),
        Column("note", Text),
        Column("salt", LargeBinary),
        Column("person_sha256", LargeBinary),
        Column("note_sha256", LargeBinary),
        PrimaryKeyConstraint("id", name="pk_verdict"),
        ForeignKeyConstraint(["by_key"], ["api_key.id"], name="fk_verdict_by_key_api_key"),
        CheckConstraint(BASES, name=op.f("ck_verdict_basis_is_known")),
        CheckConstraint("(cause IS NULL) = not_determinable", name=op.f("ck_verdict_cause_or_none")),
    )
    op.create_index("ix_verdict_decision_id_recorded_at_id", "verdict", ["decision_id", "recorded_at", "id"])
    op.create_index(
        "uq_verdict_client_id_idempotency_key",
        "verdict",
        ["client_id", "idempotency_key"],
        unique=True,
        postgresql_where=text("idempotency_key IS NOT NULL"),
    )
    op.create_index("ix_verdict_xid", "verdict", ["xid"])


def make_audit_events() -> None:
    op.create_table(
        "audit_event",
        Column("id", BigInteger, Identity(always=True), nullable=False),
        Column("at", MOMENT, nullable=False),
        transaction_id(),
        Column("action", Text, nullable=False),
        Column("subject", Text, nullable=False),
        Column("client_id", Integer),
        Column("by_role", Text, nullable=False),
        Column("by_key", Uuid),
        Column("person", Text),
        Column("remote", Text),
        Column("request_id", Text),
        Column("details", Text, nullable=False),
        Column("salt", LargeBinary),
        Column("person_sha256", LargeBinary),
        Column("remote_sha256", LargeBinary),
        PrimaryKeyConstraint("id", name="pk_audit_event"),
    )
    op.create_index("ix_audit_event_client_id_id", "audit_event", ["client_id", "id"])
    op.create_index("ix_audit_event_subject_id", "audit_event", ["subject", "id"])
    op.create_index("ix_audit_event_xid", "audit_event", ["xid"])


def make_seals() -> None:
    op.create_table(
        "audit_seal",
        Column("number", Integer, autoincrement=False, nullable=False),
        Column("at", MOMENT, nullable=False),
        Column("count", Integer, nullable=False),
        Column("from_xid", Xid8, nullable=False),
        Column("up_to_xid", Xid8, nullable=False),
        Column("next_xid", Xid8, nullable=False),
        Column("previous", LargeBinary, nullable=False),
        Column("root", LargeBinary, nullable=False),
        Column("head", LargeBinary, nullable=False),
        PrimaryKeyConstraint("number", name="pk_audit_seal"),
        UniqueConstraint("head", name="uq_audit_seal_head"),
    )
    op.create_table(
        "audit_seal_member",
        Column("seal", Integer, nullable=False),
        Column("position", Integer, nullable=False),
        Column("kind", SmallInteger, nullable=False),
        Column("record", Uuid, nullable=False),
        Column("leaf", LargeBinary, nullable=False),
        PrimaryKeyConstraint("seal", "position", name="pk_audit_seal_member"),
        UniqueConstraint("record", "kind", name="uq_audit_seal_member_record_kind"),
    )
    op.create_table(
        "audit_archive",
        Column("year", Integer, autoincrement=False, nullable=False),
        Column("at", MOMENT, nullable=False),
        Column("count", Integer, nullable=False),
        Column("file_sha256", LargeBinary, nullable=False),
        PrimaryKeyConstraint("year", name="pk_audit_archive"),
    )


def add_words_to_rule_tables() -> None:
    for table in ("rule_table", "rule_table_event"):
        words = APPEND_ONLY[table]
        op.execute(f"DROP TRIGGER never_changed ON {table}")
        for column in ("salt", *(f"{word}_sha256" for word in words)):
            op.add_column(table, Column(column, LargeBinary))
        op.add_column(table, transaction_id())
        op.execute(f"UPDATE {table} SET salt = uuid_send(gen_random_uuid())")
        for word in words:
            op.execute(f"UPDATE {table} SET {word}_sha256 = sha256(salt || convert_to('{word}=' || {word}, 'UTF8'))")


def protect() -> None:
    for table, words in APPEND_ONLY.items():
        given = ", ".join(f"'{word}'" for word in words)
        op.execute(f"CREATE TRIGGER words_committed BEFORE INSERT ON {table} FOR EACH ROW EXECUTE FUNCTION commit_words({given})")
        op.execute(f"CREATE TRIGGER only_erased BEFORE UPDATE ON {table} FOR EACH ROW EXECUTE FUNCTION only_erase({given})")
        op.execute(f"CREATE TRIGGER never_deleted BEFORE DELETE ON {table} FOR EACH ROW EXECUTE FUNCTION refuse_change()")
    for table in ("audit_seal", "audit_seal_member", "audit_archive"):
        op.execute(f"CREATE TRIGGER never_changed BEFORE UPDATE OR DELETE ON {table} FOR EACH ROW EXECUTE FUNCTION refuse_change()")
    for table in ("verdict", "audit_event", "audit_seal", "audit_seal_member", "audit_archive"):
        op.execute(f"CREATE TRIGGER never_emptied BEFORE TRUNCATE ON {table} EXECUTE FUNCTION refuse_change()")
    op.execute("DROP TRIGGER stays_revoked ON api_key")
    op.execute(
        "CREATE TRIGGER stays_revoked BEFORE UPDATE ON api_key FOR EACH ROW"
        " WHEN (OLD.revoked_at IS NOT NULL AND NEW.revoked_at IS DISTINCT FROM OLD.revoked_at) EXECUTE FUNCTION refuse_change()"
    )
    op.execute("CREATE TRIGGER audited AFTER INSERT OR UPDATE OF revoked_at ON api_key FOR EACH ROW EXECUTE FUNCTION audit()")
    op.execute("CREATE TRIGGER audited AFTER INSERT ON rule_table_event FOR EACH ROW EXECUTE FUNCTION audit()")
    op.execute("CREATE TRIGGER audited AFTER INSERT ON verdict FOR EACH ROW EXECUTE FUNCTION audit()")


def isolate() -> None:
    op.execute("ALTER TABLE verdict ENABLE ROW LEVEL SECURITY")
    op.execute(f"CREATE POLICY seen ON verdict FOR SELECT TO coldcase_service USING ({OWN_CLIENT} OR {READS_ALL})")
    op.execute("CREATE POLICY recorded ON verdict FOR INSERT TO coldcase_service WITH CHECK (true)")
    op.execute("CREATE POLICY audited ON verdict FOR SELECT TO coldcase_auditor USING (true)")
    op.execute("ALTER TABLE audit_event ENABLE ROW LEVEL SECURITY")
    # An event without a client is one of the rule tables or of the record as a whole.
    op.execute(f"CREATE POLICY seen ON audit_event FOR SELECT TO coldcase_service USING (client_id IS NULL OR {OWN_CLIENT} OR {READS_ALL})")
    op.execute("CREATE POLICY audited ON audit_event FOR SELECT TO coldcase_auditor USING (true)")


def grant() -> None:
    """The service acts as the auditor only where it says so (SET ROLE); what the auditor sees it does not inherit."""
    op.execute(JOIN_ROLES)
    op.execute("GRANT SELECT, INSERT ON verdict TO coldcase_service")
    op.execute("GRANT SELECT ON audit_event, audit_seal, audit_archive TO coldcase_service")
    op.execute("GRANT SELECT ON verdict, audit_event, audit_archive TO coldcase_auditor")
    op.execute("GRANT SELECT, INSERT ON audit_seal, audit_seal_member TO coldcase_auditor")
