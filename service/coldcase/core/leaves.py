"""What a seal covers of each record: its leaf, RFC 8785 text.

Long texts and erasable words stand in it by their digest. A decision's leaf is built by hand, members in order, because
there are millions of them; a test holds it to `canonical`.
"""

import hashlib
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, NamedTuple
from uuid import UUID

import msgspec

from coldcase.core.canonical import canonical

KINDS = ("decision", "verdict", "rule_table", "rule_table_event", "audit_event")
"""The kinds of records, in the order in which a seal takes them; a place in it is what the record stores."""

WORDS: Mapping[str, tuple[str, ...]] = {
    "decision": (),
    "verdict": ("person", "note"),
    "rule_table": ("created_by", "note"),
    "rule_table_event": ("person", "reason"),
    "audit_event": ("person", "remote"),
}
"""Of each kind the members that can be erased: they stand in the leaf by a salted digest.

Their order is that of their salts. A member is never added to a kind, for its salts are told by their number.
"""

SALT = 16
"""Bytes of a word's salt."""

ERASED = "erased"
"""What stands in a word's place once it is erased."""

_encode = msgspec.json.Encoder().encode


class DecisionRow(NamedTuple):
    """A decision as the record holds it, every column that a caller or the service wrote."""

    id: UUID
    client_id: int
    recorded_at: datetime
    xid: str
    idempotency_key: str | None
    fingerprint: bytes
    case_text: str
    answer_text: str
    cause: str
    status: str
    confidence: int
    job_ref: str | None
    circuit: str | None
    closed_at: datetime | None
    compressor_type: str
    refrigerant: str | None
    rule_table: int
    engine: str
    supersedes: UUID | None


class _DecisionLeaf(msgspec.Struct, frozen=True, gc=False):
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


def decision_leaf(row: DecisionRow) -> bytes:
    """The leaf of a decision. Times in UTC, confidence in ten-thousandths."""
    return _encode(
        _DecisionLeaf(
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
    )


def leaf(kind: str, row: Mapping[str, Any]) -> bytes:
    """The leaf of a record of another kind, from its columns by name."""
    words = WORDS[kind]
    members = {name: _plain(value) for name, value in row.items() if name not in words and name not in ("salt", "document")}
    if "document" in row:
        members["document_sha256"] = hashlib.sha256(row["document"].encode()).hexdigest()
    # `kind` is also a column of a rule table's event.
    return canonical({"kind": kind, "record": members})


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


def broken_words(kind: str, row: Mapping[str, Any]) -> list[str]:
    """The words of a record that are neither what its leaf stands for nor erased."""
    return [word for word in WORDS[kind] if not _word_holds(kind, word, row)]


def _salt_of(kind: str, word: str, salt: bytes | None) -> bytes | None:
    """A word's own salt; None once it is erased. Rows of the first releases have one salt for all their words."""
    words = WORDS[kind]
    if salt is None or len(salt) != SALT * len(words):
        return salt
    first = SALT * words.index(word)
    own = salt[first : first + SALT]
    return own if any(own) else None


def _word_holds(kind: str, word: str, row: Mapping[str, Any]) -> bool:
    text, salt, committed = row[word], _salt_of(kind, word, row["salt"]), row[f"{word}_sha256"]
    if salt is None:
        return text is None if committed is None else text == ERASED
    if text is None or committed is None:
        return text is committed
    return bool(hashlib.sha256(salt + f"{word}={text}".encode()).digest() == committed)


def odd_columns(row: DecisionRow) -> list[str]:
    """What of a decision contradicts itself: columns that say other than the answer, a case that is not its fingerprint's.

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
    if not is_as_sent(row.case_text, row.fingerprint, answer):
        found.append("case_text")
    return found


def is_as_sent(case: str, fingerprint: bytes, answer: Mapping[str, Any]) -> bool:
    """Whether a stored case is what its fingerprint stands for; of one that was read leniently that cannot be told."""
    return hashlib.sha256(case.encode()).digest() == fingerprint or _was_cut(answer)


def _was_cut(answer: Mapping[str, Any]) -> bool:
    if "left_out" in answer:
        return bool(answer["left_out"])
    # Answers of the first engine say it in a note alone.
    return any(note.startswith("Left out ") for note in answer.get("notes", ()))
