"""The tables of the record. Their triggers, policies and grants are in `migrations/`; a test holds the two
together.

Case and answer are kept as the bytes that were hashed and sent, the case as `text`, the answer packed
(`db/answers.py`). `jsonb` would rewrite numbers and the order of members.
"""

from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Computed,
    DateTime,
    ForeignKey,
    Identity,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
    Uuid,
    text,
)
from sqlalchemy.dialects.postgresql import ARRAY
from sqlalchemy.dialects.postgresql.base import ischema_names
from sqlalchemy.types import UserDefinedType


class Xid8(UserDefinedType[int]):
    """A transaction's id, 64 bits: tells which rows are complete, as ids and times cannot."""

    cache_ok = True

    def get_col_spec(self, **_: Any) -> str:
        """The name PostgreSQL has for it."""
        return "xid8"


# Without this Alembic cannot compare a column of this type with the database's.
ischema_names["xid8"] = Xid8

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

Timestamp = DateTime(timezone=True)
THIS_TRANSACTION = text("pg_current_xact_id()")


def transaction_id() -> Column[int]:
    """The column that says which transaction wrote a row; seals go by it."""
    return Column("xid", Xid8, nullable=False, server_default=THIS_TRANSACTION)


def commitment_columns(*words: str) -> list[Column[bytes]]:
    """What stands in a row's seal for its personal texts: a salted hash of each (a commitment). Text and salt
    can be erased.
    """
    return [Column("salt", LargeBinary), *(Column(f"{word}_sha256", LargeBinary) for word in words)]


def origin() -> Column[str]:
    """The column that says how a record came: one by one, or by an import."""
    return Column("origin", Text, nullable=False, server_default="live")


def origin_is_known() -> CheckConstraint:
    """What it may say."""
    return CheckConstraint("origin IN ('live', 'bulk')", name="origin_is_known")


client = Table(
    "client",
    metadata,
    Column("id", Integer, Identity(always=True), primary_key=True),
    Column("name", Text, nullable=False, unique=True),
)

api_key = Table(
    "api_key",
    metadata,
    Column("id", Uuid, primary_key=True),
    Column("client_id", Integer, ForeignKey("client.id"), nullable=False),
    Column("person", Text),
    Column("secret_sha256", LargeBinary, nullable=False, unique=True),
    Column("scopes", ARRAY(Text), nullable=False),
    Column("created_at", Timestamp, nullable=False),
    Column("expires_at", Timestamp),
    Column("revoked_at", Timestamp),
    *commitment_columns("person"),
    CheckConstraint("length(secret_sha256) = 32", name="secret_is_a_digest"),
)

rule_table = Table(
    "rule_table",
    metadata,
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("digest", Text, nullable=False, unique=True),
    Column("document", Text, nullable=False),
    Column("based_on", Integer, ForeignKey("rule_table.version")),
    Column("note", Text),
    Column("created_at", Timestamp, nullable=False),
    Column("created_by", Text, nullable=False),
    *commitment_columns("created_by", "note"),
    transaction_id(),
)

# What the answers of a rule table are packed with. The number is zstd's own, made from the content; a
# decision names it. Under no seal: an answer that another content unpacks is not the sealed one.
answer_dictionary = Table(
    "answer_dictionary",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("rule_table", Integer, ForeignKey("rule_table.version"), nullable=False, unique=True),
    Column("content", LargeBinary, nullable=False),
    Column("made_at", Timestamp, nullable=False),
)

# Mutable, and under no seal: its events are, with the digests. Published, it becomes a row of `rule_table`
# under the same number.
rule_table_draft = Table(
    "rule_table_draft",
    metadata,
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("digest", Text, nullable=False),
    Column("document", Text, nullable=False),
    Column("based_on", Integer, ForeignKey("rule_table.version"), nullable=False),
    Column("note", Text),
    Column("created_at", Timestamp, nullable=False),
)

