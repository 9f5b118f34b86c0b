"""How a rule table changes: mutable drafts beside the immutable tables, and the functions that draft, edit, approve, publish and withdraw.

Revises: 20261126_0500.

A draft has a version of its own from the beginning and its events with it, so that `rule_table_event` may name a version that
`rule_table` does not hold yet: the document becomes a row of `rule_table` when it is published first. Replicas of the release before read
`rule_table` alone and see no drafts. After a downgrade the events of drafts stay, as all events do.
"""

from alembic import op
from sqlalchemy import Column, DateTime, ForeignKeyConstraint, Integer, PrimaryKeyConstraint, Text

revision = "20261126_1700"
down_revision = "20261126_0500"
branch_labels = None
depends_on = None

MOMENT = DateTime(timezone=True)

DEFINER = "LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp"
LOCK = "PERFORM pg_advisory_xact_lock(hashtext('coldcase rule tables'));"

# Who acts. Over the service that is a key, of which the database itself says whether it may and who stands behind it; by the command line
# the owner, who names the person.
TABLE_ACTOR = """
CREATE FUNCTION table_actor(by uuid, who text, needed text) RETURNS text LANGUAGE plpgsql STABLE AS $$
DECLARE
    key api_key;
BEGIN
    IF by IS NULL THEN
        IF NOT pg_has_role(session_user, current_user, 'MEMBER') THEN
            RAISE EXCEPTION 'Only the owner of the record acts without a key.' USING ERRCODE = 'CC403';
        END IF;
        RETURN nullif(btrim(who), '');
    END IF;
    SELECT * INTO key FROM api_key WHERE id = by;
    IF key.id IS NULL OR key.revoked_at IS NOT NULL OR key.expires_at <= now() OR NOT needed = ANY (key.scopes) THEN
        RAISE EXCEPTION 'This call needs the scope `%`.', needed USING ERRCODE = 'CC403';
    END IF;
    RETURN nullif(btrim(key.person), '');
END $$
"""

CURRENT_VERSION = """
CREATE FUNCTION current_version() RETURNS integer LANGUAGE sql STABLE AS $$
    SELECT version FROM rule_table_event AS published WHERE kind = 'publish' AND NOT EXISTS (
        SELECT FROM rule_table_event AS since
        WHERE since.version = published.version AND since.kind = 'withdraw' AND since.id > published.id)
    ORDER BY id DESC LIMIT 1
$$
"""

# The last thing that was done to a version, and the digest of what it holds now.
TABLE_NOW = """
CREATE FUNCTION table_now(of integer, OUT last text, OUT digest text) LANGUAGE plpgsql STABLE AS $$
BEGIN
    SELECT coalesce((SELECT t.digest FROM rule_table AS t WHERE t.version = of),
                    (SELECT d.digest FROM rule_table_draft AS d WHERE d.version = of)) INTO digest;
    SELECT kind INTO last FROM rule_table_event WHERE version = of ORDER BY id DESC LIMIT 1;
    IF digest IS NULL OR last IS NULL THEN
        RAISE EXCEPTION 'There is no rule table %.', of USING ERRCODE = 'CC404';
    END IF;
END $$
"""

DRAFT_TABLE = f"""
CREATE FUNCTION draft_table(by uuid, who text, base integer, told text, content text) RETURNS integer {DEFINER} AS $$
DECLARE
    author text := table_actor(by, who, 'tables:draft');
    made integer;
BEGIN
    {LOCK}
    IF content IS NULL THEN
        SELECT document INTO content FROM rule_table WHERE version = base;
    END IF;
    IF NOT EXISTS (SELECT FROM rule_table WHERE version = base) THEN
        RAISE EXCEPTION 'There is no published rule table % to base a draft on.', base USING ERRCODE = 'CC404';
    END IF;
    made := 1 + greatest((SELECT max(version) FROM rule_table), (SELECT max(version) FROM rule_table_event));
    INSERT INTO rule_table_draft (version, digest, document, based_on, note, created_at)
    VALUES (made, 'sha256:' || encode(sha256(convert_to(content, 'UTF8')), 'hex'), content, base, told, now());
    INSERT INTO rule_table_event (version, kind, at, by_key, person) VALUES (made, 'draft', now(), by, author);
    RETURN made;
END $$
"""

