"""Examples of answers for the OpenAPI document: a story is told to a running service, its answers are kept.

    python -m tests.examples

writes `service/coldcase/web/examples`. `tests/contract/test_examples.py` tells the story again and compares.
The story is `tests/example_story.py`.
"""

import json
import re
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from coldcase.db import embedded, migrating
from coldcase.settings import Settings
from tests.example_story import PEOPLE, tell
from tests.serving import in_thread, make_key

FOLDER = Path(__file__).parents[1] / "service" / "coldcase" / "web" / "examples"
LARGE = 3000
"""Characters; of a larger answer long lists are cut."""
MAPS = ("causes", "findings", "patterns", "groups", "base_rates", "refrigerants", "quantities", "per_hundred")
"""Members whose own members are many of a kind."""


@dataclass
class Story:
    """Callers of a service, and the examples that came of what they asked: by operation, status and media
    type.
    """

    callers: dict[str, httpx.Client]
    answers: dict[str, dict[str, dict[str, Any]]] = field(default_factory=dict)
    problems: dict[str, Any] = field(default_factory=dict)

    def ask(self, who: str, operation: str | None, method: str, path: str, **sent: Any) -> httpx.Response:
        """A call; its answer is an example of the operation, if that is named."""
        answered = self.callers[who].request(method, path, **sent)
        if answered.status_code >= 400:
            body = answered.json()
            if operation is not None:
                raise AssertionError(f"{operation}: {answered.text}")
            code = body["type"].rpartition("/")[2]
            if code not in ("busy", "not_sealed"):  # a matter of time
                self.problems.setdefault(code, cut(body))
        elif operation is not None:
            self._keep_sent(operation, answered.request)
            media = answered.headers["Content-Type"].partition(";")[0]
            value = (
                cut(answered.json())
                if media.endswith("json") and "ndjson" not in media
                else shortened(answered.text)
            )
            by_media = self.answers.setdefault(operation, {}).setdefault(str(answered.status_code), {})
            by_media.setdefault(media, value)
        return answered

    def _keep_sent(self, operation: str, request: httpx.Request) -> None:
        if request.content:
            media = request.headers["Content-Type"]
            json_body = media.endswith("json") and "ndjson" not in media
            value = cut(json.loads(request.content)) if json_body else shortened(request.content.decode())
            self.answers.setdefault(operation, {}).setdefault("sent", {}).setdefault(media, value)

    def until(self, who: str, operation: str, path: str) -> Any:
        """The same once what is asked for has ended."""
        for _ in range(600):
            answered = self.ask(who, None, "GET", path)
            if answered.status_code == 200 and answered.json().get("state") not in ("waiting", "running"):
                return self.ask(who, operation, "GET", path).json()
            time.sleep(0.2)
        raise TimeoutError(path)


def cut(value: Any) -> Any:
    """The whole of a small answer; of a larger one the first of each list's items."""
    return value if len(json.dumps(value)) <= LARGE else _first(value)


def _first(value: Any) -> Any:
    if isinstance(value, list):
        return [_first(part) for part in value[:2]]
    if not isinstance(value, dict):
        return value
    return {
        name: _first(dict(list(part.items())[:1]) if name in MAPS and isinstance(part, dict) else part)
        for name, part in value.items()
    }


def shortened(text: str) -> str:
    """The first lines of a text, each not too long."""
    lines = text.splitlines()[:4]
    return "".join(f"{line if len(line) <= 700 else line[:700] + '…'}\n" for line in lines)


def told(service_url: str, owner_url: str) -> Story:
    """The story, told to a service of its own on this database."""
    with in_thread(Settings(database_url=service_url, seal_seconds=1, backtest_share=1.0)) as (_, host, port):
        callers = {
            name: httpx.Client(
                base_url=f"http://{host}:{port}",
                headers={"Authorization": f"Bearer {make_key(owner_url, *scopes, person=person)}"},
                trust_env=False,
                timeout=60,
            )
            for name, (person, scopes) in PEOPLE.items()
        }
        story = Story(callers)
        try:
            tell(story)
        finally:
            for caller in story.callers.values():
                caller.close()
        return story


BY_TIME = {
    "cancelBacktest.json": ("started_at", "done", "total"),
    "cancelProposal.json": ("started_at", "done", "total"),
    "listProposals.json": ("done", "total"),
    "listSeals.json": ("count", "number"),
    "proveInclusion.json": ("position", "path", "leaf", "seal"),
    "searchDecisions.json": ("next",),
    "showProposal.json": ("circuits", "times", "circuits_kept_temperature", "temperature", "worse"),
    "verifySeals.json": ("seals", "records", "unsealed"),
}
"""Members that depend on when seals are made, hold a time, or come of cases parted by their ids."""
CHANGING = re.compile(
    r"[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[0-9a-f]{4}-[0-9a-f]{12}"  # an id
    r"|20\d\d-\d\d-\d\d[T ][\d:.]+(Z|\+00(:?00)?)"  # a time
    r"|\b[0-9a-f]{32}\b"  # the id of a request
    r"|(?<!sha256:)\b[0-9a-f]{64}\b"  # a hash of what holds the like
    r"|127\.0\.0\.1"
    r"|/shared/[\w./-]+"
)


def steady(name: str, content: Any) -> Any:
    """What of a file is the same whenever the story is told."""
    return _masked(json.loads(CHANGING.sub("…", json.dumps(content))), BY_TIME.get(name, ()))


def _masked(value: Any, members: tuple[str, ...]) -> Any:
    if isinstance(value, list):
        return [_masked(part, members) for part in value]
    if not isinstance(value, dict):
        return value
    return {name: "…" if name in members else _masked(part, members) for name, part in value.items()}


def files(story: Story) -> Iterator[tuple[str, Any]]:
    """The examples, each file's name and content."""
    for operation, by_status in sorted(story.answers.items()):
        yield f"{operation}.json", by_status
    yield "problems.json", dict(sorted(story.problems.items()))


def main() -> None:
    """Writes the examples."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        with embedded.temporary() as server:
            migrating.upgrade(server.owner_url)
            story = told(server.service_url, server.owner_url)
    for old in FOLDER.glob("*.json"):
        old.unlink()
    FOLDER.mkdir(exist_ok=True)
    for name, content in files(story):
        (FOLDER / name).write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n")


if __name__ == "__main__":
    main()
