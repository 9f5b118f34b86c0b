"""Figures over what stands, checked by counting by hand."""

import warnings

import numpy as np
import pytest
from scipy import stats
from sklearn import metrics

from coldcase.core import ENGINE_VERSION
from coldcase.feedback import scoring
from tests.auditing.conftest import SCOPES

pytestmark = pytest.mark.anyio

MOISTURE = {"copper_plating": "heavy", "filter_drier": "wet", "oil_clarity": "stays_milky"}
REVERSED = {"phase_rotation": "reversed", "test_run": "runs_without_pumping"}


async def classify(
    caller, findings, *, month=1, circuit="rack-A", refrigerant="R-448A", ref="TH-1", **members
):
    case = {
        "job": {"ref": ref, "closed_at": f"2026-0{month}-28T23:30:00Z", "circuit": circuit},
        "unit": {"compressor_type": "scroll", "motor": "three_phase", "refrigerant": refrigerant},
        "observations": findings,
        **members,
    }
    answered = await caller.post("/v1/classifications", json=case)
    assert answered.status_code == 201, answered.text
    return answered.json()


@pytest.fixture(scope="module")
async def counted(service):
    """A client with five decisions that stand and one that does not."""
    caller = await service.caller(*SCOPES, client="Butter Store")
    first = await classify(caller, {}, ref="TH-9")
    await classify(caller, MOISTURE, ref="TH-9", supersedes=first["id"])
    await classify(caller, MOISTURE, month=2, circuit="rack-B")
    await classify(caller, MOISTURE, month=2, refrigerant="R-134a")
    await classify(caller, REVERSED, month=2)
    await classify(caller, {}, month=3, circuit="rack-B")
    return caller


async def counts(caller, query=""):
    answered = await caller.get(f"/v1/statistics/causes?{query}")
    assert answered.status_code == 200, answered.text
    items = answered.json()["items"]
    return {
        row["group"]: (row["count"], {one["cause"]: one["counted"]["count"] for one in row["causes"]})
        for row in items
    }


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("", {None: (5, {"moisture": 3, "reverse_rotation": 1, "undetermined": 1})}),
        (
            "group_by=month",
            {
                "2026-03": (1, {"undetermined": 1}),
                "2026-02": (3, {"moisture": 2, "reverse_rotation": 1}),
                "2026-01": (1, {"moisture": 1}),
            },
        ),
        ("group_by=month&limit=1", {"2026-03": (1, {"undetermined": 1})}),
        (
            "group_by=circuit",
            {
                "rack-A": (3, {"moisture": 2, "reverse_rotation": 1}),
                "rack-B": (2, {"moisture": 1, "undetermined": 1}),
            },
        ),
        (
            "group_by=refrigerant&cause=moisture",
            {"R-448A": (2, {"moisture": 2}), "R-134a": (1, {"moisture": 1})},
        ),
        (
            "from=2026-02-01T00:00:00Z&to=2026-03-01T00:00:00Z",
            {None: (3, {"moisture": 2, "reverse_rotation": 1})},
        ),
        ("status=undetermined&circuit=rack-B", {None: (1, {"undetermined": 1})}),
        ("has_verdict=true", {}),
        ("by=recorded_at&to=2026-04-01T00:00:00Z", {}),
        ("group_by=compressor_type&cause=wear", {}),
    ],
)
async def test_causes_are_counted_among_what_stands(counted, query, expected):
    found = await counts(counted, query)
    assert found == expected
    assert list(found) == list(expected)


async def test_a_share_comes_with_its_interval(counted):
    [all_of_them] = (await counted.get("/v1/statistics/causes")).json()["items"]
    moisture = next(one["counted"] for one in all_of_them["causes"] if one["cause"] == "moisture")
    theirs = stats.binomtest(3, 5).proportion_ci(method="wilson")
    assert moisture == {
        "count": 3,
        "of": 5,
        "share": 0.6,
        "low": round(theirs.low, 6),
        "high": round(theirs.high, 6),
    }


