"""What is sent to the recorder is on record when it answers, and what cannot be is refused."""

import asyncio
from datetime import UTC, datetime
from uuid import UUID

import pytest
import structlog
from prometheus_client import CollectorRegistry
from uuid_utils.compat import uuid7

from coldcase.db.recorder import MOST_IN_BATCH, Recorder
from coldcase.errors import Archived, Busy, KeyReused, NotRecordable, StoreAway, SupersedesUnknown
from tests.db.conftest import begun, count, outcomes

pytestmark = pytest.mark.anyio


async def test_what_is_recorded_is_on_record_byte_for_byte(recorder, new_decision, as_owner):
    new = new_decision(
        case='{"caption":"Stirnfläche  1.50"}'.encode(), answer='{"b":1.50,"a":"\\u0041ü"}'.encode()
    )
    recorded = await recorder.record(new)
    assert (recorded.id, recorded.answer, recorded.replayed) == (new.id, new.answer_text.encode(), False)
    row = as_owner.execute(
        "SELECT case_text, answer_text, fingerprint, confidence, at = recorded_at FROM decision"
    ).fetchone()
    assert (row[0], row[1], row[2], row[3], row[4]) == (
        new.case_text,
        new.answer_text,
        new.fingerprint,
        9312,
        True,
    )


async def test_requests_that_wait_together_share_a_transaction(recorder, new_decision, as_owner):
    await asyncio.gather(*(recorder.record(new_decision()) for _ in range(50)))
    assert count(as_owner) == 50
    assert recorder.rows == 50
    assert recorder.batches < 5
    assert (
        as_owner.execute("SELECT count(DISTINCT xid::text) FROM decision").fetchone()[0] == recorder.batches
    )


@pytest.mark.parametrize(
    "members",
    [
        {"case": b"a\0b"},
        {"answer": b"\xff"},
        {"job_ref": "\ud800"},
        {"circuit": "\0"},
        {"case": b"\xed\xa0\x80"},
    ],
    ids=["nul_in_case", "no_utf8", "lone_surrogate", "nul_in_circuit", "encoded_surrogate"],
)
async def test_what_the_record_cannot_hold_is_refused_before_it_queues(
    recorder, new_decision, as_owner, members
):
    with pytest.raises(NotRecordable):
        await recorder.record(new_decision(key="wo-1", **members))
    assert recorder.batches == 0
    assert as_owner.execute("SELECT count(*) FROM idempotency").fetchone()[0] == 0


@pytest.mark.parametrize(
    "bad",
    [{"confidence": 10_001}, {"confidence": 10**6}, {"fingerprint": b"short"}, {"status": "certain"}],
    ids=str,
)
async def test_a_bad_neighbour_hurts_nobody_and_uses_no_key_up(recorder, new_decision, as_owner, bad):
    calls = [
        recorder.record(new_decision(key=f"wo-{number}", **(bad if number == 7 else {})))
        for number in range(20)
    ]
    told = await outcomes(calls)
    assert [number for number, one in enumerate(told) if isinstance(one, Exception)] == [7]
    assert isinstance(told[7], NotRecordable)
    assert count(as_owner) == 19
    assert not (await recorder.record(new_decision(key="wo-7"))).replayed


async def test_supersedes_names_an_earlier_decision_of_the_same_client_and_job(
    recorder, new_decision, as_owner
):
    first = await recorder.record(new_decision())
    told = await outcomes(
        [
            recorder.record(new_decision(supersedes=first.id)),
            recorder.record(new_decision(supersedes=first.id, job_ref="WO-9", key="other job")),
            recorder.record(new_decision(supersedes=first.id, client_id=2)),
            recorder.record(new_decision(supersedes=uuid7())),
        ]
    )
    assert [type(one) for one in told[1:]] == [SupersedesUnknown] * 3
    assert count(as_owner) == 2
    assert as_owner.execute("SELECT count(*) FROM idempotency").fetchone()[0] == 0


@pytest.fixture
async def archived(recorder, new_decision, as_owner):
    """A decision of a year that was taken out since."""
    year = as_owner.execute("SELECT extract(year FROM now())::int - 1").fetchone()[0]
    id_ = as_owner.execute("SELECT first_id_of_year(%s)", [year]).fetchone()[0]
    old = new_decision(id=UUID(int=id_.int | 7 << 76 | 2 << 62), key="wo-1")
    assert (await recorder.record(old)).id == old.id
    assert not (await recorder.record(new_decision(supersedes=old.id))).replayed
    as_owner.execute(
        "INSERT INTO audit_archive (year, at, count, file_sha256) VALUES (%s, now(), 1, sha256(''))", [year]
    )
    as_owner.execute(f"ALTER TABLE decision DETACH PARTITION decision_{year}")
    return old


async def test_a_retry_after_its_year_was_archived_is_told_so(recorder, new_decision, archived, as_owner):
    with pytest.raises(Archived) as told:
        await recorder.record(new_decision(key="wo-1"))
    assert str(archived.id) in told.value.detail
    assert str(datetime.now(UTC).year - 1) in told.value.detail
    with pytest.raises(KeyReused):
        await recorder.record(new_decision(key="wo-1", case=b"{}"))
    assert count(as_owner) == 1


