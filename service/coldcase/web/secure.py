"""The response headers of every answer: what keeps browsers and caches from making more of it than it is."""

NO_STORE = (b"cache-control", b"no-store")
WHEN_CACHEABLE = (
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
)
"""For an answer that may be kept."""
ALWAYS = (*WHEN_CACHEABLE, NO_STORE)
"""For every answer; one that names its own `Cache-Control` keeps it."""
