"""The case form: questions in the order that pays, the answer growing beside them, recorded at the end."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any
from urllib.parse import parse_qs
from uuid import UUID

import msgspec
from litestar import Response, get, post

from coldcase import answering, classifying, decision_record
from coldcase.core.answer import Answer
from coldcase.core.asking import Asking, questions_in_order
from coldcase.core.case import Unit
from coldcase.core.case_reader import ParsedCase
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.conditions import machine_of
from coldcase.core.machine_model import MachineModel
from coldcase.core.signs import whole
from coldcase.db import decisions
from coldcase.errors import BadCase, ColdcaseError, Flaw, ScopeMissing
from coldcase.web import parsing, rendering, sessions
from coldcase.web.filters import READS_ALL, reads_all
from coldcase.web.pages import case_answer, case_form, case_page, case_state
from coldcase.web.pages.case_state import CaseState
from coldcase.web.pages.case_told import told_shares
from coldcase.web.problems import PROBLEM_KINDS, BadRequest, problem_headers
from coldcase.web.route import FORM, HTML, Call, page_route
from coldcase.web.services import services

RECORD = "record"
WRITES = "decisions:write"
SCOPES = (WRITES, "preview")


class CaseQuery(msgspec.Struct, frozen=True):
    """Which decision the new case corrects or completes; the form then begins with what that one said."""

    supersedes: UUID | None = None


@get("/case", **page_route("showCaseForm", scopes=SCOPES, query=CaseQuery, problems=("not_found",)))
async def show_case_form(request: Call) -> Response[Any]:
    """A case to fill in"""
    query, compiled = parsing.parse_page_query(request, CaseQuery), services(request).rule_tables.current
    fields: dict[str, list[str]] = {}
    if query.supersedes is not None:
        fields = await _fields_of(request, query.supersedes, compiled)
    return await _shown(request, Filled(case_state.fresh_state(fields), compiled), "")


async def _fields_of(request: Call, id_: UUID, compiled: CompiledTable) -> dict[str, list[str]]:
    """The fields that say a decision's case. Raises `NotFound`, `ScopeMissing`."""
    if request.auth.scopes.isdisjoint(("decisions:read", READS_ALL)):
        raise ScopeMissing("To begin with a recorded case the key needs the scope `decisions:read`.")
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        found = await decision_record.require_decision(conn, id_)
    case = msgspec.json.decode(found.case)
    return case_form.form_from_case({**case, "supersedes": str(id_)}, Filled.signs(compiled, None))


@post(
    "/case",
    **page_route(
        "fillCaseForm",
        answers={200: {HTML: str}, 303: {HTML: str}},
        scopes=SCOPES,
        body=str,
        body_media=(FORM,),
        problems=("bad_case",),
    ),
)
async def fill_case_form(request: Call) -> Response[Any]:
    """The next questions and the answer so far; or, at the end, the case recorded"""
    compiled = services(request).rule_tables.current
    form = await _form(request)
    filled = Filled(case_state.state_of(form, compiled.table.findings), compiled)
    done = case_form.first(form, "do")
    if done == RECORD:
        return await _recorded(request, filled)
    return await _shown(request, filled.after(done), done, brief=bool(case_form.first(form, "brief")))


async def _form(request: Call) -> dict[str, list[str]]:
    try:
        text = (await parsing.read_body(request)).decode("ascii")
        return parse_qs(text, keep_blank_values=True, errors="strict", max_num_fields=sessions.MOST_FIELDS)
    except ValueError as error:
        said = f"The form is not percent-encoded UTF-8 of at most {sessions.MOST_FIELDS} fields."
        raise BadRequest((Flaw("", said),)) from error


