"""Bearer key to client and scopes. Keys seen lately are remembered, so that most requests cost one hash and one look-up."""

import hashlib
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import partial

from litestar.handlers import BaseRouteHandler

from coldcase.db.keys import ApiKey
from coldcase.errors import ScopeMissing, StoreAway
from coldcase.web import strict
from coldcase.web.face import Face
from coldcase.web.problems import Unauthenticated
from coldcase.web.shares import Shares

FRESH_S = 60.0
GRACE_S = 3600.0
MOST_KEYS = 10_000


@dataclass(slots=True)
class _Seen:
    key: ApiKey
    at: float


class KeyRing:
    """API keys by the SHA-256 of their secret.

    A key is trusted for `FRESH_S` seconds or until `expire_all`; while the store is away a key seen within `GRACE_S`
    goes on where the call allows it.
    """

    def __init__(self, look_up: Callable[[bytes], Awaitable[ApiKey | None]]) -> None:
        self._look_up = look_up
        self._seen: dict[bytes, _Seen] = {}
        self._stale_before = 0.0

    async def expire_all(self) -> None:
        """Every key is looked up again at its next use: some key changed."""
        self._stale_before = time.monotonic()

    async def find(self, secret: bytes, *, outlives_store: bool) -> ApiKey | None:
        """The valid key of a secret, or None. Raises `StoreAway` if nobody can tell."""
        digest = hashlib.sha256(secret).digest()
        now = time.monotonic()
        seen = self._seen.get(digest)
        if seen is not None and now - seen.at < FRESH_S and seen.at > self._stale_before:
            return _unexpired(seen.key)
        try:
            key = await self._look_up(digest)
        except StoreAway:
            if outlives_store and seen is not None and now - seen.at < GRACE_S:
                return _unexpired(seen.key)
            raise
        self._remember(digest, key, now)
        return None if key is None else _unexpired(key)

    def _remember(self, digest: bytes, key: ApiKey | None, now: float) -> None:
        if key is None or key.revoked_at is not None:
            self._seen.pop(digest, None)
        else:
            if len(self._seen) >= MOST_KEYS:
                self._seen.clear()
            self._seen[digest] = _Seen(key, now)


def _unexpired(key: ApiKey) -> ApiKey | None:
    if key.revoked_at is not None or (key.expires_at is not None and key.expires_at.timestamp() <= time.time()):
        return None
    return key


async def admit(connection: strict.Connection, handler: BaseRouteHandler) -> None:
    """Lets a request in: a known key with one of the scopes, an acceptable answer, a JSON body, no stray query."""
    face: Face | None = handler.opt.get("face")
    if face is None:
        return
    if face.scopes:
        key = connection.scope["auth"] = await _caller(connection, face)
        places: Shares = connection.app.state.house.places
        places.take(key.client_id)
        # The outermost layer gives it back, for it alone sees the end of every request.
        connection.scope["state"]["give_back"] = partial(places.give_back, key.client_id)
    strict.check_accept(connection, face.offers)
    if face.body is not None:
        strict.check_json(connection)
    if face.query is None:
        strict.no_query(connection)


async def _caller(connection: strict.Connection, face: Face) -> ApiKey:
    scheme, _, secret = strict.headers(connection).get(b"authorization", b"").partition(b" ")
    if scheme.lower() != b"bearer" or not secret.strip():
        raise Unauthenticated
    ring: KeyRing = connection.app.state.house.keys
    key = await ring.find(secret.strip(), outlives_store=face.outlives_store)
    if key is None:
        raise Unauthenticated
    if key.scopes.isdisjoint(face.scopes):
        raise ScopeMissing(f"This call needs the scope {' or '.join(f'`{scope}`' for scope in face.scopes)}.")
    return key
