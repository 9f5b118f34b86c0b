"""Many cases answered at once, as an import does, against one after the other: one thread, no database."""

import time
from collections.abc import Callable, Iterator
from itertools import islice

from coldcase.classifying import answer_case, encode_answer, read_case
from coldcase.cli.tables import compiled_from
from coldcase.importing import answering
from tests.bench.cases import BLEND, PLAIN, PURE, bodies
from tests.bench.figure import Figure, Sizes, of_two

CASES = 500
"""As many as a chunk of an import has."""


def measure(sizes: Sizes) -> Iterator[Figure]:
    """Two figures: without readings, and every second case with them. None has next checks, as in an
    import."""
    compiled = compiled_from(None)
    mixes = {
        "without readings": bodies(PLAIN)[:CASES],
        "every second with readings": [
            body
            for four in islice(
                zip(bodies(PLAIN), bodies(PURE), bodies(PLAIN), bodies(BLEND), strict=True), 125
            )
            for body in four
        ],
    }
    for name, sent in mixes.items():

        def together(sent: list[bytes] = sent) -> list[bytes]:
            cases = [read_case(body, compiled) for body in sent]
            return [encode_answer(one) for one in answering.answers(cases, compiled, next_checks=False)]

        def singly(sent: list[bytes] = sent) -> list[bytes]:
            return [
                encode_answer(answer_case(read_case(body, compiled), compiled, next_checks=False))
                for body in sent
            ]

        assert together() == singly(), "both ways must give the same answers"
        turns = [(a_second(together), a_second(singly)) for _ in range(sizes.rounds)]
        yield of_two(
            f"batch path, {name}",
            "times the single path",
            ("together, cases a second", [turn[0] for turn in turns]),
            ("singly", [turn[1] for turn in turns]),
            how=f"{CASES} cases read, answered without next checks, encoded; processor time of one thread",
        )


def a_second(work: Callable[[], list[bytes]]) -> float:
    """Cases a second of processor time."""
    began = time.process_time()
    done = len(work())
    return done / (time.process_time() - began)
