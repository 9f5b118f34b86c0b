"""A body of any size on disk: decoded as it comes, within a cap; gone when nobody holds it any more."""

import errno
import tempfile
import threading
import zlib
from collections.abc import Callable, Iterator
from typing import BinaryIO, Literal

import msgspec
import zstandard

from coldcase.errors import ColdcaseError, TooLarge
from coldcase.workers import Tally

ContentEncoding = Literal["identity", "gzip", "zstd"]

STEP = 1024 * 1024
"""Bytes that one step of a decoding yields at most, for gzip."""

SLICE = 512
"""Bytes of a zstd body that are decoded at a time: four of them may stand for 128 KiB."""

WIDEST_WINDOW = 8 * 1024 * 1024
"""What a zstd body may ask for in memory (RFC 9659)."""

DISK_FULL = frozenset({errno.ENOSPC, errno.EDQUOT})


class BadEncoding(ColdcaseError):
    """The body is not what its `Content-Encoding` says, or breaks off; nothing of it was recorded."""

    code = "bad_encoding"


class SpoolFull(ColdcaseError):
    """There is no room on disk for the body just now; nothing of it was recorded. Send it again later, or in
    smaller parts.
    """

    code = "spool_full"


class SpoolSettings(msgspec.Struct, frozen=True, kw_only=True):
    """Where bodies lie (None for the system's folder of temporary files), how many bytes one may have, as
    read and not as sent, and how many all of them together.
    """

    folder: str | None = None
    body_bytes: int
    all_bytes: int


class SpoolRoom:
    """The room that all bodies share, those of other workers on this machine too; `taken` counts bytes."""

    def __init__(self, settings: SpoolSettings, taken: Tally) -> None:
        self.settings = settings
        self.taken = taken
        self._lock = threading.Lock()

    def take(self, size: int) -> None:
        """Takes room, to be given back. Raises SpoolFull."""
        with self._lock:
            if self.taken.total + size > self.settings.all_bytes:
                raise SpoolFull
            self.taken.add(size)

    def give_back(self, size: int) -> None:
        """Gives room back."""
        with self._lock:
            self.taken.add(-size)


class Spool:
    """One body. `write` takes pieces as they were sent, `finish` gives the file, at its beginning."""

    def __init__(self, room: SpoolRoom, encoding: ContentEncoding) -> None:
        self.size = 0
        self._room = room
        self._decoder = DECODERS[encoding]()
        self._file: BinaryIO = tempfile.TemporaryFile(prefix="coldcase-spool-", dir=room.settings.folder)  # noqa: SIM115 - `close` closes it

    def write(self, piece: bytes) -> None:
        """Takes a piece of the body. Raises BadEncoding, TooLarge, SpoolFull."""
        self._keep(self._decoder.decoded(piece))

    def finish(self) -> BinaryIO:
        """The whole body. Raises as `write` does, and BadEncoding where it broke off."""
        self._decoder.finish()
        self._file.flush()
        self._file.seek(0)
        return self._file

    def close(self) -> None:
        """Gives the disk space back."""
        self._file.close()
        self._room.give_back(self.size)
        self.size = 0

    def _keep(self, pieces: Iterator[bytes]) -> None:
        most = self._room.settings.body_bytes
        for piece in pieces:
            if self.size + len(piece) > most:
                raise TooLarge(f"A body may have {most} bytes at most, once decoded; post it in parts.")
            self._room.take(len(piece))
            self.size += len(piece)
            try:
                self._file.write(piece)
            except OSError as error:
                if error.errno in DISK_FULL:
                    raise SpoolFull from error
                raise


class _Plain:
    def decoded(self, piece: bytes) -> Iterator[bytes]:
        yield piece

    def finish(self) -> None:
        """Any end is one."""


class _Gzip:
    """One or more members, as `cat a.gz b.gz` makes them."""

    def __init__(self) -> None:
        self._member = zlib.decompressobj(wbits=31)
        self._begun = False

    def decoded(self, piece: bytes) -> Iterator[bytes]:
        made = b""
        # What was taken whole may still have to yield something.
        while piece or len(made) == STEP:
            if self._member.eof:
                self._member = zlib.decompressobj(wbits=31)
            self._begun = True
            try:
                made = self._member.decompress(piece, STEP)
            except zlib.error as error:
                raise BadEncoding(f"The body is not gzip: {error}.") from error
            yield made
            if self._member.eof:
                piece, made = self._member.unused_data, b""
            else:
                piece = self._member.unconsumed_tail

    def finish(self) -> None:
        if self._begun and not self._member.eof:
            raise BadEncoding("The gzip body breaks off before its end; nothing of it was recorded.")


class _Zstd:
    """One or more frames."""

    def __init__(self) -> None:
        self._decompressor = zstandard.ZstdDecompressor(max_window_size=WIDEST_WINDOW)
        self._frame = self._decompressor.decompressobj()
        self._begun = False

    def decoded(self, piece: bytes) -> Iterator[bytes]:
        for start in range(0, len(piece), SLICE):
            part = piece[start : start + SLICE]
            while part:
                if self._frame.eof:
                    self._frame = self._decompressor.decompressobj()
                self._begun = True
                try:
                    yield self._frame.decompress(part)
                except zstandard.ZstdError as error:
                    raise BadEncoding(
                        f"The body is not zstd, or asks for too much memory: {error}."
                    ) from error
                part = self._frame.unused_data if self._frame.eof else b""

    def finish(self) -> None:
        if self._begun and not self._frame.eof:
            raise BadEncoding("The zstd body breaks off before its end; nothing of it was recorded.")


DECODERS: dict[ContentEncoding, Callable[[], _Plain | _Gzip | _Zstd]] = {
    "identity": _Plain,
    "gzip": _Gzip,
    "zstd": _Zstd,
}
