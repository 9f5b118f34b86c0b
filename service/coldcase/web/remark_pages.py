"""Remarks on a rule table for people: read together, and made with a form from the row that is disputed."""

from typing import Any

import msgspec
from litestar import Response, get, post
from uuid_utils import compat

from coldcase.core.case_reader import member_flaws
from coldcase.core.pointers import NothingThereError, value_at
from coldcase.errors import BadTableRequest, Flaw, NotFound
from coldcase.web import parsing, rendering
from coldcase.web.pages import table_remarks
from coldcase.web.remarks import Pointer, RemarkPatch, RemarkRequest, make_remark, take_step
from coldcase.web.route import HTML, Call, form_route, page_route
from coldcase.web.rule_tables import TABLE_SCOPES, VERSION, WHOLE_NUMBER
from coldcase.web.table_pages import OF_A_TABLE, table_page


class NewRemarkQuery(msgspec.Struct, frozen=True):
    """The place in the document that is disputed."""

    pointer: Pointer | None = None


class RemarkForm(msgspec.Struct, frozen=True):
    """A remark as it is typed: numbers and texts are read by what stands at the place. `key` was made with
    the form, so that one sent twice is one remark.
    """

    pointer: str = ""
    text: str = ""
    proposal: str = ""
    decision: str = ""
    key: str = ""


class StepForm(msgspec.Struct, frozen=True):
    """What is said to a remark, and the version that settles it, as they are typed."""

    answer: str = ""
    settled_by: str = ""


@get("/tables/{version:str}/remarks", **page_route("showRemarksPage", **OF_A_TABLE))
async def show_remarks_page(request: Call) -> Response[Any]:
    """All remarks on a version"""
    found = await table_page(request)
    return rendering.page(request, "table_remarks.html", **table_remarks.remarks_context(found))


@get(
    "/tables/{version:str}/remarks/new",
    **page_route("showRemarkForm", query=NewRemarkQuery, **OF_A_TABLE | {"scopes": TABLE_SCOPES}),
)
async def show_remark_form(request: Call) -> Response[Any]:
    """The form that disputes a place of a version"""
    query = parsing.parse_page_query(request, NewRemarkQuery)
    if query.pointer is None:
        raise NotFound("Open the row that you dispute, and follow the link beside it.")
    return await _asked(request, RemarkForm(pointer=query.pointer, key=str(compat.uuid7())))


@post(
    "/tables/{version:str}/remarks",
    **form_route(
        "makeRemark",
        RemarkForm,
        scopes=TABLE_SCOPES,
        path={"version": VERSION},
        problems=("not_found", "bad_rule_table", "digest_stale", "key_reused", "outcome_unknown"),
    ),
)
async def make_remark_by_form(request: Call) -> Response[Any]:
    """Records a remark, and leads to where it stands"""
    sent = await parsing.parse_form(request, RemarkForm)
    found = await table_page(request)
    try:
        wanted = _read(sent, _there(found.stored.document, sent.pointer))
        made, _ = await make_remark(request, found.stored, wanted, parsing.form_key(sent.key))
    except BadTableRequest as error:
        return await _asked(request, sent, error.flaws)
    place, _ = found.place_of(made.pointer)
    path = f"{place.partition('#')[0]}#remark-{made.id}"
    return Response(b"", status_code=303, media_type=HTML, headers={"Location": path})


@post(
    "/tables/{version:str}/remarks/{id:uuid}",
    **form_route(
        "answerRemarkByForm",
        StepForm,
        scopes=("tables:draft",),
        path={"version": VERSION},
        problems=("not_found", "bad_rule_table", "wrong_state", "outcome_unknown"),
    ),
)
async def answer_remark_by_form(request: Call) -> Response[Any]:
    """Answers or settles a remark, and leads to where it stands"""
    sent, id_ = await parsing.parse_form(request, StepForm), request.path_params["id"]
    found = await table_page(request)
    try:
        await take_step(request, _step(sent))
    except BadTableRequest as error:
        context = table_remarks.remarks_context(found)
        told = " ".join(flaw.detail for flaw in error.flaws)
        return rendering.page(
            request, "table_remarks.html", status=422, **context, flawed=id_, typed=sent, told=told
        )
    path = f"{found.path}/remarks#remark-{id_}"
    return Response(b"", status_code=303, media_type=HTML, headers={"Location": path})


def _step(typed: StepForm) -> RemarkPatch:
    """What was typed, as the call takes it. Raises BadTableRequest with every flaw."""
    raw: dict[str, Any] = {}
    if answer := typed.answer.replace("\r\n", "\n").strip():
        raw["answer"] = answer
    if number := typed.settled_by.strip():
        if not WHOLE_NUMBER.fullmatch(number):
            raise BadTableRequest((Flaw("/settled_by", "A version is named by its number."),))
        raw["settled_by"] = int(number)
    if not raw:
        raise BadTableRequest((Flaw("", "Say something to it, or name the version that settles it."),))
    if flaws := tuple(member_flaws(raw, RemarkPatch)):
        raise BadTableRequest(flaws)
    return msgspec.convert(raw, RemarkPatch)


async def _asked(request: Call, typed: RemarkForm, flaws: tuple[Flaw, ...] = ()) -> Response[Any]:
    """The form, with what was typed and what is wrong with it. Raises NotFound for a place that is none."""
    found = await table_page(request)
    there = _there(found.stored.document, typed.pointer)
    context = table_remarks.form_context(found, typed.pointer, there)
    told = {flaw.pointer.lstrip("/"): flaw.detail for flaw in flaws}
    return rendering.page(
        request, "table_remark_form.html", status=422 if flaws else 200, typed=typed, flaws=told, **context
    )


def _there(document: bytes, pointer: str) -> Any:
    try:
        return value_at(msgspec.json.decode(document), pointer)
    except NothingThereError as error:
        raise NotFound(f"There is nothing to dispute at this place: {error.flaw.detail}") from None


def _read(typed: RemarkForm, there: Any) -> RemarkRequest:
    """What was typed, as the call takes it. Raises BadTableRequest with every flaw."""
    raw: dict[str, Any] = {"pointer": typed.pointer, "text": typed.text.replace("\r\n", "\n").strip()}
    flaws: list[Flaw] = []
    if typed.decision.strip():
        # People paste the address of a report.
        raw["decision"] = typed.decision.strip().rstrip("/").rpartition("/")[2].lower()
    if typed.proposal.strip():
        try:
            raw["proposal"] = table_remarks.proposed(typed.proposal.replace("\r\n", "\n").strip(), there)
        except ValueError as error:
            flaws.append(Flaw("/proposal", str(error)))
    if not raw["text"]:
        flaws.append(Flaw("/text", "Say why: a remark without a reason helps nobody."))
        raw["text"] = "-"
    flaws += member_flaws(raw, RemarkRequest)
    if flaws:
        raise BadTableRequest(tuple(flaws))
    return msgspec.convert(raw, RemarkRequest)
