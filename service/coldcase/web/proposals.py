"""Rule tables proposed from verdicts, asked for and looked at; and what verdicts have seen of a table."""

import asyncio
import hashlib
from typing import Annotated, Any, Literal, overload
from uuid import UUID

import msgspec
from litestar import Response, get, post
from msgspec import Meta
from uuid_utils import compat

from coldcase import governing
from coldcase.core.answer import TableName
from coldcase.core.case import Code
from coldcase.core.learning import LEAST_VERDICTS, PriorStrength
from coldcase.core.verdict_counts import RowEvidence
from coldcase.db import proposals
from coldcase.db.backtests import see_decisions_of, started_before
from coldcase.db.keys import ApiKey
from coldcase.db.proposals import NewProposal, Proposal, ProposalState
from coldcase.db.rule_tables import get_table, is_draft
from coldcase.errors import NothingToPropose, WrongState
from coldcase.proof.canonical import canonical_json
from coldcase.proposing.summary import ProposalSummary
from coldcase.web import parsing, proposal_schemas
from coldcase.web.filters import LINK, next_page, reads_all
from coldcase.web.once import IDEMPOTENCY_KEY, REPLAYED, made_once
from coldcase.web.proposal_schemas import ListedProposal, ProposalReport
from coldcase.web.route import JSON, Call, Header, route
from coldcase.web.rule_tables import DRAFT_SCOPES, TABLE_SCOPES, VERSION, version_of
from coldcase.web.services import services
from coldcase.web.table_changes import read_request, seen_table
from coldcase.web.verdicts import request_actor

Worth = Annotated[float, Meta(ge=1, le=1_000_000)]
PROPOSAL_LOCATION = Header("Location", "The proposal's own path.")
_AS_BEGUN: dict[str, Any] = {
    "state": "waiting",
    "started_at": None,
    "ended_at": None,
    "total": None,
    "done": 0,
    "draft": None,
    "summary": None,
    "failed_because": None,
}


class ProposalRequest(
    msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True
):
    """How many judged cases the table's own numbers are worth: each row of frequencies, and all base rates
    together; and whether the temperature is fitted, or kept.
    """

    row_strength: Worth = PriorStrength().rows
    base_rate_strength: Worth = PriorStrength().base_rates
    fit_temperature: bool = True


class ProposalQuery(msgspec.Struct, frozen=True, kw_only=True):
    """Which proposals: in a state; and from where to list."""

    state: ProposalState | None = None
    cursor: Annotated[str, Meta(pattern=r"^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$(?!\n)")] | None = None
    limit: Annotated[int, Meta(ge=1, le=500)] = 50


@post(
    "/v1/rule-tables/{version:str}/proposals",
    **route(
        "proposeRuleTable",
        "Rule tables",
        {201: {JSON: ProposalReport}, 200: {JSON: ProposalReport}},
        scopes=("tables:draft",),
        body=ProposalRequest,
        path={"version": VERSION},
        takes=(IDEMPOTENCY_KEY,),
        sends={201: (PROPOSAL_LOCATION,), 200: (PROPOSAL_LOCATION, REPLAYED)},
        problems=(
            "not_found",
            "bad_table_request",
            "wrong_state",
            "nothing_to_propose",
            "key_reused",
            "outcome_unknown",
        ),
        examples={
            "usual": {"value": {}},
            "wary": {"value": {"row_strength": 100, "base_rate_strength": 1000}},
        },
    ),
)
async def propose_rule_table(request: Call) -> Response[bytes]:
    """A draft learned from verdicts

    It is worked out in the background, like a backtest, and ends with a draft based on this published
    version; nothing is applied. Each row of frequencies is a Dirichlet prior that is worth `row_strength`
    judged cases, the base rates together `base_rate_strength`; backgrounds are the causes without a row,
    pooled at their base rates; no number under ten verdicts is touched; limits and thresholds are not
    learned. It is tried on circuits and times that were left out, and the draft's note says plainly where it
    is worse than its base there. The verdicts are those that the key may read: its client's, or all with
    `decisions:read:all`. Base rates follow whatever made people look into a failure. A repeated
    `Idempotency-Key` gives the first answer, whatever became of the proposal.
    """
    key = parsing.idempotency_key(request)
    found, again = await begin_proposal(request, await read_request(request, ProposalRequest), key)
    body = msgspec.json.encode(seen_proposal(found, request.auth, whole=True))
    return made_once(body, f"/v1/proposals/{found.id}", again=again)


