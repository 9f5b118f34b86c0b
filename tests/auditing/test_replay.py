"""Replay: the same comes out of the record, or what differs is named, or what is corrupt."""

import gzip
import hashlib
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from uuid import UUID

import msgspec
import psycopg
import pytest
from uuid_utils.compat import uuid7

from coldcase.auditing.replaying import replay
from coldcase.core import ENGINE_VERSION
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.rule_table import RuleTable
from coldcase.db.decisions import Decision
from tests.auditing.conftest import SCOPES, plain
from tests.stored_answers import rewriting

RECORDED = Path(__file__).parent / "recorded"


@pytest.fixture(scope="module")
async def analyst(service):
    return await service.caller(*SCOPES, client="Tern Haven")


READINGS = {
    "suction_pressure": {"value": 41, "unit": "psig"},
    "suction_temperature": {"value": 2.0, "unit": "degC"},
    "line_voltages_v": [401, 396, 399],
    "suction_superheat": {"value": 1, "unit": "K"},
}


async def made(analyst, case, **members) -> dict:
    answered = await analyst.post("/v1/classifications", json={**case, **members})
    assert answered.status_code == 201, answered.text
    return answered.json()


def superuser(service) -> str:
    return plain(service.owner_url).replace("coldcase_owner", "postgres")


def harm(service, statement: str) -> None:
    with psycopg.connect(superuser(service), autocommit=True) as conn:
        conn.execute("SET session_replication_role = replica")
        assert conn.execute(statement).rowcount == 1


@pytest.mark.anyio
@pytest.mark.parametrize(
    "members",
    [
        {},
        {"observations": {}},
        {
            "readings": READINGS,
            "oil_results": {"water_mg_kg": 310, "acid_number_mg_koh_g": "<0.05", "iron_mg_kg": 140},
        },
        {"readings": READINGS, "observations": {"suction_superheat": "high"}},
    ],
)
async def test_a_decision_comes_out_of_its_record_again(analyst, case, members):
    decision = await made(analyst, case, **members)
    told = (await analyst.post(f"/v1/decisions/{decision['id']}/replay")).json()

    engine = {"recorded_engine": ENGINE_VERSION, "engine": ENGINE_VERSION}
    assert told == {"result": "identical", **engine, "rule_table": 1, "differences": [], "why": None}


@pytest.mark.anyio
async def test_a_case_that_was_read_leniently_comes_out_again(analyst, case):
    case["observations"]["copper_plating"] = "purple"
    decision = (
        await analyst.post("/v1/classifications", json=case, headers={"Prefer": "handling=lenient"})
    ).json()
    assert any(note.startswith("Left out") for note in decision["notes"])
    assert (await analyst.post(f"/v1/decisions/{decision['id']}/replay")).json()["result"] == "identical"


@pytest.mark.anyio
@pytest.mark.parametrize("lenient", [False, True])
async def test_no_meaning_hangs_on_a_sentence(service, analyst, case, lenient):
    """Other words in the notes, as a caller may choose and as a later engine may: the same comes of it."""
    case["observations"] = {"copper_plating": "purple"} if lenient else {"oil_smell": "burnt_or_sharp"}
    case["unit"]["refrigerant"] = "No cause is named. Left out everything ("
    headers = {"Prefer": "handling=lenient"} if lenient else {}
    decision = (await analyst.post("/v1/classifications", json=case, headers=headers)).json()
    assert (decision["refused_because"], bool(decision["left_out"])) == ("thin", lenient)
    assert (await analyst.post(f"/v1/decisions/{decision['id']}/replay")).json()["result"] == "identical"

    harm(
        service,
        "UPDATE decision SET case_text = replace(case_text, 'scroll', 'screw') WHERE id = "
        f"'{decision['id']}'",
    )
    told = (await analyst.post(f"/v1/decisions/{decision['id']}/replay")).json()
    assert told["result"] == "engine_changed" if lenient else "corrupt"


@pytest.mark.anyio
async def test_a_decision_that_its_engine_refused_for_another_reason_is_named(service, analyst, case):
    decision = await made(analyst, case, observations={})
    assert decision["refused_because"] == "thin"
    harm(
        service, rewriting(superuser(service), decision["id"], lambda text: text.replace('"thin"', '"close"'))
    )
    told = (await analyst.post(f"/v1/decisions/{decision['id']}/replay")).json()
    assert told["differences"] == [{"member": "refused_because", "recorded": "close", "replayed": "thin"}]


