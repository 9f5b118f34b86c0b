"""Lines posted as a whole: each answered, recorded once for good, and told of."""

import json
import random
from concurrent.futures import ThreadPoolExecutor

import psycopg
import pytest

from coldcase.auditing.replaying import replay
from tests.importing.conftest import DEVELOPMENT_CASES, SCOPES, case, spelled


def test_each_line_is_answered_in_its_order_and_the_summary_is_last(mine):
    answers, summary = mine.post([case("A"), case("B", oil_quantity="right"), case("C")])
    assert [(one["line"], one["job_ref"], one["replayed"]) for one in answers] == [
        (1, "A", False),
        (2, "B", False),
        (3, "C", False),
    ]
    assert set(answers[0]) == {"line", "job_ref", "id", "cause", "status", "confidence", "replayed"}
    table = mine.http.get("/v1/vocabulary").json()["rule_table"]
    assert summary == {
        "lines": 3, "recorded": 3, "replayed": 0, "refused": 0, "verdicts": 0, "rule_table": table
    }  # fmt: skip


def test_a_line_is_on_record_exactly_as_if_it_had_been_sent_alone(bulk, mine):
    """Whole answers, next checks too; but for id, time and origin."""
    sent = DEVELOPMENT_CASES[:60]
    answers, _ = mine.post(sent, answer="full")
    good = [one for one in answers if "id" in one]
    assert len(good) > 50
    for told in good:
        alone = mine.http.post("/v1/classifications", json=sent[told["line"] - 1])
        record = mine.http.get(f"/v1/decisions/{told['id']}").json()
        assert (record["origin"], record["case"]) == ("bulk", sent[told["line"] - 1])
        assert record["answer"] == told["answer"]
        unlike = {"id", "recorded_at"}
        kept, single = json.loads(bulk.answer(told["id"])), json.loads(alone.text)
        assert {k: v for k, v in kept.items() if k not in unlike} == {
            k: v for k, v in single.items() if k not in unlike
        }
        # The same members in the same order: the same bytes.
        assert list(kept) == list(single)
        assert (told["cause"], told["confidence"]) == (single["cause"], single["confidence"])


def test_the_same_answers_take_less_on_disk_when_they_come_by_an_import(bulk, mine):
    """Nobody waits for an import, and what it brings is kept for years."""
    sent = DEVELOPMENT_CASES[:20]
    mine.post(sent, answer="full")
    for one in sent:
        mine.http.post("/v1/classifications", json=one)
    query = (
        "SELECT origin, count(*), sum(octet_length(answer_packed)) FROM decision"
        " WHERE client_id = (SELECT id FROM client WHERE name = %s) GROUP BY origin"
    )
    packed = {origin: (count, size) for origin, count, size in bulk.rows(query, mine.client)}
    assert packed["bulk"][0] == packed["live"][0] > 15
    assert packed["bulk"][1] < 0.95 * packed["live"][1]


def test_without_whole_answers_no_next_checks_are_worked_out_and_a_replay_is_identical(mine):
    answers, _ = mine.post([case("short", copper_plating="heavy")])
    record = mine.http.get(f"/v1/decisions/{answers[0]['id']}").json()
    assert record["answer"]["next_checks"] == []
    again = mine.http.post(f"/v1/decisions/{answers[0]['id']}/replay").json()
    assert again["result"] == "identical", (again, replay)


def test_the_same_again_records_nothing_and_gives_the_same_ids(bulk, mine):
    lines = [case("A"), case("B"), case("A"), "{bad", case("A")]
    first, summary = mine.post(lines)
    assert (summary["recorded"], summary["refused"]) == (4, 1)
    assert len({one["id"] for one in first if "id" in one}) == 4
    second, summary = mine.post(lines)
    assert (summary["recorded"], summary["replayed"], summary["refused"]) == (0, 4, 1)
    assert [one.get("id") for one in second] == [one.get("id") for one in first]
    assert all(one["replayed"] for one in second if "id" in one)
    assert counted(bulk, mine) == 4


def test_a_line_is_the_same_whatever_its_spelling_and_place(mine):
    first, _ = mine.post([case("A"), case("B")])
    turned = json.dumps(dict(reversed(case("A").items())), indent=None, separators=(" , ", " : "))
    second, _ = mine.post([case("new"), case("B"), turned])
    assert [one["replayed"] for one in second] == [False, True, True]
    assert second[2]["id"] == first[0]["id"]


def test_another_key_another_client_another_verdict_or_code_is_another_line(bulk, mine):
    ids = set()
    for line, key in (
        (case("A"), None),
        (case("A"), "2019"),
        ({"case": case("A"), "own_code": "W-7"}, None),
        ({"case": case("A"), "verdict": {"cause": "moisture", "basis": "teardown"}}, None),
    ):
        answers, _ = mine.post([line], key=key)
        ids.add(answers[0]["id"])
    other = bulk.importer("somebody else")
    ids.add(other.post([case("A")])[0][0]["id"])
    assert len(ids) == 5


