"""What a backtest leaves of the service: cases recorded a second without one and beside one, in turns.

python -m tests.scale.beside [--rows 60000] [--rounds 5] [--seconds 8] [--connections 8]

The record and the cases that are recorded are invented ones that all differ; the draft changes what is
weighed in every case. Beside means from the first piece on that is counted, by the process that the service
starts itself, at the share of the time that is the default; between two rounds it is cancelled. The last line
is all of it as JSON. Exit 1 if less than is promised is left.
"""

import argparse
import json
import statistics
import sys
import time

from coldcase.shipped import starter_table
from tests.bench.load import Requests, request
from tests.scale.backtesting import everything
from tests.scale.differing import differing, filled_with_differing
from tests.scale.publishing import Api
from tests.serving import make_key, serving

PROMISED = 0.8
SCOPES = ("tables:read", "tables:draft", "decisions:read:all")
AT_ONCE, LONGEST_WAIT = 0.1, 120.0
"""Seconds."""


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--rows", type=int, default=60_000)
    arguments.add_argument("--rounds", type=int, default=5)
    arguments.add_argument("--seconds", type=float, default=8)
    arguments.add_argument("--connections", type=int, default=8)
    given = arguments.parse_args()
    with filled_with_differing(given.rows) as record:
        tester = make_key(record.owner_url, *SCOPES, person="bench-1")
        recorder = make_key(record.owner_url, "decisions:write")
        cases = [json.dumps(case).encode() for case in differing(5000, seed=1)]
        requests = Requests([request("/v1/classifications", case, recorder) for case in cases])
        with serving(record.service_url, client_share="1") as service:

            def asked() -> float:
                return requests.rate(
                    "127.0.0.1", service.port, connections=given.connections, seconds=given.seconds
                ).a_second

            draft = drafted(Api(service.port, tester))
            when_at_ease(Api(service.port, recorder), cases[0])
            asked()
            alone, beside = [], []
            for turn in range(given.rounds):
                alone.append(asked())
                tried = begun(Api(service.port, tester), draft)
                beside.append(asked())
                done = ended(Api(service.port, tester), tried)
                print(
                    f"round {turn}: {alone[-1]:.0f} alone, {beside[-1]:.0f} beside, {done} tried", flush=True
                )
    return report(alone, beside)


def drafted(api: Api) -> str:
    """The place of a draft under which every case is to be answered again."""
    draft = api.ask("POST", "/v1/rule-tables", {"based_on": 1})[1]
    place = f"/v1/rule-tables/{draft['version']}"
    merge = {"Content-Type": "application/merge-patch+json", "If-Match": "*"}
    status, found = api.ask("PATCH", f"{place}/content", everything(starter_table()), **merge)
    assert status == 200, found
    return place


def when_at_ease(api: Api, case: bytes) -> None:
    """Waits until the service has sealed what was filled in, and answers at once."""
    until = time.monotonic() + LONGEST_WAIT
    while time.monotonic() < until:
        began = time.monotonic()
        status, found = api.ask("POST", "/v1/classifications", json.loads(case))
        assert status == 201, found
        if time.monotonic() - began < AT_ONCE:
            return
        time.sleep(1)
    raise RuntimeError(f"the service does not answer within {AT_ONCE} s")


def begun(api: Api, draft: str) -> str:
    """A backtest of all decisions, of which some are tried."""
    status, found = api.ask("POST", f"{draft}/backtests", {})
    assert status == 201, found
    path = f"/v1/backtests/{found['id']}"
    while not (found := api.ask("GET", path)[1])["done"]:
        assert found["state"] in ("waiting", "running"), found
        time.sleep(0.1)
    return path


def ended(api: Api, path: str) -> int:
    """How many were tried until it was cancelled: it must have been at it all the time."""
    found = api.ask("GET", path)[1]
    assert found["state"] == "running", found
    assert api.ask("POST", f"{path}/cancel")[0] == 200
    # Its process ends with the next piece, or serves the next backtest.
    time.sleep(3)
    return int(found["done"])


def report(alone: list[float], beside: list[float]) -> int:
    left = [one / other for one, other in zip(beside, alone, strict=True)]
    middle = statistics.median(left)
    print(
        f"recorded a second: {statistics.median(alone):.0f} alone, {statistics.median(beside):.0f} beside;"
        f" {middle:.2f} of it are left ({min(left):.2f} to {max(left):.2f})"
    )
    print(json.dumps({"alone": alone, "beside": beside, "left": middle}))
    return int(middle < PROMISED)


if __name__ == "__main__":
    sys.exit(main())
