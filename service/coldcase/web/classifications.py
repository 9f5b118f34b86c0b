"""Classifying one case: recorded, or as a preview."""

import dataclasses
from typing import Annotated

import msgspec
from litestar import Response, post
from msgspec import Meta

from coldcase import answering, classifying
from coldcase.core.case import Case
from coldcase.core.case_reader import ParsedCase
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.rule_table import ALL_EFFORTS, Effort
from coldcase.errors import Flaw
from coldcase.shipped import demo_cases
from coldcase.web import parsing
from coldcase.web.crosswalk_schemas import AnswerWithCodes
from coldcase.web.once import IDEMPOTENCY_KEY, REPLAYED, made_once
from coldcase.web.own_words import CONTENT_PROFILE, CrosswalkName, codes_for, content_profile, with_codes
from coldcase.web.problems import BadRequest
from coldcase.web.route import JSON, Call, Header, route
from coldcase.web.services import services

PREFER = Header(
    "Prefer",
    "`handling=lenient` (RFC 7240): what is wrong is left out and named in `left_out`, an observation, a "
    "measurement or an exhibit as a whole. Refused is then only what is no JSON object, has no readable "
    "`unit`, `unit.compressor_type` or `unit.motor` (a misspelt one too), or is a machine that is not "
    "covered; other problems than `bad_case` stay.",
)
APPLIED = Header("Preference-Applied", "Says that the case was read leniently.")
LOCATION = Header("Location", "The decision's own path.")


CASE_EXAMPLES = {
    name: {"summary": demo.title, "description": demo.told, "value": demo.case}
    for name, demo in demo_cases().items()
}


EffortList = Annotated[
    str,
    Meta(
        # In the document only: what is wrong is said in words, below.
        extra_json_schema={"pattern": "^(ask|look|meter|open|lab)(,(ask|look|meter|open|lab)){0,4}$"},
        description="What can be done now: `ask,look,meter` keeps `next_checks` to these efforts.",
    ),
]


class ClassifyQuery(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Which efforts the next checks may take, all if not said; and whose codes the answer carries."""

    effort: EffortList | None = None
    crosswalk: CrosswalkName | None = None


class PreviewQuery(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Which efforts the next checks may take (all if not said), under which rule table to look (the current
    one if not said), and whose codes the answer carries.
    """

    effort: EffortList | None = None
    rule_table: Annotated[int, Meta(ge=1, le=2_147_483_647)] | None = None
    crosswalk: CrosswalkName | None = None


def _efforts(sent: str | None) -> tuple[Effort, ...]:
    """The efforts that were asked for. Raises `BadRequest` for what is none."""
    wanted = ALL_EFFORTS if sent is None else sent.split(",")
    if set(wanted) - set(ALL_EFFORTS) or len(wanted) > len(ALL_EFFORTS):
        said = f"Efforts are {', '.join(ALL_EFFORTS)}, parted by commas without blanks."
        raise BadRequest((Flaw("effort", said),))
    return tuple(effort for effort in ALL_EFFORTS if effort in wanted)


async def _read_case(
    request: Call, compiled: CompiledTable, effort: str | None
) -> tuple[ParsedCase, dict[str, str]]:
    lenient, efforts = parsing.lenient(request), _efforts(effort)
    body, profile = await parsing.read_body(request), await content_profile(request)
    if profile is None:
        parsed = classifying.read_case(body, compiled, lenient=lenient)
    else:
        named = profile.name, profile.version
        parsed = classifying.read_own_words(
            body, compiled, document=profile.document, crosswalk=named, lenient=lenient
        )
    parsed = dataclasses.replace(parsed, efforts=efforts)
    return parsed, {APPLIED.name: "handling=lenient"} if lenient else {}


@post(
    "/v1/classifications",
    **route(
        "classify",
        "Classifying",
        {201: {JSON: AnswerWithCodes}, 200: {JSON: AnswerWithCodes}},
        scopes=("decisions:write",),
        body=Case,
        query=ClassifyQuery,
        takes=(IDEMPOTENCY_KEY, PREFER, CONTENT_PROFILE),
        sends={201: (LOCATION, APPLIED), 200: (LOCATION, REPLAYED, APPLIED)},
        problems=(
            "bad_case",
            "supersedes_unknown",
            "not_recordable",
            "key_reused",
            "key_in_flight",
            "archived",
            "outcome_unknown",
        ),
        examples=CASE_EXAMPLES,
    ),
)
async def classify(request: Call) -> Response[bytes]:
    """Why did this compressor fail?

    Classifies one case and records the decision. `201` is sent only after the decision is committed; `200`
    repeats an earlier answer to the same `Idempotency-Key`. A case that is well-formed but names a finding or
    outcome that the rule table does not have, or one that this compressor cannot show, is refused with `422`.

    With `Content-Profile` the body is in the client's own words; a retry is known by these and the
    crosswalk's name, whatever version of it has come since. With `?crosswalk=` the answer ends with the
    client's own codes (`crosswalk`), by the newest version; what stands before them is recorded and repeated
    to the byte.
    """
    service = services(request)
    compiled = service.rule_tables.current
    query = parsing.parse_query(request, ClassifyQuery)
    codes = await codes_for(request, query.crosswalk)
    parsed, headers = await _read_case(request, compiled, query.effort)
    recorded = await answering.record_answer(
        parsed,
        compiled,
        service.batcher,
        service.recorder,
        client_id=request.auth.client_id,
        key=parsing.idempotency_key(request),
    )
    body = with_codes(recorded.answer, codes)
    return made_once(body, f"/v1/decisions/{recorded.id}", again=recorded.replayed, **headers)


@post(
    "/v1/classifications/preview",
    **route(
        "preview",
        "Classifying",
        {200: {JSON: AnswerWithCodes}},
        scopes=("preview", "decisions:write"),
        body=Case,
        query=PreviewQuery,
        takes=(PREFER, CONTENT_PROFILE),
        sends={200: (APPLIED,)},
        problems=("bad_case", "not_found", "bad_rule_table"),
        examples=CASE_EXAMPLES,
    ),
)
async def preview(request: Call) -> Response[bytes]:
    """The same answer, recorded nowhere

    For a form that shows the answer while it is being filled in. `?rule_table=` names another version; a
    draft needs the scope `tables:draft` as well.
    """
    service = services(request)
    query = parsing.parse_query(request, PreviewQuery)
    compiled = await service.rule_tables.compiled(
        query.rule_table, drafts="tables:draft" in request.auth.scopes
    )
    codes = await codes_for(request, query.crosswalk)
    parsed, headers = await _read_case(request, compiled, query.effort)
    told = with_codes(classifying.with_head(*await service.batcher.written(parsed, compiled)), codes)
    return Response(told, status_code=200, media_type=JSON, headers=headers)
