"""Whose address is on record behind a reverse proxy, and the example configuration of one."""

import json
import os
import shutil
import socket
import ssl
import subprocess
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest

from coldcase.cli.console import WrongUse
from coldcase.cli.server import most_connections
from coldcase.settings import BadSettings, Settings, settings_from
from tests.serving import in_thread

CASE = {"unit": {"compressor_type": "scroll", "motor": "three_phase"}}
DEPLOY = Path(__file__).parents[2] / "deploy"


def remote_on_record(live, address: str, forwarded: list[str]) -> str | None:
    """The address that an audit event has for a verdict with these `X-Forwarded-For` headers."""
    with httpx.Client(base_url=address, headers=live.authorization, trust_env=False, timeout=20) as http:
        decision = http.post("/v1/classifications", json=CASE).json()["id"]
        headers = [("X-Forwarded-For", value) for value in forwarded]
        given = http.post(
            f"/v1/decisions/{decision}/verdicts",
            json={"cause": "moisture", "basis": "teardown"},
            headers=headers,
        )
        assert given.status_code == 201
        return http.get("/v1/audit-events", params={"action": "verdict.recorded", "limit": 1}).json()[
            "items"
        ][0]["remote"]


@pytest.fixture(scope="module")
def behind(live):
    """Where a service listens that trusts these proxies."""
    addresses: dict[str | None, str] = {}
    with ExitStack() as stack, pytest.MonkeyPatch.context() as patch:
        # Only settings of ours decide: Uvicorn reads these by itself.
        patch.setenv("FORWARDED_ALLOW_IPS", "*")
        patch.setenv("WEB_CONCURRENCY", "4")

        def start(trusted: str | None) -> str:
            if trusted not in addresses:
                settings = Settings(
                    database_url=live.service_url, warm_properties=False, trusted_proxies=trusted
                )
                server, host, port = stack.enter_context(in_thread(settings))
                assert server.config.workers == 1
                addresses[trusted] = f"http://{host}:{port}"
            return addresses[trusted]

        yield start


@pytest.mark.parametrize(
    ("trusted", "forwarded", "remote"),
    [
        (None, ["203.0.113.9"], "127.0.0.1"),
        ("127.0.0.1", [], "127.0.0.1"),
        ("127.0.0.1", ["203.0.113.9"], "203.0.113.9"),
        ("127.0.0.1", ["198.51.100.1, 203.0.113.9"], "203.0.113.9"),
        ("127.0.0.0/8, 10.0.0.0/8", ["198.51.100.1", "203.0.113.9, 10.0.0.7"], "203.0.113.9"),
        ("127.0.0.1", ["203.0.113.9:4711"], "203.0.113.9"),
        ("127.0.0.1", ["2001:db8::7"], "2001:db8::7"),
        ("127.0.0.1", ["<b>nobody</b>"], None),
        ("10.0.0.1", ["203.0.113.9"], "127.0.0.1"),
    ],
)
def test_the_address_on_record_is_that_of_the_last_who_is_not_trusted(
    live, behind, trusted, forwarded, remote
):
    assert remote_on_record(live, behind(trusted), forwarded) == remote


@pytest.mark.parametrize("trusted", ["*", "proxy.example", "10.0.0.1/8", "10.0.0.0/33"])
def test_a_list_of_proxies_that_is_none_is_refused_at_the_start(trusted):
    with pytest.raises(BadSettings, match="COLDCASE_TRUSTED_PROXIES"):
        settings_from({"COLDCASE_TRUSTED_PROXIES": trusted})


def test_no_more_connections_are_promised_than_files_may_be_open(monkeypatch):
    monkeypatch.setattr("resource.getrlimit", lambda _: (256, 256))

    assert 100 <= most_connections(Settings()) < 256
    assert most_connections(Settings(most_connections=50)) == 50
    with pytest.raises(WrongUse, match="COLDCASE_MOST_CONNECTIONS"):
        most_connections(Settings(most_connections=250))
    monkeypatch.setattr("resource.getrlimit", lambda _: (1_000_000, 1_000_000))
    assert most_connections(Settings()) == 4096


