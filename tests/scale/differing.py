"""Invented cases that all differ, if only by the time of failure: the development cases with observations
dropped and turned, and a third of them with readings and oil results of their own."""

import copy
import json
import random
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import islice
from typing import Any

import msgspec

from coldcase.cli.tables import compiled_from
from coldcase.core.case import Unit
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.conditions import machine_of
from coldcase.proof.canonical import canonical_json
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
SELECT made.id, one.client_id, made.at, one.fingerprint, invented.case_text, one.answer_packed,
       one.answer_sha256, one.dictionary, one.cause, one.status, one.confidence, 'TH-' || n,
       'rack-' || n %% 997,
       made.at, one.compressor_type, one.refrigerant, one.rule_table, one.engine
FROM invented JOIN decision AS one ON one.id = (%(templates)s::uuid[])[1 + n %% %(number)s],
LATERAL (SELECT to_timestamp(1768000000 + n * 15.0) AS at,
                (lpad(to_hex((1768000000000 + n * 15000)::bigint), 12, '0') || '7' || lpad(to_hex(n), 19,
                    '0'))::uuid AS id) AS made
"""
AT_ONCE = 20_000
TEMPLATES = 300


@contextmanager
def filled_with_differing(rows: int) -> Iterator[Filled]:
    """A record of so many cases that all differ. Each has the answer that another one of its kind was given,
    so that it need not be answered first; that many codes change then makes no backtest quicker."""
    with filled(0, list(differing(TEMPLATES))) as record:
        assert len(record.templates) == TEMPLATES
        began, cases = time.perf_counter(), enumerate(differing(rows))
        with record.superuser() as conn:
            conn.execute("CREATE TEMPORARY TABLE invented (n bigint, case_text text)")
            while some := list(islice(cases, AT_ONCE)):
                conn.execute("SET session_replication_role = replica")
                conn.execute("TRUNCATE invented")
                with conn.cursor().copy("COPY invented FROM STDIN") as copy_in:
                    for number, case in some:
                        copy_in.write_row((number, canonical_json(case).decode()))
                conn.execute("ANALYZE invented")
                conn.execute(ADDED, {"templates": record.templates, "number": TEMPLATES})
            judge(conn, 0, rows)
        print(f"filled {rows:,} decisions in {time.perf_counter() - began:.0f} s", flush=True)
        yield record
