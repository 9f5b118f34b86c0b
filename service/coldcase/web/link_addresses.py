"""Addresses of links: signed, and read back."""

import base64
import binascii
import hmac
from datetime import datetime, timedelta
from uuid import UUID

from coldcase.clock import now
from coldcase.db import links
from coldcase.db.transactions import Transaction
from coldcase.errors import Flaw, Flawed

SIGNATURE_BYTES = 16


class BadLink(Flawed):
    """The link cannot be made as it is; `errors` lists every flaw found."""

    code = "bad_link"


class LinkDesk:
    """What addresses of links are signed with, read from the record once, and how long links last."""

    def __init__(self, transaction: Transaction, *, days: int, most_days: int) -> None:
        self._transaction = transaction
        self.days, self.most_days = days, most_days
        self._secret: bytes | None = None

    async def path(self, id_: UUID) -> str:
        """The address of a link: its id and a signature of it."""
        return f"/shared/{_spelled(id_.bytes + await self._signature(id_))}"

    async def read(self, address: str) -> UUID | None:
        """The link of an address, None for one that nobody here has signed."""
        try:
            sent = base64.urlsafe_b64decode(address + "=")
        except (binascii.Error, ValueError):
            return None
        if len(sent) != 16 + SIGNATURE_BYTES or _spelled(sent) != address:
            return None
        id_ = UUID(bytes=sent[:16])
        return id_ if hmac.compare_digest(sent[16:], await self._signature(id_)) else None

    async def _signature(self, id_: UUID) -> bytes:
        if self._secret is None:
            async with self._transaction() as conn:
                self._secret = await links.signing_secret(conn)
        return hmac.digest(self._secret, b"link " + id_.bytes, "sha256")[:SIGNATURE_BYTES]

    def end(self, wanted: datetime | None) -> datetime:
        """When a link ends. Raises BadLink for a time that has passed or lies too far away."""
        moment = now()
        ends = moment + timedelta(days=self.days) if wanted is None else wanted
        if ends <= moment:
            raise BadLink((Flaw("/expires_at", "lies not in the future"),))
        if ends > moment + timedelta(days=self.most_days):
            raise BadLink((Flaw("/expires_at", f"lies more than {self.most_days} days ahead"),))
        return ends


def _spelled(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")
