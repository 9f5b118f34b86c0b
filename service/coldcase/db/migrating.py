"""Bringing the database up to date, as its owner: from a checkout and from an installed wheel alike."""

import io
import re
import time
from collections.abc import Iterator, MutableMapping
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Any, NamedTuple

import psycopg
import structlog
from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from psycopg import sql as psql
from sqlalchemy import Connection, create_engine, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from coldcase.db import mending
from coldcase.db.guards import SERVICE_ROLE
from coldcase.errors import CannotMigrate

_logger = structlog.get_logger()

LOCK = "hashtext('coldcase migrate')"
TURN_SECONDS, TURN_PAUSE = 60.0, 0.1
"""How long to wait for another migration, and how long between two looks."""
OLDEST_SERVER = 160_000
"""As `server_version_num` has it: what one role may do as another is said for each grant (INHERIT, SET) from
PostgreSQL 16 on."""

YEAR_PARTITION = re.compile(r"decision_\d{4}")


def is_ours(name: str | None, kind: str, _parents: MutableMapping[Any, str | None]) -> bool:
    """Alembic's `include_name`: everything but the yearly partitions, which the database makes itself."""
    return not (kind == "table" and name is not None and YEAR_PARTITION.fullmatch(name))


def script_folder() -> Path:
    """Where the migrations are: in the package (a wheel brings them there), else beside `service/` in a
    checkout.
    """
    package = Path(str(files("coldcase")))
    shipped = package / "migrations"
    return shipped if shipped.is_dir() else package.parents[1] / "migrations"


def configuration(**attributes: Any) -> Config:
    """Alembic's settings; `connection` among the attributes is the one that the migrations run over."""
    config = Config(attributes=attributes)
    config.set_main_option("script_location", str(script_folder()).replace("%", "%%"))
    return config


def head_revision() -> str:
    """The revision that this version of the service was written for."""
    head = ScriptDirectory.from_config(configuration()).get_current_head()
    assert head is not None, f"no migrations in {script_folder()}"  # noqa: S101 - a broken installation, not a state of the program
    return head


def known_revisions() -> frozenset[str]:
    """Every revision that this version of the service knows; one that is not among them is a newer
    release's.
    """
    return frozenset(
        script.revision for script in ScriptDirectory.from_config(configuration()).walk_revisions()
    )


class Upgraded(NamedTuple):
    """Where an upgrade left the database, and which missing roles, policies and grants it made anew, by
    name.
    """

    revision: str
    mended: list[str]


def upgrade(owner_url: str, *, service_password: str | None = None) -> Upgraded:
    """Brings the database up to date and makes the service's role, with a password if one is given.

    What a restore left out of roles, policies and grants is made anew. Safe to run twice and from two places
    at once: the second waits for the first, then finds nothing to do. A database of a newer release stays as
    it is. Raises CannotMigrate.
    """
    try:
        with owner_connection(owner_url) as conn:
            require_server(conn)
            newer = newer_revision(conn)
            mended = [] if newer else _upgrade(conn)
            with conn.begin():
                conn.execute(text("SELECT ensure_partitions()"))
                if service_password is not None:
                    set_password(conn, service_password)
    except (SQLAlchemyError, psycopg.Error) as error:
        if isinstance(error, DBAPIError) and getattr(error.orig, "sqlstate", None) is None:
            raise  # The server was not reached, or is gone.
        said = str(getattr(error, "orig", None) or error).splitlines()[0]
        raise CannotMigrate(f"The database could not be brought up to date: {said}") from error
    return Upgraded(newer or head_revision(), mended)


def _upgrade(conn: Connection) -> list[str]:
    with conn.begin():
        mending.make_roles(conn)
    command.upgrade(configuration(connection=conn), "head")
    # Where there was nothing to do, Alembic leaves the transaction open in which it looked.
    conn.commit()
    with conn.begin():
        return mending.mend(conn)


def require_server(conn: Connection) -> None:
    """Raises CannotMigrate on a server that is too old."""
    with conn.begin():
        number = int(conn.execute(text("SHOW server_version_num")).scalar_one())
    if number < OLDEST_SERVER:
        raise CannotMigrate(
            f"PostgreSQL {OLDEST_SERVER // 10_000} or newer is needed, this server is {number // 10_000}."
        )


def newer_revision(conn: Connection) -> str | None:
    """The revision that a newer release brought the database to; None if this one knows where it stands."""
    with conn.begin():
        if conn.execute(text("SELECT to_regclass('alembic_version') IS NULL")).scalar_one():
            return None
        found = conn.execute(text("SELECT version_num FROM alembic_version")).scalar()
    if found is None or found in known_revisions():
        return None
    _logger.warning("a newer release made the schema: it stays as it is", found=str(found))
    return str(found)


def downgrade(owner_url: str, revision: str = "base") -> None:
    """Takes the database back to `revision`; what later ones added is lost. Not a command: for tests and for
    the hour of need.
    """
    with owner_connection(owner_url) as conn:
        command.downgrade(configuration(connection=conn), revision)


def check_schema(owner_url: str) -> None:
    """Raises alembic's AutogenerateDiffsDetected where the database and `tables.py` differ."""
    with owner_connection(owner_url) as conn:
        command.check(configuration(connection=conn))


def sql() -> str:
    """The SQL that brings an empty database up to date, for those who apply it with their own tool."""
    printed = io.StringIO()
    config = configuration()
    config.output_buffer = printed
    command.upgrade(config, "head", sql=True)
    return printed.getvalue()


@contextmanager
def owner_connection(owner_url: str) -> Iterator[Connection]:
    """A connection that holds the migration lock, waits for no lock of the live service for long, and is not
    in a transaction.
    """
    engine = create_engine(
        make_url(owner_url).set(drivername="postgresql+psycopg"),
        poolclass=NullPool,
        connect_args={"application_name": "coldcase migrate"},
    )
    with engine.connect() as conn:
        with conn.begin():
            conn.execute(text("SET statement_timeout = '60s'"))
            conn.execute(text("SET lock_timeout = '4s'"))
        _take_turn(conn)
        # Closing the connection, which the missing pool does for good, gives the lock back.
        yield conn


def _take_turn(conn: Connection) -> None:
    """Takes the migration lock. Raises CannotMigrate while another migration holds it.

    Whoever waited for it within a statement would be waited for by an index that the other one builds beside
    the service.
    """
    until = time.monotonic() + TURN_SECONDS
    while True:
        with conn.begin():
            if conn.execute(text(f"SELECT pg_try_advisory_lock({LOCK})")).scalar_one():
                return
        if time.monotonic() > until:
            raise CannotMigrate("Another migration of this database is running.")
        time.sleep(TURN_PAUSE)


def set_password(conn: Connection, password: str) -> None:
    """Sends the SCRAM verifier, so that the password itself reaches no server log."""
    raw = conn.connection.driver_connection
    assert raw is not None  # noqa: S101 - the connection is open
    verifier = raw.pgconn.encrypt_password(
        password.encode(), SERVICE_ROLE.encode(), b"scram-sha-256"
    ).decode()
    # ALTER ROLE takes no parameters, so the driver quotes.
    raw.execute(
        psql.SQL("ALTER ROLE {} PASSWORD {}").format(psql.Identifier(SERVICE_ROLE), psql.Literal(verifier))
    )
