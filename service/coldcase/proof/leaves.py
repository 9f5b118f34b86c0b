"""What a seal covers of each record: its leaf, RFC 8785 text.

Long and personal texts stand in it by their digest. The bytes of each kind and format are fixed for ever: a
change is a new format, and tests hold each to its bytes. A decision's leaf is built by hand, members in
order, because there are millions of them.
"""

import hashlib
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import msgspec
import rfc8785

from coldcase.proof.canonical import canonical_json
from coldcase.proof.decision_columns import StoredDecision
from coldcase.proof.own_words import words_fingerprint

RECORD_KINDS = ("decision", "verdict", "rule_table", "rule_table_event", "audit_event")
"""The kinds of records, in the order in which a seal takes them; a place in it is what the record stores."""

PERSONAL_TEXTS: Mapping[str, tuple[str, ...]] = {
    "decision": (),
    "verdict": ("person", "note"),
    "rule_table": ("created_by", "note"),
    "rule_table_event": ("person", "reason"),
    "audit_event": ("person", "remote"),
}
"""Of each kind the members that can be erased: they stand in the leaf by a salted digest.

Their order is that of their salts. A member is never added to a kind, for its salts are told by their number.
"""

SALT_BYTES = 16
"""Bytes of a personal text's salt."""

LEAF_FORMAT = 2
"""Of the leaves and heads that are made now. Those of format 1 say of themselves no format; they are read for
good.

The database makes the leaves (the migration that brought `seal_records`); here they are made again, to be
compared.
"""

ERASED_TEXT = "erased"
"""What stands in a personal text's place once it is erased."""

_encode = msgspec.json.Encoder().encode


class _Decision1(msgspec.Struct, frozen=True, gc=False):
    """Members in RFC 8785's order, which for ASCII names is the alphabet's."""

    answer_sha256: str
    case_sha256: str
    cause: str
    circuit: str | None
    client: int
    closed_at: datetime | None
    compressor_type: str
    confidence: int
    engine: str
    fingerprint: str
    id: UUID
    idempotency_key: str | None
    job_ref: str | None
    kind: str
    recorded_at: datetime
    refrigerant: str | None
    rule_table: int
    status: str
    supersedes: UUID | None
    xid: str


class _Decision2(msgspec.Struct, frozen=True, gc=False):
    answer_sha256: str
    case_sha256: str
    cause: str
    circuit: str | None
    client: int
    closed_at: datetime | None
    compressor_type: str
    confidence: int
    engine: str
    fingerprint: str
    format: int
    id: UUID
    idempotency_key: str | None
    job_ref: str | None
    kind: str
    recorded_at: datetime
    refrigerant: str | None
    rule_table: int
    status: str
    supersedes: UUID | None
    xid: str


def decision_leaf(row: StoredDecision, *, form: int = LEAF_FORMAT) -> bytes:
    """The leaf of a decision in a format. Times in UTC, confidence in ten-thousandths."""
    first = (
        hashlib.sha256(row.answer_text.encode()).hexdigest(),
        hashlib.sha256(row.case_text.encode()).hexdigest(),
        row.cause,
        row.circuit,
        row.client_id,
        None if row.closed_at is None else row.closed_at.astimezone(UTC),
        row.compressor_type,
        row.confidence,
        row.engine,
        row.fingerprint.hex(),
    )
    rest = (
        row.id,
        row.idempotency_key,
        row.job_ref,
        "decision",
        row.recorded_at.astimezone(UTC),
        row.refrigerant,
        row.rule_table,
        row.status,
        row.supersedes,
        row.xid,
    )
    return _encode(_Decision1(*first, *rest) if form == 1 else _Decision2(*first, form, *rest))


class _Verdict1(msgspec.Struct, frozen=True, gc=False):
    basis: str
    by_key: UUID | None
    cause: str | None
    client_id: int
    decision_id: UUID
    fingerprint: bytes
    id: UUID
    idempotency_key: str | None
    not_determinable: bool
    note_sha256: bytes | None
    person_sha256: bytes | None
    recorded_at: datetime
    xid: str


class _Verdict2(msgspec.Struct, frozen=True, gc=False):
    """With the client whose idempotency keys the verdict counts among."""

    basis: str
    by_client_id: int | None
    by_key: UUID | None
    cause: str | None
    client_id: int
    decision_id: UUID
    fingerprint: bytes
    id: UUID
    idempotency_key: str | None
    not_determinable: bool
    note_sha256: bytes | None
    person_sha256: bytes | None
    recorded_at: datetime
    xid: str


class _RuleTable(msgspec.Struct, frozen=True, gc=False):
    based_on: int | None
    created_at: datetime
    created_by_sha256: bytes | None
    digest: str
    document_sha256: str
    note_sha256: bytes | None
    version: int
    xid: str