async def begin_proposal(request: Call, asked: ProposalRequest, key: str | None) -> tuple[Proposal, bool]:
    """Starts a proposal on the version of this request's path, or finds the one that its idempotency key
    stands for: the proposal as it began, and whether it did the latter. Raises NotFound, WrongState,
    NothingToPropose, KeyReused, Busy.
    """
    service, version, actor = services(request), version_of(request), request_actor(request)
    fingerprint = hashlib.sha256(canonical_json([version, msgspec.to_builtins(asked)])).digest()
    client_id = None if reads_all(request.auth) else request.auth.client_id
    strength = PriorStrength(
        rows=asked.row_strength,
        base_rates=asked.base_rate_strength,
        fit_temperature=asked.fit_temperature,
    )
    async with service.transaction() as conn:
        before = await started_before(conn, "proposal", key, fingerprint, actor)
        if before is not None:
            return _begun(await proposals.find_proposal(conn, before)), True
        stored = await get_table(conn, version)
        if not stored.immutable:
            raise WrongState(
                f"Rule table {version} was never published: a proposal is based on one that was."
            )
        await see_decisions_of(conn, client_id)
        judged = await proposals.count_judged(conn, client_id, most=LEAST_VERDICTS)
    if judged < LEAST_VERDICTS:
        raise NothingToPropose(
            f"{judged} decisions have a verdict that names a cause; a number is touched from "
            f"{LEAST_VERDICTS} on."
        )
    new = NewProposal(
        id=compat.uuid7(),
        rule_table=version,
        client_id=client_id,
        strength=msgspec.json.encode(strength).decode(),
        most_drafts=service.most_open_drafts,
        idempotency_key=key,
        fingerprint=fingerprint,
    )
    async with service.transaction() as conn:
        id_, again = await proposals.start_proposal(conn, new, actor)
        found = await proposals.find_proposal(conn, id_)
    service.backtests.wake()
    return _begun(found), again


def _begun(found: Proposal) -> Proposal:
    return msgspec.structs.replace(found, **_AS_BEGUN)


@get(
    "/v1/rule-tables/{version:str}/proposals",
    **route(
        "listProposals",
        "Rule tables",
        {200: {JSON: proposal_schemas.ProposalList}},
        scopes=DRAFT_SCOPES,
        query=ProposalQuery,
        path={"version": VERSION},
        sends={200: (LINK,)},
        problems=("not_found",),
    ),
)
async def list_proposals(request: Call) -> Response[bytes]:
    """The proposals that are based on a version, the newest first"""
    query = parsing.parse_query(request, ProposalQuery)
    before = None if query.cursor is None else UUID(query.cursor)
    version = version_of(request)
    async with services(request).transaction() as conn:
        await get_table(conn, version)
        found = await proposals.proposals_on(
            conn, version, state=query.state, before=before, limit=query.limit + 1
        )
    following = str(found[query.limit - 1].id) if len(found) > query.limit else None
    listed = proposal_schemas.ProposalList(
        items=[seen_proposal(one, request.auth, whole=False) for one in found[: query.limit]], next=following
    )
    headers = next_page(f"/v1/rule-tables/{version}/proposals", query, following)
    return Response(msgspec.json.encode(listed), media_type=JSON, headers=headers)


@get(
    "/v1/proposals/{id:uuid}",
    **route(
        "showProposal",
        "Rule tables",
        {200: {JSON: ProposalReport}},
        scopes=DRAFT_SCOPES,
        problems=("not_found",),
    ),
)
async def show_proposal(request: Call) -> Response[bytes]:
    """A proposal: how far it is; in the end its draft, what it was learned from, and how it did

    `draft` is null in the end where every number has fewer than ten verdicts, or none would move.
    """
    async with services(request).transaction() as conn:
        found = await proposals.find_proposal(conn, request.path_params["id"])
    return Response(msgspec.json.encode(seen_proposal(found, request.auth, whole=True)), media_type=JSON)


