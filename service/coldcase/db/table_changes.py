"""What is done to rule tables: functions of the database's, which check who may and tell by sealed events.

The service's role can write neither tables nor drafts nor events by itself. Each function takes a connection
inside a transaction; `actor` without a key is the owner at a command line.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import exc, text
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.events import Actor, act_as
from coldcase.errors import (
    AlreadyOnRecord,
    Busy,
    ColdcaseError,
    DigestStale,
    KeyReused,
    NotApproved,
    NotBacktested,
    NotCurrent,
    NotFound,
    OwnDraft,
    PersonNeeded,
    PreconditionFailed,
    ScopeMissing,
    StillCurrent,
    TooManyDrafts,
    WrongState,
)

REFUSALS: dict[str, type[ColdcaseError]] = {
    "CC403": ScopeMissing,
    "CC404": NotFound,
    "CC412": PreconditionFailed,
    "CCAPP": NotApproved,
    "CCBSY": Busy,
    "CCBTE": NotBacktested,
    "CCCUR": NotCurrent,
    "CCDIG": DigestStale,
    "CCKEY": KeyReused,
    "CCMAX": TooManyDrafts,
    "CCOWN": OwnDraft,
    "CCPER": PersonNeeded,
    "CCREC": AlreadyOnRecord,
    "CCSTA": WrongState,
    "CCUSE": StillCurrent,
}
"""The database's own words for what it refuses, by SQLSTATE; its message is the detail."""


async def add_draft(
    conn: AsyncConnection, *, based_on: int, note: str | None, document: bytes | None, actor: Actor
) -> int:
    """A draft with a canonical document, or with that of its base; its number. Raises NotFound."""
    values = {"base": based_on, "note": note, "document": None if document is None else document.decode()}
    query = "SELECT draft_table(CAST(:key AS uuid), :person, :base, :note, :document)"
    return int(await call_as(conn, query, values, actor))


async def add_draft_once(
    conn: AsyncConnection,
    *,
    based_on: int,
    note: str | None,
    document: bytes | None,
    idempotency_key: str | None,
    fingerprint: bytes,
    most: int,
    actor: Actor,
) -> tuple[int, bool]:
    """As `add_draft`, once for one key of a client, which may have `most` open drafts; the number, and
    whether it was made before. Raises NotFound, TooManyDrafts, KeyReused.
    """
    values = {
        "base": based_on,
        "note": note,
        "document": None if document is None else document.decode(),
        "idempotency_key": idempotency_key,
        "fingerprint": fingerprint,
        "most": most,
    }
    query = (
        "SELECT json_build_object('made', made, 'again', again) FROM draft_table_once(CAST(:key AS uuid),"
        " :person, :base, :note, :document, :idempotency_key, :fingerprint, :most)"
    )
    made = await call_as(conn, query, values, actor)
    return made["made"], made["again"]


async def replace_content(
    conn: AsyncConnection, version: int, *, seen: str, document: bytes, actor: Actor
) -> str:
    """Puts another canonical document in the place of the one with the digest `seen`; its digest. An approval
    is void then.

    Raises NotFound, WrongState for what is no draft, PreconditionFailed where it was changed meanwhile.
    """
    values = {"version": version, "seen": seen, "document": document.decode()}
    return str(
        await call_as(
            conn, "SELECT edit_draft(CAST(:key AS uuid), :person, :version, :seen, :document)", values, actor
        )
    )


async def approve_version(
    conn: AsyncConnection, version: int, *, digest: str, reason: str, actor: Actor
) -> None:
    """Approves a draft, or a withdrawn table, as it is.

    Raises NotFound, PersonNeeded, WrongState, DigestStale, OwnDraft, AlreadyOnRecord, NotBacktested.
    """
    values = {"version": version, "digest": digest, "reason": reason}
    await call_as(
        conn, "SELECT approve_table(CAST(:key AS uuid), :person, :version, :digest, :reason)", values, actor
    )


async def publish_version(
    conn: AsyncConnection, version: int, *, digest: str, reason: str, instead_of: int, actor: Actor
) -> None:
    """Makes an approved table, or one that was published before, the current one in place of `instead_of`.

    Raises NotFound, DigestStale, NotCurrent, NotApproved, AlreadyOnRecord.
    """
    values = {"version": version, "digest": digest, "reason": reason, "instead_of": instead_of}
    query = "SELECT publish_table(CAST(:key AS uuid), :person, :version, :digest, :reason, :instead_of)"
    await call_as(conn, query, values, actor)


async def withdraw_version(conn: AsyncConnection, version: int, *, reason: str, actor: Actor) -> None:
    """Takes a table or draft out of use. Raises NotFound, StillCurrent, WrongState."""
    values = {"version": version, "reason": reason}
    await call_as(
        conn, "SELECT withdraw_table(CAST(:key AS uuid), :person, :version, :reason)", values, actor
    )


async def call_as(conn: AsyncConnection, query: str, values: dict[str, Any], actor: Actor) -> Any:
    """Calls a function of the database's as `actor`; what it refuses is raised as the error that it means."""
    await act_as(conn, actor)
    with _as_told():
        return await conn.scalar(text(query), {"key": actor.key, "person": actor.person, **values})


@contextmanager
def _as_told() -> Iterator[None]:
    try:
        yield
    except exc.DBAPIError as error:
        refusal = REFUSALS.get(getattr(error.orig, "sqlstate", None) or "")
        if refusal is None:
            raise
        raise refusal(error.orig.diag.message_primary) from error  # type: ignore[union-attr]
