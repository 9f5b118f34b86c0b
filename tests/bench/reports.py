"""`python -m tests.bench.reports`: a report page beside the JSON record of the same decision, in turns within
one run; the page's 95th percentile may be five times the record's."""

import statistics
import time

import httpx

from coldcase.db import embedded, migrating
from coldcase.shipped import demo_cases
from tests.serving import make_key, serving

ROUNDS, MOST_TIMES = 400, 5.0
SCOPES = ("decisions:write", "decisions:read", "tables:read")


def percentile95(seconds: list[float]) -> float:
    return statistics.quantiles(seconds, n=20)[-1]


def measured(address: str, secret: str, rounds: int = ROUNDS) -> dict[str, list[float]]:
    """Seconds of each answer by its media type, for the demo's decisions one after another."""
    found: dict[str, list[float]] = {"application/json": [], "text/html": []}
    headers = {"Authorization": f"Bearer {secret}"}
    with httpx.Client(base_url=address, headers=headers, trust_env=False, timeout=30) as api:
        ids = [api.post("/v1/classifications", json=one.case).json()["id"] for one in demo_cases().values()]
        for turn in range(rounds + 20):
            for media, seconds in found.items():
                began = time.perf_counter()
                answered = api.get(f"/v1/decisions/{ids[turn % len(ids)]}", headers={"Accept": media})
                if turn >= 20:
                    seconds.append(time.perf_counter() - began)
                assert answered.status_code == 200
    return found


def main() -> None:
    with embedded.temporary() as server:
        migrating.upgrade(server.owner_url)
        secret = make_key(server.owner_url, *SCOPES)
        with serving(server.service_url) as process:
            seconds = measured(process.address, secret)
    found = {media: percentile95(each) for media, each in seconds.items()}
    medians = {media: statistics.median(each) for media, each in seconds.items()}
    record, page = found["application/json"], found["text/html"]
    for media, each in medians.items():
        print(f"{media}: median {each * 1000:.1f} ms")
    print(f"record p95 {record * 1000:.1f} ms, page p95 {page * 1000:.1f} ms: {page / record:.1f} times")
    assert page <= MOST_TIMES * record


if __name__ == "__main__":
    main()
