"""The README says what is so: its example, settings, commands, paths and error codes."""

import json
import os
import re
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from coldcase.cli import parser
from coldcase.settings import PREFIX, Settings
from coldcase.web.classifications import PREFER
from coldcase.web.problems import PROBLEM_KINDS
from coldcase.web.routes import ROUTES
from tests.walkthrough import STEPS

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()


IN_PYTHON = re.search(r"<!-- the same in Python -->\n```python\n(.*?)```", README, re.DOTALL)[1]


def block(title: str):
    return json.loads(re.search(rf"<!-- {title} -->\n```json\n(.*?)```", README, re.DOTALL)[1])


def test_the_answer_in_the_readme_is_the_service_s_own(http):
    answer = http.post("/v1/classifications/preview", json=block("the request")).json()

    shown = block("part of the answer")
    assert len(shown) >= 8
    assert {
        name: answer[name][: len(value)] if isinstance(value, list) else answer[name]
        for name, value in shown.items()
    } == shown


@pytest.mark.parametrize("name", Settings.__struct_fields__)
def test_every_setting_is_named_with_its_default(name):
    row = next(
        line for line in README.splitlines() if line.startswith("|") and f"`{PREFIX}{name.upper()}`" in line
    )

    default = getattr(Settings(), name)
    assert ("none" if default is None else f"`{str(default).lower()}`") in row


@pytest.mark.parametrize(("code", "kind"), PROBLEM_KINDS.items())
def test_every_error_code_is_named_with_its_status(code, kind):
    assert f"| `{code}` | {kind.status} |" in README


def test_what_leniency_leaves_out_and_refuses_is_said_alike_here_and_in_the_document():
    """That it is so is tested with the reading itself."""
    said = PREFER.says.partition(": ")[2]

    assert "is left out" in said
    assert f"`Prefer: handling=lenient`: {said}" in README


@pytest.mark.parametrize(
    ("as_people_write", "read_as", "noted"),
    [
        ("R404A", "R-404A", False),
        ("R-507", "R-507A", True),
        ("propane", "R-290", True),
        ("NH3", "R-717", True),
    ],
)
def test_the_refrigerants_are_read_as_the_readme_says(http, as_people_write, read_as, noted):
    unit = {"compressor_type": "scroll", "motor": "three_phase", "refrigerant": as_people_write}
    answer = http.post("/v1/classifications/preview", json={"unit": unit}).json()

    names = re.search(r"\*\*Refrigerants may be written as people do\*\*: (.*?);", README)[1]
    assert f"`{as_people_write}`" in names
    assert any(f"'{as_people_write}' is read as {read_as}." in note for note in answer["notes"]) is noted


@pytest.mark.parametrize("route", ROUTES, ids=lambda route: route.opt["spec"].operation)
def test_every_path_is_named(route):
    (path,) = route.paths
    assert re.sub(r":\w+\}", "}", path) in README + DEVELOPERS


def test_every_command_is_named():
    commands = next(action for action in parser()._actions if action.choices).choices

    assert all(f"`coldcase {command}" in README for command in commands)


def test_the_example_works_as_it_is_printed(tmp_path):
    """But for the port, which somebody else may have."""
    example = re.search(r"```sh\n(export PATH=.*?)```", README, re.DOTALL)[1]
    (tmp_path / "case.json").write_text(json.dumps(block("the request")))
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    environ = {name: text for name, text in os.environ.items() if not name.startswith("COLDCASE_")}
    environ |= {"PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}", "COLDCASE_PORT": str(port)}
    (tmp_path / "ask.py").write_text(IN_PYTHON.replace("localhost:8000", f"localhost:{port}"))
    script = (
        f"{example.replace('localhost:8000', f'localhost:{port}')}\necho; python ask.py\nkill %1; wait %1"
    )

    done = subprocess.run(
        ["bash", "-mc", script], cwd=tmp_path, env=environ, capture_output=True, text=True, check=False
    )

    assert done.returncode == 0, done.stderr
    shown = block("part of the answer")
    told, in_python = done.stdout.strip().rsplit("\n", 1)
    assert in_python == f"{shown['cause']} {shown['status']} {shown['confidence']}"
    assert {name: json.loads(told)[name] for name in ("cause", "status", "confidence")} == {
        name: shown[name] for name in ("cause", "status", "confidence")
    }
    with pytest.raises(ConnectionRefusedError), socket.create_connection(("127.0.0.1", port)):
        pass


def test_each_example_is_one_that_is_run():
    """Operating is done by `tests/auditing/test_operating.py`, the two commands by `.ci/run`."""
    operating = README.split("## Operate it for years")[1].split("\n## ")[0]
    gate = (ROOT / ".ci/run").read_text()
    commands = [line for line in README.splitlines() if line.startswith("python3 -m venv ")]

    assert re.findall(r"```python\n(.*?)```", README, re.DOTALL) == [IN_PYTHON]
    for shell in re.findall(r"```sh\n(.*?)```", README, re.DOTALL):
        assert shell in operating or shell.startswith("export PATH=") or shell.strip() in commands
    assert len(commands) == gate.count("eval \"$(grep '^python3 -m venv ") == 2
    assert "```python" not in DEVELOPERS
    assert "curl" not in DEVELOPERS


def test_the_written_walk_is_the_one_that_is_walked():
    written = re.findall(r"```sh\n(.*?)\n```", (ROOT / "docs/changing-a-rule.md").read_text(), re.DOTALL)

    for step, command in zip(STEPS, written, strict=True):
        walked = re.sub(r"\b(ID|DIGEST)_\d+\b", "…", step["command"])
        assert (
            re.sub(r"\b[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}\b|sha256:[0-9a-f]{64}", "…", command)
            == walked
        )


def test_the_lock_holds_every_package_to_one_version():
    lines = [
        line
        for line in (ROOT / "requirements.lock").read_text().splitlines()
        if line and not line.startswith("#")
    ]

    assert all(re.fullmatch(r"[\w.-]+==[\w.+]+", line) for line in lines)
    assert len(lines) > 60