def test_a_line_on_record_is_known_again_though_it_would_not_be_taken_any_more(mine):
    """As where a word of it has left the rule table since, or what was taken leniently is posted strictly."""
    line = {"case": case("J") | {"colour": "red"}, "verdict": {"cause": "moisture", "basis": "teardown"}}
    taken, _ = mine.post([line], key="k", Prefer="handling=lenient")
    again, summary = mine.post([line, case("J"), {**line, "verdict": None}], key="k")
    assert (again[0]["id"], again[0]["replayed"]) == (taken[0]["id"], True)
    assert "problem" in again[2]
    assert (summary["replayed"], summary["recorded"], summary["refused"]) == (1, 1, 1)
    # The next one of its content is not on record.
    (same, next_), _ = mine.post([line, line], key="k")
    assert same["id"] == taken[0]["id"]
    assert next_["problem"]["errors"][0]["pointer"] == "/case/colour"
    (same, next_), _ = mine.post([line, line], key="k", Prefer="handling=lenient")
    assert same["id"] == taken[0]["id"] != next_["id"]


@pytest.mark.parametrize("more", [{"foo": 1}, {"occurrence": "0"}, {"occurrence": -1}, {"own_code": {}}])
def test_what_a_line_may_not_have_beside_its_case_is_told_though_its_case_is_on_record(mine, more):
    mine.post([{"case": case("J")}])
    answers, _ = mine.post([{"case": case("J"), **more}])
    assert "problem" in answers[0]


def test_a_bare_case_and_one_under_case_are_the_same_line(mine):
    (first,), _ = mine.post([case("A")])
    (second,), _ = mine.post([{"case": case("A")}])
    assert (second["id"], second["replayed"]) == (first["id"], True)


def test_an_import_in_parts_says_which_occurrence_a_line_is(mine):
    whole, _ = mine.post([case("A"), case("B"), case("A"), case("A")], key="whole")
    parts = []
    for part in ([(case("A"), 0), (case("B"), 0)], [(case("A"), 1)], [(case("A"), 2)]):
        answers, _ = mine.post([{"case": one, "occurrence": before} for one, before in part], key="whole")
        parts += answers
    assert all(one["replayed"] for one in parts)
    assert [one["id"] for one in parts] == [one["id"] for one in whole]


def test_a_verdict_comes_with_its_line_and_is_recorded_once(bulk, mine):
    verdict = {
        "cause": "moisture", "basis": "teardown", "note": "Copper on both journals.",
        "established_by": "bench-2", "established_at": "2019-03-09T10:15:00Z",
    }  # fmt: skip
    lines = [{"case": case("A"), "verdict": verdict, "own_code": 31}, case("B")]
    answers, summary = mine.post(lines)
    assert summary["verdicts"] == 1
    assert mine.post(lines)[1]["verdicts"] == 0
    record = mine.http.get(f"/v1/decisions/{answers[0]['id']}").json()
    assert record["own_code"] == "31"
    (kept,) = record["verdicts"]
    assert {name: kept[name] for name in verdict} == verdict
    assert bulk.rows("SELECT origin FROM verdict WHERE decision_id = %s", answers[0]["id"]) == [("bulk",)]


def test_every_flaw_of_a_line_is_told_and_nothing_of_it_recorded(bulk, mine):
    lines = [
        {
            "case": case("A", copper_plating="hevy"),
            "verdict": {"cause": "moistur", "basis": "teardown"},
            "own_code": {"a": 1},
            "occurrence": -1,
            "mood": "good",
        },
        case("B", copper_plating="hevy"),
        {"case": case("C"), "verdict": {"cause": "moisture", "basis": "guess"}},
    ]
    answers, summary = mine.post(lines)
    assert summary["refused"] == 3
    flaws = [{flaw["pointer"] for flaw in one["problem"]["errors"]} for one in answers]
    assert flaws[0] == {
        "/case/observations/copper_plating", "/verdict/cause", "/own_code", "/occurrence", "/mood"
    }  # fmt: skip
    assert flaws[1:] == [{"/observations/copper_plating"}, {"/verdict/basis"}]
    assert [one["problem"]["type"].rpartition("/")[2] for one in answers] == [
        "bad_line", "bad_case", "bad_verdict"
    ]  # fmt: skip
    assert counted(bulk, mine) == 0


def test_a_job_told_twice_with_another_content_is_named(mine):
    answers, summary = mine.post([case("A"), case("A", oil_quantity="right"), case("A"), case("B")])
    assert summary["recorded"] == 4
    assert [one.get("other_on_line") for one in answers] == [None, 1, None, None]


