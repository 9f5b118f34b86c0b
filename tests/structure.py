"""How the code is built, in figures: `python -m tests.structure [FOLDER ...]`, by default `service/coldcase`.

Lines of files and functions as the formatter lays them out at 88 columns, so that two line lengths can be
compared; public names that more than one module defines; imports from room to room, and those that run
upward. Give folders of two checkouts to set them side by side.
"""

import ast
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

COLUMNS = 88
LEAST_LINES = 3
ROOMS = (
    ("__main__",),
    ("cli",),
    ("app",),
    ("web",),
    ("proposing",),
    ("importing", "backtesting"),
    ("answering", "governing", "auditing", "feedback", "decision_record", "dictionaries"),
    ("sample_answers", "kept_answers"),
    ("classifying",),
    ("db",),
    ("proof",),
    ("shipped", "knowledge"),
    ("readings",),
    ("core",),
    ("settings", "logs", "clock", "processes", "workers"),
    ("errors",),
)
"""Top to bottom; a room imports from its own line and from below."""

FLOOR = {room: place for place, rooms in enumerate(ROOMS) for room in rooms}


def main() -> None:
    folders = [Path(name) for name in sys.argv[1:]] or [Path("service/coldcase")]
    for folder in folders:
        print(f"{folder}")
        with tempfile.TemporaryDirectory() as place:
            copy = Path(place) / "coldcase"
            shutil.copytree(folder, copy, ignore=shutil.ignore_patterns("__pycache__"))
            subprocess.run(
                ["ruff", "format", "-q", "--isolated", f"--line-length={COLUMNS}", str(copy)], check=True
            )
            sizes(copy)
        trees = trees_of(folder)
        twice = names_used_twice(trees)
        classes = [name for name in twice if name[0].isupper() and not name.isupper()]
        print(
            f"  names     {len(twice)} public names in more than one module, {len(classes)} of them "
            "classes or types"
        )
        for name, places in twice.items():
            print(f"            {name}: {', '.join(places)}")
        print_arrows(arrows(trees))


def trees_of(folder: Path) -> dict[Path, ast.Module]:
    """The modules of a folder, parsed, by their path in it."""
    found = sorted(folder.rglob("*.py"))
    return {path.relative_to(folder): ast.parse(path.read_text("utf-8")) for path in found}


def sizes(folder: Path) -> None:
    files, functions = [], []
    for path in folder.rglob("*.py"):
        text = path.read_text("utf-8")
        if text.count("\n") >= LEAST_LINES:
            files.append(text.count("\n"))
        defined = (
            node
            for node in ast.walk(ast.parse(text))
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        )
        functions.extend((node.end_lineno or node.lineno) - node.lineno + 1 for node in defined)
    for name, values in (("files", files), ("functions", functions)):
        tenth = statistics.quantiles(values, n=10)[-1]
        print(
            f"  {name:<9} {len(values):5} of {sum(values):6} lines: median "
            f"{statistics.median(values):.0f}, p90 {tenth:.0f}, max {max(values)}"
        )


def public_names(tree: ast.Module) -> Iterator[str]:
    """Classes, functions and values that a module defines for others, entry points of a protocol left out."""
    for node in tree.body:
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            found = [node.name]
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            found = [target.id for target in targets if isinstance(target, ast.Name)]
        else:
            found = []
        yield from (name for name in found if not name.startswith("_"))


def names_used_twice(trees: dict[Path, ast.Module]) -> dict[str, list[str]]:
    """Public names with the modules that define them, where there is more than one."""
    places: dict[str, list[str]] = {}
    for path, tree in trees.items():
        for name in dict.fromkeys(public_names(tree)):
            places.setdefault(name, []).append(path.as_posix())
    return {name: found for name, found in sorted(places.items()) if len(found) > 1}


def arrows(trees: dict[Path, ast.Module]) -> Counter[tuple[str, str]]:
    """How many imports go from room to room."""
    counted: Counter[tuple[str, str]] = Counter()
    for path, tree in trees.items():
        room = path.parts[0].removesuffix(".py")
        for node in ast.walk(tree):
            for name in imported(node):
                parts = name.split(".")
                if parts[0] == "coldcase" and len(parts) > 1 and parts[1] != room:
                    counted[room, parts[1]] += 1
    return counted


def imported(node: ast.AST) -> list[str]:
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    if isinstance(node, ast.ImportFrom) and node.module == "coldcase":
        return [f"coldcase.{alias.name}" for alias in node.names]
    return [node.module] if isinstance(node, ast.ImportFrom) and node.module else []


def upward(counted: Counter[tuple[str, str]]) -> list[tuple[str, str]]:
    """The arrows that run from a room to one above it."""
    return [pair for pair in counted if FLOOR.get(pair[0], -1) > FLOOR.get(pair[1], 99)]


def unknown_rooms(counted: Counter[tuple[str, str]]) -> list[str]:
    """Rooms that ROOMS does not place."""
    return sorted({room for pair in counted for room in pair if room not in FLOOR and "__" not in room})


def print_arrows(counted: Counter[tuple[str, str]]) -> None:
    up = upward(counted)
    print(
        f"  imports   {counted.total()} between rooms in {len(counted)} arrows, {len(up)} of them "
        f"upward: {up or 'none'}"
    )
    if unknown := unknown_rooms(counted):
        print(f"            rooms without a floor: {', '.join(unknown)}")
    for room in dict.fromkeys(pair[0] for pair in sorted(counted, key=lambda pair: FLOOR.get(pair[0], 99))):
        print(
            f"            {room} -> "
            + ", ".join(f"{to} {n}" for (of, to), n in sorted(counted.items()) if of == room)
        )


if __name__ == "__main__":
    main()
