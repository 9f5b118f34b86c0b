"""The walk from a remark to a rollback is still seen as it is written up."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

WRITTEN = Path(__file__).parents[2] / "docs" / "changing-a-rule.md"
DIFFERS = re.compile(r"[0-9a-f]{8}-[0-9a-f-]{27}|sha256:[0-9a-f]+|20[0-9-]+T[0-9:.]+Z")
"""From run to run: ids, digests and times."""


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("curl") is None, reason="it is walked with curl")
def test_what_is_written_of_changing_a_rule_is_what_is_seen() -> None:
    """If not: `python -m tests.walkthrough > docs/changing-a-rule.md`, and read it: it is a story."""
    seen = subprocess.run(
        [sys.executable, "-m", "tests.walkthrough"], check=True, capture_output=True, text=True, timeout=300
    ).stdout
    written = WRITTEN.read_text("utf-8")
    assert DIFFERS.sub("…", seen).splitlines() == DIFFERS.sub("…", written).splitlines()


def test_the_story_is_of_a_decision_that_changes() -> None:
    written = WRITTEN.read_text("utf-8")
    assert '"result.changes": [{"from": "undetermined", "to": "moisture", "count": 1' in written
    causes = re.findall(r'"cause": "(\w+)",\n  "status"', written)
    assert causes == ["undetermined", "moisture"]
