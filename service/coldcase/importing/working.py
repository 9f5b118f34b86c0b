"""The process beside the service that works on imports, one after another, as they are handed to it."""

import asyncio
import os
import signal
import socket
import sys
from typing import BinaryIO

import msgspec
import structlog

from coldcase.errors import ColdcaseError, Flawed, as_told
from coldcase.importing.hands import ImportPool
from coldcase.importing.orders import ENDED, FAILED, Failure, ImportOrder, framed, next_order
from coldcase.importing.running import run_import
from coldcase.importing.telling import RefusalRendering
from coldcase.processes import collect_rarely

_logger = structlog.get_logger(__name__)


def work_on_imports(channel: socket.socket, tell: RefusalRendering, pool: ImportPool) -> None:
    """Works until the service is gone; `channel` brings orders, standard output takes frames.

    Whatever goes wrong with one import is told in its frames. When the service goes away in the middle of
    one, a frame that nobody takes is the end.
    """
    collect_rarely()
    while (handed := next_order(channel)) is not None:
        order, file = handed
        with file:
            try:
                last = asyncio.run(_ended(order, file, tell, pool))
            except BrokenPipeError:
                return
        _write(last)


async def _ended(order: ImportOrder, file: BinaryIO, tell: RefusalRendering, pool: ImportPool) -> bytes:
    stopping = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stopping.set)
    named = {"client_id": order.client_id, "request_id": order.actor.request_id}
    try:
        await run_import(order, file, _write, tell=tell, pool=pool, stopping=stopping)
    except ColdcaseError as error:
        _logger.warning("an import broke off", why=error.detail, **named)
        flaws = as_told(error.flaws) if isinstance(error, Flawed) else ()
        return framed(FAILED, msgspec.json.encode(Failure(error.code, error.detail, flaws)))
    except BrokenPipeError:
        raise
    except Exception:
        _logger.exception("an import failed in an unforeseen way", **named)
        return framed(FAILED, msgspec.json.encode(Failure("internal", "It is logged; post the same again.")))
    return framed(ENDED)


def _write(frames: bytes) -> None:
    descriptor, rest = sys.stdout.fileno(), memoryview(frames)
    while rest:
        rest = rest[os.write(descriptor, rest) :]
