"""What recording costs: POST /v1/classifications against a bare handler of the same app, at 32 connections on
one worker.

    python -m tests.bench.service [--seconds 3] [--rounds 3]

The bare handler decodes the same case and answers a constant. All are asked in turns in one run over
loopback; the figures are medians of the rounds, as shares of the bare handler's, because a shared machine's
own speed wanders. The service remembers answers, so it is asked the same case again and again, and cases that
are all different; the latter also with full readings and oil results, for a pure refrigerant and for a blend.
"""

import argparse
import json
import multiprocessing
import random
import socket
import statistics
from collections.abc import Awaitable, Iterator
from contextlib import contextmanager
from multiprocessing.synchronize import Event
from typing import Any

import msgspec
from litestar import Response, post
from sqlalchemy.ext.asyncio import AsyncConnection
from uuid_utils import compat

from coldcase.answering import CACHED_BYTES
from coldcase.cli.server import listen, make_server
from coldcase.cli.tables import compiled_from
from coldcase.clock import now
from coldcase.core.case import Case, Unit
from coldcase.core.conditions import machine_of
from coldcase.db import keys, migrating
from coldcase.db.embedded import temporary
from coldcase.db.engine import run_once
from coldcase.settings import Settings
from tests.bench.load import rate, request

CONNECTIONS = 32
DIFFERENT = CACHED_BYTES // 5000
"""An answer has 6 to 9 kB, so that this is more than the service remembers."""

OBSERVED: dict[str, Any] = {
    "job": {"ref": "TH-1184", "closed_at": "2026-03-02T16:40:00Z", "circuit": "creamery/rack-B"},
    "unit": {
        "compressor_type": "scroll",
        "motor": "three_phase",
        "lubricant": "POE",
        "viscosity_grade": 32,
        "rated_voltage_v": 400,
    },
    "opening": {"method": "rolling_cutter", "oil": "measured", "oil_sample": "sealed"},
    "observations": {
        "copper_plating": "heavy",
        "oil_clarity": "stays_milky",
        "oil_colour": ["brown", "black"],
        "metal_in_oil": "flakes",
        "sump_magnet": "loaded",
        "system_solids": "none",
        "winding_burn": "none",
        "shaft_turns": "stuck",
        "filter_drier": "wet",
        "scroll_wraps": "chipped_or_fractured",
    },
}
METERED: dict[str, Any] = {
    "readings": {
        "suction_pressure": {"value": 41, "unit": "psig"},
        "suction_temperature": {"value": 2.0, "unit": "degC"},
        "discharge_pressure": {"value": 215, "unit": "psig"},
        "discharge_temperature": {"value": 78, "unit": "degC"},
        "liquid_pressure": {"value": 212, "unit": "psig"},
        "liquid_temperature": {"value": 29, "unit": "degC"},
        "entering_medium_temperature": {"value": 24, "unit": "degC"},
        "sump_temperature": {"value": 38, "unit": "degC"},
        "line_voltages_v": [401, 396, 399],
        "line_currents_a": [18.2, 18.9, 18.4],
        "insulation": {"resistance_megohm": 12, "winding_temperature": {"value": 25, "unit": "degC"}},
        "starts_per_hour": 5,
        "run_hours": 22000,
    },
    "oil_results": {
        "water_mg_kg": 310,
        "acid_number_mg_koh_g": "<0.05",
        "iron_mg_kg": 140,
        "copper_mg_kg": 60,
        "silicon_mg_kg": "<5",
        "viscosity_40c_mm2_s": 29.4,
        "particle_count_iso4406": "20/18/15",
    },
}


@post("/bare")
async def bare(data: Case) -> Response[bytes]:
    """Decodes a case and answers a constant."""
    return Response(
        b'{"cause":"moisture"}' if data.observations else b"{}",
        status_code=201,
        media_type="application/json",
    )


