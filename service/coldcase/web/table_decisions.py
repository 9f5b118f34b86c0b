"""What people decide about a rule table: approved by another person, published, withdrawn."""

import asyncio
from contextlib import suppress
from typing import Annotated, Any

import msgspec
from litestar import Response, post
from msgspec import Meta

from coldcase import dictionaries, governing
from coldcase.core.case import Text
from coldcase.db import rule_tables, table_changes
from coldcase.db.rule_tables import StoredTable
from coldcase.errors import ColdcaseError, DigestStale, PersonNeeded
from coldcase.web import schemas
from coldcase.web.route import ETAG, JSON, Call, route
from coldcase.web.rule_tables import VERSION, version_of
from coldcase.web.services import services
from coldcase.web.table_changes import Version, read_request, told
from coldcase.web.verdicts import request_actor

Digest = Annotated[str, Meta(pattern="^sha256:[0-9a-f]{64}$")]

DECIDED: dict[int, dict[str, Any]] = {200: {JSON: schemas.TableSummary}}


class Approval(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is approved, by its digest, and why."""

    digest: Digest
    reason: Text


class Publication(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is published, by its digest, why, and the version that it is known to take the place of."""

    digest: Digest
    reason: Text
    instead_of: Version | None = None


class Withdrawal(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Why a version is withdrawn."""

    reason: Text


@post(
    "/v1/rule-tables/{version:str}/approve",
    **route(
        "approveRuleTable",
        "Rule tables",
        DECIDED,
        scopes=("tables:approve",),
        body=Approval,
        path={"version": VERSION},
        sends={200: (ETAG,)},
        problems=(
            "not_found",
            "bad_table_request",
            "person_needed",
            "own_draft",
            "digest_stale",
            "bad_rule_table",
            "wrong_state",
            "already_on_record",
            "not_backtested",
            "outcome_unknown",
        ),
    ),
)
async def approve_rule_table(request: Call) -> Response[bytes]:
    """A draft approved as it is

    By a person, another one than everybody who made or edited it, only without flaws, and only after a
    finished backtest of this very digest on recorded decisions; on a library of cases alone only while
    nothing is recorded. The approval is of the digest: whoever edits the draft afterwards makes it void.
    """
    service, version = services(request), version_of(request)
    sent = await read_request(request, Approval)
    if request.auth.person is None:
        raise PersonNeeded
    async with service.transaction() as conn:
        stored = await rule_tables.get_table(conn, version)
    if stored.digest != sent.digest:
        raise DigestStale(f"Rule table {version} has the digest {stored.digest} now.")
    await asyncio.to_thread(_require_sound, stored)
    async with service.transaction() as conn:
        await table_changes.approve_version(
            conn, version, digest=sent.digest, reason=sent.reason, actor=request_actor(request)
        )
        return told(request, await rule_tables.get_table(conn, version))


def _require_sound(stored: StoredTable) -> None:
    """Raises BadRuleTable. Compiled too, as every replica will have to do once it is published."""
    governing.sound_table(stored)
    governing.compile_stored(stored)


@post(
    "/v1/rule-tables/{version:str}/publish",
    **route(
        "publishRuleTable",
        "Rule tables",
        DECIDED,
        scopes=("tables:approve",),
        body=Publication,
        path={"version": VERSION},
        sends={200: (ETAG,)},
        problems=(
            "not_found",
            "bad_table_request",
            "digest_stale",
            "not_approved",
            "not_current",
            "already_on_record",
            "outcome_unknown",
        ),
    ),
)
async def publish_rule_table(request: Call) -> Response[bytes]:
    """A version made the current one

    An approved draft, or a version that was published before, which is the way back and needs no new
    approval. Every replica answers by it within two seconds. Of two who publish at once one gets `409`; with
    `instead_of` it does whenever another version than that is the current one.
    """
    service, version = services(request), version_of(request)
    sent = await read_request(request, Publication)
    async with service.transaction() as conn:
        current = await rule_tables.current_version(conn)
    async with service.transaction() as conn:
        await table_changes.publish_version(
            conn,
            version,
            digest=sent.digest,
            reason=sent.reason,
            instead_of=current if sent.instead_of is None else sent.instead_of,
            actor=request_actor(request),
        )
        stored = await rule_tables.get_table(conn, version)
    # Published it is, whatever comes; where it cannot be taken over now, the listener does it in a moment.
    with suppress(ColdcaseError):
        await service.rule_tables.refresh()
        await dictionaries.train_and_keep(service.transaction, await service.rule_tables.compiled(version))
    return told(request, stored)


@post(
    "/v1/rule-tables/{version:str}/withdraw",
    **route(
        "withdrawRuleTable",
        "Rule tables",
        DECIDED,
        scopes=("tables:approve",),
        body=Withdrawal,
        path={"version": VERSION},
        sends={200: (ETAG,)},
        problems=("not_found", "bad_table_request", "still_current", "wrong_state", "outcome_unknown"),
    ),
)
async def withdraw_rule_table(request: Call) -> Response[bytes]:
    """A version or draft taken out of use

    It stays on record and decisions by it are replayed as before; to be published again it needs an approval.
    The current one cannot be withdrawn.
    """
    service, version = services(request), version_of(request)
    sent = await read_request(request, Withdrawal)
    async with service.transaction() as conn:
        await table_changes.withdraw_version(conn, version, reason=sent.reason, actor=request_actor(request))
        return told(request, await rule_tables.get_table(conn, version))
