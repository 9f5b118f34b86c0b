"""`coldcase bulk --dry-run`: what would become of a file of history, without any service."""

import argparse
import re
import shutil
import sys
import tempfile
import tomllib
from contextlib import AbstractContextManager, closing
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO

import msgspec

from coldcase.classifying import case_of, case_of_row
from coldcase.cli.console import WrongUse, as_json, result
from coldcase.cli.tables import compiled_from
from coldcase.clock import now
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.crosswalk import Crosswalk, as_compared
from coldcase.core.crosswalk_checking import parse_crosswalk
from coldcase.errors import ColdcaseError, Flawed
from coldcase.feedback.verdicts import GivenVerdict, parse_verdict
from coldcase.importing.counting import Seen
from coldcase.importing.history import Columns, CsvFile, json_lines
from coldcase.importing.lines import LineReading
from coldcase.importing.trying import Trial, Trying, try_lines
from coldcase.importing.trying_elsewhere import TrialPool


def read_map(path: Path) -> tuple[str, Any]:
    """A crosswalk's name, which is its file's, and its document. Raises WrongUse."""
    try:
        document = tomllib.loads(path.read_text("utf-8"))
    except (OSError, UnicodeError, tomllib.TOMLDecodeError) as error:
        raise WrongUse(f"{path}: {error}") from error
    name = re.sub(r"[^a-z0-9_-]", "-", path.stem.lower())[:64].lstrip("-_0123456789") or "bulk"
    return name, document


def opened(name: str) -> AbstractContextManager[BinaryIO]:
    """A file, or standard input as one for `-`. Raises WrongUse."""
    if name == "-":
        whole: Any = tempfile.TemporaryFile()  # noqa: SIM115 - the caller closes it
        shutil.copyfileobj(sys.stdin.buffer, whole)
        whole.seek(0)
        return whole  # type: ignore[no-any-return]
    try:
        return Path(name).open("rb")
    except OSError as error:
        raise WrongUse(f"{name}: {error.strerror}") from error


def run_dry(args: argparse.Namespace) -> int:
    """Reads the whole file and says what would become of it; exit 1 if a line would be refused.

    Raises BadCrosswalk with every flaw of the map.
    """
    mapped: tuple[str, Crosswalk] | None = None
    compiled = compiled_from(args.table)
    if args.csv_map is not None:
        name, document = read_map(Path(args.csv_map))
        mapped = name, parse_crosswalk(document, compiled)
    document_text = mapped and msgspec.json.encode(mapped[1]).decode()
    elsewhere = TrialPool(args.jobs, partial(_trying_by, args.table, mapped and mapped[0], document_text))
    with (
        opened(args.file) as file,
        tempfile.TemporaryDirectory(prefix="coldcase-bulk-") as folder,
        closing(Seen(folder)) as seen,
        closing(elsewhere),
    ):
        if mapped is None:
            trial = try_lines(json_lines(file, seen), _trying(compiled, None, None), elsewhere)
        else:
            table = CsvFile(file, Columns(mapped[0], args.own_code, args.delimiter))
            trial = try_lines(table.lines(seen), _trying(compiled, mapped[0], document_text), elsewhere)
            _compare_columns(trial, table.header, mapped[1])
    if args.json:
        as_json(trial)
    else:
        _say(trial)
    return 1 if trial.refused else 0


def _trying_by(table: str | None, name: str | None, document: str | None) -> Trying:
    """The same in another process."""
    return _trying(compiled_from(table), name, document)


def _trying(compiled: CompiledTable, name: str | None, document: str | None) -> Trying:
    def judge(raw: Any, failed_at: Any) -> GivenVerdict:
        return parse_verdict(raw, (compiled,), failed_at=failed_at, now=now())

    if name is None or document is None:
        return Trying(LineReading(partial(case_of, compiled=compiled), judge), compiled, refusal)
    parse = partial(case_of_row, compiled=compiled, document=document, crosswalk=(name, 1))
    return Trying(LineReading(parse, judge, name), compiled, refusal)


def refusal(error: ColdcaseError) -> dict[str, Any]:
    """Why a line is refused, as far as a problem document says it."""
    flaws = error.flaws if isinstance(error, Flawed) else ()
    named = [{"pointer": flaw.pointer, "detail": flaw.detail} for flaw in flaws]
    return {"detail": error.detail, "errors": named}


def _compare_columns(trial: Trial, header: list[str], crosswalk: Crosswalk) -> None:
    inbound = crosswalk.inbound
    assert inbound is not None  # noqa: S101 - rows were read by it
    used, there = {as_compared(name) for name in inbound.members}, {as_compared(name) for name in header}
    trial.columns_never_used = [name for name in header if as_compared(name) not in used]
    trial.members_not_there = [name for name in inbound.members if as_compared(name) not in there]


def _say(trial: Trial) -> None:
    result(f"{trial.lines} lines: {trial.usable} usable, {trial.refused} would be refused")
    result(f"{trial.coded} coded, {trial.provisional} provisional, {trial.undetermined} undetermined")
    for word in trial.unmapped:
        result(f"  {word.place}: {word.value!r} cannot be read, on {word.lines} lines")
    for says, names in (
        ("columns that are never used", trial.columns_never_used),
        ("members of the map that stand in no column", trial.members_not_there),
    ):
        if names:
            result(f"{says}: {', '.join(names)}")
    for line in trial.first_lines:
        shown = {"refused": line.problem} if line.problem is not None else line.case
        result(f"line {line.line}: {msgspec.json.encode(shown).decode()}")
