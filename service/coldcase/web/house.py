"""What handlers work with: one value, made by `app` when the service starts, and reached through `house(request)`."""

import asyncio
from dataclasses import dataclass
from typing import cast

from coldcase.auditing.proving import Trees
from coldcase.classifying import Desk
from coldcase.db.recorder import Recorder
from coldcase.db.transactions import Transaction
from coldcase.governing import Shelf
from coldcase.web.auth import KeyRing
from coldcase.web.face import Call
from coldcase.web.metrics import Metrics
from coldcase.web.shares import Shares
from coldcase.web.streams import Exports


@dataclass(frozen=True, slots=True)
class House:
    """The parts of a running service; `places` are those of requests in flight, by client.

    Exports have connections of their own, one for each that may run at a time, so that slow readers hold up nobody else;
    so have verifications, which take minutes.
    """

    shelf: Shelf
    desk: Desk
    recorder: Recorder
    keys: KeyRing
    transaction: Transaction
    audit_transaction: Transaction
    verifying: asyncio.Lock
    places: Shares
    exports: Exports
    trees: Trees
    metrics: Metrics
    metrics_open: bool


def house(request: Call) -> House:
    """The running service behind a request."""
    return cast("House", request.app.state.house)
