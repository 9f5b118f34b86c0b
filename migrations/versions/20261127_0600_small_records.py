"""Answers are kept packed: zstd with a dictionary that belongs to the rule table, the digest of the unpacked bytes beside them.

Revises: 20261127_0530.

What stands there stays as it is until `coldcase pack` packs it, batch by batch; rows of both kinds are read. The one change of a
decision that the database lets through, to its owner alone, is this: the text goes, something packed comes, and the digest beside it is
that of the text, computed here. A leaf is made from the digest, so that what was sealed stays as it was; whether what was packed is what
the digest names is for `coldcase verify` to tell, for the database has no zstd.

A replica of the release before records texts as ever and cannot read what is packed. Nothing is packed under a rule table without a
dictionary: it gets one when it is published by this release, or by `coldcase pack`. So those of both releases run side by side until then.
"""

import hashlib

import zstandard
from alembic import op
from sqlalchemy import (
    CheckConstraint,
    Column,
    DateTime,
    ForeignKeyConstraint,
    Integer,
    LargeBinary,
    PrimaryKeyConstraint,
    UniqueConstraint,
    text,
)

revision = "20261127_0600"
down_revision = "20261127_0530"
branch_labels = None
depends_on = None

KEPT = """
CASE WHEN answer_packed IS NULL THEN answer_text IS NOT NULL AND answer_sha256 IS NULL AND dictionary IS NULL
ELSE answer_text IS NULL AND answer_sha256 IS NOT NULL AND length(answer_sha256) = 32 END
"""

# A dictionary's number stands in its fifth to eighth byte, the lowest first (RFC 8878).
NAMED = "id = get_byte(content, 4) + (get_byte(content, 5) << 8) + (get_byte(content, 6) << 16) + (get_byte(content, 7) << 24)"

KEEP_DICTIONARY = """
CREATE FUNCTION keep_dictionary(of_table integer, bytes bytea) RETURNS boolean
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM rule_table WHERE version = of_table) OR length(bytes) < 8 THEN
        RETURN false;
    END IF;
    INSERT INTO answer_dictionary (id, rule_table, content, made_at)
    VALUES (get_byte(bytes, 4) + (get_byte(bytes, 5) << 8) + (get_byte(bytes, 6) << 16) + (get_byte(bytes, 7) << 24),
            of_table, bytes, now())
    ON CONFLICT DO NOTHING;
    RETURN FOUND;
END $$
"""

# `at` is computed after this trigger, from columns that stay.
ONLY_PACK = """
CREATE FUNCTION only_pack() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    free text[] := ARRAY['answer_text', 'answer_packed', 'answer_sha256', 'dictionary', 'at'];
BEGIN
    IF OLD.answer_text IS NULL OR NEW.answer_text IS NOT NULL OR NEW.answer_packed IS NULL
        OR NEW.answer_sha256 IS DISTINCT FROM sha256(convert_to(OLD.answer_text, 'UTF8'))
        OR to_jsonb(OLD) - free <> to_jsonb(NEW) - free THEN
        RAISE EXCEPTION 'the record is append-only: an answer can be packed, no more' USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$
"""

PLAIN = "sha256(convert_to(r.answer_text, 'UTF8'))"
PACKED = f"coalesce(r.answer_sha256, {PLAIN})"

# What the function says else is told where it was made. The colons of a parameter's name are none of SQLAlchemy's.
LEAVES = r"""
DO $do$
DECLARE
    was text := pg_get_functiondef('unsealed_leaves(xid8, xid8)'\:\:regprocedure);
    made text := replace(was, $old${old}$old$, $new${new}$new$);
BEGIN
    IF made = was THEN
        RAISE EXCEPTION 'the leaves of decisions are not made as this migration knows them';
    END IF;
    EXECUTE made;
END $do$
"""

# Without lz4 a case that is out of the ordinary, one with readings, is compressed by the older method: some ten microseconds.
SMALL_CASES = """
DO $$
BEGIN
    ALTER TABLE decision ALTER case_text SET COMPRESSION lz4;
EXCEPTION WHEN feature_not_supported THEN NULL;
END $$
"""

# Of a row above 2 KB, whatever may go is moved to the TOAST table, a digest of 32 bytes as well: a chunk of its own for each.
SHORT = ("idempotency_key", "fingerprint", "cause", "status", "job_ref", "circuit", "compressor_type", "refrigerant", "engine")

LARGE_CASES = """
DO $$
BEGIN
    ALTER TABLE decision ALTER case_text SET STORAGE EXTENDED, ALTER case_text SET COMPRESSION lz4;
EXCEPTION WHEN feature_not_supported THEN
    ALTER TABLE decision ALTER case_text SET STORAGE EXTERNAL;
END $$
"""

AT_ONCE = 1000


def store(how: str, columns: tuple[str, ...]) -> None:
    op.execute("ALTER TABLE decision " + ", ".join(f"ALTER {column} SET STORAGE {how}" for column in columns))