@dataclass(frozen=True)
class Filled:
    """A form as somebody filled it in, under the rule table that answers."""

    state: CaseState
    compiled: CompiledTable

    @staticmethod
    def signs(compiled: CompiledTable, model: MachineModel | None) -> case_form.SignsOf:
        """The signs of a finding, on that machine if one is given."""

        def signs_of(code: str) -> Sequence[str] | None:
            row = compiled.table.findings.get(code)
            if row is None or row.kind != "several":
                return None
            possible = None if model is None else compiled.possible(code, model)
            return [each.code for each in row.outcomes if possible is None or each.code in possible]

        return signs_of

    @cached_property
    def model(self) -> MachineModel:
        """The model of the machine; what is said of it and cannot be is not known."""
        said = {
            name: text
            for name in ("motor", "compressor_type", "winding_connection")
            if (text := case_form.first(self.state.fields, f"unit.{name}"))
        }
        try:
            unit = msgspec.convert(said, Unit)
        except msgspec.ValidationError:
            unit = Unit(compressor_type="unknown", motor="unknown")
        return self.compiled.model_for(machine_of(unit, self.compiled.table))

    @cached_property
    def raw(self) -> dict[str, Any]:
        """The case as any client would send it."""
        return case_form.case_from_form(self.state.fields, self.signs(self.compiled, self.model))

    @cached_property
    def read(self) -> tuple[ParsedCase | None, tuple[Flaw, ...]]:
        """The case as far as it can be read, and what is wrong with it."""
        try:
            return classifying.case_of(self.raw, self.compiled), ()
        except BadCase as error:
            flaws = error.flaws
        try:
            return classifying.case_of(self.raw, self.compiled, lenient=True), flaws
        except BadCase:
            return None, flaws

    @property
    def notes(self) -> tuple[str, ...]:
        """How the case was read; what was left out of it stands beside its field."""
        parsed, flaws = self.read
        return parsed.notes if parsed and not flaws else ()

    @cached_property
    def answered(self) -> frozenset[str]:
        """The findings that something is known of, by a tick or by a reading."""
        parsed, _ = self.read
        derived = classifying.add_outcomes(parsed, self.compiled).derived if parsed else {}
        ticked = {code for code in self.raw.get("observations", {}) if code in self.compiled.table.findings}
        return frozenset({*ticked, *map(whole, derived)})

    def after(self, done: str) -> "Filled":
        """The form after a button."""
        return replace(self, state=case_state.after(self.state, done, self.answered))

    def in_order(self) -> list[str]:
        """The questions that are still worth asking, the most worthwhile first."""
        parsed, _ = self.read
        if parsed is None:
            return []
        asking = Asking(told_shares(), self.state.pointed, self.state.passed)
        with_readings = classifying.add_outcomes(parsed, self.compiled)
        return questions_in_order(with_readings, self.compiled, self.state.can, asking)


async def _answer(request: Call, filled: Filled) -> Answer | None:
    parsed, _ = filled.read
    return (
        None
        if parsed is None or not filled.answered
        else await services(request).batcher.answer(parsed, filled.compiled)
    )


async def _shown(
    request: Call, filled: Filled, done: str, *, trouble: ColdcaseError | None = None, brief: bool = False
) -> Response[Any]:
    """The page of a form as it stands."""
    filled = replace(filled, state=case_state.asked_now(filled.state, filled.answered, filled.in_order()))
    state, (_, flaws) = filled.state, filled.read
    context = case_page.page_context(
        state,
        filled.compiled,
        filled.model,
        case=filled.raw,
        answered=filled.answered,
        flaws=flaws,
        brief=brief,
    )
    status, headers = 200, {}
    if trouble is not None:
        status, headers = PROBLEM_KINDS[trouble.code].status, problem_headers(trouble.code)
    elif done == RECORD and flaws:
        status = 422
    page = rendering.page(
        request,
        "case_form.html",
        status=status,
        **context,
        answer=case_answer.answer_so_far(await _answer(request, filled), filled.compiled, filled.notes),
        may_record=WRITES in request.auth.scopes,
        refused=done == RECORD and bool(flaws),
        trouble=trouble,
    )
    page.headers.update(headers)
    return page


async def _recorded(request: Call, filled: Filled) -> Response[Any]:
    """On to the report of the recorded case; or the form again, with what is wrong."""
    if WRITES not in request.auth.scopes:
        raise ScopeMissing(f"To record a case the key needs the scope `{WRITES}`.")
    parsed, flaws = filled.read
    if parsed is None or flaws:
        return await _shown(request, filled, RECORD)
    service = services(request)
    try:
        recorded = await answering.record_answer(
            parsed,
            filled.compiled,
            service.batcher,
            service.recorder,
            client_id=request.auth.client_id,
            key=filled.state.key,
        )
    except ColdcaseError as error:
        return await _shown(request, filled, RECORD, trouble=error)
    if request.auth.scopes.isdisjoint(("decisions:read", READS_ALL)):
        answer = msgspec.json.decode(recorded.answer, type=Answer)
        so_far = case_answer.answer_so_far(answer, filled.compiled)
        return rendering.page(request, "case_recorded.html", answer=so_far, id=recorded.id)
    headers = {"Location": f"/v1/decisions/{recorded.id}"}
    return Response(b"", status_code=303, media_type=HTML, headers=headers)