async def test_supersedes_of_a_decision_whose_year_was_archived_is_told_so(recorder, new_decision, archived):
    names = [
        archived.id,
        uuid7(),
        UUID(int=2**128 - 1),
        UUID(int=(2**48 - 1) << 80 | 7 << 76 | 2 << 62),
        UUID(int=0),
    ]
    told = await outcomes([recorder.record(new_decision(supersedes=name)) for name in names])

    assert [type(one) for one in told] == [SupersedesUnknown] * len(names)
    assert ["into an archive" in one.detail for one in told] == [True] + [False] * (len(names) - 1)
    assert (await recorder.record(new_decision())).replayed is False


async def test_past_its_queue_the_recorder_is_busy(service_database, new_decision):
    small = await begun(Recorder(service_database.service_url, most_waiting=MOST_IN_BATCH))
    told = await outcomes([small.record(new_decision()) for _ in range(3 * MOST_IN_BATCH)])
    await small.close()
    assert sum(isinstance(one, Busy) for one in told) == 2 * MOST_IN_BATCH
    assert small.rows == MOST_IN_BATCH


async def test_closing_finishes_what_waits_and_takes_nothing_new(recorder, new_decision, as_owner):
    calls = [asyncio.create_task(recorder.record(new_decision())) for _ in range(2 * MOST_IN_BATCH)]
    await asyncio.sleep(0)
    await recorder.close()
    await asyncio.gather(*calls)
    assert count(as_owner) == 2 * MOST_IN_BATCH
    with pytest.raises(StoreAway):
        await recorder.record(new_decision())


async def test_a_caller_that_went_away_before_its_batch_is_not_recorded(recorder, new_decision, as_owner):
    gone = asyncio.create_task(recorder.record(new_decision()))
    await asyncio.sleep(0)
    gone.cancel()
    await recorder.record(new_decision())
    assert count(as_owner) <= 2
    assert gone.cancelled() or gone.cancelling()


async def test_a_missing_partition_is_made_on_the_way(recorder, new_decision, as_owner):
    new = new_decision()
    year = new.recorded_at.year
    as_owner.execute(f"ALTER TABLE decision DETACH PARTITION decision_{year}; DROP TABLE decision_{year}")
    assert not (await recorder.record(new)).replayed
    assert as_owner.execute(f"SELECT count(*) FROM decision_{year}").fetchone()[0] == 1


async def test_an_id_of_no_partition_is_a_clock_at_fault_and_the_rest_is_recorded(
    recorder, new_decision, as_owner
):
    far = "ffffffff-ffff-7fff-bfff-ffffffffffff"
    with structlog.testing.capture_logs() as logged:
        told = await outcomes(
            [
                recorder.record(new_decision()),
                recorder.record(new_decision(id=far)),
                recorder.record(new_decision()),
            ]
        )
    assert [type(one).__name__ for one in told] == ["Recorded", "StoreAway", "Recorded"]
    assert "is the clock right?" in logged[-1]["event"]
    assert count(as_owner) == 2


async def test_a_missing_partition_is_known_in_any_language(recorder, new_decision, as_owner):
    """The server says it in its own words; those here are made up, and the code is the same."""
    as_owner.execute(
        "CREATE FUNCTION pg_temp.none() RETURNS trigger LANGUAGE plpgsql AS"
        " $$ BEGIN RAISE EXCEPTION 'keine Partition' USING ERRCODE = '23514'; END $$"
    )
    as_owner.execute(
        "CREATE TRIGGER none BEFORE INSERT ON decision FOR EACH ROW EXECUTE FUNCTION pg_temp.none()"
    )
    with pytest.raises(StoreAway):
        await recorder.record(new_decision())


async def test_what_is_recorded_and_refused_is_counted(service_database, new_decision):
    registry = CollectorRegistry()
    counted = await begun(Recorder(service_database.service_url, registry=registry))
    await asyncio.gather(
        *(counted.record(new_decision(status=status)) for status in ("coded", "coded", "provisional"))
    )
    await counted.record(new_decision(key="wo-1"))
    await counted.record(new_decision(key="wo-1"))
    with pytest.raises(KeyReused):
        await counted.record(new_decision(key="wo-1", case=b"{}"))
    await counted.close()
    assert registry.get_sample_value("coldcase_decisions_recorded_total", {"status": "coded"}) == 3
    assert registry.get_sample_value("coldcase_decisions_recorded_total", {"status": "provisional"}) == 1
    assert registry.get_sample_value("coldcase_recorder_refused_total", {"reason": "key_reused"}) == 1
    assert registry.get_sample_value("coldcase_recorder_batch_size_count") == counted.batches
    assert registry.get_sample_value("coldcase_recorder_batch_size_sum") == 6
    assert registry.get_sample_value("coldcase_recorder_commit_seconds_count") == counted.batches