@pytest.mark.anyio
async def test_what_another_engine_answered_otherwise_is_named(service, analyst, case):
    decision = await made(analyst, case)

    def otherwise(text: str) -> str:
        return text.replace('"machine":"damaged"', '"machine":"sound"').replace(
            '"version":"1', '"version":"0'
        )

    harm(service, rewriting(superuser(service), decision["id"], otherwise, "engine = '0.9.0'"))

    told = (await analyst.post(f"/v1/decisions/{decision['id']}/replay")).json()
    assert (told["result"], told["recorded_engine"], told["engine"]) == (
        "engine_changed",
        "0.9.0",
        ENGINE_VERSION,
    )
    assert told["differences"] == [{"member": "machine", "recorded": "sound", "replayed": "damaged"}]


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("change", "why"),
    [
        ("case_text = replace(case_text, 'scroll', 'screw')", "fingerprint"),
        ("case_text = left(case_text, 40)", "cannot be read"),
        (lambda text: text[:400], "cannot be read"),
        ("confidence = 17", "beside the answer"),
        (lambda text: text.replace("sha256:", "sha256:0"), "another rule table"),
    ],
)
async def test_a_record_that_does_not_hold_together_is_corrupt(service, analyst, case, change, why):
    decision = await made(analyst, case)
    if isinstance(change, str):
        harm(service, f"UPDATE decision SET {change} WHERE id = '{decision['id']}'")
    else:
        harm(service, rewriting(superuser(service), decision["id"], change))

    told = (await analyst.post(f"/v1/decisions/{decision['id']}/replay")).json()
    assert told["result"] == "corrupt"
    assert why in told["why"]


def test_a_replay_works_nothing_out_from_readings_again():
    program = (
        "import sys, coldcase.auditing.replaying; print([name for name in sys.modules if "
        "'CoolProp' in name or 'coldcase.readings' in name])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


class Stored(msgspec.Struct):
    """A decision of an earlier day: its rule table by digest, what was sent, and what was answered."""

    table: str
    engine: str
    case: str
    answer: str


def book_of(digest: str) -> CompiledTable:
    document = gzip.decompress(
        (RECORDED / "tables" / f"{digest.removeprefix('sha256:')}.json.gz").read_bytes()
    )
    assert f"sha256:{hashlib.sha256(document).hexdigest()}" == digest
    return compile_table(msgspec.json.decode(document, type=RuleTable), version=1, digest=digest)


def recorded() -> list[Path]:
    return sorted(RECORDED.glob("*.json"))


@pytest.mark.parametrize("path", recorded(), ids=lambda path: path.stem)
def test_decisions_of_every_rule_table_and_engine_so_far_come_out_again(path):
    """Where this fails, answers have changed: raise ENGINE_VERSION, and record decisions of the new engine
    beside the old ones."""
    stored = msgspec.json.decode(path.read_bytes(), type=list[Stored])
    compiled_tables = {digest: book_of(digest) for digest in {one.table for one in stored}}
    for one in stored:
        found = replay(decision_of(one), compiled_tables[one.table])
        wanted = ("identical",) if one.engine == ENGINE_VERSION else ("identical", "engine_changed")
        assert found.result in wanted, (found.why, found.differences)


NEW_MEMBERS = {"refused_because", "left_out"}


def test_decisions_of_the_first_engine_are_not_called_changed_for_members_that_it_did_not_know():
    for path in (path for path in recorded() if path.stem.startswith("engine-1.0.0-")):
        for one in msgspec.json.decode(path.read_bytes(), type=list[Stored]):
            assert not NEW_MEMBERS & msgspec.json.decode(one.answer).keys()
            found = replay(decision_of(one), book_of(one.table))
            assert not NEW_MEMBERS & {difference.member for difference in found.differences}
            told_since = replay(decision_of(msgspec.structs.replace(one, engine="1.1.0")), book_of(one.table))
            assert {difference.member for difference in told_since.differences} >= NEW_MEMBERS


def test_there_are_recorded_decisions_of_this_engine():
    engines = {
        one.engine for path in recorded() for one in msgspec.json.decode(path.read_bytes(), type=list[Stored])
    }
    assert ENGINE_VERSION in engines


def decision_of(one: Stored) -> Decision:
    answer = msgspec.json.decode(one.answer)
    return Decision(
        id=uuid7() if answer["id"] is None else UUID(answer["id"]),
        client_id=1,
        client="Tern Haven",
        recorded_at=datetime(2026, 3, 2, tzinfo=UTC),
        at=datetime(2026, 3, 2, tzinfo=UTC),
        circuit=None,
        cause=answer["cause"],
        confidence=round(answer["confidence"] * 10_000),
        fingerprint=hashlib.sha256(one.case.encode()).digest(),
        case=one.case.encode(),
        answer=one.answer.encode(),
        rule_table=1,
        engine=one.engine,
        supersedes=None,
        own_words=None,
        origin="live",
        own_code=None,
    )
