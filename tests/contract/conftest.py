"""The running service behind a real socket, on a database of the run's own."""

import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass

import httpx
import psycopg
import pytest
from uuid_utils import compat

from coldcase.classifying import now
from coldcase.cli.serving import listen, make_server
from coldcase.db import keys
from coldcase.db.engine import run_once
from coldcase.settings import Settings

EVERY_SCOPE = ("decisions:write", "decisions:read", "verdicts:write", "audit:read", "tables:read", "preview")


@dataclass(frozen=True)
class Live:
    """Where the service listens, a key for it, and the database behind it."""

    address: str
    secret: str
    owner_url: str

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
def live(make_database, _migrated) -> Iterator[Live]:
    database = make_database(_migrated)
    secret = keys.new_secret()
    values = {"client_name": "Tern Haven", "person": None, "scopes": EVERY_SCOPE, "secret_sha256": keys.digest(secret), "now": now()}
    run_once(database.owner_url, lambda conn: keys.create(conn, id_=compat.uuid7(), **values))
    with listen(Settings(port=0)) as listener:
        server = make_server(Settings(database_url=database.service_url, warm_properties=False))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        while not server.started and thread.is_alive():
            time.sleep(0.01)
        yield Live(f"http://127.0.0.1:{listener.getsockname()[1]}", secret, database.owner_url)
        server.should_exit = True
        thread.join()


@pytest.fixture(scope="session")
def http(live) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=live.address, headers=live.authorization, trust_env=False, timeout=20) as client:
        yield client
