"""What travels inside the package as data: the starter rule table and the demo cases."""

from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
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