EDIT_DRAFT = f"""
CREATE FUNCTION edit_draft(by uuid, who text, of integer, expected text, content text) RETURNS text {DEFINER} AS $$
DECLARE
    author text := table_actor(by, who, 'tables:draft');
    made text := 'sha256:' || encode(sha256(convert_to(content, 'UTF8')), 'hex');
    found record;
BEGIN
    {LOCK}
    SELECT * INTO found FROM table_now(of);
    IF found.last NOT IN ('draft', 'edit', 'approve') OR NOT EXISTS (SELECT FROM rule_table_draft WHERE version = of) THEN
        RAISE EXCEPTION 'Rule table % is no draft: it stays as it is. Make a draft that is based on it.', of USING ERRCODE = 'CCSTA';
    END IF;
    IF found.digest IS DISTINCT FROM expected THEN
        RAISE EXCEPTION 'The draft was changed meanwhile: its ETag is "%".', found.digest USING ERRCODE = 'CC412';
    END IF;
    IF found.digest <> made THEN
        UPDATE rule_table_draft SET document = content, digest = made WHERE version = of;
        INSERT INTO rule_table_event (version, kind, at, by_key, person) VALUES (of, 'edit', now(), by, author);
    END IF;
    RETURN made;
END $$
"""

# Of an author without a person nobody can say that he is another one.
APPROVE_TABLE = f"""
CREATE FUNCTION approve_table(by uuid, who text, of integer, agreed text, why text) RETURNS void {DEFINER} AS $$
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
    INSERT INTO rule_table_event (version, kind, at, by_key, person, reason) VALUES (of, 'approve', now(), by, approver, why);
END $$
"""

# What was approved is asked of the event that is under a seal, not of the draft.
PUBLISH_TABLE = f"""
CREATE FUNCTION publish_table(by uuid, who text, of integer, agreed text, why text, instead_of integer) RETURNS void {DEFINER} AS $$
DECLARE
    publisher text := table_actor(by, who, 'tables:approve');
    answering integer;
    found record;
    same integer;
BEGIN
    {LOCK}
    answering := current_version();
    SELECT * INTO found FROM table_now(of);
    IF found.digest IS DISTINCT FROM agreed THEN
        RAISE EXCEPTION 'The digest is not that of rule table % as it is now, which is %.', of, found.digest USING ERRCODE = 'CCDIG';
    END IF;
    IF answering = of THEN
        RAISE EXCEPTION 'Rule table % is the current one already.', of USING ERRCODE = 'CCCUR';
    END IF;
    IF instead_of IS DISTINCT FROM answering THEN
        RAISE EXCEPTION 'Rule table % is no longer the current one: it is %.', instead_of, answering USING ERRCODE = 'CCCUR';
    END IF;
    IF NOT EXISTS (SELECT FROM rule_table WHERE version = of) THEN
        IF found.last <> 'approve' OR found.digest IS DISTINCT FROM (
            SELECT details::jsonb ->> 'digest' FROM audit_event WHERE subject = of::text AND action = 'rule_table.approve'
            ORDER BY id DESC LIMIT 1) THEN
            RAISE EXCEPTION 'Rule table % is not approved as it is now.', of USING ERRCODE = 'CCAPP';
        END IF;
        SELECT version INTO same FROM rule_table WHERE digest = found.digest;
        IF same IS NOT NULL THEN
            RAISE EXCEPTION 'Rule table % has the same content: publish that one.', same USING ERRCODE = 'CCREC';
        END IF;
        IF found.digest IS DISTINCT FROM (
            SELECT 'sha256:' || encode(sha256(convert_to(document, 'UTF8')), 'hex') FROM rule_table_draft WHERE version = of) THEN
            RAISE EXCEPTION 'the digest is not that of the document' USING ERRCODE = 'data_exception';
        END IF;
        INSERT INTO rule_table (version, digest, document, based_on, note, created_at, created_by)
        SELECT version, digest, document, based_on, note, created_at, coalesce(
            (SELECT person FROM rule_table_event AS made WHERE made.version = of AND made.kind = 'draft' ORDER BY id LIMIT 1), 'nobody named')
        FROM rule_table_draft WHERE version = of;
        DELETE FROM rule_table_draft WHERE version = of;
    ELSIF found.last NOT IN ('approve', 'publish') THEN
        RAISE EXCEPTION 'Rule table % is not approved.', of USING ERRCODE = 'CCAPP';
    END IF;
    INSERT INTO rule_table_event (version, kind, at, by_key, person, reason) VALUES (of, 'publish', now(), by, publisher, why);
END $$
"""

