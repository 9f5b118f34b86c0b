"""HTTP/1.1 by hand: requests as bytes, one keep-alive connection, answers whole. What sends bytes that no
client library would."""

import asyncio
import json
from collections.abc import Mapping
from typing import Any, NamedTuple

LONGEST_ANSWER = 64 * 1024 * 1024


class Answer(NamedTuple):
    """Status, headers by lower-case name, body."""

    status: int
    headers: dict[bytes, bytes]
    body: bytes


def request(
    method: str,
    path: str,
    secret: str = "",
    *,
    body: bytes | None = None,
    headers: Mapping[str, str] | None = None,
) -> bytes:
    """The bytes of one request."""
    lines = [f"{method} {path} HTTP/1.1", "Host: attack"]
    if secret:
        lines.append(f"Authorization: Bearer {secret}")
    if body is not None:
        lines += ["Content-Type: application/json", f"Content-Length: {len(body)}"]
    lines += [f"{name}: {value}" for name, value in (headers or {}).items()]
    return "\r\n".join(lines).encode() + b"\r\n\r\n" + (body or b"")


def case(ref: str, **more: Any) -> bytes:
    """A good case."""
    unit = {"compressor_type": "scroll", "motor": "three_phase", "refrigerant": "R-448A", "lubricant": "POE"}
    observations = {"copper_plating": "heavy", "filter_drier": "wet"}
    return json.dumps(
        {"job": {"ref": ref, "circuit": "creamery"}, "unit": unit, "observations": observations, **more}
    ).encode()


class Connection:
    """One connection, opened when first needed and again when it was lost."""

    def __init__(self, port: int, *, timeout: float = 30) -> None:
        self._port = port
        self._timeout = timeout
        self._streams: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
        self._used = False

    async def ask(self, sent: bytes) -> Answer:
        """The answer to one request. Raises OSError, EOFError or TimeoutError, and has then closed the
        connection.

        A kept connection that the server closed just then is opened again, as any client does.
        """
        try:
            async with asyncio.timeout(self._timeout):
                try:
                    answer = await self._exchange(sent)
                except (ConnectionError, asyncio.IncompleteReadError) as error:
                    if not self._used or getattr(error, "partial", None):
                        raise
                    self.close()
                    answer = await self._exchange(sent)
        except BaseException:
            self.close()
            raise
        self._used = True
        if answer.headers.get(b"connection", b"").lower() == b"close":
            self.close()
        return answer

    async def _exchange(self, sent: bytes) -> Answer:
        if self._streams is None:
            self._streams = await asyncio.open_connection("127.0.0.1", self._port, limit=LONGEST_ANSWER)
        reader, writer = self._streams
        writer.write(sent)
        await writer.drain()
        return await _read(reader, head=sent.startswith(b"HEAD "))

    def close(self) -> None:
        if self._streams is not None:
            self._streams[1].close()
        self._streams, self._used = None, False


async def _read(reader: asyncio.StreamReader, *, head: bool) -> Answer:
    lines = (await reader.readuntil(b"\r\n\r\n")).split(b"\r\n")
    status = int(lines[0].split(b" ", 2)[1])
    headers = {
        name.lower(): value.strip() for name, _, value in (line.partition(b":") for line in lines[1:] if line)
    }
    if status == 100:
        return await _read(reader, head=head)
    if head or status in (204, 304):
        return Answer(status, headers, b"")
    if headers.get(b"transfer-encoding", b"").lower() == b"chunked":
        return Answer(status, headers, await _chunks(reader))
    if b"content-length" in headers:
        return Answer(status, headers, await reader.readexactly(int(headers[b"content-length"])))
    return Answer(status, headers, await reader.read())


async def _chunks(reader: asyncio.StreamReader) -> bytes:
    pieces = []
    while size := int((await reader.readuntil(b"\r\n")).split(b";")[0], 16):
        pieces.append(await reader.readexactly(size))
        await reader.readexactly(2)
    await reader.readuntil(b"\r\n")
    return b"".join(pieces)
