"""Where the record is: a server by URL, or the embedded one under a data folder."""

import argparse
import getpass
import socket
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import msgspec
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase import settings as settings_module
from coldcase.cli.talk import WrongUse
from coldcase.db import migrating
from coldcase.db.embedded import Embedded
from coldcase.db.engine import require_current, run_once
from coldcase.db.events import Actor, act_as
from coldcase.errors import StoreAway
from coldcase.settings import Settings

T = TypeVar("T")


def add_flags(parser: argparse.ArgumentParser) -> None:
    """The two flags of every command that needs the record."""
    place = parser.add_mutually_exclusive_group()
    place.add_argument("--database-url", help="a PostgreSQL server, as the service's role")
    place.add_argument("--data-dir", help="the folder of the embedded PostgreSQL (default ./.coldcase)")


def read_settings(args: argparse.Namespace, environ: Mapping[str, str]) -> Settings:
    """The settings of this command; a data folder given as a flag beats a URL in the environment."""
    flags = {name: value for name, value in vars(args).items() if name in Settings.__struct_fields__}
    chosen = settings_module.read(environ, flags)
    if getattr(args, "data_dir", None) is not None:
        return msgspec.structs.replace(chosen, database_url=None)
    return chosen


@contextmanager
def service_settings(chosen: Settings) -> Iterator[Settings]:
    """Settings that name a server. Without one: the embedded server, migrated, for as long as the block runs."""
    if chosen.database_url is not None:
        yield chosen
        return
    with Embedded.start(Path(chosen.data_dir)) as embedded:
        migrating.upgrade(embedded.owner_url)
        yield msgspec.structs.replace(chosen, database_url=embedded.service_url)


def check(settings: Settings) -> None:
    """Raises StoreAway or StaleSchema, in words, before a server is started that could not serve."""
    assert settings.database_url is not None  # noqa: S101 - `service_settings` named it
    try:
        run_once(settings.database_url, require_current)
    except SQLAlchemyError as error:
        raise StoreAway(f"The database cannot be reached: {str(error).splitlines()[0]}") from error


@contextmanager
def owner_url(chosen: Settings) -> Iterator[str]:
    """The owner's URL. With a server by URL it must be told; the embedded one is started or joined."""
    if chosen.owner_url is not None:
        yield chosen.owner_url
        return
    if chosen.database_url is not None:
        raise WrongUse("Say who owns the database: --owner-url, or COLDCASE_OWNER_URL.")
    with Embedded.start(Path(chosen.data_dir)) as embedded:
        yield embedded.owner_url


def add_owner_flags(parser: argparse.ArgumentParser) -> None:
    """The flags of a command that works as the owner of the database."""
    add_flags(parser)
    parser.add_argument("--owner-url", help="the server as the role that owns the database")


def as_owner(args: argparse.Namespace, environ: Mapping[str, str], work: Callable[[AsyncConnection], Awaitable[T]]) -> T:
    """Runs `work` in one transaction as the owner; its audit events say which command line it was."""
    chosen = read_settings(args, environ)

    async def by_name(conn: AsyncConnection) -> T:
        await act_as(conn, actor())
        return await work(conn)

    with owner_url(chosen) as url:
        if chosen.owner_url is None:
            migrating.upgrade(url)
        return run_once(url, by_name)


def actor() -> Actor:
    """Whoever runs this command."""
    return Actor(remote=f"command line, {getpass.getuser()}@{socket.gethostname()}")
