"""Searching the record: each filter, pages that stay in place while rows arrive, and who sees what."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import text
from uuid_utils.compat import uuid7

from coldcase.db import decisions
from coldcase.db.decisions import DecisionFilter
from coldcase.errors import BadCursor

pytestmark = pytest.mark.anyio

DAY = datetime(2026, 3, 2, 12, tzinfo=UTC)
OURS, THEIRS = 1, 2


@pytest.fixture
async def decided(recorder, new_decision, as_owner):
    """Six decisions of ours, one a day, and one of theirs; by name."""
    as_owner.execute("INSERT INTO client (name) VALUES ('Tern Haven'), ('Butter Store')")
    differ: dict[str, dict[str, Any]] = {
        "plain": {},
        "cause": {"cause": "liquid_floodback"},
        "status": {"status": "provisional"},
        "job": {"job_ref": "WO-7", "circuit": None},
        "machine": {"compressor_type": "screw", "refrigerant": "R-717"},
        "table": {"rule_table": 2, "engine": "2.0.0"},
        "theirs": {"client_id": THEIRS},
    }
    made = {}
    for number, (name, members) in enumerate(differ.items()):
        new = new_decision(**{"closed_at": DAY + timedelta(days=number), **members})
        await recorder.record(new)
        made[name] = new
    return made


@pytest.fixture
def search(service):
    """A function that searches as a client, and gives the names of what it found, in order."""

    async def as_client(decided, wanted, *, client=OURS, reads_all=False, **page):
        await decisions.view_as(service, client, reads_all=reads_all)
        names = {new.id: name for name, new in decided.items()}
        rows = await decisions.find_decisions(service, wanted, **{"limit": 100, **page})
        return [names.get(row.id, "late") for row in rows]

    return as_client


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ({}, "table machine job status cause plain"),
        ({"cause": "liquid_floodback"}, "cause"),
        ({"status": "provisional"}, "status"),
        ({"job_ref": "WO-7"}, "job"),
        ({"circuit": "plant-3/rack-B"}, "table machine status cause plain"),
        ({"compressor_type": "screw"}, "machine"),
        ({"refrigerant": "R-717"}, "machine"),
        ({"rule_table": 2}, "table"),
        ({"engine": "1.0.0"}, "machine job status cause plain"),
        ({"has_verdict": True}, ""),
        ({"has_verdict": False, "status": "provisional"}, "status"),
        ({"from_": DAY + timedelta(days=4)}, "table machine"),
        ({"to": DAY + timedelta(days=1)}, "plain"),
        ({"from_": DAY + timedelta(days=1), "to": DAY + timedelta(days=3)}, "status cause"),
        ({"from_": DAY + timedelta(days=9), "by": "recorded_at"}, "table machine job status cause plain"),
        ({"cause": "moisture", "rule_table": 1, "compressor_type": "screw"}, "machine"),
        ({"client_id": THEIRS}, ""),
    ],
    ids=str,
)
async def test_all_that_is_given_must_match(decided, search, wanted, found):
    assert await search(decided, DecisionFilter(**wanted)) == found.split()


async def test_only_what_stands_leaves_out_what_was_superseded(recorder, new_decision, decided, search):
    decided["newer"] = new_decision(supersedes=decided["plain"].id, closed_at=DAY)
    await recorder.record(decided["newer"])
    assert await search(decided, DecisionFilter(to=DAY + timedelta(days=1))) == ["newer", "plain"]
    assert await search(decided, DecisionFilter(to=DAY + timedelta(days=1), stands=True)) == ["newer"]


async def test_a_client_sees_its_own_and_head_office_all(decided, search):
    assert await search(decided, DecisionFilter(), client=THEIRS) == ["theirs"]
    assert await search(decided, DecisionFilter(), client=3) == []
    assert len(await search(decided, DecisionFilter(), client=3, reads_all=True)) == 7


async def test_a_query_without_a_filter_shows_nothing_until_it_is_said_whose_rows(decided, service):
    everything = text("SELECT count(*) FROM decision")
    assert await service.scalar(everything) == 0
    await decisions.view_as(service, OURS)
    assert await service.scalar(everything) == 6
    await service.rollback()
    assert await service.scalar(everything) == 0


@pytest.mark.parametrize("by", ["at", "recorded_at"])
async def test_pages_neither_repeat_nor_miss_a_row_while_others_arrive(
    recorder, new_decision, decided, service, by
):
    wanted, seen, after = DecisionFilter(by=by), [], None
    while True:
        await decisions.view_as(service, OURS)
        page = await decisions.find_decisions(service, wanted, after=after, limit=2)
        await service.rollback()
        if not page:
            break
        seen += [row.id for row in page]
        after = decisions.read_cursor(wanted, decisions.make_cursor(wanted, page[-1]))
        await recorder.record(new_decision(closed_at=DAY + timedelta(days=30)))
    ours = [new.id for name, new in decided.items() if name != "theirs"]
    assert seen == ours[::-1]


async def test_rows_of_one_moment_are_paged_by_id(recorder, new_decision, service):
    made = [new_decision(closed_at=DAY) for _ in range(5)]
    for new in made:
        await recorder.record(new)
    await decisions.view_as(service, OURS)
    first = await decisions.find_decisions(service, DecisionFilter(), limit=3)
    rest = await decisions.find_decisions(
        service, DecisionFilter(), after=(first[-1].at, first[-1].id), limit=3
    )
    assert [row.id for row in (*first, *rest)] == sorted((new.id for new in made), reverse=True)


@pytest.mark.parametrize("sent", ["", "!", "AAAA", "é", "YQ" * 17, "r" * 34])
def test_a_cursor_that_nobody_gave_out_is_refused(sent):
    with pytest.raises(BadCursor):
        decisions.read_cursor(DecisionFilter(), sent)


async def test_a_decision_is_found_whole(decided, service):
    new = decided["plain"]
    await decisions.view_as(service, OURS)
    found = await decisions.find_decision(service, new.id)
    assert (found.case, found.answer, found.fingerprint, found.client) == (
        new.case_text.encode(),
        new.answer_text.encode(),
        new.fingerprint,
        "Tern Haven",
    )
    assert found.at == DAY
    assert await decisions.find_decision(service, decided["theirs"].id) is None
    assert await decisions.find_decision(service, uuid7()) is None


async def test_a_chain_is_the_same_from_each_of_its_links(recorder, new_decision, service):
    made = [new_decision()]
    for _ in range(5):
        made.append(new_decision(supersedes=made[-1].id))
    for new in made:
        await recorder.record(new)
    await decisions.view_as(service, OURS)
    for new in made:
        links = await decisions.chain(service, new.id, most=100)
        assert [(link.id, link.recorded_at) for link in links] == [(one.id, one.recorded_at) for one in made]
    assert [link.id for link in await decisions.chain(service, made[4].id, most=3)] == [
        one.id for one in made[2:5]
    ]
    assert [link.id for link in await decisions.chain(service, made[1].id, most=4)] == [
        one.id for one in made[:4]
    ]


async def test_of_two_that_supersede_one_the_newest_goes_on(recorder, new_decision, service):
    first = new_decision()
    made = [first, new_decision(supersedes=first.id), new_decision(supersedes=first.id)]
    for new in made:
        await recorder.record(new)
    await decisions.view_as(service, OURS)
    older, newer = sorted((made[1].id, made[2].id))
    assert [link.id for link in await decisions.chain(service, first.id, most=100)] == [first.id, newer]
    assert [link.id for link in await decisions.chain(service, older, most=100)] == [first.id, older]


async def test_a_chain_that_another_client_may_not_see_is_empty(decided, service):
    await decisions.view_as(service, OURS)
    assert await decisions.chain(service, decided["theirs"].id, most=100) == []
