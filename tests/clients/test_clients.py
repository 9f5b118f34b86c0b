"""Clients that are made of the OpenAPI document, in Python and in TypeScript: made, type checked, and put to
the main job against the running service."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from coldcase.settings import Settings
from tests.serving import in_thread, make_key

HERE = Path(__file__).parent
DOCUMENT = HERE.parents[1] / "openapi" / "openapi.json"
NO_NODE = "no `node` and `npm` here: the client in TypeScript is not tried"
GENERATOR = shutil.which("openapi-python-client", path=str(Path(sys.executable).parent))


@pytest.fixture
def live(service_database):
    """Address and key of a service."""
    key = make_key(service_database.owner_url, "decisions:write", "decisions:read")
    settings = Settings(database_url=service_database.service_url, warm_properties=False)
    with in_thread(settings) as (_, host, port):
        yield f"http://{host}:{port}", key


def run(*command: object, cwd: Path, **environ: str) -> str:
    """What a command says; fails with all of it if the command does."""
    # The generators format what they make with tools beside this Python.
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    clean = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "MYPYPATH")}
    done = subprocess.run(
        [str(part) for part in command],
        cwd=cwd,
        env={**clean, "PATH": path, **environ},
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    return done.stdout


@pytest.mark.skipif(GENERATOR is None, reason="`openapi-python-client` is not installed (extra `test`)")
def test_a_client_in_python_does_the_main_job(live, tmp_path):
    made = tmp_path / "coldcase_client"
    run(GENERATOR, "generate", "--path", DOCUMENT, "--output-path", made, "--meta", "none", cwd=tmp_path)
    shutil.copy(HERE / "python" / "main_job.py", tmp_path)
    # The generator's own files are its own affair.
    silent = ("-m", "mypy", "--strict", "--config-file=", "--follow-imports=silent")
    checked = run(sys.executable, *silent, "main_job.py", cwd=tmp_path)
    assert "no issues found" in checked

    said = run(sys.executable, "main_job.py", *live, cwd=tmp_path)

    assert said.splitlines() == [
        "moisture True 1 0",
        "/problems/bad_case /observations/copper_platting copper_plating",
    ]


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("node") is None or shutil.which("npm") is None, reason=NO_NODE)
def test_a_client_in_typescript_does_the_main_job(live, tmp_path):
    address, key = live
    for file in (HERE / "typescript").iterdir():
        shutil.copy(file, tmp_path)
    try:
        run("npm", "ci", "--no-audit", "--no-fund", "--prefer-offline", cwd=tmp_path)
    except (AssertionError, subprocess.TimeoutExpired) as error:
        pytest.skip(f"its packages cannot be installed here: {str(error)[-300:]}")
    tools = tmp_path / "node_modules" / ".bin"
    # As anybody would call it: without options that make up for what the document says.
    run(tools / "openapi-typescript", DOCUMENT, "-o", "coldcase.d.ts", cwd=tmp_path)
    schema = httpx.get(f"{address}/v1/vocabulary/schema", headers={"Authorization": f"Bearer {key}"})
    (tmp_path / "case.schema.json").write_bytes(schema.raise_for_status().content)
    run(tools / "json2ts", "--maxItems=-1", "case.schema.json", "case.d.ts", cwd=tmp_path)
    # It finds the slips that are marked in the file, and nothing else.
    run(tools / "tsc", cwd=tmp_path)

    said = run("node", "made/main_job.js", address, key, cwd=tmp_path)

    one, *other = said.splitlines()
    assert one == "moisture true 1 0"
    assert other == [
        "/problems/bad_case /observations/copper_platting copper_plating",
        "/problems/bad_case /observations/copper_plating ",
    ]
