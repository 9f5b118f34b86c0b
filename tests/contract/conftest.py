"""The running service behind a real socket, on a database of the run's own."""

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any

import httpx
import msgspec
import psycopg
import pytest
from uuid_utils import compat

from coldcase.clock import now
from coldcase.db import keys
from coldcase.db.engine import run_once
from coldcase.settings import Settings
from tests.contract.peers import QUICK, Peer
from tests.serving import in_thread

EVERY_SCOPE = (
    *("decisions:write", "decisions:read", "verdicts:write", "audit:read", "preview"),
    *("tables:read", "tables:draft", "tables:approve"),
)


@dataclass(frozen=True)
class Live:
    """Where the service listens, a key for it, and the database behind it, as its owner and as the
    service."""

    address: str
    secret: str
    owner_url: str
    service_url: str

    @property
    def authorization(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.secret}"}

    def decisions(self) -> int:
        """How many decisions are on record."""
        with psycopg.connect(self.owner_url.replace("+psycopg", "")) as conn:
            conn.execute("SELECT set_config('coldcase.reads_all', 'on', true)")
            (count,) = conn.execute("SELECT count(*) FROM decision").fetchone()
            return count


@pytest.fixture(scope="session")
def live(make_database, _begun) -> Iterator[Live]:
    database = make_database(_begun)
    secret = keys.new_secret()
    values: dict[str, Any] = {
        "client_name": "Tern Haven",
        "person": None,
        "scopes": EVERY_SCOPE,
        "secret_sha256": keys.secret_digest(secret),
        "now": now(),
    }
    run_once(database.owner_url, lambda conn: keys.create_key(conn, id_=compat.uuid7(), **values))
    with in_thread(Settings(database_url=database.service_url, warm_properties=False)) as (_, host, port):
        yield Live(f"http://{host}:{port}", secret, database.owner_url, database.service_url)


@pytest.fixture(scope="session")
def http(live) -> Iterator[httpx.Client]:
    with httpx.Client(
        base_url=live.address, headers=live.authorization, trust_env=False, timeout=20
    ) as client:
        yield client


@pytest.fixture(scope="module")
def peers(live) -> Iterator[Any]:
    """Makes services with limits and settings of their own."""
    with ExitStack() as stack:

        def make(limits: dict[str, Any] | None = None, routes: tuple[Any, ...] = (), **settings: Any) -> Peer:
            chosen = Settings(
                database_url=live.service_url, warm_properties=False, **{"drain_seconds": 2, **settings}
            )
            quick = msgspec.structs.replace(QUICK, **(limits or {}))
            server, host, port = stack.enter_context(in_thread(chosen, limits=quick, extra_routes=routes))
            peer = Peer(host, port, live.authorization["Authorization"].encode(), server)
            stack.callback(lambda: [connection.close() for connection in peer.open])
            return peer

        yield make


@pytest.fixture(scope="module")
def peer(peers) -> Peer:
    return peers()
