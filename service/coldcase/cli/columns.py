"""`coldcase parquet`: Parquet files of cases answered, without a service or a record, on Ray too; and
`coldcase load`, which brings what came of them into the record.
"""

import argparse
import asyncio
import os
from collections.abc import Mapping
from contextlib import closing
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.cli import database
from coldcase.cli.console import Commands, WrongUse, as_json, command, result, say
from coldcase.cli.importing import problem_of
from coldcase.cli.tables import table_from
from coldcase.core.rule_table import canonical_table, table_digest
from coldcase.db import keys, rule_tables
from coldcase.db.engine import run_once
from coldcase.db.keys import ApiKey
from coldcase.importing import columnwise, parquet_files
from coldcase.importing.columnwise import PinnedTable
from coldcase.importing.hands import ImportPool
from coldcase.importing.orders import FRAME, ImportOrder
from coldcase.importing.parquet_files import ExtraMissing
from coldcase.importing.running import run_import
from coldcase.logs import log_for_people
from coldcase.processes import collect_rarely
from coldcase.settings import Settings

SCOPE = "decisions:write"
SHOWN = 10
"""Refused rows that are shown; all of them go to the file that is asked for."""
SAID_EVERY = 50_000


def add_column_commands(commands: Commands) -> None:
    """Adds `parquet` and `load`."""
    added = command(
        commands,
        "parquet",
        run_parquet,
        "Answer the cases of Parquet files: nothing is recorded; on this machine or on Ray.",
    )
    added.add_argument(
        "source",
        help="a file, or a folder of them, with a column 'line', as `bulk` posts it, or 'case' (JSON text) "
        "and beside it 'own_code', 'verdict' (JSON text), 'occurrence'",
    )
    added.add_argument("target", help="a folder that is new or empty")
    added.add_argument("--engine", choices=("here", "ray"), default="here", help="who answers (here)")
    added.add_argument("--jobs", type=int, help="by how many processes; else as many as cores")
    added.add_argument(
        "--table", metavar="PATH", help="the rule table, as `table export` writes it; else the starter table"
    )
    added = command(
        commands,
        "load",
        run_load,
        "As the owner: record what `parquet` has answered, each row once for good, as `bulk` would have.",
    )
    added.add_argument("source", help="the folder that `parquet` wrote")
    added.add_argument("--key", default="", help="the import's key: a line is known again by it, too")
    added.add_argument("--refused", metavar="FILE", help="where rows that were refused go, as NDJSON")
    added.add_argument("--jobs", type=int, help="by how many processes; else as many as cores")
    added.add_argument("--json", action="store_true", help="print the counts as JSON")
    database.add_owner_flags(added)


def run_parquet(args: argparse.Namespace, _: Mapping[str, str]) -> int:
    """Writes the answers; exit 0 whether or not rows were refused, for each says so itself."""
    source, target = Path(args.source), Path(args.target)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise WrongUse(f"{target} is there already, and not an empty folder.")
    table = table_from(args.table)
    pinned = PinnedTable(canonical_table(table), table_digest(table))
    parquet_files.needed_of(source)
    target.mkdir(parents=True, exist_ok=True)
    jobs = _jobs(args)
    if args.engine == "ray":
        rows = _ray().answer_on_ray(source, target.resolve(), pinned, jobs=jobs, tell=problem_of)
    else:
        rows = columnwise.answer_here(source, target, pinned, jobs=jobs, tell=problem_of, say=_said)
    result(f"{rows} rows answered by {args.table or 'the starter table'}, {pinned.digest}")
    return 0


def _ray() -> ModuleType:
    try:
        return import_module("coldcase.importing.on_ray")
    except ImportError as missing:
        raise ExtraMissing("Ray is not installed: install `coldcase[ray]`.") from missing


def _said(done: int) -> None:
    if done % SAID_EVERY == 0:
        say(f"coldcase: {done} rows answered")


def _jobs(args: argparse.Namespace) -> int:
    if args.jobs is not None and not 1 <= args.jobs <= 1024:
        raise WrongUse("--jobs is a number from 1 to 1024.")
    return args.jobs or len(os.sched_getaffinity(0))


def run_load(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Records the rows; exit 1 if one was refused. Raises OtherAnswer where they were answered by another
    rule table or engine than the record's.
    """
    secret = environ.get("COLDCASE_KEY")
    if not secret:
        raise WrongUse("COLDCASE_KEY holds the API key whose client the rows are of.")
    source = Path(args.source)
    parquet_files.files_of(source)
    chosen = database.read_settings(args, environ)
    with database.owner_url(chosen, new=False) as url:
        database.check_database(url, data_dir=None if chosen.owner_url else chosen.data_dir)
        order = _order(url, secret, args.key)
        told = _Told(args.refused)
        with closing(told), closing(_pool(args, chosen)) as pool:
            asyncio.run(
                run_import(order, source, told.take, tell=problem_of, pool=pool, stopping=asyncio.Event())
            )
    if args.json:
        as_json(told.summary)
    else:
        result(
            ", ".join(f"{told.summary[name]} {name}" for name in ("lines", "recorded", "replayed", "refused"))
        )
    return 1 if told.summary["refused"] else 0


def _pool(args: argparse.Namespace, chosen: Settings) -> ImportPool:
    collect_rarely()
    jobs = chosen.import_processes if args.jobs is None else _jobs(args)
    return ImportPool(jobs, log_for_people, problem_of)


def _order(url: str, secret: str, import_key: str) -> ImportOrder:
    """The import, under the key of a secret and the rule table that answers. Raises WrongUse."""
    if len(import_key) > 200 or not all("!" <= sign <= "~" for sign in import_key):
        raise WrongUse("--key is up to 200 printable ASCII characters without blanks.")

    async def read(conn: AsyncConnection) -> tuple[ApiKey | None, bool, int]:
        found = await keys.key_of_secret(conn, secret)
        return *found, await rule_tables.current_version(conn)

    key, good, version = run_once(url, read)
    if key is None or not good:
        raise WrongUse("The key in COLDCASE_KEY is not known here, was revoked, or has expired.")
    if SCOPE not in key.scopes:
        raise WrongUse(f"The key in COLDCASE_KEY may not record: it needs the scope {SCOPE}.")
    actor = msgspec.structs.replace(database.command_line_actor(), key=key.id, person=key.person)
    return ImportOrder(
        database_url=url,
        client_id=key.client_id,
        key=UUID(str(key.id)),
        actor=actor,
        import_key=import_key,
        rule_table=version,
        media="answered",
    )


class _Told:
    """What is told of rows: those that were refused are kept, and the summary."""

    def __init__(self, refused: str | None) -> None:
        self.summary: dict[str, Any] = {}
        self._file = None if refused is None else Path(refused).open("wb")  # noqa: SIM115 - `close` closes it
        self._shown = 0

    def take(self, frame: bytes) -> None:
        """Takes a frame of the answer."""
        for line in frame[FRAME.size :].splitlines():
            told = msgspec.json.decode(line)
            if "summary" in told:
                self.summary = told["summary"]
            elif "problem" in told:
                self._refuse(line, told)

    def _refuse(self, line: bytes, told: dict[str, Any]) -> None:
        if self._file is not None:
            self._file.write(line + b"\n")
        if self._shown < SHOWN:
            say(f"coldcase: row {told['line']}: {told['problem']['detail']}")
        self._shown += 1

    def close(self) -> None:
        """Nothing comes any more."""
        if self._file is not None:
            self._file.close()