# No foreign key to the table: events begin with the draft.
rule_table_event = Table(
    "rule_table_event",
    metadata,
    Column("id", BigInteger, Identity(always=True), primary_key=True),
    Column("version", Integer, nullable=False, index=True),
    Column("kind", Text, nullable=False),
    Column("at", Timestamp, nullable=False),
    Column("by_key", Uuid, ForeignKey("api_key.id")),
    Column("person", Text),
    Column("reason", Text),
    *commitment_columns("person", "reason"),
    transaction_id(),
    CheckConstraint("kind IN ('draft', 'edit', 'approve', 'publish', 'withdraw')", name="kind_is_known"),
)

# Mutable until it has ended; `client_id` says whose decisions, all clients' where it is null. Under no seal:
# the event of its end is, with the digest of `result`.
backtest = Table(
    "backtest",
    metadata,
    Column("id", Uuid, primary_key=True),
    Column("rule_table", Integer, nullable=False),
    Column("digest", Text, nullable=False),
    Column("client_id", Integer),
    Column("asked", Text, nullable=False),
    Column("sample", Integer),
    Column("library", Text),
    Column("state", Text, nullable=False),
    Column("created_at", Timestamp, nullable=False),
    Column("by_key", Uuid, ForeignKey("api_key.id")),
    Column("started_at", Timestamp),
    Column("ended_at", Timestamp),
    Column("attempts", Integer, nullable=False, server_default=text("0")),
    Column("up_to", Uuid),
    Column("total", Integer),
    Column("done", Integer, nullable=False, server_default=text("0")),
    Column("place", Uuid),
    Column("tally", Text),
    Column("result", Text),
    Column("failed_because", Text),
    CheckConstraint(
        "state IN ('waiting', 'running', 'finished', 'cancelled', 'failed')", name="state_is_known"
    ),
    CheckConstraint("(result IS NULL) = (state <> 'finished')", name="finished_has_a_result"),
    Index(None, "rule_table", "id"),
)

# Mutable until it has ended; `client_id` says whose verdicts, all clients' where it is null, `numbers` where
# each number of the draft comes from. Under no seal: the event of its end is, with the digest of `numbers`.
proposal = Table(
    "proposal",
    metadata,
    Column("id", Uuid, primary_key=True),
    Column("rule_table", Integer, nullable=False),
    Column("digest", Text, nullable=False),
    Column("client_id", Integer),
    Column("strength", Text, nullable=False),
    Column("most_drafts", Integer, nullable=False),
    Column("state", Text, nullable=False),
    Column("created_at", Timestamp, nullable=False),
    Column("by_key", Uuid, ForeignKey("api_key.id"), nullable=False),
    Column("started_at", Timestamp),
    Column("ended_at", Timestamp),
    Column("attempts", Integer, nullable=False, server_default=text("0")),
    Column("total", Integer),
    Column("done", Integer, nullable=False, server_default=text("0")),
    Column("draft", Integer),
    Column("numbers", Text),
    Column("summary", Text),
    Column("failed_because", Text),
    CheckConstraint(
        "state IN ('waiting', 'running', 'finished', 'cancelled', 'failed')", name="state_is_known"
    ),
    CheckConstraint("(summary IS NULL) = (state <> 'finished')", name="finished_has_a_summary"),
    CheckConstraint("(draft IS NULL) = (numbers IS NULL)", name="draft_has_numbers"),
    Index("uq_proposal_draft", "draft", unique=True),
    Index("ix_proposal_rule_table_id", "rule_table", "id"),
)

