"""Records bear the database's time, whatever clock the machine has; and the database refuses the service any
other."""

import json
import os
import time
from datetime import UTC, datetime, timedelta

import httpx
import pytest
import structlog
from uuid_utils.compat import uuid7

from coldcase.db.clock import DatabaseClock, nanoseconds
from coldcase.db.decision_batch import checked_row
from coldcase.errors import StoreAway
from tests.db.conftest import count, outcomes
from tests.later import moved, preload
from tests.serving import make_key, serving

CASE = {"unit": {"compressor_type": "scroll", "motor": "three_phase"}}

pytestmark = pytest.mark.anyio


def test_a_clock_that_was_never_set_has_no_time():
    with pytest.raises(StoreAway):
        DatabaseClock().now()


async def test_the_recorder_goes_by_the_database_s_clock(recorder, as_owner):
    before = as_owner.execute("SELECT clock_timestamp()").fetchone()[0]
    now = recorder.clock.now()
    after = as_owner.execute("SELECT clock_timestamp()").fetchone()[0]
    # The answer to a question takes a moment, and its middle is as good as can be known.
    assert before - timedelta(seconds=1) <= now <= after + timedelta(seconds=1)
    assert nanoseconds(datetime(2026, 3, 2, 16, 40, 0, 5, tzinfo=UTC)) == 1772469600_000005_000


@pytest.mark.parametrize("off", [timedelta(minutes=-2), timedelta(minutes=2), timedelta(days=365)], ids=str)
async def test_a_decision_of_another_time_is_refused_as_a_fault_of_a_clock(
    recorder, new_decision, as_owner, off
):
    wrong = [new_decision(recorded_at=datetime.now(UTC) + off) for _ in range(3)]
    with structlog.testing.capture_logs() as said:
        told = await outcomes(recorder.record(one) for one in wrong)

    assert [type(one) for one in told] == [StoreAway] * 3
    assert count(as_owner) == 0
    clock = [line for line in said if line["event"] == "the database refuses to record: is a clock wrong?"]
    assert abs(clock[0]["off_s"] - off.total_seconds()) < 30
    await recorder.record(new_decision())


async def test_a_clock_that_was_set_is_read_again_and_recording_goes_on(recorder, new_decision, as_owner):
    recorder.clock.set(datetime.now(UTC) + timedelta(hours=2), time.monotonic())
    with pytest.raises(StoreAway):
        await recorder.record(new_decision(recorded_at=recorder.clock.now()))
    await recorder.record(new_decision(recorded_at=recorder.clock.now()))
    assert count(as_owner, "abs(extract(epoch FROM recorded_at - now())) < 30") == 1


@pytest.mark.parametrize(
    "wrong", [timedelta(days=-25 * 365), timedelta(days=5 * 365)], ids=["in 2001", "five years ahead"]
)
async def test_a_year_that_has_no_partition_is_no_fault_of_the_case(recorder, new_decision, wrong):
    at = datetime.now(UTC) + wrong
    with pytest.raises(StoreAway):
        await recorder.record(new_decision(id=uuid7(nanoseconds=nanoseconds(at)), recorded_at=at))
    await recorder.record(new_decision())


async def test_after_a_full_disk_it_matters_not_how_old_the_refused_decision_is(
    recorder, new_decision, as_owner
):
    await recorder.record(new_decision())
    recorder._refused = checked_row(new_decision(recorded_at=datetime.now(UTC) - timedelta(hours=1)))
    recorder._note(available=False)
    await recorder._ask(recorder._conn)
    assert recorder.available
    assert count(as_owner) == 1


@pytest.mark.slow
@pytest.mark.skipif(
    preload() is None or "FAKETIME" in os.environ, reason="needs the extra `later`, and a clock that is right"
)
@pytest.mark.parametrize("days", [-25 * 365, 5 * 365], ids=["in 2001", "five years ahead"])
def test_a_service_on_a_machine_with_a_wrong_clock_records_at_the_right_time(
    service_database, as_owner, monkeypatch, days
):
    for name, value in moved(days).items():
        monkeypatch.setenv(name, value)
    with serving(service_database.service_url) as process:
        key = {"Authorization": f"Bearer {make_key(service_database.owner_url, 'decisions:write')}"}
        told = httpx.post(f"{process.address}/v1/classifications", json=CASE, headers=key, timeout=60)
        said = [json.loads(line) for line in process.said().splitlines() if line.startswith("{")]

    assert told.status_code == 201
    assert abs(datetime.fromisoformat(told.json()["recorded_at"]) - datetime.now(UTC)) < timedelta(minutes=1)
    assert (
        count(
            as_owner,
            "to_timestamp(('x' || left(replace(id::text, '-', ''), 12))::bit(48)::bigint / 1000.0) > "
            "now() - interval '1 minute'",
        )
        == 1
    )
    [clock] = [line for line in said if line["event"] == "the machine's clock and the database's differ"]
    assert clock["off_s"] // 86400 in (days - 1, days)
