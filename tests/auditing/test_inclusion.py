"""Proofs of inclusion, and the checker of thirty lines that needs nothing of ours."""

import json
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest

from coldcase.auditing import sealing
from coldcase.db import decisions
from tests.stored_answers import copy_of

pytestmark = pytest.mark.anyio
CHECKER = Path(__file__).parents[2] / "deploy" / "check_inclusion.py"


@pytest.fixture
async def proof(ledger):
    async with ledger.engine.begin() as conn:
        await decisions.view_as(conn, 1)
        return json.loads(msgspec.json.encode(await sealing.inclusion(conn, ledger.ids[2])))


def checked(tmp_path, proof, *arguments: str) -> subprocess.CompletedProcess:
    file = tmp_path / "proof.json"
    file.write_text(json.dumps(proof))
    return subprocess.run(
        [sys.executable, "-I", CHECKER, file, *arguments], capture_output=True, text=True, check=False
    )


async def test_every_decision_can_be_proved_with_nothing_but_sha_256(ledger, tmp_path):
    for place, id_ in enumerate(ledger.ids):
        async with ledger.engine.begin() as conn:
            await decisions.view_as(conn, 1 if place < 6 else 2)
            found = json.loads(msgspec.json.encode(await sealing.inclusion(conn, id_)))
        done = checked(tmp_path, found, found["head"])
        assert (done.returncode, done.stdout.startswith(f"{id_} is under seal ")) == (0, True), done


@pytest.mark.parametrize("member", ["case", "answer", "leaf", "seal", "path", "position", "head"])
async def test_the_checker_refuses_a_proof_with_anything_changed(proof, tmp_path, member):
    kept = proof["head"]
    if member == "path":
        proof["path"][0] = "00" * 32
    elif member == "position":
        proof["position"] += 1
    elif member == "leaf":
        proof["leaf"] = proof["leaf"].replace("rack-", "rack_")
    elif member == "seal":
        proof["seal"] = proof["seal"].replace('"count":', '"count": ')
    elif member == "head":
        kept = "00" * 32
    else:
        proof[member] = proof[member].replace("scroll", "screw").replace("moisture", "acid")
    assert checked(tmp_path, proof, kept).returncode == 1


async def test_the_checker_has_thirty_lines_and_needs_the_standard_library_only():
    text = CHECKER.read_text()
    assert len(text.splitlines()) <= 30
    assert {line.split()[1] for line in text.splitlines() if line.startswith(("import", "from"))} <= {
        "argparse",
        "hashlib",
        "json",
        "pathlib",
    }


@pytest.mark.parametrize("arguments", [["--help"], [], ["none.json"], [str(CHECKER)]])
def test_the_checker_says_how_it_is_used(arguments):
    told = subprocess.run(
        [sys.executable, "-I", CHECKER, *arguments], capture_output=True, text=True, check=False
    )
    assert told.returncode == (0 if arguments == ["--help"] else 2)
    assert "usage:" in told.stdout + told.stderr
    assert "Traceback" not in told.stderr


async def test_a_decision_that_is_too_young_has_no_proof_yet(ledger):
    ledger.harm(copy_of(ledger, xid="pg_current_xact_id()"))
    [(young,)] = ledger.ask("SELECT id FROM decision ORDER BY id DESC LIMIT 1")
    async with ledger.engine.begin() as conn:
        await decisions.view_as(conn, 1)
        with pytest.raises(sealing.NotSealed):
            await sealing.inclusion(conn, young)
