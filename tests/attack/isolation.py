"""One client's rows and idempotency keys, tried with another client's key at every path that the service
describes."""

from collections.abc import Iterator
from typing import Any

import httpx

from tests.attack.network import summed
from tests.attack.report import Outcome, attack
from tests.attack.stage import Stage, key, wait_for

MARK = "only-tern-haven-knows"
CASE: dict[str, Any] = {
    "job": {"ref": MARK, "circuit": MARK},
    "unit": {"ref": MARK, "compressor_type": "scroll", "motor": "three_phase"},
    "observations": {"copper_plating": "heavy"},
    "evidence": [{"uri": f"https://files.example/{MARK}.jpg", "caption": MARK}],
}
QUERIES = ("", "?limit=100", f"?job_ref={MARK}", f"?circuit={MARK}", "?cause=moisture", "?has_verdict=true",
"?full=true&format=ndjson", "?full=true&format=csv",
           "?full=true&format=parquet", "?expect=" + "0" * 64)  # fmt: skip


@attack("isolation", seconds=20)
def isolation(stage: Stage, seconds: float) -> Iterator[Outcome]:
    """Tern Haven has the rows; Milk Store has every scope of its own."""
    database = stage.database()
    ours, theirs = key(database.owner_url, client="Tern Haven"), key(database.owner_url, client="Milk Store")
    with (
        stage.serving(database.service_url, seal_seconds=1) as service,
        service.client(ours) as owner,
        service.client(theirs) as stranger,
    ):
        made = [
            owner.post("/v1/classifications", json=CASE, headers={"Idempotency-Key": f"k{number}"})
            for number in range(20)
        ]
        ids = [answer.json()["id"] for answer in made]
        given = {"cause": "moisture", "basis": "teardown", "note": MARK}
        for id_ in ids:
            owner.post(
                f"/v1/decisions/{id_}/verdicts", json=given, headers={"Idempotency-Key": f"v-{id_}"}
            ).raise_for_status()
        wait_for(lambda: owner.get(f"/v1/decisions/{ids[-1]}/inclusion").status_code == 200, 10)
        yield _leaks(service.address, owner, stranger, ids)
        yield _keys(owner, stranger, ids)
    stage.drop(database)


def _leaks(address: str, owner: httpx.Client, stranger: httpx.Client, ids: list[str]) -> Outcome:
    wrong, tries, shown = [], 0, 0
    paths = httpx.get(f"{address}/openapi.json", trust_env=False).json()["paths"]
    for template, operations in paths.items():
        for method in operations.keys() & {"get", "post"}:
            for id_ in ids if "{id}" in template else ids[:1]:
                path = template.replace("{id}", id_).replace("{version}", "1").replace("{code}", "moisture")
                body = {
                    **CASE,
                    "job": {"ref": "mine"},
                    "evidence": [],
                    "unit": {"compressor_type": "scroll", "motor": "three_phase"},
                    "supersedes": id_,
                }
                for query in QUERIES if method == "get" and "{id}" not in template else ("",):
                    answer = stranger.request(
                        method.upper(), path + query, json=body if method == "post" else None
                    )
                    tries += 1
                    # A search for the mark may name the mark in its own `Link`.
                    told = answer.text.replace("job_ref=" + MARK, "").replace("circuit=" + MARK, "")
                    # What it sent itself is no news to it.
                    if MARK in told or any(one in told for one in ids if one != id_):
                        wrong.append(f"{method} {path}{query}: {answer.status_code} {told[:120]}")
                    if answer.status_code >= 500:
                        wrong.append(f"{method} {path}{query}: {answer.status_code}")
        shown += (
            "get" in operations
            and MARK
            in owner.get(
                template.replace("{id}", ids[0]).replace("{version}", "1").replace("{code}", "moisture")
            ).text
        )
    if shown < 3:
        wrong.append(f"the owner itself saw its mark at {shown} paths only: this would not show a leak")
    return Outcome(
        "another client's data never",
        "every path of the OpenAPI document, filters, exports, supersedes",
        tries,
        summed(wrong),
        f"{shown} paths show it to its owner",
    )


def _keys(owner: httpx.Client, stranger: httpx.Client, ids: list[str]) -> Outcome:
    wrong = []
    for number, id_ in enumerate(ids):
        answer = stranger.post("/v1/classifications", json=CASE, headers={"Idempotency-Key": f"k{number}"})
        if answer.status_code != 201 or answer.json()["id"] == id_:
            wrong.append(f"the same key of another client: {answer.status_code} {answer.text[:100]}")
        mine = answer.json().get("id")
        told = stranger.post(
            f"/v1/decisions/{mine}/verdicts",
            json={"cause": "moisture", "basis": "field"},
            headers={"Idempotency-Key": f"v-{id_}"},
        )
        if told.status_code != 201:
            wrong.append(f"the same verdict key of another client: {told.status_code} {told.text[:100]}")
        again = owner.post("/v1/classifications", json=CASE, headers={"Idempotency-Key": f"k{number}"})
        if again.status_code != 200 or again.json()["id"] != id_:
            wrong.append(f"a retry after the other client: {again.status_code}")
    return Outcome(
        "idempotency keys of two clients never meet",
        "the same keys, decisions and verdicts",
        3 * len(ids),
        summed(wrong),
    )
