"""`coldcase bulk`: posts a file of history to a service, in parts, and goes on where it was cut off."""

import argparse
import hashlib
import os
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, closing, nullcontext
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO, Self

import msgspec
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from coldcase.cli.bulk_trial import opened, read_map, refusal, run_dry
from coldcase.cli.console import Commands, WrongUse, as_json, command, result, say
from coldcase.importing.counting import Seen
from coldcase.importing.history import Columns, CsvFile, HistoryLine, json_lines
from coldcase.importing.posting import PostedPart, Service, parts_ahead
from coldcase.settings import Settings

PART_LINES = 10_000
"""Lines of one request: some seconds of work, whose answers a killed client asks for again."""


class BulkState(msgspec.Struct):
    """How far an import came: of which file, under which key, how many lines have their answer and what these
    were, and where the files of refused lines ended.
    """

    source: str
    url: str
    key: str | None
    lines: int = 0
    recorded: int = 0
    replayed: int = 0
    refused: int = 0
    refused_end: int = 0
    why_end: int = 0


def add_bulk_commands(commands: Commands) -> None:
    """Adds `bulk`."""
    added = command(
        commands,
        "bulk",
        run_bulk,
        "Post history to a service, in parts: lines of JSON, or CSV by a crosswalk.",
    )
    added.add_argument("file", help="lines of JSON, or CSV with --csv-map; - for standard input")
    added.add_argument("--url", help="the service's address")
    added.add_argument("--key", help="the import's key: a line is known again by it, too")
    added.add_argument("--csv-map", metavar="MAP.toml", help="a crosswalk: the file is CSV in its columns")
    added.add_argument("--own-code", metavar="COLUMN", help="the column that holds your own failure code")
    added.add_argument("--delimiter", help="what parts the cells of a CSV file; else it is guessed")
    added.add_argument("--patience", type=float, default=600.0, help="seconds to go on trying (600)")
    added.add_argument(
        "--dry-run",
        action="store_true",
        help="read the whole file and say what would become of it",
    )
    added.add_argument("--table", metavar="PATH", help="a dry run's rule table; else the starter table")
    added.add_argument(
        "--jobs",
        type=int,
        choices=range(1, 65),
        metavar="N",
        default=Settings().import_processes,
        help="how many processes read and answer a large file in a dry run; else one for each core",
    )
    added.add_argument("--json", action="store_true", help="print the counts as JSON")


