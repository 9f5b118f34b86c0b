"""Backtests of rule tables: started, listed, looked at while they run and when they have ended, cancelled."""

import asyncio
import hashlib
from datetime import UTC
from typing import Annotated, Any, Literal, overload
from uuid import UUID

import msgspec
from litestar import Response, get, post
from msgspec import Meta
from uuid_utils import compat

from coldcase import governing
from coldcase.backtesting.comparing import ComparisonTally, result_of
from coldcase.core.answer import Status, TableName
from coldcase.core.case import Code, CompressorType, Label
from coldcase.core.case_reader import member_flaws
from coldcase.core.strict_json import read_json
from coldcase.db import backtests, rule_tables
from coldcase.db.backtests import Backtest, NewBacktest
from coldcase.db.decisions import DecisionFilter
from coldcase.db.keys import ApiKey
from coldcase.errors import BadTableRequest, Flaw
from coldcase.proof.canonical import canonical_json
from coldcase.web import backtest_schemas, parsing
from coldcase.web.backtest_schemas import BacktestReport, BacktestSummary
from coldcase.web.filters import LINK, Moment, WhichTime, next_page, order_of, reads_all
from coldcase.web.once import IDEMPOTENCY_KEY, REPLAYED, made_once
from coldcase.web.route import JSON, Call, Header, route
from coldcase.web.rule_tables import DRAFT_SCOPES, VERSION, version_of
from coldcase.web.services import services
from coldcase.web.verdicts import request_actor

Library = Literal["worked", "development", "bench"]
BACKTEST_LOCATION = Header("Location", "The backtest's own path.")
_AS_BEGUN: dict[str, Any] = {
    "state": "waiting",
    "started_at": None,
    "ended_at": None,
    "total": None,
    "done": 0,
    "failed_because": None,
    "tally": None,
}


class BacktestFilter(
    msgspec.Struct,
    frozen=True,
    kw_only=True,
    forbid_unknown_fields=True,
    omit_defaults=True,
    rename={"from_": "from"},
):
    """Which decisions: all that is given must match, as in a search."""

    cause: Code | None = None
    status: Status | None = None
    job_ref: Label | None = None
    circuit: Label | None = None
    compressor_type: CompressorType | None = None
    refrigerant: Label | None = None
    rule_table: Annotated[int, Meta(ge=1, le=2_147_483_647)] | None = None
    has_verdict: bool | None = None
    from_: Moment | None = None
    to: Moment | None = None
    by: WhichTime = "closed_at"


class BacktestRequest(
    msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True
):
    """What a rule table is tried on: all decisions on record, those that a `filter` finds, of these a
    `sample` of about so many, the same ones each time; or a `library` of cases.
    """

    filter: BacktestFilter | None = None
    sample: Annotated[int, Meta(ge=1, le=100_000_000)] | None = None
    library: Library | None = None


class BacktestQuery(msgspec.Struct, frozen=True):
    """From where to list."""

    cursor: Annotated[str, Meta(pattern=r"^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$(?!\n)")] | None = None
    limit: Annotated[int, Meta(ge=1, le=500)] = 50


async def _asked(request: Call) -> BacktestRequest:
    """The body. Raises Malformed, BadTableRequest with every flaw."""
    raw = read_json(await parsing.read_body(request))
    if not isinstance(raw, dict):
        raise BadTableRequest((Flaw("", "The body is a JSON object."),))
    inner = raw.get("filter")
    outer = {name: value for name, value in raw.items() if name != "filter" or not isinstance(value, dict)}
    flaws = [*member_flaws(outer, BacktestRequest)]
    if isinstance(inner, dict):
        flaws += member_flaws(inner, BacktestFilter, "/filter")
    if raw.get("library") is not None:
        flaws += [
            Flaw(f"/{name}", "A library is taken whole: name no filter and no sample with it.")
            for name in ("filter", "sample")
            if raw.get(name) is not None
        ]
    if flaws:
        raise BadTableRequest(tuple(flaws))
    return msgspec.convert(raw, BacktestRequest)


