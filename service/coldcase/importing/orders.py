"""What the service and a process that works on imports say to each other: orders with an open file one way,
frames of an answer the other.
"""

import socket
import struct
from collections.abc import Callable
from typing import BinaryIO, Literal
from uuid import UUID

import msgspec

from coldcase.db.events import Actor
from coldcase.errors import Flaw

LENGTH = struct.Struct(">I")
FRAME = struct.Struct(">cI")
LINES, ENDED, FAILED = b"l", b"e", b"f"
"""Kinds of frames: lines of the answer; its end; that it breaks off, with a `Failure`."""

LARGEST_PIECE = 64 * 1024


class RowCrosswalk(msgspec.Struct, frozen=True):
    """The crosswalk that reads the cases of an import."""

    name: str
    version: int
    document: str


class ImportOrder(msgspec.Struct, frozen=True, kw_only=True):
    """One import: whose it is, under which key lines are known again, which rule table answers, what is
    answered. `own_code` is the column of a CSV file that holds the client's own; `spool_folder` is where what
    is counted may lie on disk. Lines of Parquet that come `answered` are recorded by COPY, which takes the
    owner of the database.
    """

    database_url: str
    client_id: int
    key: UUID
    actor: Actor
    import_key: str
    rule_table: int
    whole_answers: bool = False
    lenient: bool = False
    media: Literal["ndjson", "csv", "answered"] = "ndjson"
    crosswalk: RowCrosswalk | None = None
    own_code: str | None = None
    spool_folder: str | None = None


class Failure(msgspec.Struct, frozen=True):
    """Why an import broke off, as an error's code, detail and flaws: a file whose header cannot be read has
    no line to tell them at.
    """

    code: str
    detail: str
    flaws: tuple[Flaw, ...] = ()


def send_order(channel: socket.socket, order: ImportOrder, file: BinaryIO) -> None:
    """Hands an order over, and the open file that it is about."""
    text = msgspec.json.encode(order)
    message = LENGTH.pack(len(text)) + text
    sent = socket.send_fds(channel, [message], [file.fileno()])
    channel.sendall(message[sent:])


def next_order(channel: socket.socket) -> tuple[ImportOrder, BinaryIO] | None:
    """The next order with its file; None when nobody is there to give any."""
    text, files, _, _ = socket.recv_fds(channel, LARGEST_PIECE, 1)
    if not text:
        return None
    file = open(files[0], "rb")  # noqa: SIM115, PTH123 - a file that was handed over; whoever asked closes it
    while len(text) < LENGTH.size or len(text) < LENGTH.size + LENGTH.unpack_from(text)[0]:
        more = channel.recv(LARGEST_PIECE)
        if not more:
            file.close()
            return None
        text += more
    return msgspec.json.decode(text[LENGTH.size :], type=ImportOrder), file


def framed(kind: bytes, body: bytes = b"") -> bytes:
    """A frame."""
    return FRAME.pack(kind, len(body)) + body


Out = Callable[[bytes], None]
"""Takes bytes of frames, all of them, before it returns."""
