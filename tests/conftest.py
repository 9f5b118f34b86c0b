"""What all tests share: a clean environment, and one embedded PostgreSQL a run with a fresh copy of a
migrated database for whoever asks."""

import asyncio
import itertools
import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import psycopg
import pytest
import structlog
from hypothesis import settings
from sqlalchemy.ext.asyncio import create_async_engine
from sqlalchemy.pool import NullPool

from coldcase import dictionaries
from coldcase.db import embedded, migrating
from coldcase.db.engine import driver_url
from coldcase.governing import load_rule_tables
from coldcase.shipped import starter_table

# How long an example may take says something of the machine and of who else is on it, nothing of the code.
settings.register_profile("coldcase", deadline=None)
settings.load_profile("coldcase")


@dataclass(frozen=True)
class Database:
    """A database of a test's own: as its owner, and as the role that the service runs as."""

    name: str
    owner_url: str
    service_url: str


@pytest.fixture(scope="session", autouse=True)
def _clean_environment() -> Iterator[None]:
    """A developer's own settings must not decide a test."""
    # Without compiled files each of the hundred processes that tests start would compile the service anew.
    ours = {
        name: os.environ.pop(name)
        for name in list(os.environ)
        if name.startswith("COLDCASE_") or name == "PYTHONDONTWRITEBYTECODE"
    }
    yield
    os.environ.update(ours)


@pytest.fixture(autouse=True)
def _logging_as_it_was() -> Iterator[None]:
    """A command started in a test logs to that test's standard error, which is closed after it."""
    yield
    structlog.reset_defaults()


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """A folder of the test's own that the embedded server can reach: pytest's stand in one that root alone
    can pass through."""
    with tempfile.TemporaryDirectory(prefix="coldcase-test-", ignore_cleanup_errors=True) as folder:
        path = Path(folder).resolve()
        path.chmod(0o711)
        yield path


@pytest.fixture(scope="session")
def anyio_backend():
    return "asyncio", {"use_uvloop": True}


@pytest.fixture(scope="session")
def postgres() -> Iterator[embedded.Embedded]:
    """The server of this test run, in a temporary folder."""
    with embedded.temporary(fsync="off", full_page_writes="off") as server:
        yield server


@pytest.fixture(scope="session")
def _migrated(postgres) -> str:
    """The name of the database that the others are copied from; nobody connects to it."""
    migrating.upgrade(postgres.owner_url)
    return embedded.DATABASE


@pytest.fixture(scope="session")
def _begun(make_database, _migrated) -> str:
    """The name of a database as a service's first start leaves it, to be copied: it has the starter table and
    what its answers are packed with, which takes seconds to make. Nothing is sealed yet.
    """
    database = make_database(_migrated)
    # Not an async fixture: tests that are not async ask for it too.
    asyncio.run(_begin(database.service_url))
    return database.name


async def _begin(service_url: str) -> None:
    engine = create_async_engine(driver_url(service_url), poolclass=NullPool)
    made = await load_rule_tables(engine.begin, starter_table())
    await dictionaries.train_and_keep(engine.begin, made.current)
    await engine.dispose()


@pytest.fixture(scope="session")
def make_database(postgres):
    """A function that makes a database, empty or copied from `template`, and gives it away."""
    numbers = itertools.count(1)

    def make(template: str = "template1") -> Database:
        name = f"test_{next(numbers)}"
        with psycopg.connect(superuser(postgres), autocommit=True) as conn:
            conn.execute(f"CREATE DATABASE {name} TEMPLATE {template} OWNER {embedded.OWNER}")
            # A template's own rights are not copied, what `migrate` took from everybody among them.
            conn.execute(f"REVOKE TEMPORARY ON DATABASE {name} FROM PUBLIC")
        return Database(name, postgres.url(embedded.OWNER, name), postgres.url(embedded.SERVICE, name))

    return make


@pytest.fixture(scope="session")
def this_year(postgres) -> int:
    """The year that the database is in: it makes the partitions, and tests must pass in any year."""
    with psycopg.connect(superuser(postgres)) as conn:
        return conn.execute("SELECT extract(year FROM now() AT TIME ZONE 'UTC')::int").fetchone()[0]


@pytest.fixture
def service_database(postgres, make_database, _begun) -> Iterator[Database]:
    """A database of this test's own that a service has begun to use."""
    database = make_database(_begun)
    yield database
    drop(postgres, database)


@pytest.fixture
def migrated_database(postgres, make_database, _migrated) -> Iterator[Database]:
    """A database of this test's own that no service has been started on yet."""
    database = make_database(_migrated)
    yield database
    drop(postgres, database)


@pytest.fixture
def empty_database(postgres, make_database) -> Iterator[Database]:
    """A database of this test's own that nobody has migrated yet."""
    database = make_database()
    yield database
    drop(postgres, database)


def drop(postgres: embedded.Embedded, database: Database) -> None:
    with psycopg.connect(superuser(postgres), autocommit=True) as conn:
        conn.execute(f"DROP DATABASE {database.name} WITH (FORCE)")


def superuser(postgres: embedded.Embedded) -> str:
    return postgres.url(embedded.SUPERUSER, "postgres").replace("+psycopg", "")
