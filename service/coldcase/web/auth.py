"""Authentication: bearer key, or a browser's session, to client and scopes. All keys are in memory, so a
request with one costs a hash and a look-up, and no database.
"""

import hashlib
from collections.abc import Awaitable, Callable, Mapping
from datetime import datetime
from functools import partial

from litestar.handlers import BaseRouteHandler

from coldcase.db.keys import ApiKey
from coldcase.errors import ScopeMissing, StoreAway
from coldcase.web import parsing, sessions
from coldcase.web.problems import Unauthenticated
from coldcase.web.route import RouteSpec
from coldcase.web.shares import Shares

MOST_ASKING = 32
"""Requests with unknown keys that may wait for a look at the same time; whoever makes keys up holds no more
than these."""


class ApiKeyCache:
    """A cache of all API keys by the SHA-256 of their secret, as the listener hands them over.

    They are trusted for as long as the database was heard of within `grace_s`: `silent_s` says how long ago
    that was. A key that is not known may be a moment old, so `look` is asked for changes; it says whether it
    could look. Forgotten: a revoked or erased key as soon as the listener hands over the next set
    (`ChangeListener`), an expired one is refused at once and dropped a day later.
    """

    def __init__(
        self, *, silent_s: Callable[[], float], grace_s: float, clock: Callable[[], datetime]
    ) -> None:
        self.look: Callable[[], Awaitable[bool]] = _blind
        self._silent_s = silent_s
        self._grace_s = grace_s
        self._clock = clock
        self._known: Mapping[bytes, ApiKey] = {}
        self._asking = 0

    def __len__(self) -> int:
        return len(self._known)

    def replace(self, known: Mapping[bytes, ApiKey]) -> None:
        """Takes over all keys that are not revoked; others are unknown from now on."""
        self._known = known

    async def find(self, secret: bytes) -> ApiKey | None:
        """The valid key of a secret, or None. Raises `StoreAway` if nobody can tell."""
        return await self.find_digest(hashlib.sha256(secret).digest())

    async def find_digest(self, digest: bytes) -> ApiKey | None:
        """The same by the digest of the secret."""
        if self._silent_s() > self._grace_s:
            raise StoreAway
        key = self._known.get(digest) or await self._new(digest)
        return key if key is not None and key.is_good(self._clock()) else None

    async def _new(self, digest: bytes) -> ApiKey | None:
        if self._asking >= MOST_ASKING:
            return None
        self._asking += 1
        try:
            looked = await self.look()
        finally:
            self._asking -= 1
        if not looked:
            raise StoreAway
        return self._known.get(digest)


async def _blind() -> bool:
    return False


async def admit(connection: parsing.AnyConnection, handler: BaseRouteHandler) -> None:
    """Lets a request in: a known key with one of the scopes, an acceptable answer, a body of its kind or
    none, no stray query.
    """
    spec: RouteSpec | None = handler.opt.get("spec")
    if spec is None:
        return
    if spec.scopes:
        key = connection.scope["auth"] = await _caller(connection, spec)
        places: Shares = connection.app.state.services.places
        places.take(key.client_id)
        # The outermost layer gives it back, for it alone sees the end of every request.
        connection.scope["state"]["give_back"] = partial(places.give_back, key.client_id)
    parsing.check_accept(connection, spec.offers)
    if spec.body is not None:
        parsing.check_body(connection, spec.body_media, spec.encodings)
    elif connection.scope.get("method") == "POST":
        # What stands there would be ignored, as if the caller had not asked for it.
        await parsing.check_no_body(connection, spec.query.__struct_fields__ if spec.query else ())
    if spec.query is None:
        parsing.no_query(connection)


async def _caller(connection: parsing.AnyConnection, spec: RouteSpec) -> ApiKey:
    """The key of the `Authorization` header; without one that of the session in the cookie, from a page of
    ours where something may change.
    """
    sent = parsing.request_headers(connection).get(b"authorization")
    token = sessions.token_of(connection) if sent is None else None
    key = await (_by_header(connection, sent or b"") if token is None else _by_session(connection, token))
    if key is None:
        raise Unauthenticated
    if token is not None:
        connection.scope["state"]["form_token"] = sessions.form_token(token)
        connection.scope["auth"] = key
        await sessions.check_form(connection, token, spec.body_media if spec.body else ())
    if key.scopes.isdisjoint(spec.scopes):
        raise ScopeMissing(f"This call needs the scope {' or '.join(f'`{scope}`' for scope in spec.scopes)}.")
    return key


async def _by_header(connection: parsing.AnyConnection, sent: bytes) -> ApiKey | None:
    scheme, _, secret = sent.partition(b" ")
    if scheme.lower() != b"bearer" or not secret.strip():
        raise Unauthenticated
    cache: ApiKeyCache = connection.app.state.services.keys
    return await cache.find(secret.strip())


async def _by_session(connection: parsing.AnyConnection, token: str) -> ApiKey | None:
    known = connection.app.state.services
    secret = await known.sessions.secret_of(token)
    found: ApiKey | None = None if secret is None else await known.keys.find_digest(secret)
    return found
