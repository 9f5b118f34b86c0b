"""The words of its own in which a client sent a case, as the record keeps them beside the case as read."""

import hashlib
from typing import Any

import msgspec

from coldcase.proof.canonical import canonical_json


class KeptWords(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A row as it was sent, and the crosswalk and version that it was read by."""

    crosswalk: str
    sent: dict[str, Any]
    version: int


def words_text(crosswalk: str, version: int, sent: dict[str, Any]) -> str:
    """The canonical text that is kept. Raises `rfc8785.CanonicalizationError` for an integer beyond 2^53."""
    return canonical_json({"crosswalk": crosswalk, "sent": sent, "version": version}).decode()


def words_fingerprint(text: str) -> bytes:
    """What a retry is known by, 32 bytes: what was sent and under which name, whichever version read it.

    So a retry stays the same case when the crosswalk was changed meanwhile, and the words stand under the
    decision's seal. Raises `msgspec.DecodeError` for what is no kept text.
    """
    kept = msgspec.json.decode(text, type=KeptWords)
    return hashlib.sha256(canonical_json({"crosswalk": kept.crosswalk, "sent": kept.sent})).digest()
