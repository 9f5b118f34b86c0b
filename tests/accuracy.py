"""How the engine does on the invented development cases: `python -m tests.accuracy [FILE]`.

Top-1 and top-3 are counted on the ranking whatever the status, the reliability on answers that name a cause.
The cases were judged by the hands that wrote the rule table, so the figures prove that the table says what it
was meant to say, not how often it is right in the field.
"""

import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coldcase import classifying
from coldcase.core.answer import Answer
from coldcase.core.case_reader import parse_case
from coldcase.core.compiled_table import compile_table
from coldcase.core.rule_table import UNDETERMINED, table_digest
from coldcase.shipped import starter_table

CASES = Path(__file__).parent / "data" / "dev_cases.jsonl"
EDGES = (0.2, 0.4, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)
"""Upper ends of the reliability bins; each bin is closed on the right."""


@dataclass(frozen=True)
class Judged:
    """A case with the answer to it and what its judge would accept."""

    id: str
    answer: Answer
    right: frozenset[str]
    defensible: frozenset[str]

    @property
    def to_refuse(self) -> bool:
        return UNDETERMINED in self.right

    @property
    def refused(self) -> bool:
        return self.answer.status == UNDETERMINED

    @property
    def places(self) -> list[str]:
        return [row.cause for row in self.answer.ranking]


def judge(path: Path) -> Iterator[Judged]:
    """Every case of the file, answered under the starter rule table."""
    table = starter_table()
    compiled = compile_table(table, version=None, digest=table_digest(table))
    for line in path.read_text(encoding="utf-8").splitlines():
        row: dict[str, Any] = json.loads(line)
        answer = classifying.answer_case(parse_case(row["case"], compiled), compiled, next_checks=False)
        right = frozenset(row["judged"])
        yield Judged(id=row["id"], answer=answer, right=right, defensible=right | set(row["also_defensible"]))


def brier(case: Judged) -> float:
    """Sum over all causes of (confidence - truth) squared; of several right causes the best placed is the
    truth."""
    truth = next(cause for cause in case.places if cause in case.right)
    return sum((row.confidence - (row.cause == truth)) ** 2 for row in case.answer.ranking)


def reliability(cases: list[Judged]) -> Iterator[tuple[float, float, int, float, float]]:
    """For each bin with answers in it: lower and upper end, how many, mean confidence, share that was
    right."""
    for lower, upper in zip((0.0, *EDGES), EDGES, strict=False):
        inside = [case for case in cases if lower < case.answer.confidence <= upper]
        if inside:
            stated = sum(case.answer.confidence for case in inside) / len(inside)
            yield (
                lower,
                upper,
                len(inside),
                stated,
                sum(case.answer.cause in case.right for case in inside) / len(inside),
            )


def report(cases: list[Judged]) -> Iterator[str]:
    """The figures, line by line."""
    to_name = [case for case in cases if not case.to_refuse]
    to_refuse = [case for case in cases if case.to_refuse]
    named = [case for case in cases if not case.refused]
    yield f"cases                 {len(cases)} ({len(to_name)} to be named, {len(to_refuse)} to be refused)"
    yield f"top-1                 {_share(c.places[0] in c.right for c in to_name)}"
    yield f"top-3                 {_share(bool(c.right & {*c.places[:3]}) for c in to_name)}"
    yield f"named                 {len(named)}, right {_share(c.answer.cause in c.right for c in named)}"
    yield f"                      right or defensible {_share(c.answer.cause in c.defensible for c in named)}"
    yield f"refused rightly       {sum(c.refused for c in to_refuse)} of {len(to_refuse)}"
    yield f"refused wrongly       {sum(c.refused for c in to_name)} of {len(to_name)}"
    yield f"Brier (sum form)      {sum(map(brier, to_name)) / len(to_name):.4f}"
    yield "reliability           confidence        n   stated   right"
    for lower, upper, count, stated, right in reliability(named):
        yield f"                      ({lower:.2f}, {upper:.2f}]  {count:>4}   {stated:.3f}    {right:.3f}"
    for case in cases:
        if case.refused != case.to_refuse or (not case.refused and case.answer.cause not in case.right):
            first = ", ".join(f"{row.cause} {row.confidence:.2f}" for row in case.answer.ranking[:3])
            yield f"{case.id:<6}{case.answer.status:<14} judged {'/'.join(sorted(case.right))}: {first}"


def _share(values: Iterator[bool]) -> str:
    hits = list(values)
    return f"{sum(hits) / len(hits):.3f}" if hits else "none"


if __name__ == "__main__":
    cases = list(judge(Path(sys.argv[1]) if len(sys.argv) > 1 else CASES))
    print("\n".join(report(cases)))  # a report is what this is for
