"""A client's own words in a request, and its own codes in an answer: which crosswalk reads them, which one
writes.
"""

from typing import Annotated

import msgspec
from msgspec import Meta

from coldcase import classifying
from coldcase.core.crosswalk import Crosswalk, Name, own_codes
from coldcase.db import crosswalks, decisions
from coldcase.db.crosswalks import StoredCrosswalk
from coldcase.errors import Flaw
from coldcase.web import crosswalk_schemas, parsing
from coldcase.web.problems import BadRequest
from coldcase.web.route import Call, Header
from coldcase.web.services import services

CONTENT_PROFILE = Header(
    "Content-Profile",
    "One of the client's crosswalks: the body is then a flat JSON object in the client's own words, as its "
    "`inbound` says what they mean, and flaws are named by these.",
    {"type": "string", "pattern": "^[a-z][a-z0-9_-]{0,63}$"},
)
CrosswalkName = Annotated[
    Name, Meta(description="One of the client's crosswalks: the answer carries its codes in `crosswalk`.")
]


async def content_profile(request: Call) -> StoredCrosswalk | None:
    """The crosswalk that the body is to be read by; None where it is in our words. Raises BadRequest."""
    header = parsing.request_headers(request).get(b"content-profile")
    if header is None:
        return None
    name = header.decode("latin-1").strip()
    if parsing.NAME.fullmatch(name) is None:
        raise BadRequest((Flaw(CONTENT_PROFILE.name, "the name of a crosswalk, sent once"),))
    found, _ = await _crosswalk(request, name, CONTENT_PROFILE.name, "inbound")
    return found


async def codes_for(request: Call, name: str | None) -> tuple[StoredCrosswalk, Crosswalk] | None:
    """The crosswalk whose codes an answer is to carry, None where none was asked for. Raises BadRequest."""
    return None if name is None else await _crosswalk(request, name, "crosswalk", "outbound")


async def _crosswalk(request: Call, name: str, asked: str, part: str) -> tuple[StoredCrosswalk, Crosswalk]:
    client = request.auth.client_id
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, client)
        found = await crosswalks.find_crosswalk(conn, client, name)
    if found is None:
        raise BadRequest(
            (Flaw(asked, f"there is no crosswalk '{name}'; `PUT /v1/crosswalks/{name}` makes it"),)
        )
    crosswalk = classifying.crosswalk_of(found.document)
    if getattr(crosswalk, part) is None:
        raise BadRequest((Flaw(asked, f"the crosswalk '{name}' has no `{part}`"),))
    return found, crosswalk


class _Cause(msgspec.Struct):
    cause: str


class _Named(msgspec.Struct):
    cause: str
    contributing: list[_Cause] = []


def answer_codes(answer: bytes, asked: tuple[StoredCrosswalk, Crosswalk]) -> crosswalk_schemas.AnswerCodes:
    """The client's codes of the causes that an answer names."""
    stored, crosswalk = asked
    named = msgspec.json.decode(answer, type=_Named)
    return crosswalk_schemas.AnswerCodes(
        name=stored.name,
        version=stored.version,
        cause=own_codes(crosswalk, named.cause),
        contributing={row.cause: own_codes(crosswalk, row.cause) for row in named.contributing},
    )


def with_codes(answer: bytes, asked: tuple[StoredCrosswalk, Crosswalk] | None) -> bytes:
    """The answer's own bytes, and after them the client's codes where they were asked for."""
    if asked is None:
        return answer
    return answer[:-1] + b',"crosswalk":' + msgspec.json.encode(answer_codes(answer, asked)) + b"}"