def _search(asked: BacktestFilter | None) -> DecisionFilter:
    """The search that a filter means. Raises BadTableRequest for a time that is none in UTC."""
    given = {} if asked is None else msgspec.structs.asdict(asked)
    given = {name: value for name, value in given.items() if value is not None}
    for name, pointer in (("from_", "/filter/from"), ("to", "/filter/to")):
        try:
            given |= {name: given[name].astimezone(UTC)} if name in given else {}
        except OverflowError:
            raise BadTableRequest((Flaw(pointer, "There is no such time in UTC."),)) from None
    return DecisionFilter(**given | {"by": order_of(given.get("by", "closed_at"))})


@overload
def seen_backtest(found: Backtest, key: ApiKey, *, whole: Literal[True]) -> BacktestReport: ...


@overload
def seen_backtest(found: Backtest, key: ApiKey, *, whole: Literal[False]) -> BacktestSummary: ...


def seen_backtest(found: Backtest, key: ApiKey, *, whole: bool) -> BacktestSummary:
    """A backtest as this key may see it: of another client's neither the search nor the person, and no
    examples of other clients' decisions.
    """
    everything = reads_all(key)
    own = everything or found.asker == key.client_id
    asked = msgspec.json.decode(found.asked) if own and found.library is None else None
    members: dict[str, Any] = {
        "id": found.id,
        "rule_table": TableName(version=found.rule_table, digest=found.digest),
        "state": found.state,
        "of_all_clients": found.client_id is None,
        "filter": asked,
        "sample": found.sample,
        "library": found.library,
        "person": found.person if own else None,
        "created_at": found.created_at,
        "started_at": found.started_at,
        "ended_at": found.ended_at,
        "done": found.done,
        "total": found.total,
        "failed_because": found.failed_because,
    }
    if not whole:
        return BacktestSummary(**members)
    result = None
    if found.tally is not None:
        tally = msgspec.json.decode(found.tally, type=ComparisonTally)
        result = result_of(tally, sees=lambda client: everything or client in (None, key.client_id))
    return BacktestReport(**members, result=result)


@post(
    "/v1/rule-tables/{version:str}/backtests",
    **route(
        "startBacktest",
        "Rule tables",
        {201: {JSON: BacktestSummary}, 200: {JSON: BacktestSummary}},
        scopes=("tables:draft",),
        body=BacktestRequest,
        path={"version": VERSION},
        takes=(IDEMPOTENCY_KEY,),
        sends={201: (BACKTEST_LOCATION,), 200: (BACKTEST_LOCATION, REPLAYED)},
        problems=(
            "not_found",
            "bad_table_request",
            "bad_rule_table",
            "digest_stale",
            "key_reused",
            "outcome_unknown",
        ),
        examples={
            "all": {"value": {}},
            "some": {"value": {"filter": {"has_verdict": True, "refrigerant": "R-448A"}, "sample": 5000}},
            "library": {"value": {"library": "worked"}},
        },
    ),
)
async def start_backtest(request: Call) -> Response[bytes]:
    """A version tried on recorded decisions, or on a library of cases

    It runs in the background, and says what would change: codes, from what to what, with examples; apart
    from the rest what is dangerous; and where there are verdicts how good the answers were and would be. Of
    each chain of corrections the newest decision is tried. The decisions are those that the key may read:
    its client's, or all with `decisions:read:all`. It is of the version as it is now: an approval needs a
    finished one of the very digest that is approved, tried on recorded decisions if there are any. A repeated
    `Idempotency-Key` gives the first answer, whatever became of the backtest or the version.
    """
    key = parsing.idempotency_key(request)
    found, again = await begin_backtest(request, await _asked(request), key)
    body = msgspec.json.encode(seen_backtest(found, request.auth, whole=False))
    return made_once(body, f"/v1/backtests/{found.id}", again=again)


