"""Where the record is: a server by URL, or the embedded one under a data folder."""

import argparse
import getpass
import os
import shlex
import socket
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import msgspec
from sqlalchemy.exc import InterfaceError, OperationalError
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase import settings as settings_module
from coldcase.cli.console import WrongUse
from coldcase.db import migrating
from coldcase.db.embedded import Embedded
from coldcase.db.engine import require_current, require_ready, run_once
from coldcase.db.events import Actor, act_as
from coldcase.errors import StaleSchema, StoreAway
from coldcase.settings import Settings

_Result = TypeVar("_Result")


def add_flags(parser: argparse.ArgumentParser) -> None:
    """The two flags of every command that needs the record."""
    place = parser.add_mutually_exclusive_group()
    place.add_argument("--database-url", help="a PostgreSQL server, as the service's role")
    place.add_argument("--data-dir", help="the folder of the embedded PostgreSQL (default ./.coldcase)")


def read_settings(args: argparse.Namespace, environ: Mapping[str, str]) -> Settings:
    """The settings of this command; a data folder given as a flag beats a URL in the environment."""
    flags = {name: value for name, value in vars(args).items() if name in Settings.__struct_fields__}
    chosen = settings_module.settings_from(environ, flags)
    if getattr(args, "data_dir", None) is not None:
        return msgspec.structs.replace(chosen, database_url=None)
    return chosen


@contextmanager
def service_settings(chosen: Settings) -> Iterator[Settings]:
    """Settings that name a server that serves. Without one: the embedded server, migrated, and kept running
    while the block runs.
    """
    if chosen.database_url is not None:
        yield chosen
        return
    with Embedded.start(Path(chosen.data_dir)) as embedded:
        migrating.upgrade(embedded.owner_url)
        with embedded.kept_running():
            yield msgspec.structs.replace(chosen, database_url=embedded.service_url)


@contextmanager
def reading_url(chosen: Settings) -> Iterator[str]:
    """The URL of a record that is only read, as the service's role. Neither makes nor migrates one: raises
    StaleSchema.
    """
    if chosen.database_url is not None:
        check_database(chosen.database_url, serves=True)
        yield chosen.database_url
        return
    with Embedded.start(Path(chosen.data_dir), new=False) as embedded:
        check_database(embedded.owner_url, data_dir=chosen.data_dir)
        yield embedded.service_url


def check_database(url: str, *, data_dir: str | None = None, serves: bool = False) -> None:
    """Raises StoreAway, StaleSchema or, for a URL that `serves`, RightsMissing, in words, before anything is
    done that could not be.
    """
    try:
        with reachable():
            run_once(url, require_ready if serves else require_current)
    except StaleSchema as stale:
        if data_dir is None:
            raise
        raise StaleSchema(f"{stale.detail.rstrip('.')} (--data-dir {shlex.quote(data_dir)}).") from stale


@contextmanager
def reachable() -> Iterator[None]:
    """Turns what the drivers say of a database that cannot be reached into StoreAway."""
    try:
        yield
    except (OperationalError, InterfaceError) as error:
        raise StoreAway(f"The database cannot be reached: {str(error).splitlines()[0]}") from error


@contextmanager
def owner_url(chosen: Settings, *, new: bool = True) -> Iterator[str]:
    """The owner's URL. With a server by URL it must be told; the embedded one is started or joined, and made
    if `new`.
    """
    if chosen.owner_url is not None:
        yield chosen.owner_url
        return
    if chosen.database_url is not None:
        raise WrongUse("Say who owns the database: --owner-url, or COLDCASE_OWNER_URL.")
    with Embedded.start(Path(chosen.data_dir), new=new) as embedded:
        yield embedded.owner_url


def add_owner_flags(parser: argparse.ArgumentParser) -> None:
    """The flags of a command that works as the owner of the database."""
    add_flags(parser)
    parser.add_argument("--owner-url", help="the server as the role that owns the database")


def as_owner(
    args: argparse.Namespace,
    environ: Mapping[str, str],
    work: Callable[[AsyncConnection], Awaitable[_Result]],
    *,
    migrate: bool = False,
) -> _Result:
    """Runs `work` in one transaction as the owner; its audit events say which command line it was.

    Raises StaleSchema on a record that is not up to date; with `migrate` an embedded one is made, or brought
    up to date, instead.
    """
    chosen = read_settings(args, environ)
    embedded = chosen.owner_url is None

    async def by_name(conn: AsyncConnection) -> _Result:
        await act_as(conn, command_line_actor())
        return await work(conn)

    with owner_url(chosen, new=migrate) as url:
        if embedded and migrate:
            migrating.upgrade(url)
        check_database(url, data_dir=chosen.data_dir if embedded else None)
        return run_once(url, by_name)


def command_line_actor() -> Actor:
    """Whoever runs this command."""
    try:
        name = getpass.getuser()
    except (KeyError, OSError):
        name = f"user id {os.geteuid()}"
    return Actor(remote=f"command line, {name}@{socket.gethostname()}")
