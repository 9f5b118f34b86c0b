"""An import over HTTP, by `coldcase bulk`, against `COPY FROM` of what it recorded into a table with the same
indexes."""

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from coldcase.db import embedded, migrating
from tests.bench.figure import Figure, Sizes, of_two
from tests.scale.importing import Record, copied, lines, told, warm
from tests.serving import serving

LEAST = 0.35


def measure(sizes: Sizes) -> Iterator[Figure]:
    """Two figures: lines that are new, and lines that are all on record already."""
    count = sizes.import_lines
    imported, replayed, plain = [], [], []
    with embedded.temporary() as server, tempfile.TemporaryDirectory() as folder:
        migrating.upgrade(server.owner_url)
        file = Path(folder) / "history.ndjson"
        with file.open("wb") as out:
            out.writelines(lines(count))
        record = Record(server, "measured", file)
        with serving(server.service_url) as service:
            warm(record, service.address)
            for turn in range(sizes.rounds):
                # Of another key the same lines are new ones.
                imported.append(posted(record, service.address, f"import-{turn}", count))
                replayed.append(posted(record, service.address, f"import-{turn}", count))
                plain.append(copied(record))
    how = f"{count:,} lines, a third with readings, one in fifty bad; no process is held to a core"
    base = ("COPY FROM", plain)
    wanted = ("at least", LEAST)
    yield of_two("import", "of COPY FROM", ("lines a second", imported), base, wanted=wanted, how=how)
    yield of_two("import, all of it on record", "of COPY FROM", ("lines a second", replayed), base, how=how)


def posted(record: Record, address: str, key: str, count: int) -> float:
    """Lines a second."""
    began = time.perf_counter()
    found = told(record.post(address, key))
    assert found["lines"] == count, found
    return count / (time.perf_counter() - began)
