"""What a POST answers that makes something once: the first answer, however often the same is sent again."""

from litestar import Response

from coldcase.web.route import JSON, Header

IDEMPOTENCY_KEY = Header(
    "Idempotency-Key",
    "Makes a retry safe: the same key with the same body gives the first answer again.",
    {"type": "string", "pattern": "^[!-~]{1,200}$"},
)
REPLAYED = Header("Answer-Repeated", "`true`: this is the first answer again.")


def made_once(body: bytes, location: str, *, again: bool, **headers: str) -> Response[bytes]:
    """The answer with what stands at `location` from now on, or has stood there since the first request."""
    headers = {"Location": location, **headers}
    if again:
        headers["Answer-Repeated"] = "true"
    return Response(body, status_code=200 if again else 201, media_type=JSON, headers=headers)