def bodies() -> dict[str, tuple[str, list[bytes]]]:
    """What is asked, by name: path and bodies. The `all different` ones are more than the service remembers
    answers for."""
    unit = OBSERVED["unit"]
    plain = {**OBSERVED, "unit": {**unit, "refrigerant": "R-134a"}}
    pure = {**plain, **METERED}
    blend = {**pure, "unit": {**unit, "refrigerant": "R-448A"}}
    record = "/v1/classifications"
    return {
        "bare handler": ("/bare", [_body(plain)]),
        "recorded, the same case": (record, [_body(plain)]),
        "recorded, all different": (record, [_body(case) for case in _different(plain)]),
        "recorded, readings, pure refrigerant": (record, [_body(case) for case in _different(pure)]),
        "recorded, readings, blend": (record, [_body(case) for case in _different(blend)]),
    }


def _body(case: dict[str, Any]) -> bytes:
    return json.dumps(case).encode()


def _different(case: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Cases as large as this one, each with other outcomes (and, where it was metered, another superheat)."""
    chance = random.Random(20261125)
    sheets = compiled_from(None).model_for(machine_of(msgspec.convert(case["unit"], Unit))).findings
    for number in range(DIFFERENT):
        observations = {code: chance.choice(list(sheets[code].rows)) for code in OBSERVED["observations"]}
        changed = {
            **case,
            "observations": {**observations, "oil_colour": chance.sample(list(sheets["oil_colour"].rows), 2)},
        }
        if "readings" in case:
            readings = {
                **case["readings"],
                "suction_temperature": {"value": round(2 + number / 1000, 3), "unit": "degC"},
            }
            changed["readings"] = readings
        yield changed


def _serve(settings: Settings, ready: Event) -> None:
    with listen(settings) as listener:
        ready.set()
        make_server(settings, extra_routes=[bare]).run(sockets=[listener])


@contextmanager
def running_service() -> Iterator[tuple[Settings, str]]:
    """The service in a process of its own on an embedded PostgreSQL: its settings and a key's secret."""
    with temporary() as database:
        migrating.upgrade(database.owner_url)
        secret = keys.new_secret()
        run_once(database.owner_url, lambda conn: _make_key(conn, secret))
        settings = Settings(database_url=database.service_url, port=_free_port())
        context = multiprocessing.get_context("spawn")
        ready = context.Event()
        process = context.Process(target=_serve, args=(settings, ready))
        process.start()
        try:
            ready.wait(30)
            yield settings, secret
        finally:
            process.terminate()
            process.join(30)


def _make_key(conn: AsyncConnection, secret: str) -> Awaitable[object]:
    scopes = ("decisions:write", "preview")
    sha256 = keys.secret_digest(secret)
    return keys.create_key(
        conn,
        id_=compat.uuid7(),
        client_name="Tern Haven",
        person=None,
        scopes=scopes,
        secret_sha256=sha256,
        now=now(),
    )


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port: int = listener.getsockname()[1]
        return port


def main() -> None:
    """Asks everything in turns and prints the medians."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=3)
    parser.add_argument("--rounds", type=int, default=3)
    args = parser.parse_args()
    with running_service() as (settings, secret):
        requests = {
            name: [request(path, body, secret) for body in each] for name, (path, each) in bodies().items()
        }
        for one in requests.values():
            rate(settings.host, settings.port, one, connections=CONNECTIONS, seconds=0.5)
        rounds = [
            {
                name: rate(settings.host, settings.port, one, connections=CONNECTIONS, seconds=args.seconds)
                for name, one in requests.items()
            }
            for _ in range(args.rounds)
        ]
    print(f"{CONNECTIONS} connections, one worker, {args.rounds} rounds of {args.seconds:g} s")
    for name in requests:
        each = statistics.median(one[name] for one in rounds)
        share = statistics.median(one[name] / one["bare handler"] for one in rounds)
        print(f"{name:38s}{each:8.0f} a second{share:8.2f} of the bare handler")


if __name__ == "__main__":
    main()
