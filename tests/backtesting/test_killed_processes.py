"""A process that counts pieces of a backtest is killed: the backtest goes on and counts nothing twice, or has
failed for a reason that is told.
"""

import asyncio
import os
import signal
import time
from collections.abc import Callable

import pytest
from sqlalchemy import text

from coldcase.backtesting import running
from coldcase.backtesting.pieces import Pool
from coldcase.backtesting.running import Pace, work_off
from tests.web.worked_off import person_with, running_service, service_url

pytestmark = pytest.mark.anyio

SCOPES = ("tables:read", "tables:draft", "decisions:write", "decisions:read:all")
DECISIONS, IN_A_PIECE = 24, 2
UNIT = {"compressor_type": "scroll", "motor": "three_phase", "refrigerant": "R-448A"}
WET = {"copper_plating": "heavy", "filter_drier": "wet", "oil_clarity": "stays_milky"}
SEEN: tuple[dict[str, str], ...] = (WET, {}, {"oil_clarity": "clear"})


@pytest.fixture(scope="module")
async def own(make_database, _migrated):
    async with running_service(make_database(_migrated), backtests="off") as service:
        yield service


@pytest.fixture(scope="module")
async def quality(own):
    """Who may see every client's decisions, of which there are some."""
    caller = await person_with(SCOPES, own, "quality")
    for number in range(DECISIONS):
        case = {"unit": UNIT, "observations": SEEN[number % 3], "job": {"ref": f"TH-{number}"}}
        assert (await caller.post("/v1/classifications", json=case)).status_code == 201
    return caller


@pytest.fixture
def killing(monkeypatch):
    """A function that has a process of the pool killed, for real, before those pieces of which it is said;
    gives the ids of the killed.
    """
    monkeypatch.setattr(running, "DECISIONS_A_PIECE", IN_A_PIECE)
    monkeypatch.setattr(running, "FEW_PIECES", 0)
    monkeypatch.setattr(running, "SURE_SECONDS", 0)
    killed: list[int] = []
    count = Pool.count
    given = iter(range(10_000))

    def kill_before(chosen: Callable[[int, Pool], bool]) -> list[int]:
        async def kill_and_count(pool, piece):
            if chosen(next(given), pool):
                pid = next(iter(pool._processes._processes))
                os.kill(pid, signal.SIGKILL)
                killed.append(pid)
            return await count(pool, piece)

        monkeypatch.setattr(Pool, "count", kill_and_count)
        return killed

    return kill_before


@pytest.fixture
def only_in_the_pool(monkeypatch):
    """Nothing is counted in this process: it waits until those of the pool have begun."""
    is_ready = Pool.is_ready

    def begun(pool):
        while not is_ready(pool):
            time.sleep(0.05)
        return True

    monkeypatch.setattr(Pool, "is_ready", begun)


async def tried(caller, url, *, jobs):
    answered = await caller.post("/v1/rule-tables/1/backtests", json={})
    pace = Pace(1.0)
    pace.recorded(None)
    async with asyncio.timeout(120):
        await work_off(url, pace, jobs)
    return answered.headers["Location"].rpartition("/")[2]


async def counted(own, id_):
    """What is on record of a backtest."""
    query = text(
        "SELECT state, done, total, result, failed_because FROM backtest WHERE id = CAST(:id AS uuid)"
    )
    return await own.as_owner(lambda conn: _one(conn, query, id_))


async def _one(conn, query, id_):
    return (await conn.execute(query, {"id": id_})).one()


@pytest.mark.parametrize("before", [{5}, {0, 14}])
async def test_what_is_left_is_counted_by_others_and_nothing_twice(
    own, quality, killing, only_in_the_pool, before
):
    url = service_url(own)
    alone = await counted(own, await tried(quality, url, jobs=1))
    killed = killing(lambda number, _: number in before)
    found = await counted(own, await tried(quality, url, jobs=2))
    assert len(set(killed)) == len(before)
    assert found == alone
    assert found[:3] == ("finished", DECISIONS, DECISIONS)


async def test_what_kills_its_processes_again_and_again_has_failed_and_the_next_is_tried(
    own, quality, killing, only_in_the_pool, monkeypatch
):
    monkeypatch.setattr(running, "MOST_DEATHS", 1)
    url = service_url(own)
    met: list[object] = []

    def at_the_first_piece_of_two(_, pool):
        if pool._processes in met or len(met) == 2:
            return False
        met.append(pool._processes)
        return True

    killing(at_the_first_piece_of_two)
    first = await counted(own, await tried(quality, url, jobs=2))
    assert (first.state, first.result) == ("failed", None)
    assert "2 processes that counted for it ended" in first.failed_because
    second = await counted(own, await tried(quality, url, jobs=2))
    assert second[:3] == ("finished", DECISIONS, DECISIONS)
