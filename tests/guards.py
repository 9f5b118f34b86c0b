"""`python -m tests.guards` writes `service/coldcase/db/guards.json`: what guards a record that this release's
migrations made."""

from pathlib import Path

import msgspec
from alembic import command
from sqlalchemy import create_engine
from sqlalchemy.pool import NullPool

from coldcase.db import embedded, guards, mending, migrating

FILE = Path(guards.__file__).with_name("guards.json")


def made(owner_url: str) -> guards.Expected:
    """The guards of a freshly migrated database. All its yearly partitions have the same."""
    with create_engine(owner_url, poolclass=NullPool).begin() as conn:
        conn.execute(guards.PATH)
        first, *parts = guards.guards_found(conn.execute(guards.guards_query())).values()
    assert len(parts) == 4
    assert all(part == parts[0] for part in parts)
    return guards.Expected(migrating.head_revision(), [*first, *parts[0]])


def spelled(expected: guards.Expected) -> bytes:
    return msgspec.json.format(msgspec.json.encode(expected, order="sorted"), indent=1) + b"\n"


def migrate(owner_url: str) -> None:
    """By the migrations alone: `migrating.upgrade` would make anew what the file of before still has."""
    with migrating.owner_connection(owner_url) as conn:
        with conn.begin():
            mending.make_roles(conn)
        command.upgrade(migrating.configuration(connection=conn), "head")
        conn.commit()


def main() -> None:
    with embedded.temporary() as server:
        migrate(server.owner_url)
        FILE.write_bytes(spelled(made(server.owner_url)))


if __name__ == "__main__":
    main()
