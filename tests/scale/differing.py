"""Invented cases that all differ, if only by the time of failure: the development cases with observations
dropped and turned, and a third of them with readings and oil results of their own."""

import copy
import hashlib
import json
import random
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import cache, partial
from itertools import islice
from typing import Any

import msgspec

from coldcase.answering import on_record
from coldcase.classifying import answer_case, case_of, encode_answer
from coldcase.cli.tables import compiled_from
from coldcase.core.case import Unit
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.conditions import machine_of
from coldcase.core.fixed_point import TEN_THOUSAND
from coldcase.processes import collect_rarely
from coldcase.proof.canonical import canonical_json
from coldcase.proof.packing import Packer
from tests.scale.filling import CASES, Filled, filled, judge

METERED_EVERY = 3
KEPT = 0.8
REFRIGERANTS = ("R-134a", "R-448A", "R-404A", "R-407C", "R-290")
FIRST_FAILED = datetime(2026, 1, 10, tzinfo=UTC)


@cache
def table() -> CompiledTable:
    """The starter table."""
    return compiled_from(None)


@cache
def told() -> list[dict[str, Any]]:
    """The development cases, without what was measured."""
    cases = [json.loads(line)["case"] for line in CASES.read_text("utf-8").splitlines()]
    return [
        {name: part for name, part in case.items() if name not in ("readings", "oil_results")}
        for case in cases
    ]


def differing(count: int, seed: int = 20261127) -> Iterator[dict[str, Any]]:
    """So many cases, the same ones for a seed; each third one is metered."""
    chance = random.Random(seed)
    for number in range(count):
        case = copy.deepcopy(chance.choice(told()))
        case["observations"] = _observed(case, chance)
        failed_at = FIRST_FAILED + timedelta(seconds=15 * number)
        case["job"] = {"ref": f"TH-{number}", "failed_at": failed_at.isoformat().replace("+00:00", "Z")}
        if number % METERED_EVERY == 0:
            case["unit"]["refrigerant"] = REFRIGERANTS[number // METERED_EVERY % len(REFRIGERANTS)]
            case |= _measured(chance)
        yield case


def _observed(case: dict[str, Any], chance: random.Random) -> dict[str, Any]:
    """Most of what was observed, and one of it otherwise where a single word says it."""
    kept = {code: said for code, said in case.get("observations", {}).items() if chance.random() < KEPT}
    single = [code for code, said in kept.items() if isinstance(said, str)]
    if single:
        code = chance.choice(single)
        model = table().model_for(machine_of(msgspec.convert(case["unit"], Unit)))
        kept[code] = chance.choice(sorted(table().possible(code, model)) or [kept[code]])
    return kept


def _measured(chance: random.Random) -> dict[str, Any]:
    def around(value: float, by: float) -> float:
        return round(value * chance.uniform(1 - by, 1 + by), 2)

    def warm(value: float) -> dict[str, Any]:
        return {"value": round(value + chance.uniform(-4, 4), 1), "unit": "degC"}

    return {
        "readings": {
            "suction_pressure": {"value": around(31, 0.1), "unit": "psig"},
            "suction_temperature": warm(14),
            "discharge_pressure": {"value": around(215, 0.1), "unit": "psig"},
            "discharge_temperature": warm(88),
            "liquid_pressure": {"value": around(212, 0.02), "unit": "psig"},
            "liquid_temperature": warm(29),
            "entering_medium_temperature": warm(24),
            "sump_temperature": warm(42),
            "line_voltages_v": [around(399, 0.01) for _ in range(3)],
            "line_currents_a": [around(18.5, 0.04) for _ in range(3)],
            "insulation": {"resistance_megohm": around(12, 0.8), "winding_temperature": warm(25)},
            "starts_per_hour": chance.randrange(1, 12),
            "run_hours": chance.randrange(500, 60_000),
        },
        "oil_results": {
            "water_mg_kg": chance.randrange(20, 400),
            "acid_number_mg_koh_g": "<0.05",
            "iron_mg_kg": chance.randrange(5, 200),
            "copper_mg_kg": chance.randrange(2, 90),
            "silicon_mg_kg": "<5",
            "viscosity_40c_mm2_s": around(31, 0.1),
            "particle_count_iso4406": "20/18/15",
        },
    }


ADDED = """
INSERT INTO decision (id, client_id, recorded_at, fingerprint, case_text, answer_packed, answer_sha256,
    dictionary, cause, status, confidence, job_ref, circuit, closed_at, compressor_type, refrigerant,
    rule_table, engine)
SELECT answered.id, one.client_id, answered.at, one.fingerprint, answered.case_text, answered.answer_packed,
       answered.answer_sha256, one.dictionary, answered.cause, answered.status, answered.confidence,
       'TH-' || n, 'rack-' || n %% 997, answered.at, answered.compressor_type, answered.refrigerant,
       one.rule_table, one.engine
FROM answered, decision AS one WHERE one.id = %s
"""
ANSWERED = """
CREATE TEMPORARY TABLE answered (n bigint, id uuid, at timestamptz, case_text text, answer_packed bytea,
    answer_sha256 bytea, cause text, status text, confidence smallint, compressor_type text, refrigerant text)
"""
OF_A_PART = 2000
FIRST_RECORDED = datetime(2026, 1, 10, tzinfo=UTC)


@contextmanager
def filled_with_differing(rows: int) -> Iterator[Filled]:
    """A record of so many cases that all differ, each with its own answer, as if it had been posted."""
    with filled(0, list(islice(differing(rows), 300))) as record:
        began, cases = time.perf_counter(), enumerate(differing(rows))
        with record.superuser() as conn, ProcessPoolExecutor(initializer=collect_rarely) as processes:
            conn.execute(ANSWERED)
            [[dictionary]] = conn.execute("SELECT content FROM answer_dictionary WHERE rule_table = 1")
            parts = iter(lambda: list(islice(cases, OF_A_PART)), [])
            for answered in processes.map(partial(_answered, dictionary), parts):
                conn.execute("SET session_replication_role = replica")
                conn.execute("TRUNCATE answered")
                with conn.cursor().copy("COPY answered FROM STDIN WITH (FORMAT BINARY)") as copy_in:
                    copy_in.set_types(COLUMN_TYPES)
                    for row in answered:
                        copy_in.write_row(row)
                conn.execute(ADDED, [record.templates[0]])
            judge(conn, 0, rows)
        print(f"filled {rows:,} decisions in {time.perf_counter() - began:.0f} s", flush=True)
        yield record


COLUMN_TYPES = ("int8", "uuid", "timestamptz", "text", *["bytea"] * 2, *["text"] * 2, "int2", *["text"] * 2)


def _answered(dictionary: bytes, cases: list[tuple[int, dict[str, Any]]]) -> list[tuple[Any, ...]]:
    """Rows of decisions: fifteen seconds lie between each and the next."""
    packer, rows = _packer(dictionary), []
    for number, case in cases:
        parsed = case_of(case, table())
        at = FIRST_RECORDED + timedelta(seconds=15 * number)
        answer = on_record(answer_case(parsed, table()), at)
        text = encode_answer(answer)
        rows.append(
            (
                number, answer.id, at, canonical_json(case).decode(), packer.pack(text),
                hashlib.sha256(text).digest(), answer.cause, answer.status,
                round(answer.confidence * TEN_THOUSAND), parsed.case.unit.compressor_type,
                parsed.case.unit.refrigerant,
            )
        )  # fmt: skip
    return rows


@cache
def _packer(dictionary: bytes) -> Packer:
    return Packer(dictionary)
