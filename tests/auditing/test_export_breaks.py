"""Exports that end before their end, over a real socket: whoever reads can tell, and what they held is free
again."""

import time
from contextlib import ExitStack, closing

import httpx
import psycopg
import pytest

from coldcase.app import EXPORTS_AT_ONCE
from tests.conftest import superuser
from tests.contract.conftest import http, live
from tests.serving import make_key

__all__ = ["http", "live"]

FORMATS = ("ndjson", "csv", "parquet")
# Larger than the sockets' buffers, and of no use to a packer, so that the service is in the middle of it when
# it breaks.
MULTIPLY = """
INSERT INTO decision (id, client_id, recorded_at, fingerprint, case_text, answer_text, cause, status,
    confidence, compressor_type, rule_table,
                      engine)
SELECT (left(id::text, 24) || lpad(to_hex(n), 12, '0'))::uuid, client_id, recorded_at, fingerprint, case_text,
       (SELECT '{"pad":"' || string_agg(md5((n + 4000 * i)::text), '') || '"}'
           FROM generate_series(1, 250) AS i),
       cause, status, confidence, compressor_type, rule_table, engine
FROM decision, generate_series(1, 4000) AS n
"""


@pytest.fixture(scope="module")
def large(live, http):
    """Thousands of decisions to export."""
    assert (
        http.post(
            "/v1/classifications", json={"unit": {"compressor_type": "scroll", "motor": "unknown"}}
        ).status_code
        == 201
    )
    with psycopg.connect(live.owner_url.replace("+psycopg", "")) as conn:
        conn.execute(MULTIPLY)


def opened(http, format_):
    """An export of which nothing is read yet."""
    return http.send(
        http.build_request("GET", f"/v1/decisions/export?full=true&format={format_}"), stream=True
    )


@pytest.fixture
def break_off(postgres):
    """A function that ends the database's side of every export."""

    def end() -> None:
        with psycopg.connect(superuser(postgres), autocommit=True) as conn:
            ended = conn.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = 'coldcase_service'"
                " AND (query LIKE 'FETCH%export%' OR query LIKE 'COPY (%')"
            ).fetchall()
        assert ended == [(True,)]

    return end


@pytest.mark.parametrize("format_", FORMATS)
def test_an_export_that_breaks_off_cannot_be_taken_for_a_whole_one(large, http, break_off, format_):
    with closing(opened(http, format_)) as answered:
        assert answered.status_code == 200
        pieces = answered.iter_raw()
        next(pieces)
        break_off()
        with pytest.raises(httpx.RemoteProtocolError):
            list(pieces)


@pytest.mark.parametrize("format_", FORMATS)
def test_readers_who_leave_early_leave_nothing_behind(large, http, format_):
    for _ in range(EXPORTS_AT_ONCE + 1):
        with closing(in_turn(http, format_)) as answered:
            next(answered.iter_raw())
    with closing(in_turn(http, format_)) as answered:
        assert sum(map(len, answered.iter_raw())) > 4_000_000


def in_turn(http, format_):
    """An export, once the service has noticed that earlier readers are gone."""
    while (answered := opened(http, format_)).status_code in (429, 503):
        answered.close()
        time.sleep(0.02)
    assert answered.status_code == 200
    return answered


def caller(live, client, *scopes):
    secret = make_key(live.owner_url, *(scopes or ("decisions:read",)), client=client)
    return httpx.Client(
        base_url=live.address, headers={"Authorization": f"Bearer {secret}"}, trust_env=False, timeout=20
    )


def refusal(answered):
    return answered.status_code, answered.headers["Retry-After"], answered.json()["type"]


def test_a_slow_reader_holds_up_exports_of_its_own_client_only(large, live, http):
    with closing(in_turn(http, "ndjson")), caller(live, "Butter Store") as other:
        refused = http.get("/v1/decisions/export?format=csv")
        assert refusal(refused) == (429, "1", "/problems/too_many_at_once")
        assert "1 exports running" in refused.json()["detail"]
        assert other.get("/v1/decisions/export?format=csv").status_code == 200
        assert http.get("/v1/decisions?limit=1").status_code == 200


def test_slow_readers_of_many_clients_hold_up_other_exports_only(large, live, http):
    with ExitStack() as stack:
        for number in range(EXPORTS_AT_ONCE):
            reader = stack.enter_context(caller(live, f"Dairy {number}", "decisions:read:all"))
            stack.enter_context(closing(in_turn(reader, "ndjson")))
        assert refusal(http.get("/v1/decisions/export?format=csv")) == (503, "1", "/problems/overloaded")
        assert http.get("/v1/decisions?limit=1").status_code == 200


@pytest.mark.parametrize("format_", FORMATS)
def test_a_head_of_an_export_runs_no_export(large, http, format_):
    path = f"/v1/decisions/export?full=true&format={format_}"
    with closing(in_turn(http, format_)) as answered:
        assert http.get(path).status_code == 429
        head = http.head(path)
        assert (head.status_code, head.headers["Content-Type"]) == (200, answered.headers["Content-Type"])
        assert "Content-Length" not in head.headers
    assert http.head("/v1/decisions/export?format=xlsx").status_code == 400
