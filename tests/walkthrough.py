"""Goes from a remark to a rollback as a person would, with `curl` and a spreadsheet, and prints what it saw.

    python -m tests.walkthrough > docs/changing-a-rule.md

It starts a service of its own in a new folder. Ids and digests differ from run to run; answers are shortened
to the members named in each step, and "…" says so.
"""

import json
import os
import re
import socket
import subprocess
import sys
import tempfile
import textwrap
import time
import tomllib
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

KEYS = {
    "BENCH": ("Iselin", ["decisions:write", "decisions:read", "tables:read"]),
    "QA": ("Maro", ["tables:read", "tables:draft", "decisions:read"]),
    "CHIEF": ("Oda", ["tables:read", "tables:approve", "audit:read", "decisions:read:all"]),
}
SPREADSHEET = """
import csv, openpyxl

book = openpyxl.Workbook()
for row in csv.reader(open("frequencies.csv")):
    book.active.append(row)
book.save("frequencies.xlsx")

book = openpyxl.load_workbook("frequencies.xlsx")
head = [cell.value for cell in book.active[1]]
for row in book.active.iter_rows(min_row=2):
    named = dict(zip(head, row))
    if named["finding"].value == "copper_plating" and not named["machines"].value:
        shares = {"none": "20.00", "light": "35.00", "heavy": "45.00"}
        outcome, cell = named["outcome"].value, named["moisture"]
        print("copper_plating", outcome, "of 100 with moisture:", cell.value, "->", shares[outcome])
        cell.value = shares[outcome]
csv.writer(open("edited.csv", "w")).writerows(book.active.values)
"""
CASE = {
    "job": {"ref": "TH-2207"},
    "unit": {"compressor_type": "scroll", "motor": "three_phase", "refrigerant": "R-410A"},
    "observations": {"copper_plating": "heavy", "oil_clarity": "clear"},
}
STEPS = tomllib.loads((Path(__file__).parent / "data" / "walkthrough.toml").read_text())["steps"]


@contextmanager
def service(folder: Path) -> Iterator[dict[str, str]]:
    """A service of its own on a free port; gives the environment with the port and the keys."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    environ = {name: text for name, text in os.environ.items() if not name.startswith("COLDCASE_")}
    environ |= {"COLDCASE_PORT": str(port), "COLDCASE_DATA_DIR": str(folder / "data")}
    environ["PATH"] = f"{Path(sys.executable).parent}:{environ['PATH']}"
    coldcase = [sys.executable, "-m", "coldcase"]
    with (folder / "log").open("w") as log:
        serving = subprocess.Popen([*coldcase, "serve"], env=environ, stdout=log, stderr=log)
        try:
            wait_until_ready(port)
            for name, (person, scopes) in KEYS.items():
                wanted = [part for scope in scopes for part in ("--scope", scope)]
                owner = ["--client", "Cold Stores", "--person", person]
                command = [*coldcase, "keys", "create", *owner, *wanted]
                made = subprocess.run(command, env=environ, capture_output=True, text=True, check=True)
                environ[name] = made.stdout.split()[0]
            yield environ
        finally:
            serving.terminate()
            serving.wait()


def wait_until_ready(port: int) -> None:
    for _ in range(600):
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/health/ready", timeout=2):
                return
        except OSError:
            time.sleep(0.1)
    raise TimeoutError("the service did not become ready")


def shortened(answer: Any, members: list[str]) -> dict[str, Any]:
    """The named members of an answer, those that there are; `*` stands for each of a list, or for all."""
    if members == ["*"]:
        return dict(answer)
    told = {}
    for member in members:
        values = [answer]
        for part in member.split("."):
            if part == "*":
                values = [each for value in values for each in value]
            elif part.isdigit():
                values = [value[int(part)] for value in values if len(value) > int(part)]
            else:
                values = [value[part] for value in values if isinstance(value, dict) and part in value]
        if values:
            told[member] = values if "*" in member else values[0]
    return told


def walk(environ: dict[str, str], folder: Path) -> Iterator[str]:
    """Each step as Markdown: what is done, the command, what came of it."""
    known: dict[str, str] = {}
    for number, step in enumerate(STEPS):
        command = filled(step["command"], known)
        got = seen(command, environ, folder)
        if step["members"]:
            answer = json.loads(got)
            known |= {f"ID_{number}": str(answer.get("id")), f"DIGEST_{number}": str(answer.get("digest"))}
            shown = shortened(answer, step["members"])
            lines = [f"  {json.dumps(name)}: {json.dumps(value)}," for name, value in shown.items()]
            got = "\n".join(["{", *lines, "  …", "}"])
        said = textwrap.fill(step["text"], 110) + "\n\n" if step["text"] else ""
        yield f"{said}```sh\n{command}\n```\n\n```\n{got.strip()}\n```\n"


def filled(command: str, known: dict[str, str]) -> str:
    """A command with what earlier steps answered."""
    return re.sub(r"\b(ID|DIGEST)_\d+\b", lambda name: known[name[0]], command)


def seen(command: str, environ: dict[str, str], folder: Path) -> str:
    """What a command prints; a question for something that is not finished is asked again."""
    run = command.replace("localhost:8000", f"localhost:{environ['COLDCASE_PORT']}")
    for _ in range(100):
        done = subprocess.run(["bash", "-c", run], env=environ, cwd=folder, capture_output=True, check=True)
        got = done.stdout.decode()
        if " -d " in run or not re.search(r'"state":\s*"(waiting|running)"', got):
            return got
        time.sleep(0.2)
    raise TimeoutError(command)


def main() -> None:
    """Prints the walk."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "case.json").write_text(json.dumps(CASE))
        (folder / "edit.py").write_text(SPREADSHEET)
        # The embedded PostgreSQL runs as an account of its own where the caller is the superuser.
        folder.chmod(0o755)
        with service(folder) as environ:
            print("# Changing a rule\n")
            print(
                "From a remark to a rollback, as it was seen: made by `python -m tests.walkthrough`, answers"
                " shortened to\na few members, named by their path. The place, the people and the figures are"
                " invented.\n"
            )
            for step in walk(environ, folder):
                print(step)
            print(f"`edit.py`:\n\n```python\n{SPREADSHEET.strip()}\n```\n\nThe keys:\n")
            for key, (person, scopes) in KEYS.items():
                print(f"- `${key}` of {person}: " + ", ".join(f"`{scope}`" for scope in scopes))


if __name__ == "__main__":
    main()
