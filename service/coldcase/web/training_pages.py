"""Training: a case is shown, a trainee names causes and what to look at next, and then sees what it was.

Until somebody has answered, no page, address or header of a case says what it was.
"""

from typing import Any

import msgspec
from litestar import Response, get, post
from uuid_utils import compat

from coldcase.classifying import case_of
from coldcase.core.answer import Answer
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.rule_table import UNDETERMINED, UNLISTED
from coldcase.db import decisions, rule_tables, training
from coldcase.db.training import TrainingAnswer
from coldcase.errors import BadCase, NotFound
from coldcase.feedback.training import (
    TrainingCase,
    own_cases,
    shipped_cases,
    training_case,
    was_right,
)
from coldcase.web import parsing, rendering
from coldcase.web.pages import training_answers, training_cases
from coldcase.web.pages.table_frame import TablePage
from coldcase.web.route import HTML, Call, form_route, page_route
from coldcase.web.services import services
from coldcase.web.table_pages import page_of_stored, shown

TRAINEES = ("decisions:read",)
CASE_NAME = {"type": "string", "pattern": "^[a-z0-9-]{1,64}$"}
OF_A_CASE: dict[str, Any] = {
    "scopes": TRAINEES,
    "path": {"name": CASE_NAME},
    "problems": ("not_found",),
}


class TraineeForm(msgspec.Struct, frozen=True):
    """What a trainee says: the most likely cause, a second one, and what to look at next."""

    cause: str = ""
    second: str = ""
    check: str = ""


@get("/training", **page_route("showTraining", scopes=TRAINEES))
async def show_training(request: Call) -> Response[Any]:
    """The cases, and how far a trainee has come"""
    key = request.auth
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, key.client_id)
        own = await own_cases(conn, key.client_id)
        said = await training.answers_of_trainee(conn, key)
    compiled = services(request).rule_tables.current
    return rendering.page(
        request, "training.html", **training_cases.overview_context(shipped_cases(), own, said, compiled)
    )


@get("/training/{name:str}", **page_route("showTrainingCase", **OF_A_CASE))
async def show_training_case(request: Call) -> Response[Any]:
    """A case to be judged, or what became of it for whoever has"""
    found, said = await _case(request)
    if said is not None:
        return _gone_on(f"/training/{found.name}/answer")
    return _asked(request, found, TraineeForm())


@post(
    "/training/{name:str}",
    **form_route("answerTrainingCase", TraineeForm, **OF_A_CASE),
)
async def answer_training_case(request: Call) -> Response[Any]:
    """Records what a trainee says, and leads to what the case was"""
    sent = await parsing.parse_form(request, TraineeForm)
    compiled = services(request).rule_tables.current
    found, said = await _case(request)
    if said is None:
        if flaws := _flaws(sent, compiled):
            return _asked(request, found, sent, flaws)
        causes = list(dict.fromkeys(cause for cause in (sent.cause, sent.second) if cause))
        async with services(request).transaction() as conn:
            await decisions.view_as(conn, request.auth.client_id)
            await training.add_training_answer(
                conn,
                request.auth,
                id_=compat.uuid7(),
                case_name=found.name,
                causes=causes,
                next_check=None if sent.check == training_cases.NOTHING_MORE else sent.check,
                was_right=was_right(found, causes),
            )
    return _gone_on(f"/training/{found.name}/answer")


@get("/training/{name:str}/answer", **page_route("showTrainingAnswer", **OF_A_CASE))
async def show_training_answer(request: Call) -> Response[Any]:
    """What a case was, how it weighs, and what others said; for whoever has answered"""
    key = request.auth
    found, said = await _case(request)
    if said is None:
        return _gone_on(f"/training/{found.name}")
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, key.client_id)
        others = await training.answers_to_case(conn, key.client_id, found.name)
        mine = await training.answers_of_trainee(conn, key)
        own = await own_cases(conn, key.client_id)
    answer, compiled = await _weighed(request, found)
    version = compiled.version
    assert version is not None  # noqa: S101 - a service answers by a table on record only
    async with services(request).transaction() as conn:
        stored = await rule_tables.get_table(conn, version)
    table: TablePage = await page_of_stored(request, stored)
    names = [*shipped_cases(), *(str(one.id) for one in own)]
    following = next((name for name in names if name not in mine), None)
    return await shown(
        request,
        "training_answer.html",
        lambda: (
            training_answers.answer_context(table, found, answer, said, others) | {"following": following}
        ),
    )


async def _case(request: Call) -> tuple[TrainingCase, TrainingAnswer | None]:
    """The case in the path, and what this trainee has said of it. Raises NotFound."""
    key, name = request.auth, request.path_params["name"]
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, key.client_id)
        found = await training_case(conn, key.client_id, name)
        return found, (await training.answers_of_trainee(conn, key)).get(found.name)


def _asked(
    request: Call, found: TrainingCase, typed: TraineeForm, flaws: dict[str, str] | None = None
) -> Response[Any]:
    compiled = services(request).rule_tables.current
    context = training_cases.case_context(found, compiled)
    return rendering.page(
        request,
        "training_case.html",
        status=422 if flaws else 200,
        typed=typed,
        flaws=flaws or {},
        **context,
    )


def _flaws(sent: TraineeForm, compiled: CompiledTable) -> dict[str, str]:
    """What is wrong with what was sent, by field."""
    causes = {*compiled.table.causes, UNLISTED, UNDETERMINED}
    flaws = {}
    if sent.cause not in causes:
        flaws["cause"] = "Name a cause, or say that it cannot be told from this."
    if sent.second and sent.second not in causes:
        flaws["second"] = "Choose one of the list, or none."
    if sent.check not in compiled.table.findings and sent.check != training_cases.NOTHING_MORE:
        flaws["check"] = "Say what you would look at next, or that nothing more is needed."
    return flaws


async def _weighed(request: Call, found: TrainingCase) -> tuple[Answer, CompiledTable]:
    """The answer on record, or for a shipped case that of the table that answers now. Raises NotFound for one
    that this table cannot read.
    """
    service = services(request)
    if found.decision is not None:
        answer = msgspec.json.decode(found.decision.answer, type=Answer)
        return answer, await service.rule_tables.compiled(found.decision.rule_table)
    compiled = service.rule_tables.current
    try:
        return await service.batcher.answer(case_of(found.case, compiled), compiled), compiled
    except BadCase:
        raise NotFound("The rule table that answers now no longer knows what this case speaks of.") from None


def _gone_on(path: str) -> Response[Any]:
    return Response(b"", status_code=303, media_type=HTML, headers={"Location": path})
