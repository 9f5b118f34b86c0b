"""Sessions of people who have shown their key to the login page: rows with the SHA-256 of the cookie's token,
no part of the record.
"""

from datetime import datetime
from typing import cast
from uuid import UUID

from sqlalchemy import delete, insert, select
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.tables import api_key, web_session


async def begin_session(
    conn: AsyncConnection, token_sha256: bytes, *, key_id: UUID, now: datetime, expires_at: datetime
) -> None:
    """A new session; those that have ended by themselves are swept."""
    await conn.execute(delete(web_session).where(web_session.c.expires_at <= now))
    await conn.execute(
        insert(web_session).values(
            token_sha256=token_sha256, key_id=key_id, created_at=now, expires_at=expires_at
        )
    )


async def session_key(conn: AsyncConnection, token_sha256: bytes, now: datetime) -> bytes | None:
    """The digest of the secret of the key that a session stands for; None for one that is not known or has
    ended. Whether the key still opens anything is for `ApiKeyCache` to say.
    """
    query = (
        select(api_key.c.secret_sha256)
        .join(web_session, web_session.c.key_id == api_key.c.id)
        .where(web_session.c.token_sha256 == token_sha256, web_session.c.expires_at > now)
    )
    return cast("bytes | None", await conn.scalar(query))


async def end_session(conn: AsyncConnection, token_sha256: bytes) -> None:
    """Ends a session; one that has ended already is no error."""
    await conn.execute(delete(web_session).where(web_session.c.token_sha256 == token_sha256))
