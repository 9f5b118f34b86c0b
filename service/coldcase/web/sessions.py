"""Sessions of browsers: a cookie that stands for a key, and what makes sure that a request with it comes from
a page of ours.

The cookie holds a random token; the record holds its SHA-256 and which key was shown. So any replica knows
it, nobody who reads the record can log in with what stands there, and it ends by itself, with the key, or
when somebody logs out. The form token (CSRF) is made from the cookie's, and kept nowhere.
"""

import hashlib
import hmac
import secrets
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlsplit

from litestar import Request

from coldcase.db import sessions
from coldcase.db.keys import ApiKey
from coldcase.db.transactions import Transaction
from coldcase.errors import Busy, ColdcaseError, StoreAway
from coldcase.web.parsing import AnyConnection, request_headers
from coldcase.web.route import FORM

COOKIE, SECURE_COOKIE = "coldcase_session", "__Host-coldcase_session"
FORM_TOKEN, TOKEN_HEADER = "form_token", b"x-form-token"  # names of fields
TRUSTED_SECONDS = 1.0
"""How long a session is taken as it was seen last: one that ended on another replica opens no longer."""
MOST_SESSIONS_KEPT = 10_000
MOST_FIELDS = 2000
"""Of a form: the case form has a field or two for every sign of every finding."""
MOST_LOOKING = 16
"""Requests with unknown cookies that may look into the record at a time."""
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})


class ForeignRequest(ColdcaseError):
    """What changes something with a session has to come from a page of this service, with the token of its
    form; open the page again and send it from there. A program sends its key instead.
    """

    code = "foreign_request"


class Sessions:
    """The sessions on record, each kept for a moment after it was seen.

    `hours` is how long one lasts. While the record is away, whoever was seen within `grace_s` stays in, as
    keys do.
    """

    def __init__(
        self, transaction: Transaction, *, hours: int, grace_s: float, clock: Callable[[], datetime]
    ) -> None:
        self._transaction, self._clock = transaction, clock
        self._hours, self._grace_s = hours, grace_s
        self._seen: dict[bytes, tuple[bytes, float]] = {}
        self._looking = 0

    async def begin(self, key: ApiKey) -> tuple[str, int]:
        """A new session of a key: the token for the cookie, and how many seconds it lasts."""
        now = self._clock()
        ends = now + timedelta(hours=self._hours)
        if key.expires_at is not None:
            ends = min(ends, key.expires_at)
        token = secrets.token_urlsafe(32)
        async with self._transaction() as conn:
            await sessions.begin_session(conn, _digest(token), key_id=key.id, now=now, expires_at=ends)
        return token, int((ends - now).total_seconds())

    async def secret_of(self, token: str) -> bytes | None:
        """The digest of the secret of the key that a session stands for, or None. Raises `StoreAway` if
        nobody can tell.
        """
        digest = _digest(token)
        seen = self._seen.get(digest)
        if seen is not None and time.monotonic() - seen[1] < TRUSTED_SECONDS:
            return seen[0]
        try:
            found = await self._look(digest)
        except StoreAway:
            if seen is not None and time.monotonic() - seen[1] < self._grace_s:
                return seen[0]
            raise
        self._seen.pop(digest, None)
        if found is not None:
            if len(self._seen) >= MOST_SESSIONS_KEPT:
                del self._seen[next(iter(self._seen))]
            self._seen[digest] = found, time.monotonic()
        return found

    async def end(self, token: str) -> None:
        """Ends a session everywhere."""
        digest = _digest(token)
        async with self._transaction() as conn:
            await sessions.end_session(conn, digest)
        self._seen.pop(digest, None)

    async def _look(self, digest: bytes) -> bytes | None:
        if self._looking >= MOST_LOOKING:
            raise Busy
        self._looking += 1
        try:
            async with self._transaction() as conn:
                return await sessions.session_key(conn, digest, self._clock())
        finally:
            self._looking -= 1


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()


def form_token(token: str) -> str:
    """What a page's forms carry; whoever cannot read the cookie cannot make it."""
    return hmac.digest(token.encode(), b"form", "sha256").hex()


def token_of(connection: AnyConnection) -> str | None:
    """The session's token in the cookie that fits the scheme, if there is one."""
    sent = request_headers(connection).get(b"cookie")
    if sent is None:
        return None
    try:
        found = SimpleCookie(sent.decode("latin-1").replace(", ", "; ")).get(_name(connection))
    except CookieError:
        return None
    return found.value if found is not None and 0 < len(found.value) <= 64 else None


def _name(connection: AnyConnection) -> str:
    return SECURE_COOKIE if connection.scope["scheme"] == "https" else COOKIE


def cookie(connection: AnyConnection, token: str, seconds: int) -> str:
    """The value of `Set-Cookie`; 0 seconds take it away.

    `Lax`, not `Strict`: whoever follows a link to a report from a mail stays logged in. What changes anything
    asks for a form token besides.
    """
    secure = "; Secure" if connection.scope["scheme"] == "https" else ""
    return f"{_name(connection)}={token}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Lax{secure}"


def check_site(connection: AnyConnection) -> None:
    """Raises `ForeignRequest` if the browser says that another site sends this.

    `Sec-Fetch-Site` where there is one (https, and the machine itself), else `Origin`; a browser sends one of
    them with everything that changes something, and programs need neither.
    """
    headers = request_headers(connection)
    site, origin = headers.get(b"sec-fetch-site"), headers.get(b"origin")
    if site is not None and site not in (b"same-origin", b"none"):
        raise ForeignRequest
    if site is None and origin is not None:
        host = headers.get(b"host", b"").decode("latin-1").lower()
        parts = urlsplit(origin.decode("latin-1").lower())
        if parts.netloc != host or not host:
            raise ForeignRequest


async def check_form(connection: AnyConnection, token: str, media: tuple[str, ...]) -> None:
    """Raises `ForeignRequest` unless a request that may change something comes from a page of ours: its site,
    and the form token in a header or, of a form, in its field.
    """
    if connection.scope.get("method") in SAFE:
        return
    check_site(connection)
    sent = request_headers(connection).get(TOKEN_HEADER, b"").decode("latin-1")
    if not sent and media == (FORM,) and isinstance(connection, Request):
        sent = _field(await connection.body(), FORM_TOKEN)
    if not hmac.compare_digest(sent.encode(), form_token(token).encode()):
        raise ForeignRequest


def _field(body: bytes, name: str) -> str:
    try:
        return parse_qs(body.decode("latin-1"), max_num_fields=MOST_FIELDS).get(name, [""])[0]
    except ValueError:
        return ""
