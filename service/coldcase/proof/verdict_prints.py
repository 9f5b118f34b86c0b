"""The fingerprint of a verdict: what a retry is known by, and what puts all that it says under its seal."""

import hashlib
from collections.abc import Mapping
from datetime import UTC
from typing import Any
from uuid import UUID

from coldcase.proof.canonical import canonical_json

_ALWAYS = ("cause", "not_determinable", "basis", "note")


def verdict_fingerprint(decision: UUID, said: Mapping[str, Any]) -> bytes:
    """32 bytes over a decision's id and what a verdict says of it, by the names of its columns.

    Who established it and when count where they were said, so that the fingerprints of before stay.
    """
    verdict = {name: said[name] for name in _ALWAYS}
    if said["established_by"] is not None:
        verdict["established_by"] = said["established_by"]
    if said["established_at"] is not None:
        at = said["established_at"].astimezone(UTC)
        verdict["established_at"] = at.isoformat().replace("+00:00", "Z")
    return hashlib.sha256(canonical_json({"decision": str(decision), "verdict": verdict})).digest()
