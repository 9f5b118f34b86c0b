"""What an attack is, what it found, and the one table of all of them."""

import json
import time
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from tests.attack.stage import Stage


@dataclass(frozen=True)
class Outcome:
    """One promise, how it was tried and how often; `broken` names what did not hold, `figure` is what was
    measured.

    `not_tried` says of a promise why it was not tried; it then counts as neither held nor broken.
    """

    promise: str
    how: str
    tries: int = 0
    broken: list[str] = field(default_factory=list)
    figure: str = ""
    not_tried: str = ""

    @property
    def verdict(self) -> str:
        if self.broken:
            return "BROKEN"
        return f"not tried: {self.not_tried}" if self.not_tried else "held"


Work = Callable[[Stage, float], Iterable[Outcome]]


@dataclass(frozen=True)
class Attack:
    """An attack by name: its work takes a stage and about how many seconds it may go on."""

    name: str
    work: Work
    seconds: float


REGISTRY: dict[str, Attack] = {}


def attack(name: str, *, seconds: float) -> Callable[[Work], Work]:
    """Puts a function on the list of attacks."""

    def add(work: Work) -> Work:
        REGISTRY[name] = Attack(name, work, seconds)
        return work

    return add


def run(chosen: Iterable[Attack], stage: Stage, seconds: float | None) -> Iterator[tuple[str, Outcome]]:
    """The outcomes of attack after attack. One that fails itself proves nothing, and so counts as broken."""
    for one in chosen:
        print(f"{one.name} …", flush=True)
        began = time.monotonic()
        try:
            for outcome in one.work(stage, seconds or one.seconds):
                print(f"  {outcome.verdict}: {outcome.promise} ({outcome.how}) {outcome.figure}", flush=True)
                yield one.name, outcome
        except Exception as error:  # noqa: BLE001 - the other attacks go on
            stage.keep(one.name, traceback.format_exc())
            yield (
                one.name,
                Outcome("the attack itself", one.name, broken=[f"{type(error).__name__}: {error}"[:600]]),
            )
        print(f"  {time.monotonic() - began:.0f} s", flush=True)


def table(found: Iterable[tuple[str, Outcome]]) -> str:
    """The table, and under it each thing that did not hold."""
    rows = [("attack", "promise", "how tried", "tries", "verdict", "figure")]
    rows += [(name, one.promise, one.how, f"{one.tries:,}", one.verdict, one.figure) for name, one in found]
    lines = ["| " + " | ".join(row) + " |" for row in rows]
    lines.insert(1, "| " + " | ".join("---" for _ in rows[0]) + " |")
    lines.append("")
    lines += [f"BROKEN {name}, {one.promise}: {what}" for name, one in found for what in one.broken]
    return "\n".join(lines)


def write(path: Path, found: Iterable[tuple[str, Outcome]]) -> None:
    """The same for a program to read."""
    told: list[Mapping[str, Any]] = [
        {"attack": name, "verdict": one.verdict, **asdict(one)} for name, one in found
    ]
    path.write_text(json.dumps(told, indent=2) + "\n")
