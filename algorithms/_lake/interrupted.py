"""What an interruption left half written in a recording is made whole, so that it can go on.

Raw bytes are never changed. Their records are: what the power cut off, or what speaks of bytes that
did not get to the disk, is cut off; bytes without a record get one, with the time of the last record
of any source. They came within the second after it, since the disk has all that is older.
"""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass, field

from .._io.flushing import flush
from ..core.reading.arrivals import RECORD, arrival_record, parse_arrivals

__all__ = ["Completed", "complete"]


@dataclass
class Completed:
    """What was found.

    Attributes
    ----------
    session : int
        The last of the recording, 0 where nothing had arrived.
    untimed : dict
        Key of a source -> its bytes that had no record.
    """

    session: int = 0
    untimed: dict = field(default_factory=dict)


def complete(recording) -> Completed:
    """Make the files of a recording whole.

    Raises
    ------
    OSError
    """
    found, last, ends = Completed(), None, {}
    for key in recording.keys:
        raw = recording.raw(key)
        size = raw.stat().st_size if raw.exists() else 0
        arrivals = _cut(recording.arrivals_file(key), size)
        end = int(arrivals.end[-1]) if len(arrivals) else 0
        if size > end:
            found.untimed[key] = size - end
            ends[key] = size
        if len(arrivals):
            columns = (arrivals.session, arrivals.monotonic_us, arrivals.utc_us)
            last = max(last or (0, 0, 0), tuple(int(column[-1]) for column in columns))
    found.session = last[0] if last else 0
    for key, end in ends.items():
        # Where nothing at all was recorded the file knows when it was written.
        session, us, utc = last or (0, 0, int(1e6 * recording.raw(key).stat().st_mtime))
        _append(recording.arrivals_file(key), arrival_record(session, end, us + 1, utc + 1))
    for path in recording.path.glob("*.jsonl"):
        data = path.read_bytes()
        if data and not data.endswith(b"\n"):
            _append(path, b"\n")  # else the next line would be lost with the one that was cut
    return found


def _cut(path, size):
    """Cut a file of records behind the last that is whole and within the raw bytes; return that."""
    last = parse_arrivals(b"")[0]
    with suppress(FileNotFoundError), open(path, "r+b") as file:
        there = file.seek(0, os.SEEK_END)
        count = there // RECORD
        while count:
            file.seek((count - 1) * RECORD)
            record = parse_arrivals(file.read(RECORD))[0]
            if len(record) and record.end[0] <= size:
                last = record
                break
            count -= 1
        if there > count * RECORD:
            file.truncate(count * RECORD)
    return last


def _append(path, data):
    with open(path, "ab") as file:
        file.write(data)
    flush(path)
