"""How Alembic reaches the database: over the connection that `coldcase.db.migrating` hands it, or `alembic -x url=…`."""

from typing import Any

from alembic import context
from sqlalchemy import Connection, create_engine
from sqlalchemy.pool import NullPool

from coldcase.db.migrating import is_ours
from coldcase.db.tables import metadata


def configure(**options: Any) -> None:
    """What online and offline runs share."""
    context.configure(
        target_metadata=metadata, include_name=is_ours, transaction_per_migration=True, **options
    )


def offline() -> None:
    """Prints the SQL. `named` keeps a percent sign in it from being doubled."""
    configure(dialect_name="postgresql", literal_binds=True, dialect_opts={"paramstyle": "named"})
    with context.begin_transaction():
        context.run_migrations()


def online(connection: Connection) -> None:
    """Runs the migrations, each in a transaction of its own."""
    configure(connection=connection)
    with context.begin_transaction():
        context.run_migrations()


if context.is_offline_mode():
    offline()
elif (given := context.config.attributes.get("connection")) is not None:
    online(given)
else:
    with create_engine(
        context.get_x_argument(as_dictionary=True)["url"], poolclass=NullPool
    ).connect() as connection:
        online(connection)