# What is said of a rule table's row, limit or text, and what came after it; neither ever changes. Under no
# seal: the events of both are, with the digest of what was said.
remark = Table(
    "remark",
    metadata,
    Column("id", Uuid, primary_key=True),
    Column("rule_table", Integer, nullable=False),
    Column("digest", Text, nullable=False),
    Column("pointer", Text, nullable=False),
    Column("was_sha256", Text, nullable=False),
    Column("words", Text, nullable=False),
    Column("proposal", Text),
    Column("decision_id", Uuid),
    Column("by_key", Uuid, ForeignKey("api_key.id")),
    Column("created_at", Timestamp, nullable=False),
    Index(None, "rule_table", "id"),
)

remark_step = Table(
    "remark_step",
    metadata,
    Column("id", Uuid, primary_key=True),
    Column("remark_id", Uuid, ForeignKey("remark.id"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("words", Text),
    Column("settled_by", Integer, index=True),
    Column("by_key", Uuid, ForeignKey("api_key.id")),
    Column("at", Timestamp, nullable=False),
    CheckConstraint("kind IN ('answer', 'settle')", name="kind_is_known"),
    CheckConstraint("(kind = 'settle') = (settled_by IS NOT NULL)", name="settled_by_a_table"),
    Index(None, "remark_id", "id"),
)

# What each Idempotency-Key of a client made (a draft, a remark, a link, a backtest, a proposal); only the
# functions read it.
table_request = Table(
    "table_request",
    metadata,
    Column("client_id", Integer, nullable=False),
    Column("key", Text(collation="C"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("fingerprint", LargeBinary, nullable=False),
    Column("made", Text, nullable=False),
    Column("at", Timestamp, nullable=False),
    PrimaryKeyConstraint("client_id", "key"),
)

# A client's own words and codes, each version kept. Under no seal: the event of each is, with its digest.
crosswalk = Table(
    "crosswalk",
    metadata,
    Column("client_id", Integer, ForeignKey("client.id"), nullable=False),
    Column("name", Text(collation="C"), nullable=False),
    Column("version", Integer, nullable=False, autoincrement=False),
    Column("digest", Text, nullable=False),
    Column("document", Text, nullable=False),
    Column("recorded_at", Timestamp, nullable=False),
    Column("by_key", Uuid, ForeignKey("api_key.id"), nullable=False),
    PrimaryKeyConstraint("client_id", "name", "version"),
)

# Who has shown a key to the login page; of the cookie its SHA-256. No part of the record, and swept.
web_session = Table(
    "web_session",
    metadata,
    Column("token_sha256", LargeBinary, primary_key=True),
    Column("key_id", Uuid, ForeignKey("api_key.id"), nullable=False),
    Column("created_at", Timestamp, nullable=False),
    Column("expires_at", Timestamp, nullable=False, index=True),
    CheckConstraint("length(token_sha256) = 32", name="token_is_a_digest"),
)

# What trainees said of cases before they saw what these were. No part of the record of failures, and under no
# seal; the person behind a key is asked of the key.
training_answer = Table(
    "training_answer",
    metadata,
    Column("id", Uuid, primary_key=True),
    Column("client_id", Integer, ForeignKey("client.id"), nullable=False),
    Column("by_key", Uuid, ForeignKey("api_key.id"), nullable=False),
    Column("case_name", Text(collation="C"), nullable=False),
    Column("causes", ARRAY(Text), nullable=False),
    Column("next_check", Text),
    Column("was_right", Boolean, nullable=False),
    Column("at", Timestamp, nullable=False, server_default=text("now()")),
    UniqueConstraint("by_key", "case_name"),
    CheckConstraint("cardinality(causes) BETWEEN 1 AND 3", name="some_causes"),
    CheckConstraint("length(case_name) <= 64", name="case_name_is_short"),
    Index(None, "client_id", "case_name"),
)

# What addresses of links are signed with: one row.
link_secret = Table("link_secret", metadata, Column("secret", LargeBinary, nullable=False))

# A page shown to somebody without a key; never deleted, and both its making and its end are told by events.
page_link = Table(
    "page_link",
    metadata,
    Column("id", Uuid, primary_key=True),
    Column("client_id", Integer, ForeignKey("client.id"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("against", Integer),
    Column("digest", Text),
    Column("by_key", Uuid, ForeignKey("api_key.id"), nullable=False),
    Column("created_at", Timestamp, nullable=False),
    Column("expires_at", Timestamp, nullable=False),
    Column("revoked_at", Timestamp),
    CheckConstraint("kind IN ('decision', 'rule_table', 'diff')", name="kind_is_known"),
    CheckConstraint("(kind = 'diff') = (against IS NOT NULL)", name="diff_is_of_two"),
    CheckConstraint("(kind = 'decision') = (digest IS NULL)", name="table_has_a_digest"),
    Index(None, "subject", "id"),
)

# Partitioned by id, one partition a year (a UUIDv7 starts with its time), so that old years can be taken out.
# No foreign key points at it or from it: one to it would hold old years in, one from it would lock a row of
# `client` for every decision recorded.
decision = Table(
    "decision",
    metadata,
    Column("id", Uuid, nullable=False),
    Column("client_id", Integer, nullable=False),
    Column("recorded_at", Timestamp, nullable=False),
    transaction_id(),
    Column("idempotency_key", Text),
    Column("fingerprint", LargeBinary, nullable=False),
    Column("case_text", Text, nullable=False),
    Column("answer_text", Text),
    Column("cause", Text, nullable=False),
    Column("status", Text, nullable=False),
    Column("confidence", SmallInteger, nullable=False, comment="in ten-thousandths"),
    Column("job_ref", Text),
    Column("circuit", Text),
    Column("closed_at", Timestamp),
    Column("at", Timestamp, Computed("COALESCE(closed_at, recorded_at)", persisted=True), nullable=False),
    Column("compressor_type", Text, nullable=False),
    Column("refrigerant", Text),
    Column("rule_table", Integer, nullable=False),
    Column("engine", Text, nullable=False),
    Column("supersedes", Uuid),
    Column("own_words", Text),
    Column("answer_packed", LargeBinary),
    Column("answer_sha256", LargeBinary),
    Column("dictionary", Integer),
    origin(),
    Column("own_code", Text),
    PrimaryKeyConstraint("id"),
    CheckConstraint(
        "CASE WHEN answer_packed IS NULL "
        "THEN answer_text IS NOT NULL AND answer_sha256 IS NULL AND dictionary IS NULL "
        "ELSE answer_text IS NULL AND answer_sha256 IS NOT NULL AND length(answer_sha256) = 32 END",
        name="answer_is_kept",
    ),
    CheckConstraint("length(fingerprint) = 32", name="fingerprint_is_a_digest"),
    CheckConstraint("confidence BETWEEN 0 AND 10000", name="confidence_is_a_share"),
    CheckConstraint("status IN ('coded', 'provisional', 'undetermined')", name="status_is_known"),
    origin_is_known(),
    Index(None, "at"),
    Index(None, "client_id", "at"),
    Index(None, "client_id", "recorded_at"),
    Index(None, "client_id", "cause", "at"),
    Index(None, "client_id", "status", "at"),
    Index(None, "client_id", "compressor_type", "at"),
    Index(None, "client_id", "rule_table", "at"),
    Index(None, "client_id", "job_ref", "at", postgresql_where=text("job_ref IS NOT NULL")),
    Index(None, "client_id", "circuit", "at", postgresql_where=text("circuit IS NOT NULL")),
    Index(None, "client_id", "refrigerant", "at", postgresql_where=text("refrigerant IS NOT NULL")),
    Index(None, "supersedes", postgresql_where=text("supersedes IS NOT NULL")),
    Index(None, "xid"),
    postgresql_partition_by="RANGE (id)",
)

# Which lines of imports are on record, for good: `identity` is half a SHA-256 (`proof/bulk_lines.py`).
# Written in the transaction of the decision. No client: its number is in the hash, and a row tells nobody
# anything who has not the line.
bulk_line = Table(
    "bulk_line",
    metadata,
    Column("identity", Uuid, primary_key=True),
    Column("decision_id", Uuid, nullable=False),
)

idempotency = Table(
    "idempotency",
    metadata,
    Column("client_id", Integer, nullable=False),
    Column("key", Text(collation="C"), nullable=False),
    Column("fingerprint", LargeBinary, nullable=False),
    Column("decision_id", Uuid, nullable=False),
    Column("expires_at", Timestamp, nullable=False),
    PrimaryKeyConstraint("client_id", "key"),
    Index(None, "expires_at"),
)

# No foreign key to the decision: its year may be taken out. `client_id` is the decision's, `by_client_id`
# that of the key: the database fills it, and the Idempotency-Key is looked for under it.
verdict = Table(
    "verdict",
    metadata,
    Column("id", Uuid, primary_key=True),
    Column("decision_id", Uuid, nullable=False),
    Column("client_id", Integer, nullable=False),
    Column("recorded_at", Timestamp, nullable=False),
    transaction_id(),
    Column("idempotency_key", Text(collation="C")),
    Column("fingerprint", LargeBinary, nullable=False),
    Column("cause", Text),
    Column("not_determinable", Boolean, nullable=False),
    Column("basis", Text, nullable=False),
    Column("by_key", Uuid, ForeignKey("api_key.id")),
    Column("person", Text),
    Column("note", Text),
    *commitment_columns("person", "note"),
    Column("by_client_id", Integer),
    Column("established_by", Text),
    Column("established_at", Timestamp),
    origin(),
    origin_is_known(),
    CheckConstraint("basis IN ('teardown', 'laboratory', 'field', 'supplier_report')", name="basis_is_known"),
    CheckConstraint("(cause IS NULL) = not_determinable", name="cause_or_none"),
    Index(None, "decision_id", "recorded_at", "id"),
    Index(
        "uq_verdict_by_client_id_idempotency_key",
        "by_client_id",
        "idempotency_key",
        unique=True,
        postgresql_where=text("idempotency_key IS NOT NULL"),
    ),
    Index(None, "xid"),
)

audit_event = Table(
    "audit_event",
    metadata,
    Column("id", BigInteger, Identity(always=True), primary_key=True),
    Column("at", Timestamp, nullable=False),
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
    *commitment_columns("person", "remote"),
    Index(None, "client_id", "id"),
    Index(None, "subject", "id"),
    Index(None, "at", "id"),
    Index(None, "person", "id"),
    Index(None, "xid"),
)

audit_seal = Table(
    "audit_seal",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("at", Timestamp, nullable=False),
    Column("count", Integer, nullable=False),
    Column("from_xid", Xid8, nullable=False),
    Column("up_to_xid", Xid8, nullable=False),
    Column("next_xid", Xid8, nullable=False),
    Column("previous", LargeBinary, nullable=False),
    Column("root", LargeBinary, nullable=False),
    Column("head", LargeBinary, nullable=False, unique=True),
    Column("format", SmallInteger, nullable=False, server_default=text("1")),
    Column("epoch", Text, nullable=False),
)

audit_seal_member = Table(
    "audit_seal_member",
    metadata,
    Column("seal", Integer, nullable=False),
    Column("position", Integer, nullable=False),
    Column("kind", SmallInteger, nullable=False),
    Column("record", Uuid, nullable=False),
    Column("leaf", LargeBinary, nullable=False),
    Column("client_id", Integer),
    PrimaryKeyConstraint("seal", "position"),
    UniqueConstraint("record", "kind"),
)

audit_archive = Table(
    "audit_archive",
    metadata,
    Column("year", Integer, primary_key=True, autoincrement=False),
    Column("at", Timestamp, nullable=False),
    Column("count", Integer, nullable=False),
    Column("file_sha256", LargeBinary, nullable=False),
)
