"""Where the processor's time of one answer goes, stage by stage, for cases that all differ.

Each function of a stage is timed while cases are answered eight together, as in the service, without what
it calls of other stages. The clock is the wall's, for the processor's own costs as much to read as a short
stage takes; so stages are shares, scaled to what the processor was used for altogether. What a running
service takes for an answer with HTTP and the record, and for a bare handler, is told beside: the rest is
theirs.
"""

import statistics
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from functools import wraps
from importlib import import_module
from typing import Any

from coldcase import answering, classifying, dictionaries, kept_answers
from coldcase.cli.tables import compiled_from
from coldcase.core import answer_builder
from coldcase.db import decision_batch
from coldcase.proof.packing import Packer
from coldcase.readings import refrigerants
from tests.bench.cases import BLEND, PLAIN, PURE, bodies
from tests.bench.figure import Figure, Sizes
from tests.bench.load import Requests, how, request
from tests.bench.recording import BARE, CONNECTIONS, RECORD
from tests.bench.stage import running_service, where

TOGETHER = 8
"""Cases that arrive in one turn of the event loop."""

CASES, WARMING = 400, 400
"""Cases of a round, and those that fill caches before the first."""

AT = datetime(2026, 11, 27, tzinfo=UTC)

STAGES: dict[str, tuple[str, ...]] = {
    "read JSON": ("core.strict_json:read_json",),
    "parse": ("core.case_reader:parse_case",),
    "impossible values": ("readings.impossible_values:impossible_values",),
    "cache key": ("kept_answers:evidence_key",),
    "quantities": ("readings.findings:_worked_out",),
    "saturation": ("readings.refrigerants:Curve.temperature",),
    "isentropic compression": ("readings.refrigerants:compression",),
    "limits, and derived values in words": (
        "readings.limits:LimitJudge.__init__",
        "readings.findings:_weigh",
    ),
    "collect": ("core.weighing:observe", "core.weighing:collect"),
    "weigh": ("core.weighing:weigh_many", "core.coding:code"),
    "next checks": ("core.next_checks:next_checks_many",),
    "sentences": (
        "core.wording:rationale",
        "core.leads:leads",
        "core.second_causes:contributing",
        "core.coding:unexplained",
    ),
    "chain": ("core.answer_builder:_chain",),
    "answer": ("core.answer_builder:build_answers",),
    "encode": ("classifying:rest_of", "classifying:with_head"),
    "canonical JSON": ("proof.canonical:canonical_json",),
    "fingerprint": ("proof.canonical:fingerprint_of",),
    "row": ("answering:on_record", "answering:row_of", "db.decision_batch:checked_row"),
    "pack": ("db.decision_batch:_packed",),
}
"""The functions of each stage, by module (of the service) and name."""

JUDGING = list(STAGES)[list(STAGES).index("quantities") : list(STAGES).index("encode")]
"""What lies between the parsed case and its answer."""

KINDS = {"without readings": PLAIN, "readings, pure refrigerant": PURE, "readings, blend": BLEND}


