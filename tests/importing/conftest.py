"""What the tests of imports share: the service on a real socket, and callers who post lines."""

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest

from coldcase.settings import Settings
from tests.serving import in_thread, make_key
from tests.stored_answers import answer_of

LINES = "application/x-ndjson"
SCOPES = ("decisions:write", "decisions:read", "verdicts:write", "audit:read", "preview")
BULK = "/v1/classifications/bulk"
DEVELOPMENT_CASES = [
    json.loads(line)["case"]
    for line in (Path(__file__).parents[1] / "data" / "dev_cases.jsonl").read_text().splitlines()
]


def case(ref: str | None = None, **observations: Any) -> dict[str, Any]:
    """A case; each `ref` makes another content."""
    return {
        "unit": {"compressor_type": "scroll", "motor": "three_phase"},
        "job": {} if ref is None else {"ref": ref},
        "observations": observations or {"copper_plating": "heavy"},
    }


def spelled(lines: list[Any]) -> bytes:
    """Lines as they are sent; what is bytes or text already stands as it is."""
    return b"".join(
        (line if isinstance(line, bytes) else (line if isinstance(line, str) else json.dumps(line)).encode())
        + b"\n"
        for line in lines
    )


@dataclass
class Importer:
    """A client that posts history."""

    http: httpx.Client
    client: str

    def send(self, body: Any, *, key: str | None = None, **headers: str) -> httpx.Response:
        named = {"Content-Type": LINES, **({} if key is None else {"Idempotency-Key": key})}
        query = {"answer": headers.pop("answer")} if "answer" in headers else {}
        named |= {name.replace("_", "-"): value for name, value in headers.items()}
        return self.http.post(BULK, content=body, headers=named, params=query)

    def post(self, lines: list[Any], **named: Any) -> tuple[list[dict[str, Any]], dict[str, Any]]:
        """The answers to lines, and the summary."""
        told = self.send(spelled(lines), **named)
        assert told.status_code == 200, told.text
        *answers, last = [json.loads(line) for line in told.text.splitlines()]
        return answers, last["summary"]


@dataclass
class Bulk:
    """A running service, and ways in."""

    base: str
    owner_url: str
    service_url: str
    opened: list[httpx.Client] = field(default_factory=list)

    def importer(self, client: str, *scopes: str, person: str | None = None) -> Importer:
        secret = make_key(self.owner_url, *(scopes or SCOPES), client=client, person=person)
        headers = {"Authorization": f"Bearer {secret}"}
        self.opened.append(httpx.Client(base_url=self.base, headers=headers, timeout=120))
        return Importer(self.opened[-1], client)

    def rows(self, query: str, *values: Any) -> list[tuple[Any, ...]]:
        """What the record holds, as its owner sees it."""
        with psycopg.connect(self.owner_url.replace("+psycopg", "")) as conn:
            conn.execute("SELECT set_config('coldcase.reads_all', 'on', false)")
            return conn.execute(query, values).fetchall()

    def answer(self, id_: str) -> str:
        """The answer of a decision as the record holds it."""
        with psycopg.connect(self.owner_url.replace("+psycopg", "")) as conn:
            conn.execute("SELECT set_config('coldcase.reads_all', 'on', false)")
            return answer_of(conn, id_)


@pytest.fixture(scope="module")
def bulk(make_database, _begun):
    database = make_database(_begun)
    settings = Settings(
        database_url=database.service_url,
        warm_properties=False,
        bulk_body_bytes=4 * 1024 * 1024,
        client_share=1,
    )
    with in_thread(settings) as (_, host, port):
        running = Bulk(f"http://{host}:{port}", database.owner_url, database.service_url)
        yield running
        for client in running.opened:
            client.close()


@pytest.fixture
def mine(bulk, request):
    """A client of the test's own."""
    return bulk.importer(request.node.name)
