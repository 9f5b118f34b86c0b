"""Rows as Parquet; pyarrow is an optional extra and loaded only here, when first used."""

import asyncio
import io
from collections.abc import AsyncGenerator, Callable, Mapping
from contextlib import aclosing, suppress
from datetime import datetime
from typing import Any
from uuid import UUID

from coldcase.web.problems import NotAcceptable

BYTES_IN_GROUP = 2 * 1024 * 1024
"""How much CSV goes into one group of rows: as much as is held in memory at a time."""


def require() -> Any:
    """The library. Raises NotAcceptable where it is not installed."""
    try:
        import pyarrow as pa  # noqa: PLC0415 - an optional extra, and 60 MB
        import pyarrow.csv  # noqa: PLC0415
        import pyarrow.parquet  # noqa: PLC0415
    except ImportError as missing:
        raise NotAcceptable("Parquet needs pyarrow on the server: install `coldcase[parquet]`.") from missing
    return pa


async def written(
    records: AsyncGenerator[bytes, None], columns: Mapping[str, type]
) -> AsyncGenerator[bytes, None]:
    """The file of CSV records, of which the first is the header, a group of rows at a time.

    By way of CSV because the library reads that several times faster than it takes Python's own values.
    Groups are packed beside the event loop, for that takes a while.
    """
    pa, sink = require(), io.BytesIO()
    schema = _schema(pa, columns)
    async with aclosing(records):
        with pa.parquet.ParquetWriter(sink, schema, compression="zstd") as writer:
            held: list[bytes] = []
            size = 0
            await anext(records)
            async for record in records:
                held.append(record)
                size += len(record)
                if size >= BYTES_IN_GROUP:
                    await _in_thread(_write, pa, writer, b"".join(held))
                    held, size = [], 0
                    yield _taken(sink)
            if held:
                await _in_thread(_write, pa, writer, b"".join(held))
    yield _taken(sink)


async def _in_thread(work: Callable[..., None], *arguments: Any) -> None:
    """Runs `work` in a thread, and does not return before it has ended, not even when cancelled.

    A cancelled await would leave the thread at work on the writer that its caller then closes, and two
    threads in one writer end the process.
    """
    job = asyncio.ensure_future(asyncio.to_thread(work, *arguments))
    try:
        await asyncio.shield(job)
    except asyncio.CancelledError:
        while not job.done():
            with suppress(asyncio.CancelledError):
                await asyncio.wait([job])
        job.exception()  # seen; whoever cancelled has no use for it
        raise


def _schema(pa: Any, columns: Mapping[str, type]) -> Any:
    kinds = {
        UUID: pa.string(),
        str: pa.string(),
        datetime: pa.timestamp("us", tz="UTC"),
        float: pa.float64(),
        int: pa.int32(),
        bool: pa.bool_(),
    }
    return pa.schema([(name, kinds[kind]) for name, kind in columns.items()])


def _write(pa: Any, writer: Any, text: bytes) -> None:
    table = pa.csv.read_csv(
        pa.py_buffer(text),
        pa.csv.ReadOptions(use_threads=False, block_size=len(text), column_names=writer.schema.names),
        pa.csv.ParseOptions(newlines_in_values=True),
        # An empty text is quoted, what is not there is not.
        pa.csv.ConvertOptions(
            column_types=writer.schema,
            null_values=[""],
            strings_can_be_null=True,
            quoted_strings_can_be_null=False,
        ),
    )
    writer.write_table(table, row_group_size=table.num_rows)
    del table
    pa.default_memory_pool().release_unused()


def _taken(sink: io.BytesIO) -> bytes:
    piece = sink.getvalue()
    sink.seek(0)
    sink.truncate()
    return piece
