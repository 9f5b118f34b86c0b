"""What the tests of the store share: decisions to record, and ways in."""

import asyncio
import hashlib
from datetime import UTC, datetime

import psycopg
import pytest
from sqlalchemy.ext.asyncio import create_async_engine
from sqlalchemy.pool import NullPool
from uuid_utils.compat import uuid7

from coldcase.db.recorder import Recorder
from coldcase.proof.decision_columns import NewDecision


def fingerprint(case: bytes) -> bytes:
    return hashlib.sha256(case).digest()


@pytest.fixture
def new_decision():
    """A function that makes a decision to be recorded; each has an id and an answer of its own."""

    def make(**members) -> NewDecision:
        id_ = members.pop("id", None) or uuid7()
        case = members.pop("case", b'{"unit":{"compressor_type":"scroll","motor":"three_phase"}}')
        answer = members.pop("answer", b'{"id":"%s"}' % str(id_).encode())
        usual = {
            "client_id": 1,
            "recorded_at": datetime.now(UTC),
            "fingerprint": fingerprint(case),
            "cause": "moisture",
            "status": "coded",
            "confidence": 9312,
            "job_ref": "WO-1184",
            "circuit": "plant-3/rack-B",
            "closed_at": None,
            "compressor_type": "scroll",
            "refrigerant": "R-448A",
            "rule_table": 1,
            "engine": "1.0.0",
            "supersedes": None,
            "own_words": None,
            "origin": "live",
            "own_code": None,
        }
        sent = {
            "id": id_,
            "idempotency_key": members.pop("key", None),
            "case_text": case.decode(errors="surrogateescape"),
            "answer_text": answer.decode(errors="surrogateescape"),
        }
        return NewDecision(**{**usual, **members, **sent})

    return make


async def begun(recorder: Recorder) -> Recorder:
    """The recorder, started and connected: on a busy machine its first try may run out of time, and the
    next one goes better."""
    await recorder.start()
    async with asyncio.timeout(30):
        while not recorder.available:
            await asyncio.sleep(0.02)
    return recorder


@pytest.fixture
def service_database(migrated_database):
    """Without a rule table: the first one is what some tests here publish, and the others need none."""
    return migrated_database


@pytest.fixture
async def recorder(service_database):
    recorder = await begun(Recorder(service_database.service_url))
    yield recorder
    await recorder.close()


@pytest.fixture
async def service_engine(service_database):
    engine = create_async_engine(service_database.service_url, poolclass=NullPool)
    yield engine
    await engine.dispose()


@pytest.fixture
async def service(service_engine):
    """A connection as the service's role, in a transaction that is undone."""
    async with service_engine.connect() as conn:
        yield conn


def plain(url: str) -> str:
    return url.replace("+psycopg", "")


def count(owner, where="true"):
    return owner.execute(f"SELECT count(*) FROM decision WHERE {where}").fetchone()[0]


async def outcomes(calls):
    return await asyncio.gather(*calls, return_exceptions=True)


@pytest.fixture
def as_owner(service_database):
    """A connection as the owner, each statement by itself."""
    with psycopg.connect(plain(service_database.owner_url), autocommit=True) as conn:
        yield conn


@pytest.fixture
def as_service(service_database):
    """A connection as the service's role, each statement by itself."""
    with psycopg.connect(plain(service_database.service_url), autocommit=True) as conn:
        yield conn
