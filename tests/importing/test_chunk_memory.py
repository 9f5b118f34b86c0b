"""What a chunk of an import holds is let go with it, not when garbage is looked for."""

import asyncio
import gc
import json
from uuid import uuid4

from coldcase.db.clock import DatabaseClock
from coldcase.db.events import Actor
from coldcase.importing.chunks import ChunkWork, _Pending
from coldcase.importing.hands import compiled_for, recorder_for
from coldcase.importing.lines import RawLine
from coldcase.importing.orders import ImportOrder
from coldcase.kept_answers import KeptAnswers
from tests.importing.conftest import case


def line(number: int) -> RawLine:
    return RawLine(number, json.dumps(case(f"TH-{number}")).encode())


def test_of_a_chunk_with_a_refused_line_little_stays_when_the_next_is_read(service_database):
    order = ImportOrder(
        database_url=service_database.service_url,
        client_id=1,
        key=uuid4(),
        actor=Actor(),
        import_key="history",
        rule_table=1,
    )

    async def held() -> list[int]:
        recorder = recorder_for(order, DatabaseClock())
        await recorder.start()
        work = ChunkWork(
            order,
            await compiled_for(order),
            header=None,
            kept=KeptAnswers(0),
            recorder=recorder,
            tell=str,
        )
        found = []
        for first in (1, 101, 201):
            bad = RawLine(first, b'{"unit": {"compressor_type": "scrol"}}')
            await work.read([bad, *(line(first + n) for n in range(1, 100))])
            found.append(sum(isinstance(one, _Pending) for one in gc.get_objects()))
        recorder.close()
        return found

    gc.collect()
    gc.disable()
    try:
        first, _, third = asyncio.run(held())
        assert third - first < 10
    finally:
        gc.enable()