@pytest.mark.skipif(shutil.which("nginx") is None, reason="nginx is not installed")
def test_the_example_of_a_proxy_is_well_formed_and_passes_a_call_on(live, tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    settings = Settings(database_url=live.service_url, warm_properties=False, trusted_proxies="127.0.0.1")
    certificate = [
        "openssl",
        "req",
        "-x509",
        "-newkey",
        "rsa:2048",
        "-nodes",
        "-days",
        "2",
        "-subj",
        "/CN=localhost",
    ]
    subprocess.run(
        [*certificate, "-keyout", tmp_path / "key.pem", "-out", tmp_path / "cert.pem"],
        check=True,
        capture_output=True,
    )
    with in_thread(settings) as (_, host, upstream):
        text = (DEPLOY / "nginx.conf").read_text()
        for ours, here in (
            ("127.0.0.1:8000", f"{host}:{upstream}"),
            ("listen 443 ssl", f"listen 127.0.0.1:{port} ssl"),
            ("/etc/coldcase/cert.pem", str(tmp_path / "cert.pem")),
            ("/etc/coldcase/key.pem", str(tmp_path / "key.pem")),
        ):
            assert ours in text
            text = text.replace(ours, here)
        (tmp_path / "coldcase.conf").write_text(text)
        (tmp_path / "nginx.conf").write_text(
            f"pid {tmp_path}/pid; error_log stderr; worker_processes 1; daemon off; events {{}}\n"
            f"http {{ access_log off; client_body_temp_path {tmp_path}/body; proxy_temp_path "
            f"{tmp_path}/proxy;"
            f" fastcgi_temp_path {tmp_path}/f; uwsgi_temp_path {tmp_path}/u; scgi_temp_path {tmp_path}/s;"
            f" include {tmp_path}/coldcase.conf; }}\n"
        )
        arguments = ["nginx", "-c", str(tmp_path / "nginx.conf"), "-p", str(tmp_path)]
        checked = subprocess.run([*arguments, "-t"], check=False, capture_output=True, text=True)
        assert checked.returncode == 0, checked.stderr
        with subprocess.Popen(arguments, env={"PATH": os.environ["PATH"]}) as nginx:
            try:
                check_through(live, f"https://127.0.0.1:{port}")
            finally:
                nginx.terminate()


def check_through(live, address: str) -> None:
    with httpx.Client(
        base_url=address, headers=live.authorization, trust_env=False, timeout=20, verify=False
    ) as http:
        for _ in range(200):
            try:
                assert http.get("/health/ready").json()["status"] == "ready"
                break
            except httpx.ConnectError:
                time.sleep(0.05)
        recorded = http.post("/v1/classifications", json=CASE)
        assert recorded.status_code == 201
        assert http.get(recorded.headers["Location"], headers={"Accept": "text/html"}).text.startswith(
            "<!doctype html>"
        )
        assert [
            http.get(path).status_code for path in ("/metrics", "//metrics", "/metrics/", "/%6detrics")
        ] == [404] * 4
        large = http.post(
            "/v1/classifications", content=b"[" * 70_000, headers={"Content-Type": "application/json"}
        )
        assert (large.status_code, large.json()["type"]) == (413, "/problems/too_large")
        assert told_to_wait(urlsplit(address))["type"] == "/problems/busy"


def told_to_wait(address) -> dict[str, Any]:
    """What who asks far more often than an address may is told."""
    plain = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    plain.check_hostname, plain.verify_mode = False, ssl.CERT_NONE
    with plain.wrap_socket(
        socket.create_connection((address.hostname, address.port), timeout=20)
    ) as connection:
        connection.sendall(b"GET /health/live HTTP/1.1\r\nHost: x\r\n\r\n" * 900)
        connection.sendall(b"GET /health/live HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        answers = b""
        while piece := connection.recv(65536):
            answers += piece
    refusal = answers[answers.index(b"HTTP/1.1 429") :]
    return json.loads(refusal[refusal.index(b"{") : refusal.index(b"}") + 1])