class Stopwatch:
    """Seconds by stage, None for what is no stage's; of stages within each other the innermost counts."""

    def __init__(self) -> None:
        self.seconds: dict[str | None, float] = {}
        self._stage: str | None = None
        self._since = time.perf_counter()

    def enter(self, stage: str | None) -> str | None:
        """Time counts for this stage from now on; for which one it did."""
        now = time.perf_counter()
        self.seconds[self._stage] = self.seconds.get(self._stage, 0.0) + now - self._since
        self._since = now
        before, self._stage = self._stage, stage
        return before

    def watch(self, stage: str, name: str) -> None:
        """Times a function of the service, wherever it is imported."""
        place, _, path = name.partition(":")
        holder, _, attribute = path.rpartition(".")
        module = import_module(f"coldcase.{place}")
        if holder:
            owner = getattr(module, holder)
            setattr(owner, attribute, self._timed(stage, getattr(owner, attribute)))
            return
        function = getattr(module, attribute)
        timed = self._timed(stage, function)
        for each in [one for known, one in sys.modules.items() if known.startswith("coldcase.")]:
            if getattr(each, attribute, None) is function:
                setattr(each, attribute, timed)

    def _timed(self, stage: str, function: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(function)
        def timed(*args: Any, **named: Any) -> Any:
            before = self.enter(stage)
            try:
                return function(*args, **named)
            finally:
                self.enter(before)

        return timed


class StageTable(Figure, frozen=True, kw_only=True):
    """Microseconds an answer: `rounds` are the whole, `measured` the medians of its stages. `bare_share` is
    what a bare handler takes of the whole, `bare_share_if_free` of what were left if judging took nothing.
    """

    bare_share: float
    bare_share_if_free: float

    def text(self) -> str:
        """A line a stage."""
        rows = [f"    {took:8,.0f} {took / self.median:5.0%}  {name}" for name, took in self.measured.items()]
        share = (
            f"    a bare handler takes {self.bare_share:.2f} of it, and took {self.bare_share_if_free:.2f} "
            "if nothing between the parsed case and its answer took any time"
        )
        return "\n".join([f"{self.name}: {self.median:,.0f} {self.unit}", *rows, share, f"    {self.how}"])


def measure(sizes: Sizes) -> Iterator[Figure]:
    """A table for each kind of case."""
    whole = _of_a_service(sizes)
    compiled = compiled_from(None)
    packer = Packer(dictionaries.trained(compiled))
    refrigerants.warm()
    watch = Stopwatch()
    for stage, names in STAGES.items():
        for name in names:
            watch.watch(stage, name)
    for kind, of_cases in KINDS.items():
        sent = bodies(of_cases)
        _answered(sent[:WARMING], compiled, packer)
        rounds = [
            _round(watch, sent[WARMING + CASES * turn :][:CASES], compiled, packer)
            for turn in range(sizes.rounds)
        ]
        stages = {name: statistics.median([one[name] for one in rounds]) for name in STAGES}
        used, bare = statistics.median(whole[kind]), statistics.median(whole[BARE])
        beyond = {"a bare handler": bare, "recorder, HTTP of it": used - bare - sum(stages.values())}
        yield StageTable(
            name=f"stages, {kind}",
            unit="us of processor an answer",
            rounds=whole[kind],
            measured={**stages, **beyond},
            bare_share=bare / used,
            bare_share_if_free=bare / (used - sum(stages[name] for name in JUDGING)),
            how=f"{TOGETHER} cases together; whole and bare: {CONNECTIONS} connections, {how()}, {where()}",
        )


def _of_a_service(sizes: Sizes) -> dict[str, list[float]]:
    """Microseconds of processor an answer, of a running service, for a bare handler and each kind, in
    turns."""
    used: dict[str, list[float]] = {}
    with running_service() as service:
        paths = {BARE: (BARE, PLAIN), **{kind: (RECORD, of_cases) for kind, of_cases in KINDS.items()}}
        asked = {
            name: Requests([request(path, body, service.secret) for body in bodies(of_cases)])
            for name, (path, of_cases) in paths.items()
        }
        for turn in range(sizes.rounds + 1):
            for name, requests in asked.items():
                before = service.processor_seconds()
                each = requests.rate(
                    service.host, service.port, connections=CONNECTIONS, seconds=sizes.seconds
                )
                if turn:
                    taken = (service.processor_seconds() - before) / each.answered * 1e6
                    used.setdefault(name, []).append(taken)
    return used


def _round(watch: Stopwatch, sent: Sequence[bytes], compiled: Any, packer: Packer) -> dict[str, float]:
    """Microseconds a case, by stage."""
    watch.enter(None)
    watch.seconds.clear()
    began, used = time.perf_counter(), time.process_time()
    _answered(sent, compiled, packer)
    used, took = time.process_time() - used, time.perf_counter() - began
    watch.enter(None)
    return {stage: watch.seconds.get(stage, 0.0) * used / took / len(sent) * 1e6 for stage in STAGES}


def _answered(sent: Sequence[bytes], compiled: Any, packer: Packer) -> None:
    """Cases taken the way that they go in the service, up to what is sent to the database."""
    for start in range(0, len(sent), TOGETHER):
        cases = [classifying.read_case(body, compiled) for body in sent[start : start + TOGETHER]]
        for parsed in cases:
            kept_answers.evidence_key(parsed, compiled)
        given = [classifying.add_readings(parsed, compiled) for parsed in cases]
        for parsed, answer in zip(cases, answer_builder.build_answers(given, compiled), strict=True):
            rest, named = classifying.rest_of(answer), answering.on_record(answer, AT)
            row = answering.row_of(
                parsed,
                named,
                1,
                client_id=1,
                key=None,
                origin="live",
                own_code=None,
                text=classifying.with_head(named, rest),
            )
            decision_batch._packed(decision_batch.checked_row(row), packer)
