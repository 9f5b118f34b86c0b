"""An honest person at the case form: says what there is to say, and nothing else, question by question.

`python -m tests.spec.questions` prints how many questions it takes until the cause that the whole case comes
to stands in front, over the worked cases. It knows of a case only what the case says, so all else is passed
over, and each question passed over is counted as one that was answered: a person at the machine would answer
more.
"""

import json
import statistics
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coldcase import classifying
from coldcase.core.answer import Answer
from coldcase.core.asking import Asking, questions_in_order
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.rule_table import ALL_EFFORTS, UNDETERMINED, Effort
from coldcase.core.signs import whole
from coldcase.errors import BadCase
from coldcase.shipped import demo_cases
from coldcase.web.pages.case_told import told_shares
from tests.accuracy.cases import starter

HERE = Path(__file__).parent
GIVEN_UP = 80
"""Questions; nobody answers more."""


@dataclass(frozen=True)
class Asked:
    """How it went: the questions that were asked in their order, those answered, and whether the cause of the
    whole case came to the front.
    """

    name: str
    cause: str
    asked: list[str]
    answered: list[str]
    led: bool


def worked_cases() -> Iterator[tuple[str, dict[str, Any]]]:
    """Demo, worked, development and bench cases by name. None of them was used to count what is told."""
    for name, demo in demo_cases().items():
        yield f"demo {name}", demo.case
    for row in tomllib.loads((HERE / "worked_cases.toml").read_text("utf-8"))["worked"]:
        yield f"worked {row['title']}", json.loads(json.dumps(row["case"], default=str))
    for place in (HERE.parent / "cases" / "bench.jsonl", HERE.parent / "data" / "dev_cases.jsonl"):
        for line in place.read_text("utf-8").splitlines():
            row = json.loads(line)
            yield f"{place.stem} {row['id']}", row["case"]


@dataclass
class Person:
    """Somebody who knows a case. What an older finding said is said when its successor is asked for, and what
    a reading showed when its question is.
    """

    case: dict[str, Any]
    compiled: CompiledTable

    def __post_init__(self) -> None:
        parsed = classifying.case_of(self.case, self.compiled)
        self.answer = classifying.answer_case(parsed, self.compiled, next_checks=False)
        derived = classifying.add_outcomes(parsed, self.compiled).derived
        read = {whole(code): list(outcomes) for code, (outcomes, _) in derived.items()}
        self.observed: dict[str, Any] = {**read, **parsed.raw.get("observations", {})}
        findings = self.compiled.table.findings
        self.known = {findings[code].succeeded_by or code: code for code in self.observed}
        self.known |= {code: code for code in self.observed}

    @property
    def efforts(self) -> tuple[Effort, ...]:
        """What this person did: what is known took that."""
        done = {self.compiled.table.findings[code].effort for code in self.observed}
        return tuple(effort for effort in ALL_EFFORTS if effort in done) or ALL_EFFORTS


def go_through(name: str, case: dict[str, Any], *, points: bool) -> Asked | None:
    """A case from the first question until its cause leads; None for one that names none. With `points` the
    person first points at what something can be told of, which is counted as one question more.
    """
    person = Person(case, starter())
    if person.answer.status == UNDETERMINED:
        return None
    base = {part: person.case[part] for part in ("unit", "opening") if part in person.case}
    said: dict[str, Any] = {}
    asked: list[str] = ["(what was pointed at)"] if points else []
    passed: list[str] = []
    answered: list[str] = []
    while len(asked) < GIVEN_UP:
        parsed = classifying.case_of({**base, "observations": said}, starter())
        if (
            said
            and _leader(classifying.answer_case(parsed, starter(), next_checks=False)) == person.answer.cause
        ):
            return Asked(name, person.answer.cause, asked, answered, led=True)
        pointed = tuple(person.known) if points else ()
        asking = Asking(told_shares(), [code for code in pointed if code not in answered], passed)
        order = questions_in_order(
            classifying.add_outcomes(parsed, starter()), starter(), person.efforts, asking
        )
        # One that was said by its older finding is seen under that one's code.
        order = [code for code in order if code not in answered and person.known.get(code) not in said]
        if not order:
            break
        asked.append(order[0])
        if order[0] in person.known:
            said[person.known[order[0]]] = person.observed[person.known[order[0]]]
            answered.append(order[0])
        else:
            passed.append(order[0])
    return Asked(name, person.answer.cause, asked, answered, led=False)


def _leader(answer: Answer) -> str:
    return answer.ranking[0].cause


def went(*, points: bool) -> list[Asked]:
    """All worked cases gone through, those aside that name no cause or that the table refuses."""
    gone = []
    for name, case in worked_cases():
        try:
            one = go_through(name, case, points=points)
        except BadCase:
            continue
        if one is not None:
            gone.append(one)
    return gone


def main() -> None:
    """Prints the figures."""
    for points in (False, True):
        gone = went(points=points)
        led = sorted(len(one.asked) for one in gone if one.led)
        print("pointing first" if points else "asked only", end=": ")
        print(
            f"{len(gone)} cases, median {statistics.median(led):g}, "
            f"nine in ten within {led[int(0.9 * len(led))]}",
            end=", ",
        )
        print(
            f"worst {led[-1]}, within 12: {sum(count <= 12 for count in led)}, never: {len(gone) - len(led)}"
        )
        for one in gone:
            if one.name.startswith("demo"):
                print(f"  {len(one.asked):3} {one.name}: {', '.join(one.answered)}")
        for one in gone:
            if not one.led:
                print(f"  never: {one.name} ({one.cause}): {', '.join(one.answered)}")


if __name__ == "__main__":
    main()