async def begin_backtest(request: Call, asked: BacktestRequest, key: str | None) -> tuple[Backtest, bool]:
    """Starts a backtest of the version of this request's path, or finds the one that its idempotency key
    stands for: the backtest as it began, and whether it did the latter. Raises NotFound, BadTableRequest,
    BadRuleTable, DigestStale, KeyReused, Busy.
    """
    service, version, actor = services(request), version_of(request), request_actor(request)
    search = _search(asked.filter)
    fingerprint = hashlib.sha256(canonical_json([version, msgspec.to_builtins(asked)])).digest()
    async with service.transaction() as conn:
        before = await backtests.started_before(conn, "backtest", key, fingerprint, actor)
        if before is not None:
            return _begun(await backtests.find_backtest(conn, before)), True
        stored = await rule_tables.get_table(conn, version)
    await asyncio.to_thread(governing.sound_table, stored)
    new = NewBacktest(
        id=compat.uuid7(),
        rule_table=version,
        digest=stored.digest,
        client_id=None if reads_all(request.auth) else request.auth.client_id,
        asked=msgspec.json.encode(search).decode(),
        sample=asked.sample,
        library=asked.library,
        idempotency_key=key,
        fingerprint=fingerprint,
    )
    async with service.transaction() as conn:
        id_, again = await backtests.record_start(conn, new, actor)
        found = await backtests.find_backtest(conn, id_)
    service.backtests.wake()
    return _begun(found), again


def _begun(found: Backtest) -> Backtest:
    return msgspec.structs.replace(found, **_AS_BEGUN)


@get(
    "/v1/rule-tables/{version:str}/backtests",
    **route(
        "listBacktests",
        "Rule tables",
        {200: {JSON: backtest_schemas.BacktestList}},
        scopes=DRAFT_SCOPES,
        query=BacktestQuery,
        path={"version": VERSION},
        sends={200: (LINK,)},
        problems=("not_found",),
    ),
)
async def list_backtests(request: Call) -> Response[bytes]:
    """The backtests of a version, the newest first"""
    query = parsing.parse_query(request, BacktestQuery)
    before = None if query.cursor is None else UUID(query.cursor)
    version = version_of(request)
    async with services(request).transaction() as conn:
        await rule_tables.get_table(conn, version)
        found = await backtests.backtests_of(conn, version, before=before, limit=query.limit + 1)
    following = str(found[query.limit - 1].id) if len(found) > query.limit else None
    listed = backtest_schemas.BacktestList(
        items=[seen_backtest(one, request.auth, whole=False) for one in found[: query.limit]], next=following
    )
    headers = next_page(f"/v1/rule-tables/{version}/backtests", query, following)
    return Response(msgspec.json.encode(listed), media_type=JSON, headers=headers)


@get(
    "/v1/backtests/{id:uuid}",
    **route(
        "showBacktest",
        "Rule tables",
        {200: {JSON: BacktestReport}},
        scopes=DRAFT_SCOPES,
        problems=("not_found",),
    ),
)
async def show_backtest(request: Call) -> Response[bytes]:
    """A backtest: how far it is, and what it has found so far or in the end

    Examples of other clients' decisions are shown to keys with `decisions:read:all` only.
    """
    async with services(request).transaction() as conn:
        found = await backtests.find_backtest(conn, request.path_params["id"])
    return Response(msgspec.json.encode(seen_backtest(found, request.auth, whole=True)), media_type=JSON)


@post(
    "/v1/backtests/{id:uuid}/cancel",
    **route(
        "cancelBacktest",
        "Rule tables",
        {200: {JSON: BacktestSummary}},
        scopes=("tables:draft",),
        problems=("not_found", "wrong_state", "outcome_unknown"),
    ),
)
async def cancel_backtest(request: Call) -> Response[bytes]:
    """A backtest ended before its time

    What it has found so far can still be looked at; for an approval it does not count.
    """
    found = await end_backtest(request)
    return Response(msgspec.json.encode(seen_backtest(found, request.auth, whole=False)), media_type=JSON)


async def end_backtest(request: Call) -> Backtest:
    """Cancels the backtest of this request's path. Raises NotFound, WrongState."""
    async with services(request).transaction() as conn:
        await backtests.record_cancelled(conn, request.path_params["id"], request_actor(request))
        return await backtests.find_backtest(conn, request.path_params["id"])
