"""Messages between two processes: a length, then a pickled object."""

from __future__ import annotations

import pickle
import struct
from typing import BinaryIO

_HEAD = struct.Struct("<Q")
#: The first message of a process that can do the work.
HELLO = ("hello",)


def write_frame(stream: BinaryIO, message: object) -> None:
    """Write a message and send it off."""
    data = pickle.dumps(message, protocol=pickle.HIGHEST_PROTOCOL)
    stream.write(_HEAD.pack(len(data)) + data)
    stream.flush()


def read_frame(stream: BinaryIO) -> object:
    """Return the next message.

    Raises
    ------
    EOFError
        If the other side has ended.
    """
    head = _read(stream, _HEAD.size)
    return pickle.loads(_read(stream, _HEAD.unpack(head)[0]))


def _read(stream, count):
    data = stream.read(count)
    if len(data) < count:
        raise EOFError
    return data