# Newcombe, R. G. (1998), Statistics in Medicine 17, 857-872, table I, method 3: 1 of 29.
async def test_the_published_interval_of_one_in_twenty_nine(service):
    caller = await service.caller(*SCOPES, client="Cream Store")
    for findings in [MOISTURE] + [{}] * 28:
        await classify(caller, findings)

    [group] = (await caller.get("/v1/statistics/causes")).json()["items"]
    rare = group["causes"][-1]
    assert rare["cause"] == "moisture"
    assert (round(rare["counted"]["low"], 4), round(rare["counted"]["high"], 4)) == (0.0061, 0.1718)


async def test_months_follow_the_time_that_is_asked_for(counted):
    months = await counts(counted, "group_by=month&by=recorded_at")
    assert [count for count, _ in months.values()] == [5]
    recorded = [row["recorded_at"][:7] for row in (await counted.get("/v1/decisions")).json()["items"]]
    assert set(months) == set(recorded)


@pytest.mark.parametrize(("limit", "truncated"), [(1, True), (2, True), (3, False), (4, False)])
async def test_it_says_when_there_are_more_groups(counted, limit, truncated):
    found = (await counted.get(f"/v1/statistics/causes?group_by=month&limit={limit}")).json()
    assert (len(found["items"]), found["truncated"]) == (min(limit, 3), truncated)


async def test_a_client_counts_its_own_and_head_office_all(service, counted):
    milk = await service.caller(*SCOPES, client="Milk Store")
    await classify(milk, MOISTURE)
    office = await service.caller("decisions:read:all", client="Head Office")

    refused = await counted.get("/v1/statistics/causes?group_by=client")
    assert (refused.status_code, refused.json()["type"]) == (403, "/problems/scope_missing")
    assert await counts(milk) == {None: (1, {"moisture": 1})}
    everybody = await counts(office, "group_by=client")
    assert everybody["Milk Store"] == (1, {"moisture": 1})
    assert everybody["Butter Store"] == (5, {"moisture": 3, "reverse_rotation": 1, "undetermined": 1})


async def calibration(caller, query=""):
    answered = await caller.get(f"/v1/statistics/calibration?{query}")
    assert answered.status_code == 200, answered.text
    return answered.json()["items"]


async def test_calibration_of_known_verdicts(service):
    caller = await service.caller(*SCOPES, client="Whey Store")
    truths = ["moisture", "moisture", "acid_carryover", "unlisted", None]
    answers = [await classify(caller, MOISTURE, ref=f"TH-{number}") for number in range(7)]
    for answer, truth in zip(answers, truths, strict=False):
        given = {"not_determinable": True} if truth is None else {"cause": truth}
        # An older verdict that no longer stands.
        await caller.post(
            f"/v1/decisions/{answer['id']}/verdicts", json={"cause": "reverse_rotation", "basis": "field"}
        )
        await caller.post(f"/v1/decisions/{answer['id']}/verdicts", json={**given, "basis": "teardown"})

    [row] = await calibration(caller)
    stated = [{one["cause"]: one["confidence"] for one in answer["ranking"]} for answer in answers[:4]]
    causes = sorted(stated[0])
    chances = np.array([[ranking[cause] for cause in causes] for ranking in stated])
    assert row["status"] == "coded"
    with warnings.catch_warnings(action="ignore"):  # four decimals do not sum to one exactly
        brier = metrics.brier_score_loss(truths[:4], chances, labels=causes, scale_by_half=False)
    assert row["brier"] == pytest.approx(brier, abs=1e-6)
    # None is ever taken as zero.
    floored = np.maximum(chances, scoring.LEAST_CONFIDENCE)
    shares = floored / floored.sum(axis=1, keepdims=True)
    assert row["log_loss"] == pytest.approx(metrics.log_loss(truths[:4], shares, labels=causes), abs=2e-3)
    assert (row["coverage"]["count"], row["coverage"]["of"]) == (5, 7)
    assert (row["not_determinable"], row["basis"]) == (1, {"teardown": 5})
    assert (row["right"]["count"], row["right"]["of"], row["right"]["share"]) == (2, 4, 0.5)
    confident = answers[0]["confidence"]
    [full] = [one for one in row["reliability"] if one["right"]["of"]]
    assert full["above"] < confident <= full["up_to"]
    assert full["mean_confidence"] == pytest.approx(confident)
    assert row["calibration_error"] == pytest.approx(abs(confident - 0.5), abs=1e-6)
    assert {(one["answered"], one["established"]): one["count"] for one in row["confusion"]} == {
        ("moisture", "moisture"): 2,
        ("moisture", "acid_carryover"): 1,
        ("moisture", "unlisted"): 1,
    }


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("", {"coded": (3, 3), "undetermined": (1, 2)}),
        ("status=coded", {"coded": (3, 3)}),
        ("basis=teardown", {"coded": (2, 3), "undetermined": (0, 2)}),
        ("basis=field", {"coded": (1, 3), "undetermined": (1, 2)}),
        ("from=2026-02-01T00:00:00Z", {"coded": (2, 2)}),
        ("to=2026-02-01T00:00:00Z&basis=field", {"coded": (0, 1), "undetermined": (1, 2)}),
        ("rule_table=1&engine={engine}", {"coded": (3, 3), "undetermined": (1, 2)}),
        ("rule_table=2", {}),
        ("engine=0.0.1", {}),
    ],
)
async def test_calibration_of_a_part(judged, query, expected):
    found = await calibration(judged, query.format(engine=ENGINE_VERSION))
    assert {row["status"]: (row["coverage"]["count"], row["coverage"]["of"]) for row in found} == expected


