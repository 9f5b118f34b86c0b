"""What travels with the package as data: the starter rule table, the demo cases, and libraries of cases."""

import tomllib
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import msgspec

from coldcase.core.rule_table import RuleTable, from_document
from coldcase.core.table_files import assemble


@cache
def starter_table() -> RuleTable:
    """The starter rule table, read once."""
    return from_document(assemble(dict(_texts(files("coldcase.knowledge"), ""))))


def _texts(folder: Traversable, prefix: str) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    for entry in folder.iterdir():
        if entry.is_dir():
            found += _texts(entry, f"{prefix}{entry.name}/")
        elif entry.name.endswith(".toml"):
            found.append((prefix + entry.name, entry.read_text("utf-8")))
    return found


class DemoCase(msgspec.Struct, frozen=True):
    """One demo case: what the technician told, the JSON case, and what it is there to show."""

    title: str
    told: str
    case: dict[str, Any]


def demo_cases() -> dict[str, DemoCase]:
    """The demo cases by name, in order."""
    folder = files("coldcase.knowledge").joinpath("demo")
    named = sorted(
        (entry.name.removesuffix(".json"), entry)
        for entry in folder.iterdir()
        if entry.name.endswith(".json")
    )
    return {name: msgspec.json.decode(entry.read_bytes(), type=DemoCase) for name, entry in named}


LIBRARIES = {
    "worked": "spec/worked_cases.toml",
    "development": "data/dev_cases.jsonl",
    "bench": "cases/bench.jsonl",
}
"""Libraries of cases by name, each with its place among the tests."""


class LibraryCase(msgspec.Struct, frozen=True):
    """A case of which it is known what is right: causes, or `undetermined` where none can be named. `told` is
    what was said of it; empty where that is not in one text.
    """

    name: str
    case: dict[str, Any]
    right: frozenset[str]
    told: str = ""


@cache
def case_library(name: str) -> tuple[LibraryCase, ...]:
    """The cases of a library that say which answers are right."""
    rows = _library_rows(LIBRARIES[name])
    return tuple(
        LibraryCase(row.get("title") or row["id"], row["case"], frozenset(right), _told(row))
        for row in rows
        if (right := row.get("judged") or row.get("causes") or row.get("expected", {}).get("causes"))
    )


def _told(row: dict[str, Any]) -> str:
    told = row.get("told")
    return told if isinstance(told, str) else ""


def _library_rows(place: str) -> list[dict[str, Any]]:
    """A wheel brings them into the package; in a checkout they are among the tests."""
    package = Path(__file__).parent
    shipped = package / "libraries" / Path(place).name
    text = (shipped if shipped.is_file() else package.parents[1] / "tests" / place).read_text("utf-8")
    if place.endswith(".toml"):
        return list(tomllib.loads(text)["worked"])
    return [msgspec.json.decode(line) for line in text.splitlines()]
