"""A client's own codes against ours."""

from typing import Any

from tests.importing.conftest import DEVELOPMENT_CASES, case


def test_own_codes_stand_against_ours(bulk, mine):
    one, other = (DEVELOPMENT_CASES[place] for place in (0, 40))
    lines: list[Any] = [
        {"case": {**one, "job": {"ref": f"W-{number}"}}, "own_code": "W-7"} for number in range(3)
    ]
    lines += [{"case": other, "own_code": "W-7"}, {"case": case("V"), "own_code": 12}, case("none")]
    answers, summary = mine.post(lines)
    assert summary["recorded"] == 6, answers
    bulk.importer("somebody else").post([{"case": case("S"), "own_code": "W-7"}])
    table = mine.http.get("/v1/statistics/crosstab").json()
    assert [(row["own_code"], row["count"]) for row in table["items"]] == [("W-7", 4), ("12", 1)]
    assert (table["without_code"], table["truncated"]) == (1, False)
    named = {one["cause"]: one["counted"]["count"] for one in table["items"][0]["causes"]}
    assert named == {answers[0]["cause"]: 3, answers[3]["cause"]: 1}
    assert len(named) == 2
    first = mine.http.get("/v1/statistics/crosstab", params={"limit": 1}).json()
    assert ([row["own_code"] for row in first["items"]], first["truncated"]) == (["W-7"], True)
    live = mine.http.get("/v1/statistics/crosstab", params={"origin": "live"}).json()
    assert live == {"items": [], "without_code": 0, "next": None, "truncated": False}
