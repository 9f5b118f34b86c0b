"""What a caller's connection sees: HEAD, senders that leave, the one spelling of a path, times that no record
can hold."""

import http.client
import json
import socket
from urllib.parse import urlsplit

import pytest

CASE = {"unit": {"compressor_type": "scroll", "motor": "three_phase"}}


def address(live) -> tuple[str, int]:
    parts = urlsplit(live.address)
    return parts.hostname, parts.port


@pytest.mark.parametrize("path", ["/health/live", "/openapi.json", "/v1/vocabulary"])
def test_a_connection_goes_on_after_a_head(live, path):
    connection = http.client.HTTPConnection(*address(live), timeout=10)
    for method in ("HEAD", "GET", "HEAD", "GET"):
        connection.request(method, path, headers=live.authorization)
        answer = connection.getresponse()
        body = answer.read()
        assert (answer.status, bool(body)) == (200, method == "GET")
    connection.close()


def begun(live, sent: bytes) -> socket.socket:
    head = (
        "POST /v1/classifications HTTP/1.1\r\nHost: x\r\nAuthorization: "
        f"{live.authorization['Authorization']}\r\n"
    )
    connection = socket.create_connection(address(live), timeout=10)
    connection.sendall(
        head.encode() + b"Content-Type: application/json\r\nContent-Length: 100\r\n\r\n" + sent
    )
    return connection


def test_a_sender_that_leaves_within_its_body_is_no_fault_of_the_service(live, http):
    for _ in range(20):
        begun(live, b"{").close()

    assert 'route="/v1/classifications",status="500"' not in http.get("/metrics").text


@pytest.mark.parametrize(
    "path",
    [
        "//metrics",
        "/metrics/",
        "/metrics%2f",
        "/%6detrics",
        "/./metrics",
        "/v1/../metrics",
        "/v1/%2e%2e/metrics",
        "/v1//vocabulary",
        "/docs/",
    ],
)
def test_a_path_has_one_spelling(live, path):
    connection = http.client.HTTPConnection(*address(live), timeout=10)
    connection.request("GET", path, headers=live.authorization)
    answer = connection.getresponse()

    assert (answer.status, json.loads(answer.read())["type"]) == (404, "/problems/not_found")
    connection.close()


@pytest.mark.parametrize(
    "time_", ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59.999999Z", "0001-01-01T00:00:00+10:00"]
)
def test_a_stand_in_for_no_time_is_refused_by_name_and_lists_go_on(http, time_):
    case = {**CASE, "job": {"ref": "TH-77", "closed_at": time_}}
    refused = http.post("/v1/classifications", json=case)
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/job/closed_at")
    lenient = http.post("/v1/classifications", json=case, headers={"Prefer": "handling=lenient"})
    assert lenient.status_code == 201
    assert json.dumps(time_) in lenient.json()["notes"][0]
    assert http.get("/v1/decisions").status_code == 200