WITHDRAW_TABLE = f"""
CREATE FUNCTION withdraw_table(by uuid, who text, of integer, why text) RETURNS void {DEFINER} AS $$
DECLARE
    actor text := table_actor(by, who, 'tables:approve');
    found record;
BEGIN
    {LOCK}
    SELECT * INTO found FROM table_now(of);
    IF current_version() = of THEN
        RAISE EXCEPTION 'Rule table % answers now: publish another one first.', of USING ERRCODE = 'CCUSE';
    END IF;
    IF found.last = 'withdraw' THEN
        RAISE EXCEPTION 'Rule table % is withdrawn already.', of USING ERRCODE = 'CCSTA';
    END IF;
    INSERT INTO rule_table_event (version, kind, at, by_key, person, reason) VALUES (of, 'withdraw', now(), by, actor, why);
END $$
"""

CHANGES = {
    "draft_table(uuid, text, integer, text, text)": DRAFT_TABLE,
    "edit_draft(uuid, text, integer, text, text)": EDIT_DRAFT,
    "approve_table(uuid, text, integer, text, text)": APPROVE_TABLE,
    "publish_table(uuid, text, integer, text, text, integer)": PUBLISH_TABLE,
    "withdraw_table(uuid, text, integer, text)": WITHDRAW_TABLE,
}
"""What the service's role may call."""

HELPERS = {
    "table_actor(uuid, text, text)": TABLE_ACTOR,
    "current_version()": CURRENT_VERSION,
    "table_now(integer)": TABLE_NOW,
}

AUDIT = """
CREATE OR REPLACE FUNCTION audit() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    actor jsonb := coalesce(nullif(current_setting('coldcase.actor', true), ''), '{}')::jsonb;
    made jsonb := to_jsonb(NEW);
    concerned integer := made ->> 'client_id';
    action text;
    subject text := made ->> 'id';
    details jsonb;
BEGIN
    CASE TG_TABLE_NAME
    WHEN 'client' THEN
        action := CASE TG_OP WHEN 'INSERT' THEN 'client.created' ELSE 'client.renamed' END;
        concerned := made ->> 'id';
        details := jsonb_build_object('client_id', concerned, 'client', made -> 'name');
        IF TG_OP = 'UPDATE' THEN
            details := details || jsonb_build_object('before', to_jsonb(OLD) -> 'name');
        END IF;
    WHEN 'api_key' THEN
        action := CASE TG_OP WHEN 'INSERT' THEN 'key.created' ELSE 'key.revoked' END;
        details := key_facts(NEW);
        IF TG_OP = 'UPDATE' THEN
            details := details || jsonb_build_object('revoked_at', made -> 'revoked_at');
        END IF;
    WHEN 'rule_table_event' THEN
        action := 'rule_table.' || (made ->> 'kind');
        subject := made ->> 'version';
        details := jsonb_build_object('event', made -> 'id', 'version', made -> 'version',
            'digest', coalesce((SELECT digest FROM rule_table WHERE version = subject::integer),
                               (SELECT digest FROM rule_table_draft WHERE version = subject::integer)))
            || coalesce((SELECT jsonb_build_object('client_id', client.id, 'client', client.name) FROM api_key
                         JOIN client ON client.id = api_key.client_id WHERE api_key.id = (made ->> 'by_key')::uuid), '{}');
        actor := jsonb_build_object('key', made -> 'by_key', 'person', made -> 'person') || actor;
    WHEN 'verdict' THEN
        action := 'verdict.recorded';
        details := jsonb_build_object('decision', made -> 'decision_id', 'cause', made -> 'cause', 'basis', made -> 'basis');
    END CASE;
    INSERT INTO audit_event (at, action, subject, client_id, by_role, by_key, person, remote, request_id, details)
    VALUES (now(), action, subject, concerned, session_user, (actor ->> 'key')::uuid, actor ->> 'person',
            actor ->> 'remote', actor ->> 'request_id', details::text);
    RETURN NULL;
END $$
"""