class _RuleTableEvent(msgspec.Struct, frozen=True, gc=False):
    at: datetime
    by_key: UUID | None
    id: int
    kind: str
    person_sha256: bytes | None
    reason_sha256: bytes | None
    version: int
    xid: str


class _AuditEvent(msgspec.Struct, frozen=True, gc=False):
    action: str
    at: datetime
    by_key: UUID | None
    by_role: str
    client_id: int | None
    details: str
    id: int
    person_sha256: bytes | None
    remote_sha256: bytes | None
    request_id: str | None
    subject: str
    xid: str


LEAF_MEMBERS: Mapping[str, Mapping[int, type[msgspec.Struct]]] = {
    "verdict": {1: _Verdict1, 2: _Verdict2},
    "rule_table": {1: _RuleTable, 2: _RuleTable},
    "rule_table_event": {1: _RuleTableEvent, 2: _RuleTableEvent},
    "audit_event": {1: _AuditEvent, 2: _AuditEvent},
}
"""What a leaf holds of a record, by kind and format. What a row has beside it is under no seal."""


def plain_leaf(kind: str, row: Mapping[str, Any], *, form: int = LEAF_FORMAT) -> bytes:
    """The leaf of a record of another kind in a format, from its columns by name."""
    values = row
    if kind == "rule_table":
        values = {**row, "document_sha256": hashlib.sha256(row["document"].encode()).hexdigest()}
    members = {name: _plain(values[name]) for name in LEAF_MEMBERS[kind][form].__struct_fields__}
    # `kind` is also a column of a rule table's event.
    content = {"kind": kind, "record": members}
    return canonical_json(content if form == 1 else {"format": form, **content})


def _plain(value: Any) -> Any:
    match value:
        case datetime():
            return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
        case bytes():
            return value.hex()
        case UUID():
            return str(value)
        case _:
            return value


def mismatched_texts(kind: str, row: Mapping[str, Any]) -> list[str]:
    """The personal texts of a record that are neither what its leaf stands for nor erased."""
    return [word for word in PERSONAL_TEXTS[kind] if not _text_matches(kind, word, row)]


def _salt_of(kind: str, word: str, salt: bytes | None) -> bytes | None:
    """A text's own salt; None once it is erased. Rows of the first releases have one salt for all their
    texts.
    """
    words = PERSONAL_TEXTS[kind]
    if salt is None or len(salt) != SALT_BYTES * len(words):
        return salt
    first = SALT_BYTES * words.index(word)
    own = salt[first : first + SALT_BYTES]
    return own if any(own) else None


def _text_matches(kind: str, word: str, row: Mapping[str, Any]) -> bool:
    text, salt, committed = row[word], _salt_of(kind, word, row["salt"]), row[f"{word}_sha256"]
    if salt is None:
        return text is None if committed is None else text == ERASED_TEXT
    if text is None or committed is None:
        return text is committed
    return bool(hashlib.sha256(salt + f"{word}={text}".encode()).digest() == committed)


def inconsistent_columns(row: StoredDecision) -> list[str]:
    """What of a decision contradicts itself: columns that say other than the answer, a case that is not its
    fingerprint's.

    A changed record is known by its leaf; this says which part of it was changed, where it can be told.
    """
    try:
        answer = msgspec.json.decode(row.answer_text)
        found = [name for name in ("cause", "status", "job_ref") if answer[name] != getattr(row, name)]
        found += ["confidence"] if round(answer["confidence"] * 10_000) != row.confidence else []
        found += ["rule_table"] if answer["rule_table"]["version"] != row.rule_table else []
        found += ["id"] if answer["id"] != str(row.id) else []
    except (msgspec.DecodeError, KeyError, TypeError):
        return ["answer_text"]
    if not is_as_sent(row.case_text, row.fingerprint, answer, row.own_words):
        found.append("case_text" if row.own_words is None else "own_words")
    return found


def is_as_sent(
    case: str, fingerprint: bytes, answer: Mapping[str, Any], own_words: str | None = None
) -> bool:
    """Whether a stored case is what its fingerprint stands for, or the client's own words that it was read
    from; of one that was read leniently from our words that cannot be told.
    """
    if own_words is not None:
        try:
            return words_fingerprint(own_words) == fingerprint
        except (msgspec.DecodeError, rfc8785.CanonicalizationError):
            return False
    return hashlib.sha256(case.encode()).digest() == fingerprint or _was_cut(answer)


def _was_cut(answer: Mapping[str, Any]) -> bool:
    if "left_out" in answer:
        return bool(answer["left_out"])
    # Answers of the first engine say it in a note alone.
    return any(note.startswith("Left out ") for note in answer.get("notes", ()))
