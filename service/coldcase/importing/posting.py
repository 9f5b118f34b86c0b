"""Parts of an import posted to a service: again and again until each line has its answer."""

import gzip
import http.client
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from typing import Any, NamedTuple
from urllib.error import HTTPError, URLError
from urllib.request import Request, build_opener

import msgspec

from coldcase.errors import ColdcaseError
from coldcase.importing.history import HistoryLine

FIRST_PAUSE, LONGEST_PAUSE = 1.0, 60.0
SILENT_SECONDS = 300
"""How long nothing may come before an answer is given up."""

LATER = frozenset({408, 429, 500, 502, 503, 504, 507})
"""Statuses after which the same may go well. 500, too: so an import is told of whose process died before its
first line."""


class NotPosted(ColdcaseError):
    """The service did not take the import. Run the same again: no line is recorded twice."""

    code = "not_posted"


class PostedPart(NamedTuple):
    """Lines that are posted at once: all of them; how many can be; the body; where the file was then."""

    lines: list[HistoryLine]
    posted: int
    body: bytes
    end: int


def parts_ahead(lines: Iterator[HistoryLine], size: int, place: Callable[[], int]) -> Iterator[PostedPart]:
    """Parts of so many lines, the next read and packed while somebody waits for the answers to one."""

    def read() -> PostedPart:
        part = list(islice(lines, size))
        sent = [line.sent for line in part if line.error is None]
        return PostedPart(part, len(sent), gzip.compress(b"".join(sent), 1), place())

    with ThreadPoolExecutor(1) as reading:
        following = reading.submit(read)
        while (part := following.result()).lines:
            following = reading.submit(read)
            yield part


class Service:
    """A service that imports are posted to, under an API key, with the import's own key.

    `patience_s` is how long it may fail without a line's progress; `say` tells of each wait.
    """

    def __init__(
        self,
        url: str,
        secret: str,
        import_key: str | None,
        *,
        crosswalk: str | None = None,
        patience_s: float = 600.0,
        say: Callable[[str], None],
    ) -> None:
        self._url = url.rstrip("/")
        self._headers = {"Authorization": f"Bearer {secret}"}
        self._import_key = import_key
        self._crosswalk = crosswalk
        self._patience_s = patience_s
        self._say = say
        self._opener = build_opener()

    def put_crosswalk(self, name: str, document: Any) -> None:
        """Keeps a crosswalk under a name, as its newest version. Raises NotPosted with what is wrong."""
        path = f"/v1/crosswalks/{name}"
        body, kind = msgspec.json.encode(document), {"Content-Type": "application/json"}
        try:
            try:
                self._call("PUT", path, body, {**kind, "If-Match": "*"})
            except HTTPError as error:
                if error.code != 412:
                    raise
                self._call("PUT", path, body, {**kind, "If-None-Match": "*"})
        except HTTPError as error:
            raise NotPosted(_said(error)) from error
        except (URLError, OSError, http.client.HTTPException) as error:
            raise NotPosted(f"The service cannot be reached: {error}.") from error

    def _call(self, method: str, path: str, body: bytes, headers: dict[str, str]) -> None:
        request = Request(self._url + path, body, {**self._headers, **headers}, method=method)  # noqa: S310 - the user's own address
        with self._opener.open(request, timeout=SILENT_SECONDS):
            pass

    def answers(self, part: PostedPart) -> list[dict[str, Any]]:
        """The answers to a part's lines, in their order: each posted until it has one. Raises NotPosted."""
        pause, tried_since, known = FIRST_PAUSE, time.monotonic(), dict[int, dict[str, Any]]()
        while True:
            before = len(known)
            why = self._try(part, known)
            if why is None:
                return [known[place] for place in range(1, part.posted + 1)]
            if len(known) > before:
                pause, tried_since = FIRST_PAUSE, time.monotonic()
            if time.monotonic() - tried_since > self._patience_s:
                raise NotPosted(f"{why} Run the same again: no line is recorded twice.")
            self._say(f"{why} Again in {pause:.0f} s.")
            time.sleep(pause)
            pause = min(pause * 2, LONGEST_PAUSE)

    def _try(self, part: PostedPart, known: dict[int, dict[str, Any]]) -> str | None:
        """Posts a part; why it has to be posted again, None where all is answered.

        What an earlier try recorded stays told as recorded, although it is there already the next time.
        """
        headers = {
            **self._headers,
            "Content-Type": "application/x-ndjson",
            "Content-Encoding": "gzip",
            **({"Idempotency-Key": self._import_key} if self._import_key else {}),
            **({"Content-Profile": self._crosswalk} if self._crosswalk else {}),
        }
        request = Request(f"{self._url}/v1/classifications/bulk", part.body, headers, method="POST")  # noqa: S310 - the user's own address
        last: dict[str, Any] = {}
        try:
            with self._opener.open(request, timeout=SILENT_SECONDS) as told:
                for line in told:
                    last = msgspec.json.decode(line)
                    if "line" in last:
                        known.setdefault(last["line"], last)
        except HTTPError as error:
            if error.code not in LATER:
                raise NotPosted(_said(error)) from error
            return _said(error)
        except (URLError, OSError, http.client.HTTPException, msgspec.DecodeError) as error:
            return f"The service cannot be reached, or broke off ({type(error).__name__})."
        if "summary" in last:
            return None
        return str(last.get("problem", {}).get("detail") or "The answer broke off.")


def _said(error: HTTPError) -> str:
    """What a refusal says, with its flaws."""
    try:
        told = msgspec.json.decode(error.read())
        flaws = "".join(f" {flaw['pointer'] or '/'}: {flaw['detail']}" for flaw in told.get("errors", ()))
        return f"{told['detail']}{flaws}"
    except (msgspec.DecodeError, KeyError, TypeError, OSError):
        return f"The service answered {error.code}."
