"""Searching the record, page by page, and the report for people."""

from contextlib import contextmanager

import pytest
from markupsafe import escape
from sqlalchemy import event
from sqlalchemy.engine import Engine

pytestmark = pytest.mark.anyio


@pytest.fixture(scope="module")
async def clerk(service):
    """A client with five decisions on record, oldest first by closing time."""
    caller = await service.caller(client="Butter Store")
    for number in range(5):
        case = {
            "job": {
                "ref": f"TH-{number}",
                "closed_at": f"2026-03-0{number + 1}T12:00:00Z",
                "circuit": f"rack-{number % 2}",
            },
            "unit": {
                "compressor_type": "scroll" if number % 2 else "screw",
                "motor": "three_phase",
                "refrigerant": "R-134a",
            },
            "observations": {"phase_rotation": "reversed", "test_run": "runs_without_pumping"}
            if number == 4
            else {},
        }
        assert (await caller.post("/v1/classifications", json=case)).status_code == 201
    return caller


async def jobs(caller, query: str) -> list[str]:
    answered = await caller.get(f"/v1/decisions?{query}")
    assert answered.status_code == 200, answered.text
    return [row["job_ref"] for row in answered.json()["items"]]


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("", ["TH-4", "TH-3", "TH-2", "TH-1", "TH-0"]),
        ("compressor_type=scroll", ["TH-3", "TH-1"]),
        ("circuit=rack-0&status=undetermined", ["TH-2", "TH-0"]),
        ("cause=reverse_rotation", ["TH-4"]),
        ("job_ref=TH-2", ["TH-2"]),
        ("refrigerant=R-32", []),
        ("from=2026-03-02T12:00:00Z&to=2026-03-04T12:00:00Z", ["TH-2", "TH-1"]),
        ("from=2026-03-02T12:00:00Z&by=recorded_at", ["TH-4", "TH-3", "TH-2", "TH-1", "TH-0"]),
        ("rule_table=1&limit=2", ["TH-4", "TH-3"]),
        ("rule_table=2", []),
    ],
)
async def test_all_that_is_asked_must_match(clerk, query, found):
    assert await jobs(clerk, query) == found


async def test_pages_follow_the_link_to_the_end(clerk):
    found = []
    place: str | None = "/v1/decisions?limit=2&refrigerant=R-134a"
    while place:
        page = await clerk.get(place)
        found += [row["job_ref"] for row in page.json()["items"]]
        place = page.links["next"]["url"] if "next" in page.links else None
        assert (place is None) == (page.json()["next"] is None)

    assert found == ["TH-4", "TH-3", "TH-2", "TH-1", "TH-0"]


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ("colour=red", "colour"),
        ("limit=2&limit=3", "limit"),
        ("limit=0", "limit"),
        ("limit=two", "limit"),
        ("limit=", "limit"),
        ("job_ref=%00", "job_ref"),
        ("job_ref=%FF", ""),
        ("compressor_type=steam", "compressor_type"),
        ("from=2026-03-02", "from"),
        ("from=2026-03-02T12:00:00", "from"),
        ("rule_table=99999999999999999999", "rule_table"),
    ],
)
async def test_an_odd_query_is_refused_by_name(clerk, query, pointer):
    answered = await clerk.get(f"/v1/decisions?{query}")

    assert answered.status_code == 400
    assert [error["pointer"] for error in answered.json()["errors"]] == [pointer]


@pytest.mark.parametrize("path", ["/v1/decisions", "/v1/audit-events", "/v1/audit-seals"])
@pytest.mark.parametrize("cursor", ["zzz", "", "0", "-1", "%F0%9F%A7%8A", "9" * 40])
async def test_what_is_no_cursor_is_refused_as_one_on_every_list(service, path, cursor):
    caller = await service.caller("decisions:read", "audit:read")
    answered = await caller.get(f"{path}?cursor={cursor}")
    assert (answered.status_code, answered.json()["type"]) == (400, "/problems/bad_cursor")
    both = await caller.get(f"{path}?cursor={cursor}&limit=0")
    assert sorted(error["pointer"] for error in both.json()["errors"]) == ["cursor", "limit"]


async def test_a_cursor_of_another_order_is_refused(clerk):
    cursor = (await clerk.get("/v1/decisions?limit=1")).json()["next"]

    answered = await clerk.get(f"/v1/decisions?limit=1&by=recorded_at&cursor={cursor}")

    assert (answered.status_code, answered.json()["type"]) == (400, "/problems/bad_cursor")


async def test_the_report_says_to_people_what_the_record_says_to_programs(clerk, case):
    case["job"]["ref"] = "<script>alert(1)</script>"
    answer = (await clerk.post("/v1/classifications", json=case)).json()

    report = await clerk.get(
        f"/v1/decisions/{answer['id']}", headers={"Accept": "text/html,application/xhtml+xml"}
    )

    assert report.headers["Content-Type"].startswith("text/html")
    assert answer["title"] in report.text
    assert all(str(escape(action["text"])) in report.text for action in answer["actions"])
    assert "<script" not in report.text
    assert "http://" not in report.text
    assert "https://" not in report.text


