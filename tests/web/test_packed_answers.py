"""A published rule table has a dictionary, its answers are packed with it, and nobody who asks can tell."""

import psycopg
import pytest

from tests.stored_answers import answer_of
from tests.web.drafting import WARMER, as_person, published

pytestmark = pytest.mark.anyio

NAMED = "SELECT answer_text, dictionary, octet_length(answer_packed) FROM decision WHERE id = %s"


async def test_answers_name_the_dictionary_of_their_rule_table(own, author, approver, case):
    caller = await as_person(own, "bench", "decisions:write", "decisions:read")
    first = await caller.post("/v1/classifications", json=case, headers={"Idempotency-Key": "first"})
    await published(author, approver, WARMER)
    second = await caller.post("/v1/classifications", json=case, headers={"Idempotency-Key": "second"})
    assert [one.json()["rule_table"]["version"] for one in (first, second)] == [1, 2]

    with psycopg.connect(own.owner_url.replace("+psycopg", "")) as conn:
        kept = dict(conn.execute("SELECT rule_table, id FROM answer_dictionary").fetchall())
        assert kept.keys() == {1, 2}
        for version, answer in ((1, first), (2, second)):
            text, named, size = conn.execute(NAMED, [answer.json()["id"]]).fetchone()
            assert (text, named) == (None, kept[version])
            assert size < len(answer.content) / 5
            assert answer_of(conn, answer.json()["id"]).encode() == answer.content

    for key, answer in (("first", first), ("second", second)):
        again = await caller.post("/v1/classifications", json=case, headers={"Idempotency-Key": key})
        assert (again.status_code, again.content) == (200, answer.content)
        shown = await caller.get(f"/v1/decisions/{answer.json()['id']}")
        assert shown.json()["answer"] == answer.json()
