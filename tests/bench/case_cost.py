"""What a case costs the processor, step by step, where every case differs; beside another working tree, in
turns within one run, with the answers' bytes compared.

python -m tests.bench.case_cost [--beside TREE] [--cases 1500]
Alone and eight together as they come to the service, in chunks as an import answers them (no next checks),
and short as a backtest does. Time of the processor, not of the clock; a ratio is the median over slices.
"""

import argparse
import hashlib
import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

HERE = Path(__file__).parents[2]
AT = datetime(2026, 11, 27, tzinfo=UTC)
WAYS = {"alone": (1, True), "eight": (8, True), "chunk": (500, False), "short": (500, False)}
SLICE = {"plain": 40, "metered": 20}
WARMING = 2
"""Slices that fill caches and are not counted."""


class Measured(NamedTuple):
    """Microseconds a case by step, and a digest of the answers."""

    steps: dict[str, float]
    digest: str


class Tree:
    """The engine of a working tree, in a process of its own."""

    def __init__(self, root: Path, cases: int) -> None:
        paths = os.pathsep.join((str(root / "service"), str(root)))
        self._process = subprocess.Popen(
            [sys.executable, "-P", __file__, "--work", "--cases", str(cases)],
            cwd=root,
            env={**os.environ, "PYTHONPATH": paths},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def measured(self, *what: str) -> Measured:
        """One slice of one kind, answered in one way."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        print(*what, file=self._process.stdin, flush=True)
        return Measured(*json.loads(self._process.stdout.readline()))


def work(cases: int) -> None:
    """Answers what is asked for, line by line."""
    from coldcase import answering, classifying  # noqa: PLC0415 - of the tree that this process is of
    from coldcase.core.answer_builder import build_answers  # noqa: PLC0415
    from coldcase.core.short_answers import short_answers  # noqa: PLC0415
    from coldcase.readings import refrigerants  # noqa: PLC0415
    from tests.scale.differing import differing, table  # noqa: PLC0415

    refrigerants.warm()
    bodies: dict[str, list[bytes]] = {"plain": [], "metered": []}
    for case in differing(cases):
        bodies["metered" if "readings" in case else "plain"].append(json.dumps(case).encode())

    def row(parsed: Any, answer: Any) -> object:
        named = answering.on_record(answer, AT)
        text = classifying.encode_answer(named)
        return answering.row_of(
            parsed, named, 1, client_id=1, key=None, origin="live", own_code=None, text=text
        )

    for line in sys.stdin:
        way, kind, first = line.split()
        together, checks = WAYS[way]
        steps, digest = dict.fromkeys(("read", "readings", "answer", "row"), 0.0), hashlib.sha256()
        some = bodies[kind][int(first) : int(first) + SLICE[kind]]
        for start in range(0, len(some), together):
            part = some[start : start + together]
            parsed = timed(steps, "read", lambda part=part: [classifying.read_case(b, table()) for b in part])
            taken = classifying.add_outcomes if way == "short" else classifying.add_readings
            given = timed(steps, "readings", lambda p=parsed, t=taken: [t(one, table()) for one in p])
            if way == "short":
                timed(steps, "answer", lambda g=given: short_answers(g, table()))
                continue
            answers = timed(
                steps, "answer", lambda g=given, c=checks: build_answers(g, table(), next_checks=c)
            )
            timed(steps, "row", lambda p=parsed, a=answers: [row(*one) for one in zip(p, a, strict=True)])
            for answer in answers:
                digest.update(classifying.encode_answer(answer))
        print(
            json.dumps([{name: s / len(some) * 1e6 for name, s in steps.items()}, digest.hexdigest()]),
            flush=True,
        )


def timed(steps: dict[str, float], name: str, step: Callable[[], Any]) -> Any:
    """What a step yields; its time is added up."""
    began = time.thread_time()
    done = step()
    steps[name] += time.thread_time() - began
    return done


def compare(trees: list[Tree], cases: int) -> None:
    """Prints a line for each kind, way and step; ends with an error where the bytes differ."""
    found: dict[tuple[str, str, str], list[list[float]]] = {}
    for kind, count in (("plain", cases * 2 // 3), ("metered", cases // 3)):
        for first in range(0, count - SLICE[kind] + 1, SLICE[kind]):
            for way in WAYS:
                each = [tree.measured(way, kind, str(first)) for tree in trees]
                if len({one.digest for one in each}) > 1:
                    raise SystemExit(f"{kind}, {way}, cases from {first}: the answers differ")
                if first >= WARMING * SLICE[kind]:
                    for step in each[0].steps:
                        found.setdefault((kind, way, step), []).append([one.steps[step] for one in each])
                    found.setdefault((kind, way, "all"), []).append([sum(one.steps.values()) for one in each])
    for what, times in found.items():
        here = statistics.median(row[0] for row in times)
        if here >= 1:
            beside = [row[0] / row[1] for row in times if len(row) > 1 and row[1]]
            ratio = f"{statistics.median(beside):6.2f} of the other's" if beside else ""
            print(f"{', '.join(what):28}{here:7.0f} us{ratio}")


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--beside", type=Path)
    arguments.add_argument("--cases", type=int, default=1500)
    arguments.add_argument("--work", action="store_true", help=argparse.SUPPRESS)
    given = arguments.parse_args()
    if given.work:
        work(given.cases)
        return
    roots = [HERE, *([given.beside.resolve()] if given.beside else [])]
    compare([Tree(root, given.cases) for root in roots], given.cases)


if __name__ == "__main__":
    main()
