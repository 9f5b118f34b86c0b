"""`coldcase demo`: the main job on an embedded PostgreSQL, over HTTP, for a person to read."""

import argparse
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import ProxyHandler, Request, build_opener

import msgspec
import uvicorn
from rich.console import Console
from rich.rule import Rule
from rich.text import Text
from sqlalchemy.ext.asyncio import AsyncConnection
from uuid_utils import compat

from coldcase.cli import database, render
from coldcase.cli.console import Commands, command, result, say
from coldcase.cli.server import listen, make_server
from coldcase.cli.tables import compiled_from
from coldcase.clock import now
from coldcase.core.answer import Answer
from coldcase.db import keys
from coldcase.db.embedded import Embedded
from coldcase.db.engine import run_once
from coldcase.errors import ColdcaseError
from coldcase.logs import start_logging
from coldcase.settings import Settings
from coldcase.shipped import DemoCase, demo_cases


class DemoFailed(ColdcaseError):
    """The demo did not get the answers that it asked for."""

    code = "demo_failed"


def add_demo_commands(commands: Commands) -> None:
    """Adds `demo`."""
    added = command(
        commands,
        "demo",
        run_demo,
        "Start everything in a temporary folder, classify eight failures over HTTP, stop everything.",
    )
    added.add_argument("--json", action="store_true", help="print the answers as JSON lines")


def run_demo(args: argparse.Namespace, _environ: Mapping[str, str]) -> int:
    """Posts the demo cases to a service of its own and prints each answer."""
    start_logging("warning")
    # As an exception, so that everything is stopped and swept up on the way out.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    say("coldcase: starting PostgreSQL and the service in a temporary folder …")
    with tempfile.TemporaryDirectory(prefix="coldcase-demo-") as folder, running(Path(folder)) as post:
        posted = ((case, post(name, case)) for name, case in demo_cases().items())
        if args.json:
            for _, body in posted:
                result(body.decode())
        else:
            _print(posted)
    say("coldcase: everything is stopped, nothing is left behind")
    return 0


@contextmanager
def running(folder: Path) -> Iterator[Callable[[str, DemoCase], bytes]]:
    """A service on a free port with a database of its own, and what posts a case to it with a key and gives
    the answer back.
    """
    with (
        database.service_settings(Settings(data_dir=str(folder), port=0, warm_properties=False)) as settings,
        listen(settings) as listener,
    ):
        secret = _make_key(folder)
        server = make_server(settings)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, name="service")
        thread.start()
        try:
            _wait(server, thread)
            address = f"http://127.0.0.1:{listener.getsockname()[1]}"
            say(f"coldcase: the service listens on {address}")
            yield partial(_post, address, secret)
        finally:
            server.should_exit = True
            thread.join()


def _wait(server: uvicorn.Server, thread: threading.Thread) -> None:
    while not server.started:
        if not thread.is_alive():
            raise DemoFailed("The service did not start; its log above says why.")
        time.sleep(0.02)


def _make_key(folder: Path) -> str:
    secret = keys.new_secret()

    async def make(conn: AsyncConnection) -> None:
        await keys.create_key(
            conn,
            id_=compat.uuid7(),
            client_name="Tern Haven",
            person="demo",
            scopes=["decisions:write"],
            secret_sha256=keys.secret_digest(secret),
            now=now(),
        )

    with Embedded.start(folder) as embedded:
        run_once(embedded.owner_url, make)
    return secret


def _post(address: str, secret: str, name: str, case: DemoCase) -> bytes:
    headers = {
        "Authorization": f"Bearer {secret}",
        "Content-Type": "application/json",
        "Idempotency-Key": name,
    }
    asked = Request(f"{address}/v1/classifications", msgspec.json.encode(case.case), headers)  # noqa: S310 - our own address
    try:
        # Not through a proxy of the environment's.
        with build_opener(ProxyHandler({})).open(asked, timeout=20) as answer:
            body: bytes = answer.read()
    except HTTPError as refused:
        with refused:
            raise DemoFailed(
                f"{name}: the service answered {refused.code}: {refused.read().decode()}"
            ) from refused
    return body


def _print(posted: Iterable[tuple[DemoCase, bytes]]) -> None:
    console, compiled = Console(file=sys.stdout, highlight=False), compiled_from(None)
    answers: list[tuple[str, Answer]] = []
    for number, (case, body) in enumerate(posted, 1):
        title = f"{number}. {case.title}"
        answers.append((title, msgspec.json.decode(body, type=Answer)))
        console.print(Rule(Text(title, style="bold"), align="left", style="dim"))
        console.print(Text(case.told, style="italic dim"))
        render.show(answers[-1][1], compiled, sys.stdout, render.BRIEF)
    console.print(Rule(Text("All of them, and how sure of 100", style="bold"), align="left", style="dim"))
    render.overview(answers, sys.stdout)
