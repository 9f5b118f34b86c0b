"""What became of a decision: the verdict that a person gives on it, its replay, and the proof that it is
sealed.
"""

from uuid import UUID

import msgspec
from litestar import Response, get, post

from coldcase import decision_record
from coldcase.auditing import replaying, sealing
from coldcase.auditing.replaying import Replay
from coldcase.auditing.sealing import Inclusion
from coldcase.core.strict_json import read_json
from coldcase.db import decisions
from coldcase.db.events import Actor
from coldcase.db.verdicts import StoredVerdict
from coldcase.errors import NotFound
from coldcase.feedback import verdicts
from coldcase.feedback.verdicts import GivenVerdict
from coldcase.web import parsing, problems, schemas
from coldcase.web.classifications import LOCATION
from coldcase.web.filters import READS_ALL, reads_all
from coldcase.web.once import IDEMPOTENCY_KEY, REPLAYED, made_once
from coldcase.web.route import JSON, Call, route
from coldcase.web.services import services

VERDICT_EXAMPLES = {
    "teardown": {
        "value": {
            "cause": "moisture",
            "basis": "teardown",
            "note": "Copper on both journals, drier saturated.",
            "established_by": "bench-2",
            "established_at": "2026-03-09T10:15:00Z",
        }
    },
    "open": {"value": {"not_determinable": True, "basis": "supplier_report"}},
}


def request_actor(request: Call) -> Actor:
    """Who acts in this request, for the audit events of what it changes."""
    return Actor(
        key=request.auth.id,
        person=request.auth.person,
        remote=parsing.caller_address(request),
        request_id=problems.request_id(request),
    )


@post(
    "/v1/decisions/{id:uuid}/verdicts",
    **route(
        "giveVerdict",
        "Decisions",
        {201: {JSON: schemas.Verdict}, 200: {JSON: schemas.Verdict}},
        scopes=("verdicts:write",),
        body=GivenVerdict,
        takes=(IDEMPOTENCY_KEY,),
        sends={201: (LOCATION,), 200: (LOCATION, REPLAYED)},
        problems=("bad_verdict", "not_found", "archived", "key_reused", "outcome_unknown"),
        examples=VERDICT_EXAMPLES,
    ),
)
async def give_verdict(request: Call) -> Response[bytes]:
    """What a person established to be the cause

    Kept beside the decision for good; of several the newest stands. The cause is a code of the rule table
    that answered or of the current one, `unlisted`, or left out with `not_determinable: true`.
    `established_by` and `established_at` say who established it and when: not in the future, nor before the
    machine failed (`job.failed_at`). An
    `Idempotency-Key` belongs to the client that sends it and is remembered for as long as the verdict, also
    when the decision is in an archive. On another client's decision it takes the scope `verdicts:write:all`
    as well: a key that only reads all gets `403`, one that does not see the decision `404`.
    """
    service, id_ = services(request), request.path_params["id"]
    raw = read_json(await parsing.read_body(request))
    key = parsing.idempotency_key(request)
    writes_all = "verdicts:write:all" in request.auth.scopes
    sees_all = writes_all or reads_all(request.auth)
    async with service.transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=sees_all)
        try:
            judged = await verdicts.what_is_judged(
                conn, id_, judge=None if writes_all else request.auth.client_id
            )
        except NotFound:
            return _told(
                id_, await verdicts.given_before(conn, id_, raw, by_key=request.auth.id, key=key), again=True
            )
    tables = (await service.rule_tables.compiled(judged.rule_table), service.rule_tables.current)
    now = service.recorder.clock.now()
    given = verdicts.parse_verdict(raw, tables, failed_at=judged.failed_at, now=now)
    async with service.transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=sees_all)
        stored, again = await verdicts.record_verdict(conn, id_, given, actor=request_actor(request), key=key)
    return _told(id_, stored, again=again)


def _told(decision: UUID, stored: StoredVerdict, *, again: bool) -> Response[bytes]:
    verdict = msgspec.convert(stored, schemas.Verdict, from_attributes=True)
    return made_once(msgspec.json.encode(verdict), f"/v1/decisions/{decision}", again=again)


@post(
    "/v1/decisions/{id:uuid}/replay",
    **route(
        "replayDecision",
        "Decisions",
        {200: {JSON: Replay}},
        scopes=("decisions:read", READS_ALL),
        problems=("not_found",),
    ),
)
async def replay_decision(request: Call) -> Response[bytes]:
    """Computed again from the record: identical, or what differs

    From the stored case and the recorded derived quantities, under the rule table that answered.
    `engine_changed` names the members that come out otherwise, `corrupt` says what of the record does not
    hold together.
    """
    service = services(request)
    async with service.transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        found = await decision_record.require_decision(conn, request.path_params["id"])
    compiled = await service.rule_tables.compiled(found.rule_table)
    return Response(msgspec.json.encode(replaying.replay(found, compiled)), media_type=JSON)


@get(
    "/v1/decisions/{id:uuid}/inclusion",
    **route(
        "proveInclusion",
        "Audit",
        {200: {JSON: Inclusion}},
        scopes=("decisions:read", READS_ALL),
        problems=("not_found", "not_sealed", "not_as_sealed"),
    ),
)
async def prove_inclusion(request: Call) -> Response[bytes]:
    """The proof that a decision is under a seal

    Whoever has kept the seal's head can check with SHA-256 alone that case and answer are those that were
    sealed: RFC 9162 section 2.1.3.2; `deploy/check_inclusion.py` does it in thirty lines.
    """
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        proof = await sealing.inclusion(conn, request.path_params["id"], services(request).trees)
    return Response(msgspec.json.encode(proof), media_type=JSON)