def test_what_supersedes_nothing_is_refused_alone(bulk, mine):
    (first,), _ = mine.post([case("A")])
    unknown = {**case("B"), "supersedes": "01980000-0000-7000-8000-000000000000"}
    answers, summary = mine.post(
        [case("C"), unknown, {**case("A", oil_quantity="right"), "supersedes": first["id"]}]
    )
    assert [one.get("problem", {}).get("type") for one in answers] == [
        None, "/problems/supersedes_unknown", None
    ]  # fmt: skip
    assert summary["recorded"] == 2
    assert counted(bulk, mine) == 3


def test_two_posts_of_the_same_at_once_record_every_line_once(bulk, mine):
    lines = [case(f"J-{number}") for number in range(1200)]
    shuffled = random.Random(5).sample(lines, len(lines))
    with ThreadPoolExecutor(2) as pool:
        told = list(pool.map(mine.post, [lines, shuffled]))
    assert counted(bulk, mine) == 1200
    first, second = ({one["job_ref"]: one["id"] for one in answers} for answers, _ in told)
    assert first == second
    assert sum(summary["recorded"] for _, summary in told) == 1200


def test_decisions_say_how_they_came_and_can_be_looked_for_by_it(mine):
    mine.post([{"case": case("A"), "own_code": "W-7"}])
    mine.http.post("/v1/classifications", json=case("B"))
    for origin, ref, code in (("bulk", "A", "W-7"), ("live", "B", None)):
        items = mine.http.get("/v1/decisions", params={"origin": origin}).json()["items"]
        assert [(one["job_ref"], one["origin"], one["own_code"]) for one in items] == [(ref, origin, code)]
        counts = mine.http.get("/v1/statistics/causes", params={"origin": origin}).json()
        assert sum(group["count"] for group in counts["items"]) == 1
        exported = mine.http.get("/v1/decisions/export", params={"origin": origin}).text.splitlines()
        assert json.loads(exported[0])["origin"] == origin
        assert len(exported) == 2
        shown = mine.http.get("/v1/statistics/calibration", params={"origin": origin}).json()
        assert sum(one["coverage"]["of"] for one in shown["items"]) == 1
    assert mine.http.get("/v1/decisions", params={"origin": "fax"}).status_code == 400


def test_an_import_is_one_event_with_its_counts(bulk, request):
    me = bulk.importer(request.node.name, *SCOPES, person="R. Wren")
    verdict = {"cause": "moisture", "basis": "field"}
    me.post(
        [{"case": case("A"), "verdict": verdict}, {"case": case("B"), "verdict": verdict}, "{"],
        key="ten-years",
    )
    (told, *rest) = me.http.get("/v1/audit-events", params={"limit": 2}).json()["items"]
    assert (told["action"], told["subject"], told["person"]) == ("decisions.imported", "ten-years", "R. Wren")
    counts = {"lines": 3, "recorded": 2, "replayed": 0, "refused": 1, "verdicts": 2, "finished": True}
    assert counts.items() <= told["details"].items()
    # Two verdicts, no event each.
    assert (rest[0]["action"], rest[0]["details"]["verdicts"]) == ("verdicts.imported", 2)


def test_verdicts_of_an_import_are_no_trouble_and_one_that_was_slipped_in_is(bulk, request):
    me = bulk.importer(request.node.name, *SCOPES)
    verdict = {"cause": "moisture", "basis": "field"}
    me.post([{"case": case(ref), "verdict": verdict} for ref in "ABC"])
    assert troubles(me) == []

    with psycopg.connect(bulk.owner_url.replace("+psycopg", "")) as conn:
        conn.execute("ALTER TABLE verdict DISABLE TRIGGER import_audited")
        copied = (
            "decision_id, client_id, recorded_at, cause, not_determinable, basis, origin, xid, fingerprint"
        )
        conn.execute(
            f"INSERT INTO verdict (id, {copied}) SELECT gen_random_uuid(), {copied} FROM verdict"
            " WHERE client_id = (SELECT id FROM client WHERE name = %s) LIMIT 1",
            (me.client,),
        )
        conn.execute("ALTER TABLE verdict ENABLE TRIGGER import_audited")
    assert {one["what"] for one in troubles(me)} >= {"inserted"}


def troubles(importer):
    return importer.http.post("/v1/audit-seals/verify").json()["troubles"]


def test_who_may_not_record_may_not_import(bulk, request):
    told = bulk.importer(request.node.name, "decisions:read").send(spelled([case()]))
    assert (told.status_code, told.json()["type"]) == (403, "/problems/scope_missing")


def counted(bulk, mine) -> int:
    query = "SELECT count(*) FROM decision JOIN client ON client.id = client_id WHERE client.name = %s"
    return bulk.rows(query, mine.client)[0][0]


@pytest.mark.parametrize("body", [b"", b"\n \n\n"])
def test_nothing_is_an_import_without_lines(mine, body):
    told = mine.send(body)
    assert [json.loads(line)["summary"]["lines"] for line in told.text.splitlines()] == [0]
