"""What workers do as one: requests, keys, retries, rule tables, figures."""

import threading
import time
from collections import Counter
from itertools import cycle
from uuid import uuid4

import psycopg
import pytest

from tests.web.conftest import BACKTESTED
from tests.workers.conftest import CASE, Workers, until

PROMISED_S = 2.0


def together(callers, path, **sent):
    """Answers to the same that these callers post at the same time."""
    answers, gate = [], threading.Barrier(len(callers))

    def post(caller):
        gate.wait(30)
        answers.append(caller.post(path, **sent))

    threads = [threading.Thread(target=post, args=(caller,)) for caller in callers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(answers) == len(callers)
    return answers


def test_connections_come_to_both_and_figures_are_sums_of_both(workers: Workers):
    secret = workers.key()
    counted = 'coldcase_http_requests_total{method="POST",route="/v1/classifications/preview",status="200"}'
    seconds = 'coldcase_http_request_seconds_count{route="/v1/classifications/preview"}'
    before, ids = workers.figure(counted), [uuid4().hex for _ in range(80)]
    with workers.one_each(secret) as both:
        for caller, id_ in zip(cycle(both.values()), ids, strict=False):
            answered = caller.post("/v1/classifications/preview", json=CASE, headers={"X-Request-ID": id_})
            assert answered.status_code == 200
    assert Counter(workers.answered_by(id_) for id_ in ids) == {1: 40, 2: 40}
    # The last is counted when all of it is sent.
    until(lambda: workers.figure(counted) - before == len(ids), 30)
    # Whichever is asked says the same.
    with workers.one_each() as both:
        said = {
            caller.get("/metrics").text.count(f"{seconds} {before + len(ids)}") for caller in both.values()
        }
    assert said == {1}


def test_figures_that_are_read_are_put_together_by_what_they_say(workers: Workers):
    workers.key()
    time.sleep(PROMISED_S)
    with workers.one_each() as both:
        text = both[1].get("/metrics").text
    figures = dict(line.rsplit(" ", 1) for line in text.splitlines() if not line.startswith("#"))
    assert float(figures["coldcase_workers"]) == 2
    assert float(figures["coldcase_recorder_available"]) == 1
    with psycopg.connect(workers.owner_url.replace("+psycopg", "")) as conn:
        [keys] = conn.execute("SELECT count(*) FROM api_key").fetchone()
    assert float(figures["coldcase_api_keys"]) == keys
    assert float(figures["coldcase_database_unheard_seconds"]) < PROMISED_S
    assert 0 <= float(figures["coldcase_last_seal_age_seconds"]) < 3600
    assert not [line for line in text.splitlines() if "Inf" in line and "le=" not in line]


def test_a_retry_at_the_other_worker_gives_the_same_answer(workers: Workers):
    headers = {"Idempotency-Key": uuid4().hex}
    with workers.one_each(workers.key()) as both:
        first = both[1].post("/v1/classifications", json=CASE, headers=headers)
        again = both[2].post("/v1/classifications", json=CASE, headers=headers)
    assert (first.status_code, again.status_code) == (201, 200)
    assert (first.content, again.headers["Answer-Repeated"]) == (again.content, "true")


def test_of_two_that_race_at_both_workers_one_is_recorded(workers: Workers):
    secret = workers.key()
    with workers.one_each(secret) as both:
        for _ in range(10):
            headers = {"Idempotency-Key": uuid4().hex}
            answers = together(list(both.values()), "/v1/classifications", json=CASE, headers=headers)
            statuses = sorted(answer.status_code for answer in answers)
            assert statuses in ([200, 201], [201, 409])
            assert statuses == [201, 409] or len({answer.content for answer in answers}) == 1


def test_a_revoked_key_is_refused_by_both_within_two_seconds(workers: Workers):
    secret = workers.key(client="revoked")
    with workers.one_each(secret) as both:
        assert {caller.get("/v1/decisions").status_code for caller in both.values()} == {200}
        with psycopg.connect(workers.owner_url.replace("+psycopg", "")) as conn:
            conn.execute(
                "UPDATE api_key SET revoked_at = now() WHERE client_id ="
                " (SELECT id FROM client WHERE name = 'revoked')"
            )
        end = time.monotonic() + PROMISED_S
        statuses: set[int] = set()
        while statuses != {401} and time.monotonic() < end:
            statuses = {caller.get("/v1/decisions").status_code for caller in both.values()}
        assert statuses == {401}


@pytest.fixture
def second_table(workers: Workers):
    """The number of an approved rule table that is not the current one, its digest, and who may publish
    it."""
    author = workers.http(workers.key(person="bench-1"))
    approver = workers.http(workers.key(person="bench-2"))
    place = author.post("/v1/rule-tables", json={"based_on": 1}).headers["Location"]
    merge = {"Content-Type": "application/merge-patch+json", "If-Match": "*"}
    edited = author.patch(f"{place}/content", json={"temperature": 3.0}, headers=merge)
    version = int(place.rpartition("/")[2])
    with psycopg.connect(workers.owner_url.replace("+psycopg", "")) as conn:
        conn.execute(BACKTESTED.replace(":version", str(version)))
    decided = {"digest": edited.json()["digest"], "reason": "Invented for a test."}
    assert approver.post(f"{place}/approve", json=decided).status_code == 200
    yield version, place, decided, approver
    author.close()
    approver.close()


def test_both_answer_by_a_published_table_within_two_seconds(workers: Workers, second_table):
    version, place, decided, approver = second_table
    with workers.one_each(workers.key()) as both:

        def tables():
            answers = [caller.post("/v1/classifications/preview", json=CASE) for caller in both.values()]
            return {answer.json()["rule_table"]["version"] for answer in answers}

        assert tables() == {1}
        assert approver.post(f"{place}/publish", json=decided).status_code == 200
        end = time.monotonic() + PROMISED_S
        while (now := tables()) != {version} and time.monotonic() < end:
            pass
        assert now == {version}