def upgrade() -> None:
    op.create_table(
        "answer_dictionary",
        Column("id", Integer, autoincrement=False, nullable=False),
        Column("rule_table", Integer, nullable=False),
        Column("content", LargeBinary, nullable=False),
        Column("made_at", DateTime(timezone=True), nullable=False),
        PrimaryKeyConstraint("id", name="pk_answer_dictionary"),
        UniqueConstraint("rule_table", name="uq_answer_dictionary_rule_table"),
        ForeignKeyConstraint(["rule_table"], ["rule_table.version"], name="fk_answer_dictionary_rule_table_rule_table"),
        CheckConstraint(NAMED, name=op.f("ck_answer_dictionary_names_itself")),
        CheckConstraint("length(content) <= 1048576", name=op.f("ck_answer_dictionary_is_small")),
    )
    op.execute("ALTER TABLE answer_dictionary ALTER content SET STORAGE EXTERNAL")
    for change in ("answer_packed bytea", "answer_sha256 bytea", "dictionary integer"):
        op.execute(f"ALTER TABLE decision ADD COLUMN {change}")
    op.execute("ALTER TABLE decision ALTER answer_text DROP NOT NULL")
    store("MAIN", ("case_text", "answer_packed", "answer_sha256", *SHORT))
    op.execute(SMALL_CASES)
    # Every row of before fits; looking at all of them would hold up the service.
    op.execute(f"ALTER TABLE decision ADD CONSTRAINT ck_decision_answer_is_kept CHECK ({KEPT}) NOT VALID")
    for body in (KEEP_DICTIONARY, ONLY_PACK, LEAVES.format(old=PLAIN, new=PACKED)):
        op.execute(body)
    op.execute("REVOKE EXECUTE ON FUNCTION keep_dictionary(integer, bytea) FROM PUBLIC")
    op.execute("GRANT EXECUTE ON FUNCTION keep_dictionary(integer, bytea) TO coldcase_service")
    op.execute("CREATE TRIGGER never_changed BEFORE UPDATE OR DELETE ON answer_dictionary FOR EACH ROW EXECUTE FUNCTION refuse_change()")
    op.execute("CREATE TRIGGER never_emptied BEFORE TRUNCATE ON answer_dictionary EXECUTE FUNCTION refuse_change()")
    op.execute("DROP TRIGGER never_changed ON decision")
    op.execute("CREATE TRIGGER never_deleted BEFORE DELETE ON decision FOR EACH ROW EXECUTE FUNCTION refuse_change()")
    op.execute("CREATE TRIGGER only_packed BEFORE UPDATE ON decision FOR EACH ROW EXECUTE FUNCTION only_pack()")
    op.execute("GRANT SELECT ON answer_dictionary TO coldcase_service, coldcase_auditor")
    op.execute("GRANT INSERT (answer_packed, answer_sha256, dictionary) ON decision TO coldcase_service")


def downgrade() -> None:
    """Unpacks every answer first: with many of them that takes as long as reading the record does."""
    op.execute("DROP TRIGGER only_packed ON decision")
    op.execute("DROP TRIGGER never_deleted ON decision")
    if not op.get_context().as_sql:
        unpack()
    op.execute("CREATE TRIGGER never_changed BEFORE UPDATE OR DELETE ON decision FOR EACH ROW EXECUTE FUNCTION refuse_change()")
    op.execute(LEAVES.format(old=PACKED, new=PLAIN))
    op.execute("DROP FUNCTION only_pack()")
    op.execute("ALTER TABLE decision DROP CONSTRAINT ck_decision_answer_is_kept")
    op.execute("ALTER TABLE decision ALTER answer_text SET NOT NULL")
    store("EXTENDED", SHORT)
    op.execute(LARGE_CASES)
    for column in ("answer_packed", "answer_sha256", "dictionary"):
        op.drop_column("decision", column)
    op.execute("DROP FUNCTION keep_dictionary(integer, bytea)")
    op.drop_table("answer_dictionary")


def unpack() -> None:
    conn = op.get_bind()
    unpackers = {None: zstandard.ZstdDecompressor()}
    for id_, content in conn.execute(text("SELECT id, content FROM answer_dictionary")):
        unpackers[id_] = zstandard.ZstdDecompressor(dict_data=zstandard.ZstdCompressionDict(content))
    packed = text(f"SELECT id, answer_packed, dictionary, answer_sha256 FROM decision WHERE answer_packed IS NOT NULL LIMIT {AT_ONCE}")
    change = text("UPDATE decision SET answer_text = :answer, answer_packed = NULL, answer_sha256 = NULL, dictionary = NULL WHERE id = :id")
    while rows := conn.execute(packed).all():
        for id_, frame, dictionary, digest in rows:
            answer = unpackers[dictionary].decompress(frame)
            if hashlib.sha256(answer).digest() != digest:
                raise ValueError(f"decision {id_} cannot be unpacked")
            conn.execute(change, {"id": id_, "answer": answer.decode()})
