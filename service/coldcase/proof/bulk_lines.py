"""What a line of an import is known by, for good: half a SHA-256, as a UUID."""

import hashlib
from typing import Any
from uuid import UUID

from coldcase.proof.canonical import fingerprint


def line_content(case: Any, *, crosswalk: str | None, verdict: Any, own_code: Any) -> bytes:
    """32 bytes of all that a line says, whatever its spelling: the case as it was sent, under the name of the
    crosswalk that reads it, with its verdict and the client's own code. What is None is not there.
    """
    said = {"case": case, "crosswalk": crosswalk, "own_code": own_code, "verdict": verdict}
    return fingerprint({name: value for name, value in said.items() if value is not None})


def line_identity(client_id: int, import_key: str, content: bytes, before: int) -> UUID:
    """The identity of a line that came `before` times in this import already. The key is ASCII, without line
    feeds.
    """
    text = b"coldcase bulk line\n%d\n%s\n%d\n" % (client_id, import_key.encode("ascii"), before)
    return UUID(bytes=hashlib.sha256(text + content).digest()[:16])
