"""The two lists of what is installed agree, and the image takes nothing whose digest is not written down."""

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]
PINNED = re.compile(r"^([A-Za-z0-9._-]+)==(\S+)")


def pins(path: Path) -> dict[str, str]:
    found = (PINNED.match(line) for line in path.read_text("utf-8").splitlines())
    return {re.sub(r"[-_.]+", "-", pin[1]).lower(): pin[2] for pin in found if pin}


def test_the_image_installs_the_versions_that_are_tested():
    tested, shipped = pins(ROOT / "requirements.lock"), pins(ROOT / "deploy/requirements.txt")
    assert shipped.items() <= tested.items()


def test_the_image_has_every_dependency_of_the_service():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = {
        re.sub(r"[-_.]+", "-", re.split(r"[\[<>=~! ;]", line)[0]).lower() for line in project["dependencies"]
    }
    assert wanted - pins(ROOT / "deploy/requirements.txt").keys() == set()


def test_every_package_of_the_image_has_its_digest():
    blocks = re.split(r"\n(?=[a-z0-9])", (ROOT / "deploy/requirements.txt").read_text("utf-8"))
    bare = [block.split("\n")[0] for block in blocks if PINNED.match(block) and "--hash=sha256:" not in block]
    assert bare == []
