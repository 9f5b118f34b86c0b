"""Links on record: a page shown to somebody without a key; made and revoked by functions of the
database's.
"""

from datetime import datetime
from typing import Any, Literal
from uuid import UUID

import msgspec
from sqlalchemy import select
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.events import Actor
from coldcase.db.table_changes import call_as
from coldcase.db.tables import api_key, link_secret, page_link

LinkKind = Literal["decision", "rule_table", "diff"]
MOST_LINKS_LISTED = 200


class StoredLink(msgspec.Struct, frozen=True, kw_only=True):
    """A link: to which page (`subject` is a decision's id or a version, `against` the version that it is
    compared with, `digest` the table's when the link was made), whose it is, when it ends.
    """

    id: UUID
    client_id: int
    kind: LinkKind
    subject: str
    against: int | None
    digest: str | None
    created_at: datetime
    expires_at: datetime
    revoked_at: datetime | None
    person: str | None
    key_revoked_at: datetime | None

    def is_good(self, now: datetime) -> bool:
        """Whether it opens its page now; it does not outlive the revocation of the key that made it."""
        return self.revoked_at is None and self.key_revoked_at is None and now < self.expires_at


class NewLink(msgspec.Struct, frozen=True, kw_only=True):
    """A link to be made; `needed` is the scope that it takes, `fingerprint` what a retry is compared by."""

    id: UUID
    kind: LinkKind
    subject: str
    against: int | None
    digest: str | None
    expires_at: datetime
    needed: str
    idempotency_key: str | None
    fingerprint: bytes


async def record_link(conn: AsyncConnection, new: NewLink, actor: Actor) -> tuple[UUID, bool]:
    """Makes a link, or finds the one that its key stands for; its id, and whether it did the latter. Raises
    KeyReused, ScopeMissing.
    """
    query = (
        "SELECT json_build_object('made', made, 'again', again) FROM make_link(CAST(:key AS uuid), :needed,"
        " CAST(:id AS uuid), :kind, :subject, :against, :digest, :expires_at, :idempotency_key, :fingerprint)"
    )
    made = await call_as(conn, query, msgspec.structs.asdict(new), actor)
    return UUID(made["made"]), made["again"]


async def record_end(
    conn: AsyncConnection, id_: UUID, *, subject: str, needed: str, every: bool, actor: Actor
) -> None:
    """Revokes a link to this subject, of the key's own client or (`every`) of any. Raises NotFound."""
    query = "SELECT revoke_link(CAST(:key AS uuid), :needed, CAST(:id AS uuid), :subject, :every)"
    values = {"id": id_, "subject": subject, "needed": needed, "every": every}
    await call_as(conn, query, values, actor)


async def find_link(conn: AsyncConnection, id_: UUID) -> StoredLink | None:
    """The link with this id, if it may be seen."""
    row = (await conn.execute(_selected().where(page_link.c.id == id_))).mappings().one_or_none()
    return None if row is None else StoredLink(**row)


async def links_to(conn: AsyncConnection, subject: str) -> list[StoredLink]:
    """The newest links to a subject that may be seen, the newest first."""
    query = _selected().where(page_link.c.subject == subject).order_by(page_link.c.id.desc())
    return [StoredLink(**row) for row in (await conn.execute(query.limit(MOST_LINKS_LISTED))).mappings()]


async def signing_secret(conn: AsyncConnection) -> bytes:
    """What addresses are signed with on this record."""
    return bytes((await conn.execute(select(link_secret.c.secret))).scalar_one())


def _selected() -> Any:
    of_key = {"person": api_key.c.person, "key_revoked_at": api_key.c.revoked_at}
    columns = [
        of_key[name].label(name) if name in of_key else page_link.c[name]
        for name in StoredLink.__struct_fields__
    ]
    return select(*columns).join_from(page_link, api_key, api_key.c.id == page_link.c.by_key)
