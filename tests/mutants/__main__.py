"""Changes that some test must notice: each is made in a copy of the tree, and the tests that ought to fail
are run there.

python -m tests.mutants [NAME …] [--jobs N] [--list]

A name may be a part of one. Exit 1 if a mutant survived, if its text is no longer there, or if its tests fail
without it.
"""

import argparse
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

from tests.mutants.change import Change
from tests.mutants.engine_changes import ENGINE_CHANGES
from tests.mutants.record_changes import RECORD_CHANGES
from tests.mutants.web_changes import WEB_CHANGES

CHANGES = (*ENGINE_CHANGES, *RECORD_CHANGES, *WEB_CHANGES)
ROOT = Path(__file__).parents[2]
COPIED = (
    ".ci",
    "service",
    "migrations",
    "tests",
    "deploy",
    "docs",
    "openapi",
    "pyproject.toml",
    "README.md",
    "DEVELOPERS.md",
    "requirements.lock",
)
PREFIX = f"coldcase-mutant-{os.getpid()}-"
SECONDS = 300
NOTHING_FAILED = 0


def main() -> int:
    """Runs them and says what became of each."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__.splitlines()[0])
    parser.add_argument(
        "names", nargs="*", metavar="NAME", help="which, by a part of the name (default: all)"
    )
    parser.add_argument("--jobs", type=int, default=2, help="how many at a time (default 2)")
    parser.add_argument("--list", action="store_true", help="name them and do nothing")
    arguments = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: stop())
    chosen = [
        one for one in CHANGES if not arguments.names or any(name in one.name for name in arguments.names)
    ]
    if arguments.list or not chosen:
        print("\n".join(one.name for one in chosen) or "no such mutant")
        return int(not chosen)
    with ThreadPoolExecutor(arguments.jobs) as pool:
        sound = pool.submit(lambda: None if arguments.names else unharmed(chosen))
        verdicts = list(pool.map(tell, chosen))
        complaint = sound.result()
    count = {verdict: verdicts.count(verdict) for verdict in sorted(set(verdicts))}
    print(", ".join(f"{number} {verdict}" for verdict, number in count.items()))
    if complaint:
        print(f"the same tests fail without any change, so that nothing is shown:\n{complaint}")
    return int(set(verdicts) != {"killed"} or complaint is not None)


def stop() -> None:
    """Told to stop: removes what there is."""
    for tree in Path(tempfile.gettempdir()).glob(f"{PREFIX}*"):
        end_all(tree)
        shutil.rmtree(tree, ignore_errors=True)
    os._exit(143)


def tell(change: Change) -> str:
    """One mutant's fate, printed as soon as it is known."""
    began = time.monotonic()
    verdict, told = fate(change)
    print(f"{verdict:9} {change.name} ({time.monotonic() - began:.0f} s){told}", flush=True)
    return verdict


def fate(change: Change) -> tuple[str, str]:
    """What became of a mutant, and what there is to say about it."""
    text = (ROOT / change.file).read_text()
    if text.count(change.old) != 1:
        return "STALE", f": {change.file} holds its text {text.count(change.old)} times"
    with tempfile.TemporaryDirectory(prefix=PREFIX) as folder:
        tree = copied(Path(folder))
        (tree / change.file).write_text(text.replace(change.old, change.new))
        code, told = run(tree, change.tests)
    match code:
        case 1:
            return "killed", f" by {noticed}" if (noticed := first_failed(told)) else ""
        case 0:
            return "SURVIVED", f": {' '.join(change.tests)}"
        case None:
            # A test that waits for ever has noticed too; a well-made one would have said so.
            return "killed", f" by nothing ending in {SECONDS} s"
        case _:
            return "UNCLEAR", f": pytest ended with {code}: {told[-300:]}"


def unharmed(chosen: Sequence[Change]) -> str | None:
    """What fails in a copy without any change; None if nothing does."""
    with tempfile.TemporaryDirectory(prefix=PREFIX) as folder:
        code, told = run(
            copied(Path(folder)), sorted({test for one in chosen for test in one.tests}), seconds=3 * SECONDS
        )
    return None if code == NOTHING_FAILED else told[-2000:]


def copied(folder: Path) -> Path:
    """A copy of what tests need."""
    for name in COPIED:
        if (ROOT / name).is_dir():
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__", ".*"))
        else:
            shutil.copy(ROOT / name, folder / name)
    folder.chmod(0o711)
    return folder


def run(tree: Path, tests: Sequence[str], *, seconds: float = SECONDS) -> tuple[int | None, str]:
    """Pytest's exit code and what it said; None if it did not end. Nothing that it started is left."""
    temporary = tree / "tmp"
    temporary.mkdir(mode=0o711)
    environ = {
        **os.environ,
        "PYTHONPATH": str(tree / "service"),
        "PYTHONDONTWRITEBYTECODE": "1",
        "TMPDIR": str(temporary),
    }
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", "-m", "", *tests]
    try:
        done = subprocess.run(
            command,
            cwd=tree,
            env=environ,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
            timeout=seconds,
        )
    except subprocess.TimeoutExpired:
        return None, ""
    finally:
        end_all(tree)
    return done.returncode, done.stdout


def end_all(tree: Path) -> None:
    """Ends what still works in a copy: a test that hung, a server that it did not stop."""
    for process in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            if process.joinpath("cwd").readlink().is_relative_to(tree):
                os.kill(int(process.name), signal.SIGKILL)


def first_failed(told: str) -> str:
    """The test that noticed."""
    line = next((line for line in told.splitlines() if line.startswith(("FAILED ", "ERROR "))), "")
    return line.partition(" - ")[0].partition(" ")[2].rpartition("/")[2]


if __name__ == "__main__":
    sys.exit(main())