@pytest.fixture(scope="module")
async def judged(service):
    """A client with five decisions: three coded, of which the last was judged in the field, two undetermined,
    one judged."""
    caller = await service.caller(*SCOPES, client="Curd Store")
    made = [(await classify(caller, MOISTURE, month=month))["id"] for month in (1, 2, 3)]
    made += [(await classify(caller, {}))["id"] for _ in range(2)]
    for decision, basis in zip(made, ("teardown", "teardown", "field", "field"), strict=False):
        await caller.post(f"/v1/decisions/{decision}/verdicts", json={"cause": "moisture", "basis": basis})
    return caller


async def test_a_client_sees_no_verdicts_but_its_own(service, judged):
    stranger = await service.caller(*SCOPES, client="Salt Store")
    assert await calibration(stranger) == []
    office = await service.caller("decisions:read:all", client="Head Office")
    assert sum(row["coverage"]["count"] for row in await calibration(office)) > 4


async def test_the_newest_verdict_of_a_whole_chain_counts(service):
    caller = await service.caller(*SCOPES, client="Rind Store")
    first = await classify(caller, {})
    second = await classify(caller, MOISTURE, supersedes=first["id"])
    third = await classify(caller, MOISTURE, supersedes=second["id"])
    for decision, cause in ((third, "acid_carryover"), (first, "moisture")):
        await caller.post(
            f"/v1/decisions/{decision['id']}/verdicts", json={"cause": cause, "basis": "teardown"}
        )

    [row] = await calibration(caller)
    assert (row["coverage"]["count"], row["coverage"]["of"], row["right"]["count"]) == (1, 1, 1)


async def test_a_verdict_on_a_superseded_decision_counts_for_the_one_that_stands(service):
    caller = await service.caller(*SCOPES, client="Ice Store")
    first = await classify(caller, {})
    await caller.post(
        f"/v1/decisions/{first['id']}/verdicts", json={"cause": "moisture", "basis": "teardown"}
    )
    await classify(caller, MOISTURE, supersedes=first["id"])

    [row] = await calibration(caller)
    assert (row["status"], row["coverage"]["count"], row["coverage"]["of"], row["right"]["count"]) == (
        "coded",
        1,
        1,
        1,
    )


async def test_without_verdicts_there_are_no_scores(counted):
    for row in await calibration(counted):
        assert (row["coverage"]["count"], row["brier"], row["log_loss"], row["calibration_error"]) == (
            0,
            None,
            None,
            None,
        )
        assert row["right"] == {"count": 0, "of": 0, "share": None, "low": None, "high": None}