AUDIT_BEFORE = """
CREATE OR REPLACE FUNCTION audit() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    actor jsonb := coalesce(nullif(current_setting('coldcase.actor', true), ''), '{}')::jsonb;
    made jsonb := to_jsonb(NEW);
    concerned integer := made ->> 'client_id';
    action text;
    subject text := made ->> 'id';
    details jsonb;
BEGIN
    CASE TG_TABLE_NAME
    WHEN 'client' THEN
        action := CASE TG_OP WHEN 'INSERT' THEN 'client.created' ELSE 'client.renamed' END;
        concerned := made ->> 'id';
        details := jsonb_build_object('client_id', concerned, 'client', made -> 'name');
        IF TG_OP = 'UPDATE' THEN
            details := details || jsonb_build_object('before', to_jsonb(OLD) -> 'name');
        END IF;
    WHEN 'api_key' THEN
        action := CASE TG_OP WHEN 'INSERT' THEN 'key.created' ELSE 'key.revoked' END;
        details := key_facts(NEW);
        IF TG_OP = 'UPDATE' THEN
            details := details || jsonb_build_object('revoked_at', made -> 'revoked_at');
        END IF;
    WHEN 'rule_table_event' THEN
        action := 'rule_table.' || (made ->> 'kind');
        subject := made ->> 'version';
        details := jsonb_build_object('event', made -> 'id', 'version', made -> 'version',
            'digest', (SELECT digest FROM rule_table WHERE version = (made ->> 'version')::integer));
        actor := jsonb_build_object('key', made -> 'by_key', 'person', made -> 'person') || actor;
    WHEN 'verdict' THEN
        action := 'verdict.recorded';
        details := jsonb_build_object('decision', made -> 'decision_id', 'cause', made -> 'cause', 'basis', made -> 'basis');
    END CASE;
    INSERT INTO audit_event (at, action, subject, client_id, by_role, by_key, person, remote, request_id, details)
    VALUES (now(), action, subject, concerned, session_user, (actor ->> 'key')::uuid, actor ->> 'person',
            actor ->> 'remote', actor ->> 'request_id', details::text);
    RETURN NULL;
END $$
"""

KINDS = "kind IN ('draft', 'approve', 'publish', 'withdraw')"
KINDS_NOW = "kind IN ('draft', 'edit', 'approve', 'publish', 'withdraw')"
KIND_KNOWN = "ALTER TABLE rule_table_event ADD CONSTRAINT ck_rule_table_event_kind_is_known CHECK"
FORGET_KINDS = "ALTER TABLE rule_table_event DROP CONSTRAINT ck_rule_table_event_kind_is_known"
VERSION_KNOWN = "fk_rule_table_event_version_rule_table"


def upgrade() -> None:
    op.create_table(
        "rule_table_draft",
        Column("version", Integer, autoincrement=False, nullable=False),
        Column("digest", Text, nullable=False),
        Column("document", Text, nullable=False),
        Column("based_on", Integer, nullable=False),
        Column("note", Text),
        Column("created_at", MOMENT, nullable=False),
        PrimaryKeyConstraint("version", name="pk_rule_table_draft"),
        ForeignKeyConstraint(["based_on"], ["rule_table.version"], name="fk_rule_table_draft_based_on_rule_table"),
    )
    op.execute(f"ALTER TABLE rule_table_event DROP CONSTRAINT {VERSION_KNOWN}")
    op.execute(FORGET_KINDS)
    op.execute(f"{KIND_KNOWN} ({KINDS_NOW})")
    op.execute("CREATE TRIGGER never_emptied BEFORE TRUNCATE ON rule_table_draft EXECUTE FUNCTION refuse_change()")
    op.execute("GRANT SELECT ON rule_table_draft TO coldcase_service, coldcase_auditor")
    op.execute(AUDIT)
    for name, body in (HELPERS | CHANGES).items():
        op.execute(body)
        op.execute(f"REVOKE EXECUTE ON FUNCTION {name} FROM PUBLIC")
    for name in CHANGES:
        op.execute(f"GRANT EXECUTE ON FUNCTION {name} TO coldcase_service")


def downgrade() -> None:
    """Drafts go; their events stay, and no constraint asks after those."""
    for name in CHANGES | HELPERS:
        op.execute(f"DROP FUNCTION {name}")
    op.execute(AUDIT_BEFORE)
    op.drop_table("rule_table_draft")
    op.execute(FORGET_KINDS)
    op.execute(f"{KIND_KNOWN} ({KINDS}) NOT VALID")
    op.execute(
        f"ALTER TABLE rule_table_event ADD CONSTRAINT {VERSION_KNOWN} FOREIGN KEY (version) REFERENCES rule_table (version) NOT VALID"
    )
