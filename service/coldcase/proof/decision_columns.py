"""The columns of a decision, the one list of them.

The statement that records, the row it is given, what a seal is compared with and an archive's line are made
from it. The table itself (`db/tables.py`, with types and checks), a leaf and an export spell their own: those
are formats, each held by tests.
"""

from datetime import datetime
from uuid import UUID

import msgspec


class NewDecision(msgspec.Struct, frozen=True, gc=False):
    """A decision to be recorded: every column that the service writes, by its name in the table.

    `case_text` and `answer_text` are UTF-8 as it was hashed and will be sent; `fingerprint` is the 32-byte
    SHA-256 of the canonical case as it was sent; `own_words` is that where the client sent it in words of its
    own (`proof/own_words.py`); `confidence` is in ten-thousandths. `origin` is `live` or `bulk`, `own_code`
    what the client itself calls the failure; both are under no seal.
    """

    id: UUID
    client_id: int
    recorded_at: datetime
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
    own_words: str | None
    origin: str
    own_code: str | None


PACKED_COLUMNS = ("answer_packed", "answer_sha256", "dictionary")
"""What a row has in place of `answer_text` where the answer is packed: zstd's frame, the 32-byte SHA-256 of
the answer, and the number of the dictionary or None."""


class StoredDecision(NewDecision, frozen=True, gc=False):
    """A decision as the record holds it, with the id of the transaction that recorded it."""

    xid: str
