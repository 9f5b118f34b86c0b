"""Each word of a record has a salt of its own, so that one can be erased and the others still be proven.

Revises: 20261126_0200.

`salt` holds 16 bytes for each word, in the order of the trigger's arguments; those of an erased word are zeros. Rows of before have 16
bytes for all their words, which can only go together. A replica of the release before takes the words of new rows for changed when it
verifies; nothing else reads salts. The same holds after a downgrade for the rows written meanwhile.
"""

from alembic import op

revision = "20261126_0400"
down_revision = "20261126_0200"
branch_labels = None
depends_on = None

COMMIT_WORDS = """
CREATE OR REPLACE FUNCTION commit_words() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    words jsonb := to_jsonb(NEW);
    made jsonb := '{}';
    salts bytea := '';
    salt bytea;
    word text;
BEGIN
    FOREACH word IN ARRAY TG_ARGV LOOP
        salt := uuid_send(gen_random_uuid());
        salts := salts || salt;
        made := made || jsonb_build_object(word || '_sha256', sha256(salt || convert_to(word || '=' || (words ->> word), 'UTF8')));
    END LOOP;
    RETURN jsonb_populate_record(NEW, made || jsonb_build_object('salt', salts));
END $$
"""

ONLY_ERASE = r"""
CREATE OR REPLACE FUNCTION only_erase() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    before jsonb := to_jsonb(OLD);
    after jsonb := to_jsonb(NEW);
    salt_before bytea := (before ->> 'salt')::bytea;
    salt_after bytea := (after ->> 'salt')::bytea;
    own_salts boolean := coalesce(octet_length(salt_before) = 16 * TG_NARGS, false);
    gone boolean;
    word text;
BEGIN
    IF before - TG_ARGV - 'salt' <> after - TG_ARGV - 'salt' OR salt_after IS NOT DISTINCT FROM salt_before THEN
        RAISE EXCEPTION 'the record is append-only: % of % is refused', TG_OP, TG_TABLE_NAME USING ERRCODE = 'restrict_violation';
    END IF;
    IF salt_after IS NOT NULL AND (NOT own_salts OR octet_length(salt_after) <> octet_length(salt_before)) THEN
        RAISE EXCEPTION 'the record is append-only: a salt of % can be erased, not changed', TG_TABLE_NAME
            USING ERRCODE = 'restrict_violation';
    END IF;
    FOR place IN 0 .. TG_NARGS - 1 LOOP
        word := TG_ARGV[place];
        gone := salt_after IS NULL OR substr(salt_after, 16 * place + 1, 16) = decode(repeat('00', 16), 'hex');
        IF (after ->> word IS DISTINCT FROM before ->> word AND (NOT gone OR after ->> word IS DISTINCT FROM 'erased'))
            OR (gone AND after ->> word <> 'erased')
            OR (NOT gone AND substr(salt_after, 16 * place + 1, 16) <> substr(salt_before, 16 * place + 1, 16))
        THEN
            RAISE EXCEPTION 'the record is append-only: a word of % can be erased with its salt, not changed', TG_TABLE_NAME
                USING ERRCODE = 'restrict_violation';
        END IF;
    END LOOP;
    RETURN NEW;
END $$
"""

COMMIT_WORDS_BEFORE = """
CREATE OR REPLACE FUNCTION commit_words() RETURNS trigger LANGUAGE plpgsql AS $$
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

ONLY_ERASE_BEFORE = """
CREATE OR REPLACE FUNCTION only_erase() RETURNS trigger LANGUAGE plpgsql AS $$
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


def upgrade() -> None:
    op.execute(COMMIT_WORDS)
    op.execute(ONLY_ERASE)


def downgrade() -> None:
    op.execute(COMMIT_WORDS_BEFORE)
    op.execute(ONLY_ERASE_BEFORE)
