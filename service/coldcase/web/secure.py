"""The response headers of every answer: what keeps browsers and caches from making more of it than it is."""

from collections.abc import Collection

NO_STORE = (b"cache-control", b"no-store")
PRIVATE = (b"cache-control", b"private, no-store")
NO_SNIFFING = (b"x-content-type-options", b"nosniff")
NO_REFERRER = (b"referrer-policy", b"no-referrer")
# A page of ours brings a policy of its own (`rendering.html_headers`); what is none, runs and loads nothing.
NOTHING = (
    b"content-security-policy",
    b"default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
)
DEFAULTS = (NO_SNIFFING, NO_REFERRER, NOTHING, NO_STORE)
PRIVATE_DEFAULTS = (NO_SNIFFING, NO_REFERRER, NOTHING, PRIVATE)


def headers(given: Collection[bytes], *, private: bool) -> list[tuple[bytes, bytes]]:
    """What an answer needs besides the headers that it brings, by name in lower case; `private` where it
    hangs on who asks.
    """
    return [pair for pair in (PRIVATE_DEFAULTS if private else DEFAULTS) if pair[0] not in given]
