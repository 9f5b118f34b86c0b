"""The kinds of tampering, and of each who is meant to see it."""

from collections.abc import Callable, Mapping
from typing import NamedTuple

from tests.stored_answers import COPIED

PLAINLY, WITH_HEAD, BEYOND = "seen", "seen with the newest head", "silent"


class Record(NamedTuple):
    """What stands in the record that copies are made of: sealed decisions, young ones without a seal, sealed
    verdicts, head, seals."""

    ids: list[str]
    young: list[str]
    verdicts: list[str]
    head: str
    seals: int


Kind = tuple[str, Callable[[Record], list[str]]]

COLUMNS = (
    f"client_id, idempotency_key, fingerprint, case_text, {COPIED}, cause, status, confidence, "
    "job_ref, circuit, closed_at,"
    " compressor_type, refrigerant, rule_table, engine, supersedes"
)


def copied(it: Record, *, xid: str, at: str) -> str:
    """A decision that nobody ever asked for."""
    return (
        f"INSERT INTO decision (id, xid, recorded_at, {COLUMNS})"
        f" SELECT overlay(id::text placing 'fffffffffff1' from 25)::uuid, {xid}, {at}, {COLUMNS} FROM "
        f"decision WHERE id = '{it.ids[0]}'"
    )


def update(column: str, value: str) -> Kind:
    """A column of a sealed decision."""
    return PLAINLY, lambda it: [f"UPDATE decision SET {column} = {value} WHERE id = '{it.ids[1]}'"]


def verdict(column: str, value: str) -> Kind:
    return PLAINLY, lambda it: [f"UPDATE verdict SET {column} = {value} WHERE id = '{it.verdicts[0]}'"]


def plainly(*statements: str) -> Kind:
    return PLAINLY, lambda _: list(statements)


def with_head(*statements: str) -> Kind:
    return WITH_HEAD, lambda it: [statement.format(last=it.seals) for statement in statements]


def beyond(*statements: str) -> Kind:
    return BEYOND, lambda _: list(statements)


ARCHIVE = (
    "INSERT INTO audit_archive SELECT (jsonb_populate_record(NULL::audit_archive, "
    "jsonb_build_object({members}))).*"
)
"""Written so that columns which come later are left NULL."""


def archived(it: Record, gone: str) -> list[str]:
    members = (
        "'year', extract(year FROM now())::int, 'at', now(), 'count', {count}, 'file_sha256', "
        "'\\x' || encode(sha256('x'), 'hex')"
    )
    count = "1" if "id" in gone else str(len(it.ids) + len(it.young))
    return [gone, ARCHIVE.format(members=members.format(count=count))]


