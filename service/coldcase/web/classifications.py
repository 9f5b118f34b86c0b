"""Classifying one case: recorded, or as a preview."""

from typing import Annotated

import msgspec
from litestar import Response, post
from msgspec import Meta

from coldcase import classifying
from coldcase.core.answer import Answer
from coldcase.core.case import Case
from coldcase.core.compiled import Book
from coldcase.core.intake import Taken
from coldcase.shipped import demo_cases
from coldcase.web import strict
from coldcase.web.face import JSON, Call, Header, face
from coldcase.web.house import house

PREFER = Header(
    "Prefer",
    "`handling=lenient` (RFC 7240): what is wrong is left out and named in `left_out`, a measurement as a whole; refused is only what is"
    " no JSON object, has no readable `unit`, `unit.compressor_type` or `unit.motor`, or is a machine that is not covered.",
)
APPLIED = Header("Preference-Applied", "Says that the case was read leniently.")
IDEMPOTENCY_KEY = Header(
    "Idempotency-Key",
    "Makes a retry safe: the same key and case give the first answer's bytes again.",
    {"type": "string", "pattern": "^[!-~]{1,200}$"},
)
LOCATION = Header("Location", "The decision's own path.")
REPLAYED = Header("Answer-Repeated", "`true`: this is the first answer again.")


EXAMPLES = {name: {"summary": demo.title, "description": demo.told, "value": demo.case} for name, demo in demo_cases().items()}


class PreviewQuery(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Under which rule table to look; the current one if not said."""

    rule_table: Annotated[int, Meta(ge=1, le=2_147_483_647)] | None = None


async def _take(request: Call, book: Book) -> tuple[Taken, dict[str, str]]:
    lenient = strict.lenient(request)
    taken = classifying.read(await strict.body(request), book, lenient=lenient)
    return taken, {APPLIED.name: "handling=lenient"} if lenient else {}


@post(
    "/v1/classifications",
    **face(
        "classify",
        "Classifying",
        {201: {JSON: Answer}, 200: {JSON: Answer}},
        scopes=("decisions:write",),
        body=Case,
        takes=(IDEMPOTENCY_KEY, PREFER),
        sends={201: (LOCATION, APPLIED), 200: (LOCATION, REPLAYED, APPLIED)},
        problems=("bad_case", "supersedes_unknown", "not_recordable", "key_reused", "key_in_flight", "archived", "outcome_unknown"),
        examples=EXAMPLES,
    ),
)
async def classify(request: Call) -> Response[bytes]:
    """Why did this compressor fail?

    Classifies one case and records the decision. `201` is sent only after the decision is committed; `200` repeats an
    earlier answer to the same `Idempotency-Key`. A case that is well-formed but names a finding or outcome that the
    rule table does not have, or one that this compressor cannot show, is refused with `422`.
    """
    service = house(request)
    book = service.shelf.current
    taken, headers = await _take(request, book)
    recorded = await classifying.record(
        taken, book, service.desk, service.recorder, client_id=request.auth.client_id, key=strict.idempotency_key(request)
    )
    headers["Location"] = f"/v1/decisions/{recorded.id}"
    if recorded.replayed:
        headers["Answer-Repeated"] = "true"
    return Response(recorded.answer, status_code=200 if recorded.replayed else 201, media_type=JSON, headers=headers)


@post(
    "/v1/classifications/preview",
    **face(
        "preview",
        "Classifying",
        {200: {JSON: Answer}},
        scopes=("preview", "decisions:write"),
        body=Case,
        query=PreviewQuery,
        takes=(PREFER,),
        sends={200: (APPLIED,)},
        problems=("bad_case", "not_found"),
        examples=EXAMPLES,
    ),
)
async def preview(request: Call) -> Response[bytes]:
    """The same answer, recorded nowhere

    For a form that shows the answer while it is being filled in. `?rule_table=` names another version; a draft
    needs the scope `tables:draft` as well.
    """
    service = house(request)
    version = strict.query(request, PreviewQuery).rule_table
    book = await service.shelf.book(version, drafts="tables:draft" in request.auth.scopes)
    taken, headers = await _take(request, book)
    answer = await service.desk.answer(taken, book)
    return Response(classifying.encode(answer), status_code=200, media_type=JSON, headers=headers)
