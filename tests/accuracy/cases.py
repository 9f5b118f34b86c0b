"""The sets of cases, each case with what is true of it."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from coldcase import classifying
from coldcase.core.answer import Answer
from coldcase.core.case_reader import parse_case
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.rule_table import UNDETERMINED, UNLISTED, table_digest
from coldcase.shipped import starter_table

TESTS = Path(__file__).parents[1]
DEVELOPMENT = TESTS / "data" / "dev_cases.jsonl"
SETS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh")
TOLD = {name: TESTS / "cases" / f"told_{name}.jsonl" for name in SETS}
CODED = {name: TESTS / "cases" / f"coded_{name}.jsonl" for name in SETS}

MACHINE = {
    "failed_electrically": "damaged",
    "runs_but_worn_or_weak": "damaged",
    "broken_mechanically": "damaged",
    "seized": "damaged",
    "sound": "sound",
}
"""What a teller's words for the state of the machine come to; `unknown` is not judged."""

NAMED_SINCE = {"A31": "vibration_at_rest", "B15": "vibration_at_rest", "I15": "vibration_at_rest"}
"""Cases whose cause had no code in the list that their teller was given, and has one now."""


@dataclass(frozen=True)
class Truth:
    """A case as coded, and what its judge holds to be true.

    `right` are the answers that are right, `undetermined` among them where the cause cannot be named;
    `defensible` are no wrong names either. `pair` are both causes, where there are two. `unsaid` and
    `facts` count what was told.
    """

    id: str
    case: dict[str, Any]
    right: frozenset[str]
    defensible: frozenset[str]
    pair: frozenset[str] = frozenset()
    machine: str | None = None
    unsaid: int = 0
    facts: int = 0


@dataclass(frozen=True)
class Judged:
    """A case with the answer to it."""

    truth: Truth
    answer: Answer

    @property
    def refused(self) -> bool:
        return self.answer.status == UNDETERMINED

    @property
    def right(self) -> bool:
        return self.answer.cause in self.truth.right

    @property
    def wrongly_named(self) -> bool:
        return not self.refused and self.answer.cause not in self.truth.right | self.truth.defensible

    @property
    def to_refuse(self) -> bool:
        return UNDETERMINED in self.truth.right

    @property
    def in_first_three(self) -> bool:
        first = {row.cause for row in self.answer.ranking[:3]}
        return bool(first & self.truth.right) or (self.to_refuse and (self.refused or UNLISTED in first))

    @property
    def second_found(self) -> bool:
        beside = {row.cause for row in self.answer.contributing} | {row.cause for row in self.answer.leads}
        return self.truth.pair <= beside | {self.answer.cause}


@cache
def starter() -> CompiledTable:
    table = starter_table()
    return compile_table(table, version=None, digest=table_digest(table))


def answered(truth: Truth, compiled: CompiledTable, case: dict[str, Any] | None = None) -> Judged:
    """The case (or what became of it) with its answer."""
    parsed = parse_case(truth.case if case is None else case, compiled)
    return Judged(truth, classifying.answer_case(parsed, compiled, next_checks=False))


def cases_of(name: str) -> list[Truth]:
    """The cases of a set; raises FileNotFoundError where told cases have not been coded."""
    return list(_development() if name == "development" else _told(name))


def _rows(path: Path) -> Iterator[dict[str, Any]]:
    for line in path.read_text(encoding="utf-8").splitlines():
        yield json.loads(line)


def _development() -> Iterator[Truth]:
    for row in _rows(DEVELOPMENT):
        yield Truth(
            row["id"], row["case"], frozenset(row["judged"]), frozenset(row.get("also_defensible", ()))
        )


def _told(name: str) -> Iterator[Truth]:
    truths = {row["id"]: row for row in _rows(TOLD[name])}
    for row in _rows(CODED[name]):
        told = truths[row["id"]]
        truth = told["truth"]
        cause, second = NAMED_SINCE.get(row["id"], truth["cause"]), truth["second_cause"]
        right = {UNDETERMINED if cause in {UNDETERMINED, UNLISTED} else cause}
        if truth["second_role"] == "initiating":
            # Some tellers put first what was found, second what began it: the service names what began it.
            right.add(second)
        yield Truth(
            id=row["id"],
            case=row["case"],
            right=frozenset(right),
            defensible=frozenset(),
            pair=frozenset((cause, second)) if second else frozenset(),
            machine=MACHINE.get(truth["machine_state"]),
            unsaid=len(row["unsaid"]),
            facts=len(told["facts"]),
        )