KINDS: Mapping[str, Kind] = {
    # Decisions.
    "case_text": update("case_text", "replace(case_text, 'scroll', 'scro1l')"),
    "answer_packed": update(
        "answer_packed", "set_byte(answer_packed, 60, 255 - get_byte(answer_packed, 60))"
    ),
    "an answer in the place of a packed one": update(
        "(answer_text, answer_packed, answer_sha256, dictionary)", "ROW('{}', NULL, NULL, NULL)"
    ),
    "answer_sha256": update("answer_sha256", "sha256('x')"),
    "dictionary of a decision": update("dictionary", "NULL"),
    "content of a dictionary": plainly(
        "UPDATE answer_dictionary"
        " SET content = overlay(content placing decode(repeat('00', 700000), 'hex') from 9999)"
    ),
    "dictionaries deleted": plainly("DELETE FROM answer_dictionary"),
    "cause": update("cause", "'acid_carryover'"),
    "status": update("status", "CASE status WHEN 'coded' THEN 'provisional' ELSE 'coded' END"),
    "confidence": update("confidence", "(confidence + 1) % 10000"),
    "client": update("client_id", "3 - client_id"),
    "recorded_at": update("recorded_at", "recorded_at - interval '1 second'"),
    "job_ref": update("job_ref", "'WO-1'"),
    "circuit": update("circuit", "NULL"),
    "closed_at": update("closed_at", "now()"),
    "refrigerant": update("refrigerant", "'R-22'"),
    "compressor_type": update("compressor_type", "'screw'"),
    "rule_table of a decision": update("rule_table", "7"),
    "engine of a decision": update("engine", "'0.0.1'"),
    "fingerprint": update("fingerprint", "sha256('x')"),
    "idempotency key of a decision": update("idempotency_key", "'another'"),
    "supersedes": (
        PLAINLY,
        lambda it: [f"UPDATE decision SET supersedes = '{it.ids[0]}' WHERE id = '{it.ids[1]}'"],
    ),
    "xid of a decision": update("xid", "'5'"),
    "a decision deleted": (PLAINLY, lambda it: [f"DELETE FROM decision WHERE id = '{it.ids[2]}'"]),
    "all decisions deleted": plainly("DELETE FROM decision"),
    "ids exchanged": (
        PLAINLY,
        lambda it: [
            (
                "UPDATE decision SET id = overlay(id::text placing 'ffffffffffff' from 25)::uuid WHERE "
                f"id = '{it.ids[0]}'"
            ),
            f"UPDATE decision SET id = '{it.ids[0]}' WHERE id = '{it.ids[1]}'",
        ],
    ),
    "inserted under an old transaction": (PLAINLY, lambda it: [copied(it, xid="xid", at="recorded_at")]),
    "inserted, dated five minutes back": (
        PLAINLY,
        lambda it: [copied(it, xid="pg_current_xact_id()", at="now() - interval '5 minutes'")],
    ),
    "inserted, dated an hour back": (
        PLAINLY,
        lambda it: [copied(it, xid="pg_current_xact_id()", at="now() - interval '1 hour'")],
    ),
    "inserted, dated a minute back": (
        BEYOND,
        lambda it: [copied(it, xid="pg_current_xact_id()", at="now() - interval '1 minute'")],
    ),
    "inserted now": (BEYOND, lambda it: [copied(it, xid="pg_current_xact_id()", at="now()")]),
    "inserted under a transaction to come": (
        PLAINLY,
        lambda it: [copied(it, xid="'4611686018427387904'", at="now()")],
    ),
    "the year's partition detached": plainly(
        "DO $$ DECLARE one regclass; BEGIN FOR one IN SELECT inhrelid FROM pg_inherits WHERE "
        "inhparent = 'decision'::regclass LOOP"
        " EXECUTE format('ALTER TABLE decision DETACH PARTITION %s', one); END LOOP; END $$"
    ),
    "a young decision changed": (
        BEYOND,
        lambda it: [f"UPDATE decision SET cause = 'acid_carryover' WHERE id = '{it.young[0]}'"],
    ),
    "a young decision deleted": (BEYOND, lambda it: [f"DELETE FROM decision WHERE id = '{it.young[0]}'"]),
    # Archives that never were.
    "a decision deleted under a false archive": (
        PLAINLY,
        lambda it: archived(it, f"DELETE FROM decision WHERE id = '{it.ids[0]}'"),
    ),
    "all decisions deleted under a false archive": (PLAINLY, lambda it: archived(it, "DELETE FROM decision")),
    "a decision deleted under a false archive with a forged event": (
        PLAINLY,
        lambda it: [
            *archived(it, f"DELETE FROM decision WHERE id = '{it.ids[0]}'"),
            (
                "INSERT INTO audit_event (at, action, subject, by_role, details)"
                " VALUES (now(), 'year.archived', extract(year FROM now())::text, 'coldcase_owner',"
                ' format(\'{"count":1,"dropped":false,"file_sha256":"%s"}\', encode(sha256(\'x\'), \'hex\')))'
            ),
        ],
    ),
    # Seals.
    "leaf of a member": plainly(
        "UPDATE audit_seal_member SET leaf = sha256('x') WHERE seal = 1 AND position = 0"
    ),
    "members exchanged": plainly(
        "UPDATE audit_seal_member SET position = -1 WHERE seal = 1 AND position = 0",
        "UPDATE audit_seal_member SET position = 0 WHERE seal = 1 AND position = 1",
        "UPDATE audit_seal_member SET position = 1 WHERE seal = 1 AND position = -1",
    ),
    "records of members exchanged": plainly(
        "UPDATE audit_seal_member AS m SET record = gen_random_uuid() WHERE seal = 1 AND position = 0",
    ),
    "a member taken out": plainly("DELETE FROM audit_seal_member WHERE seal = 1 AND position = 0"),
    "a member and its record taken out": (
        PLAINLY,
        lambda it: [
            f"DELETE FROM decision WHERE id = '{it.ids[0]}'",
            f"DELETE FROM audit_seal_member WHERE record = '{it.ids[0]}'",
        ],
    ),
    "a decision changed and its leaf made to fit": (
        PLAINLY,
        lambda it: [
            f"UPDATE decision SET cause = 'acid_carryover' WHERE id = '{it.ids[0]}'",
            f"UPDATE audit_seal_member SET leaf = sha256('whatever fits') WHERE record = '{it.ids[0]}'",
        ],
    ),
    "at of a seal": plainly("UPDATE audit_seal SET at = at + interval '1 second' WHERE number = 1"),
    "root of a seal": plainly("UPDATE audit_seal SET root = sha256('x') WHERE number = 1"),
    "count of a seal": plainly("UPDATE audit_seal SET count = count + 1 WHERE number = 1"),
    "head of a seal": plainly("UPDATE audit_seal SET head = sha256('x') WHERE number = 1"),
    "previous of a seal": plainly("UPDATE audit_seal SET previous = sha256('x') WHERE number = 2"),
    "format of a seal": plainly("UPDATE audit_seal SET format = 1 WHERE number = 1"),
    "epoch of a seal": plainly("UPDATE audit_seal SET epoch = 'another' WHERE number = 1"),
    "xids of a seal": plainly("UPDATE audit_seal SET up_to_xid = '9000000' WHERE number = 1"),
    "a middle seal gone": plainly("DELETE FROM audit_seal WHERE number = 2"),
    "the last seal rolled back": with_head(
        "DELETE FROM audit_seal_member WHERE seal = {last}", "DELETE FROM audit_seal WHERE number = {last}"
    ),
    "the last seal rolled back with its decisions": with_head(
        "DELETE FROM decision WHERE id IN (SELECT record FROM audit_seal_member WHERE seal = {last} "
        "AND kind = 0)",
        "DELETE FROM audit_seal_member WHERE seal = {last}",
        "DELETE FROM audit_seal WHERE number = {last}",
    ),
    "all seals truncated": with_head("TRUNCATE audit_seal, audit_seal_member"),
    "all seals truncated and a decision changed": with_head(
        "TRUNCATE audit_seal, audit_seal_member", "UPDATE decision SET cause = 'acid_carryover'"
    ),
    # Verdicts.
    "cause of a verdict": verdict("cause", "'acid_carryover'"),
    "basis of a verdict": verdict("basis", "'field'"),
    "client of a verdict": verdict("client_id", "3 - client_id"),
    "decision of a verdict": verdict("decision_id", "gen_random_uuid()"),
    "time of a verdict": verdict("recorded_at", "recorded_at - interval '1 second'"),
    "note of a verdict": verdict("note", "'nothing to see'"),
    "a verdict deleted": (PLAINLY, lambda it: [f"DELETE FROM verdict WHERE id = '{it.verdicts[0]}'"]),
    "a note with salt and hash of its own": verdict(
        "(note, salt, note_sha256)",
        "('forged', '\\x00', sha256('\\x00'::bytea || convert_to('note=forged', 'UTF8')))",
    ),
    "a note erased without an event": verdict("(note, salt)", "('erased', NULL)"),
    "a forged event of an erasure to come": plainly(
        "INSERT INTO audit_event (at, action, subject, by_role, details) VALUES (now(), "
        "'words.erased', 'person', 'coldcase_owner',"
        ' \'{"records":{"verdict":1},"words":{"verdict.note":1}}\')'
    ),
    "a note erased with a forged event": (
        BEYOND,
        lambda it: [
            (
                "UPDATE verdict SET note = 'erased', salt = overlay(salt placing "
                "'\\x00000000000000000000000000000000' from 17)"
                f" WHERE id = '{it.verdicts[0]}'"
            ),
            (
                "INSERT INTO audit_event (at, action, subject, by_role, details)"
                f" VALUES (now(), 'words.erased', '{it.verdicts[0]}', 'coldcase_owner',"
                ' \'{"records":{"verdict":1},"words":{"verdict.note":1}}\')'
            ),
        ],
    ),
    # Audit events and rule tables.
    "an audit event changed": plainly(
        "UPDATE audit_event SET details = '{}' WHERE id = (SELECT min(id) FROM audit_event)"
    ),
    "an audit event deleted": plainly("DELETE FROM audit_event WHERE id = (SELECT min(id) FROM audit_event)"),
    "a forged audit event, dated now": beyond(
        "INSERT INTO audit_event (at, action, subject, by_role, details) VALUES (now(), "
        "'key.revoked', 'x', 'coldcase_owner', '{}')"
    ),
    "a forged audit event, dated back": plainly(
        "INSERT INTO audit_event (at, action, subject, by_role, details)"
        " VALUES (now() - interval '1 day', 'key.revoked', 'x', 'coldcase_owner', '{}')"
    ),
    "document of a rule table": plainly(
        "UPDATE rule_table SET document = replace(document, 'Water', 'Wine')"
    ),
    "digest of a rule table": plainly("UPDATE rule_table SET digest = 'sha256:00'"),
    "an event of a rule table": plainly(
        "UPDATE rule_table_event SET kind = 'withdraw' WHERE kind = 'publish'"
    ),
    "a rule table inserted and published": plainly(
        "INSERT INTO rule_table (version, digest, document, created_at, created_by)"
        " SELECT 2, 'sha256:x', document || ' ', now(), 'nobody' FROM rule_table WHERE version = 1",
        "INSERT INTO rule_table_event (version, kind, at) VALUES (2, 'publish', now())",
    ),
    # Keys and clients: who a record belongs to, and who may ask.
    "scopes of a key": plainly("UPDATE api_key SET scopes = scopes || '{decisions:read:all}'"),
    "secret of a key": plainly("UPDATE api_key SET secret_sha256 = sha256(secret_sha256)"),
    "client of a key": plainly("UPDATE api_key SET client_id = 3 - client_id"),
    "person of a key": plainly("UPDATE api_key SET person = 'somebody else'"),
    "a key inserted": plainly(
        "INSERT INTO api_key (id, client_id, secret_sha256, scopes, created_at)"
        " VALUES (gen_random_uuid(), 1, sha256('mine'), '{decisions:read:all}', now())"
    ),
    "a key deleted": plainly("DELETE FROM api_key WHERE client_id = 1"),
    "a revocation undone": beyond("UPDATE api_key SET expires_at = NULL WHERE client_id = 1"),
    "names of two clients exchanged": plainly(
        "UPDATE client SET name = name || ' '",
        "UPDATE client SET name = (ARRAY['Butter Store', 'Tern Haven'])[id] WHERE id IN (1, 2)",
    ),
    # What guards the record.
    "triggers of the record dropped": plainly("DROP TRIGGER only_packed ON decision"),
    "triggers of the record disabled": plainly("ALTER TABLE decision DISABLE TRIGGER ALL"),
    "a policy dropped": plainly("DROP POLICY seen ON decision"),
    "row security switched off": plainly("ALTER TABLE decision DISABLE ROW LEVEL SECURITY"),
    "the function that audits emptied": plainly(
        "CREATE OR REPLACE FUNCTION audit() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RETURN NULL; END $$"
    ),
    "the function that refuses changes emptied": plainly(
        "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        "RETURN NEW; END $$"
    ),
    "the service may update decisions": plainly("GRANT UPDATE, DELETE ON decision TO coldcase_service"),
    "idempotency keys deleted": beyond("DELETE FROM idempotency"),
}