@post(
    "/v1/proposals/{id:uuid}/cancel",
    **route(
        "cancelProposal",
        "Rule tables",
        {200: {JSON: ListedProposal}},
        scopes=("tables:draft",),
        problems=("not_found", "wrong_state", "outcome_unknown"),
    ),
)
async def cancel_proposal(request: Call) -> Response[bytes]:
    """A proposal ended before its time

    No draft comes of it. One that has ended stays as it is; its draft is withdrawn like any other.
    """
    async with services(request).transaction() as conn:
        await proposals.record_proposal_cancelled(conn, request.path_params["id"], request_actor(request))
        found = await proposals.find_proposal(conn, request.path_params["id"])
    return Response(msgspec.json.encode(seen_proposal(found, request.auth, whole=False)), media_type=JSON)


class EvidenceQuery(msgspec.Struct, frozen=True, kw_only=True):
    """Of which rows: of one finding or pattern, of one cause; `background` for those of no cause."""

    finding: Code | None = None
    cause: Code | None = None


@get(
    "/v1/rule-tables/{version:str}/evidence",
    **route(
        "showEvidence",
        "Rule tables",
        {200: {JSON: proposal_schemas.EvidenceReport}},
        scopes=(*TABLE_SCOPES, *DRAFT_SCOPES),
        query=EvidenceQuery,
        path={"version": VERSION},
        problems=("not_found", "bad_rule_table"),
    ),
)
async def show_evidence(request: Call) -> Response[bytes]:
    """How often verdicts saw each row of a version

    Of each row of which a case was judged: how many cases were, in how many of these it was looked at, and
    how often each outcome was seen ("judged 32, seen 5 of 14"), beside what the table says. What is
    discounted (spoilt, or only told or assumed where one must see it) or disputed does not count. The
    verdicts are those that the key may read: its client's, or all with `decisions:read:all`. They are
    counted beside the service; where that takes long the answer is `busy`, and the count is there a little
    later.
    """
    query = parsing.parse_query(request, EvidenceQuery)
    stored = await seen_table(request, version_of(request))
    if is_draft(stored):
        await asyncio.to_thread(governing.sound_table, stored)
    client_id = None if reads_all(request.auth) else request.auth.client_id
    found = await services(request).evidence.evidence(stored.version, stored.digest, client_id)

    def wanted(row: RowEvidence) -> bool:
        of = "background" if row.cause is None else row.cause
        return query.finding in (None, row.finding) and query.cause in (None, of)

    def told() -> bytes:
        report = proposal_schemas.EvidenceReport(
            rule_table=TableName(version=stored.version, digest=stored.digest),
            of_all_clients=client_id is None,
            judged=found.judged,
            left_out=found.left_out,
            rows=[row for row in found.rows if wanted(row)],
        )
        return msgspec.json.encode(report)

    return Response(await asyncio.to_thread(told), media_type=JSON)


@overload
def seen_proposal(found: Proposal, key: ApiKey, *, whole: Literal[True]) -> ProposalReport: ...


@overload
def seen_proposal(found: Proposal, key: ApiKey, *, whole: Literal[False]) -> ListedProposal: ...


def seen_proposal(found: Proposal, key: ApiKey, *, whole: bool) -> ListedProposal:
    """A proposal as this key may see it: of another client's not the person."""
    own = reads_all(key) or found.asker == key.client_id
    members: dict[str, Any] = {
        "id": found.id,
        "rule_table": TableName(version=found.rule_table, digest=found.digest),
        "state": found.state,
        "of_all_clients": found.client_id is None,
        "strength": msgspec.json.decode(found.strength, type=PriorStrength),
        "person": found.person if own else None,
        "created_at": found.created_at,
        "started_at": found.started_at,
        "ended_at": found.ended_at,
        "done": found.done,
        "total": found.total,
        "failed_because": found.failed_because,
        "draft": found.draft,
    }
    if not whole:
        return ListedProposal(**members)
    told = None if found.summary is None else msgspec.json.decode(found.summary, type=ProposalSummary)
    return ProposalReport(**members, summary=told)
