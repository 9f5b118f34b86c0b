"""What one client may hold: its requests never shut out anybody else's."""

import json
import select
import socket
from contextlib import ExitStack, closing, contextmanager

import httpx
import psycopg
import pytest

from coldcase.db import embedded
from coldcase.web.connections import ThrottledLog
from coldcase.web.problems import TooManyAtOnce
from coldcase.web.shares import Shares, client_share
from tests.conftest import drop
from tests.serving import Process, make_key, serving

CASE = {"unit": {"compressor_type": "scroll", "motor": "three_phase"}}
IN_FLIGHT = 16
OF_ONE = 4


@pytest.fixture(scope="module")
def process(postgres, make_database, _begun):
    """A service process of few places, a maker of keys for it, and a function that holds up whatever reads
    decisions."""
    database = make_database(_begun)

    @contextmanager
    def held_up():
        with psycopg.connect(postgres.url(embedded.SUPERUSER, database.name).replace("+psycopg", "")) as conn:
            conn.execute("LOCK TABLE decision IN ACCESS EXCLUSIVE MODE")
            yield

    with serving(database.service_url, most_in_flight=str(IN_FLIGHT)) as service:
        yield (
            service,
            lambda client: make_key(database.owner_url, "preview", "decisions:read", client=client),
            held_up,
        )
    drop(postgres, database)


def caller(service: Process, secret: str) -> httpx.Client:
    return httpx.Client(
        base_url=service.address, headers={"Authorization": f"Bearer {secret}"}, trust_env=False, timeout=20
    )


def asked(service: Process, secret: str) -> socket.socket:
    """A connection on which decisions have been asked for."""
    connection = socket.create_connection(("127.0.0.1", service.port), timeout=20)
    connection.sendall(
        f"GET /v1/decisions HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {secret}\r\n\r\n".encode()
    )
    return connection


def test_requests_of_one_client_shut_nobody_else_out(process):
    service, key, held_up = process
    greedy, other = key("Tern Haven"), key("Butter Store")
    with ExitStack() as stack:
        http = stack.enter_context(caller(service, other))
        assert http.post("/v1/classifications/preview", json=CASE).status_code == 200
        stack.enter_context(held_up())
        sent = [stack.enter_context(closing(asked(service, greedy))) for _ in range(IN_FLIGHT)]
        refused: list[socket.socket] = []
        while len(refused) < IN_FLIGHT - OF_ONE:
            answered, _, _ = select.select([one for one in sent if one not in refused], [], [], 20)
            assert answered, "some were neither kept nor refused"
            refused += answered
        assert [http.post("/v1/classifications/preview", json=CASE).status_code for _ in range(20)] == [
            200
        ] * 20
        head, _, body = refused[0].recv(65536).partition(b"\r\n\r\n")

    assert head.startswith(b"HTTP/1.1 429 ")
    assert b"retry-after: 1" in head.lower()
    problem = json.loads(body)
    assert problem["type"] == "/problems/too_many_at_once"
    assert "4 requests in flight" in problem["detail"]
    lines = [
        line for line in service.said().splitlines() if "one client has too many requests in flight" in line
    ]
    assert 1 <= len(lines) <= 3
    assert "client_id" in lines[0]
    with caller(service, greedy) as http:
        assert [http.get("/v1/decisions").status_code for _ in range(50)][-1] == 200, (
            "places were not given back"
        )


def test_a_refusal_that_is_no_matter_of_shares_gives_its_place_back(process):
    service, key, _ = process
    with caller(service, key("Fish Store")) as http:
        assert [http.get("/v1/audit-seals").status_code for _ in range(3 * OF_ONE)] == [403] * 3 * OF_ONE
        assert [http.get("/v1/vocabulary?no=1").status_code for _ in range(3 * OF_ONE)] == [400] * 3 * OF_ONE
        assert [
            http.post("/v1/classifications/preview", content=b"{").status_code for _ in range(3 * OF_ONE)
        ] == [415] * 3 * OF_ONE
        assert http.get("/v1/vocabulary").status_code == 200


@pytest.mark.parametrize(
    ("of", "part", "most"), [(512, 0.25, 128), (4, 0.25, 1), (2, 0.25, 1), (4, 1, 4), (1, 0.01, 1)]
)
def test_a_share_is_a_part_and_one_at_the_least(of, part, most):
    assert client_share(of, part) == most


@pytest.mark.anyio
async def test_each_client_has_a_share_of_its_own():
    shares = Shares(2, "requests in flight", ThrottledLog())
    shares.take(1)
    shares.take(1)
    with pytest.raises(TooManyAtOnce):
        shares.take(1)
    shares.take(2)
    shares.give_back(1)
    shares.take(1)
