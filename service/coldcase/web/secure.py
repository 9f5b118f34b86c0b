"""Headers that keep browsers and caches from making more of an answer than it is."""

NO_STORE = (b"cache-control", b"no-store")
ALWAYS = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    # No page of ours runs a script or loads anything; the report's bars have their widths in `style`
    # attributes.
    (
        b"content-security-policy",
        (
            b"default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; "
            b"frame-ancestors 'none'"
        ),
    ),
    NO_STORE,
)
"""For every answer; one that names its own `Cache-Control` keeps it."""
WHEN_CACHEABLE = ALWAYS[:-1]
"""For an answer that may be kept."""