async def test_the_report_warns_before_it_says_what_to_do(clerk, case):
    answer = (await clerk.post("/v1/classifications", json=case)).json()

    report = await clerk.get(f"/v1/decisions/{answer['id']}", headers={"Accept": "text/html"})

    assert answer["cautions"]
    assert answer["actions"]
    last_caution = max(report.text.index(str(escape(caution["text"]))) for caution in answer["cautions"])
    assert last_caution < min(report.text.index(str(escape(action["text"]))) for action in answer["actions"])


async def test_an_unknown_decision_is_not_found(clerk):
    answered = await clerk.get("/v1/decisions/0198c0de-0000-7000-8000-000000000000")

    assert (answered.status_code, answered.json()["type"]) == (404, "/problems/not_found")


async def test_earlier_failures_on_the_circuit_stand_beside_a_decision_each_job_once(service, case):
    caller = await service.caller(client="Whey Store")

    async def record(month, ref, **members):
        job = {"ref": ref, "closed_at": f"2025-{month:02}-02T16:40:00Z", "circuit": "creamery/rack-C"}
        return (await caller.post("/v1/classifications", json={**case, "job": job, **members})).json()["id"]

    jobs = [await record(month, f"TH-{month}") for month in range(1, 13)]
    corrected = await record(11, "TH-11", supersedes=jobs[10])
    other = await service.caller(client="Rind Store")
    await other.post(
        "/v1/classifications",
        json={**case, "job": {"circuit": "creamery/rack-C", "closed_at": "2025-11-20T16:40:00Z"}},
    )

    [*_, first] = earlier = (await caller.get(f"/v1/decisions/{jobs[11]}")).json()["earlier_on_circuit"]
    assert [row["id"] for row in earlier] == [corrected, *jobs[9:0:-1]]
    listed = (await caller.get("/v1/decisions?job_ref=TH-2")).json()["items"]
    assert [first] == listed
    assert (first["circuit"], first["cause"], first["status"]) == ("creamery/rack-C", "moisture", "coded")
    assert (await caller.get(f"/v1/decisions/{jobs[0]}")).json()["earlier_on_circuit"] == []


@contextmanager
def statements():
    """The statements that were sent to any database meanwhile, beside what keeps connections and the record
    going."""
    found: list[str] = []

    def note(_conn, _cursor, statement, *_):
        if "decision" in statement or "verdict" in statement:
            found.append(statement)

    event.listen(Engine, "before_cursor_execute", note)
    try:
        yield found
    finally:
        event.remove(Engine, "before_cursor_execute", note)


async def test_a_record_costs_as_many_queries_whatever_the_length_of_its_chain(service, case):
    caller = await service.caller(client="Chain Store")
    ids = [(await caller.post("/v1/classifications", json=case)).json()["id"]]
    with statements() as alone:
        assert len((await caller.get(f"/v1/decisions/{ids[0]}")).json()["chain"]) == 1
    for _ in range(20):
        answered = await caller.post("/v1/classifications", json={**case, "supersedes": ids[-1]})
        ids.append(answered.json()["id"])
    with statements() as in_chain:
        record = (await caller.get(f"/v1/decisions/{ids[10]}")).json()
    assert [link["id"] for link in record["chain"]] == ids
    assert len(in_chain) == len(alone) <= 4


async def test_the_report_shows_how_a_finding_is_known_and_who_says_otherwise(clerk, case):
    case["observations"]["drier_signs"] = {
        "seen": ["wet"],
        "not_seen": ["undersized"],
        "known": "told",
        "since": "after the header was moved",
        "disputed_by": {"outcome": "black_or_acid", "by": "the second fitter"},
    }
    answer = (await clerk.post("/v1/classifications", json=case)).json()
    report = await clerk.get(f"/v1/decisions/{answer['id']}", headers={"Accept": "text/html"})
    for words in ("told, not seen", "after the header was moved", "Not weighed: <bdi>the second fitter<"):
        assert words in report.text
    assert {row["finding"]: row["kept"] for row in answer["discounted"]}["drier_signs"] == 0.6


async def test_labels_and_ranges_are_shown_in_the_report(clerk, case):
    case["unit"] |= {"make": "Tern", "model": "TH-9", "serial": "0042"}
    case["job"] |= {"site": "Tern Haven", "note": "rain all night", "failed_at": "2026-03-01T04:00:00Z"}
    case["readings"] = {"suction_superheat": {"from": 1, "to": 2.5, "unit": "K"}}
    answer = (await clerk.post("/v1/classifications", json=case)).json()
    report = await clerk.get(f"/v1/decisions/{answer['id']}", headers={"Accept": "text/html"})
    for words in (
        "Tern",
        "TH-9",
        "0042",
        "Tern Haven",
        "rain all night",
        "1 March 2026, 04:00 UTC",
        "1.0 to 2.5 K",
    ):
        assert words in report.text
    (derived,) = (row for row in answer["derived"] if row["quantity"] == "suction_superheat")
    assert (derived["value"], derived["to"], derived["outcome"]) == (1.0, 2.5, "low")


async def test_the_report_of_a_case_without_a_named_cause_shows_where_it_leads(clerk, case):
    case["observations"] = {"filter_drier": "wet"}
    answer = (await clerk.post("/v1/classifications", json=case)).json()
    assert answer["status"] == "undetermined"
    report = await clerk.get(f"/v1/decisions/{answer['id']}", headers={"Accept": "text/html"})
    assert "Where it leads" in report.text
    assert all(str(escape(lead["title"])) in report.text for lead in answer["leads"])
    assert "How it came about" not in report.text