def run_bulk(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Posts the file; exit 1 if a line was refused, or the service did not take it."""
    if args.csv_map is None and args.file.lower().endswith(".csv"):
        raise WrongUse(
            "Say by --csv-map what the columns mean; rows in our own layout are posted as they are."
        )
    if args.dry_run:
        return run_dry(args)
    secret = environ.get("COLDCASE_KEY")
    if args.url is None:
        raise WrongUse("Name the service: --url.")
    if not secret:
        raise WrongUse("COLDCASE_KEY holds the API key.")
    mapped = None if args.csv_map is None else read_map(Path(args.csv_map))
    with opened(args.file) as file, tempfile.TemporaryDirectory(prefix="coldcase-bulk-") as folder:
        service = Service(
            args.url,
            secret,
            args.key,
            crosswalk=mapped and mapped[0],
            patience_s=args.patience,
            say=lambda text: say(f"coldcase: {text}"),
        )
        seen = Seen(folder)
        head, lines = b"", json_lines(file, seen)
        state = _state(args, file)
        if mapped is not None:
            service.put_crosswalk(*mapped)
            table = CsvFile(file, Columns(mapped[0], args.own_code, args.delimiter))
            head, lines = table.head(), table.lines(seen)
        with closing(seen), _Posting(args, state, service, head) as posting:
            posting.post(lines, file)
    told = posting.counts
    if args.json:
        as_json(told)
    else:
        result(", ".join(f"{count} {name}" for name, count in told.items()))
    if state.refused and args.file != "-":
        refused, why = _beside(args.file, "refused"), _beside(args.file, "why")
        say(f"coldcase: refused lines are in {refused}, why in {why}")
    return 1 if state.refused else 0


def _beside(name: str, what: str) -> Path:
    path = Path("stdin" if name == "-" else name)
    return path.with_name(f"{path.stem}.{what}{path.suffix if what == 'refused' else '.ndjson'}")


def _state_file(name: str) -> Path:
    return Path(f"{name}.coldcase-bulk")


def _state(args: argparse.Namespace, file: BinaryIO) -> BulkState:
    """Where the import of this very file to this service was left; its beginning if nowhere."""
    size = os.fstat(file.fileno()).st_size
    source = f"{size} {hashlib.sha256(file.read(1 << 20)).hexdigest()}"
    file.seek(0)
    fresh = BulkState(source, args.url, args.key)
    if args.file == "-":
        return fresh
    try:
        kept = msgspec.json.decode(_state_file(args.file).read_bytes(), type=BulkState)
    except (OSError, msgspec.DecodeError):
        return fresh
    if (kept.source, kept.url, kept.key) != (fresh.source, fresh.url, fresh.key):
        return fresh
    say(f"coldcase: {kept.lines} lines have their answer; going on after them")
    return kept


class _Posting:
    """The parts of one file, its counts, and the files of what was refused."""

    def __init__(self, args: argparse.Namespace, state: BulkState, service: Service, head: bytes) -> None:
        self._args = args
        self._state = state
        self._service = service
        self._head = head
        self._refused = _cut_to(_beside(args.file, "refused"), state.refused_end)
        self._why = _cut_to(_beside(args.file, "why"), state.why_end)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for file, path in ((self._refused, "refused"), (self._why, "why")):
            file.close()
            if not self._state.refused:
                _beside(self._args.file, path).unlink(missing_ok=True)

    def post(self, lines: Iterator[HistoryLine], file: BinaryIO) -> None:
        """Posts what has no answer yet."""
        # Counted all the same: how often a content came before is of the whole file.
        for _ in islice(lines, self._state.lines):
            pass
        size = os.fstat(file.fileno()).st_size
        with _progress() as progress:
            task = None if progress is None else progress.add_task("", total=size, counts=self.counts)
            for part in parts_ahead(lines, PART_LINES, partial(_place, file)):
                self._take(part)
                if progress is not None and task is not None:
                    progress.update(task, completed=part.end, counts=self.counts)
        if self._args.file != "-":
            _state_file(self._args.file).unlink(missing_ok=True)

    @property
    def counts(self) -> dict[str, int]:
        """What became of the lines so far."""
        return {name: getattr(self._state, name) for name in ("lines", "recorded", "replayed", "refused")}

    def _take(self, part: PostedPart) -> None:
        told = iter(self._service.answers(part) if part.posted else ())
        for line in part.lines:
            answer = next(told) if line.error is None else {"problem": refusal(line.error)}
            self._state.lines += 1
            if "problem" in answer:
                self._refuse(line, answer["problem"])
            elif answer["replayed"]:
                self._state.replayed += 1
            else:
                self._state.recorded += 1
        self._save()

    def _refuse(self, line: HistoryLine, problem: Any) -> None:
        if self._head and self._refused.tell() == 0:
            self._refused.write(self._head)
        self._state.refused += 1
        self._refused.write(line.shown)
        if line.wrapped:
            for flaw in problem.get("errors", ()):
                flaw["pointer"] = flaw["pointer"].removeprefix("/case")
        self._why.write(msgspec.json.encode({"line": line.number, "problem": problem}) + b"\n")

    def _save(self) -> None:
        """What was told is written first, then that it was: a kill in between tells it once more."""
        for file in (self._refused, self._why):
            file.flush()
        self._state.refused_end, self._state.why_end = self._refused.tell(), self._why.tell()
        if self._args.file != "-":
            path = _state_file(self._args.file)
            half = path.with_name(f"{path.name}.half")
            half.write_bytes(msgspec.json.encode(self._state))
            half.replace(path)


def _cut_to(path: Path, end: int) -> BinaryIO:
    file = path.open("ab" if end else "wb")
    file.truncate(end)
    file.seek(end)
    return file


def _place(file: BinaryIO) -> int:
    return os.lseek(file.fileno(), 0, os.SEEK_CUR)


def _progress() -> AbstractContextManager[Progress | None]:
    """A bar where a person looks on."""
    if not sys.stderr.isatty():
        return nullcontext()
    names = ("recorded", "replayed", "refused")
    return Progress(
        BarColumn(),
        TextColumn(", ".join(f"{{task.fields[counts][{name}]}} {name}" for name in names)),
        TimeRemainingColumn(),
        console=Console(stderr=True),
    )
