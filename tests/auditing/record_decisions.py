"""Records what this engine answers to the demo and development cases under the starter rule table, for
`test_replay.py`.

    python -m tests.auditing.record_decisions

Run it once for every new engine version and rule table; what was recorded before stays.
"""

import gzip
import hashlib
from pathlib import Path

import msgspec

from coldcase import classifying
from coldcase.core import ENGINE_VERSION
from coldcase.core.compiled_table import compile_table
from coldcase.core.rule_table import RuleTable
from coldcase.core.rule_table import canonical_table as table_text
from coldcase.proof.canonical import canonical_json
from coldcase.shipped import demo_cases, starter_table

FOLDER = Path(__file__).parent / "recorded"
DEVELOPMENT_CASES = Path(__file__).parents[1] / "data" / "dev_cases.jsonl"


def main() -> None:
    document = table_text(starter_table())
    digest = hashlib.sha256(document).hexdigest()
    (FOLDER / "tables").mkdir(parents=True, exist_ok=True)
    (FOLDER / "tables" / f"{digest}.json.gz").write_bytes(gzip.compress(document, mtime=0))
    compiled = compile_table(
        msgspec.json.decode(document, type=RuleTable), version=1, digest=f"sha256:{digest}"
    )
    development = [
        msgspec.json.decode(line)["case"] for line in DEVELOPMENT_CASES.read_bytes().splitlines()[:20]
    ]
    recorded = [
        record(case, compiled) for case in [*(demo.case for demo in demo_cases().values()), *development]
    ]
    path = FOLDER / f"engine-{ENGINE_VERSION}-table-{digest[:12]}.json"
    path.write_bytes(msgspec.json.format(msgspec.json.encode(recorded), indent=1) + b"\n")
    print(f"{len(recorded)} decisions in {path}")


def record(case, compiled) -> dict[str, str]:
    text = canonical_json(case)
    answer = classifying.answer_case(classifying.read_case(text, compiled), compiled)
    return {
        "table": compiled.digest,
        "engine": ENGINE_VERSION,
        "case": text.decode(),
        "answer": classifying.encode_answer(answer).decode(),
    }


if __name__ == "__main__":
    main()
