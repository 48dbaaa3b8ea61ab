"""Faults of sounders, receivers and lines, put into a timeline by name and with a fixed seed."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import lru_cache

import numpy as np

from ..errors import LakefloorError
from ..reading.gps_weeks import ROLLOVER_DAYS
from ..reading.nmea_values import short_date
from .timeline import Timeline, feet_meters_fathoms, sentence

#: Depths that are missing, fixes that are lost, silence: stretches of so long, s.
_STRETCH_S = 60.0
#: What waits in a buffer comes at once after so long, s.
_BUFFER_S = 3.0
#: A sentence that is late comes so much later, behind those after it, s.
_LATE_S = 1.5
_DEPTHS = (b"DPT", b"DBT", b"DBS", b"DBK")
_FIXES = (b"GGA", b"RMC", b"GLL")


def with_faults(whole: Timeline, faults: Mapping[str, float], seed: int = 0) -> Timeline:
    """Return a timeline with faults in it.

    Parameters
    ----------
    whole : Timeline
    faults : mapping of str to float
        Names of :data:`FAULTS` -> share of the sentences, bytes or stretches that have it, 0 to 1.
    seed : int
        The same faults come with the same seed, whichever others come with them.

    Raises
    ------
    LakefloorError
        If there is no such fault, or a share is not within 0 to 1.
    """
    for name, share in faults.items():
        if name not in FAULTS:
            raise LakefloorError(f"There is no fault '{name}'. Choose of {', '.join(FAULTS)}.")
        if not 0.0 <= share <= 1.0:
            raise LakefloorError(f"The share of fault '{name}' is {share}. Give 0 to 1.")
    for name in (name for name in FAULTS if faults.get(name) and len(whole)):
        draw = np.random.default_rng([seed, zlib.crc32(name.encode("ascii"))])
        whole = FAULTS[name][0](whole, faults[name], draw)
    return whole


def _each(change):
    """Return a fault that changes some sentences."""

    def apply(whole, share, draw):
        hit = draw.random(len(whole)) < share
        chunks = [
            change(chunk, draw) if bad else chunk for chunk, bad in zip(whole.chunks, hit.tolist())
        ]
        return replace(whole, chunks=chunks)

    return apply


def _wrong_checksum(chunk, draw):
    star, change = chunk.rfind(b"*"), int(draw.integers(1, 256))
    try:
        stated = int(chunk[star + 1 : star + 3], 16) ^ change
    except ValueError:  # it has none
        return chunk
    return chunk[: star + 1] + b"%02X" % stated + chunk[star + 3 :]


def _cut(chunk, draw):
    return chunk[: int(draw.integers(1, max(len(chunk) - 2, 2)))] + b"\r\n"


def _glued(chunk, draw):
    return chunk.rstrip(b"\r\n")


def _doubled(chunk, draw):
    return chunk + chunk


def _noise(chunk, draw):
    return bytes(draw.integers(0, 256, int(draw.integers(1, 40)), dtype=np.uint8)) + chunk


def _broken_bytes(whole, share, draw):
    values = np.frombuffer(whole.data, dtype=np.uint8).copy()
    bad = draw.random(len(values)) < share
    values[bad] ^= draw.integers(1, 256, int(bad.sum()), dtype=np.uint8)
    data, stops = values.tobytes(), np.cumsum([len(chunk) for chunk in whole.chunks]).tolist()
    return replace(whole, chunks=[data[a:b] for a, b in zip([0, *stops], stops)])


def _stretches(whole, share, draw):
    """Return a mask of the pieces within some stretches of a minute."""
    stretch = (whole.seconds // _STRETCH_S).astype(int)
    count = int(stretch.max(initial=0)) + 1
    return (draw.random(count) < share)[stretch]


def _kind(chunk):
    return chunk[3:6] if chunk.startswith(b"$") else b""


def _cells(chunk):
    return chunk[1:].partition(b"*")[0].decode("ascii", "ignore").strip().split(",")


def _no_depth(whole, share, draw):
    bad = _stretches(whole, share, draw)
    is_depth = np.array([_kind(chunk) in _DEPTHS for chunk in whole.chunks], dtype=bool)
    return whole.select(~(bad & is_depth))


def _silence(whole, share, draw):
    return whole.select(~_stretches(whole, share, draw))


def _no_fix(whole, share, draw):
    chunks = [
        _without_fix(chunk) if bad and _kind(chunk) in _FIXES else chunk
        for chunk, bad in zip(whole.chunks, _stretches(whole, share, draw).tolist())
    ]
    return replace(whole, chunks=chunks)


def _without_fix(chunk):
    cells = _cells(chunk)
    at, value = {b"GGA": (6, "0"), b"RMC": (2, "V"), b"GLL": (6, "V")}[_kind(chunk)]
    if len(cells) > at:
        cells[at] = value
    return sentence(",".join(cells))


def _second_depth(whole, share, draw):
    """Another sounder that measures less, by the beam of its own."""
    seconds, chunks = [], []
    for at, chunk in zip(whole.seconds.tolist(), whole.chunks):
        seconds.append(at)
        chunks.append(chunk)
        if _kind(chunk) == b"DPT" and draw.random() < share:
            try:
                depth = 0.9 * float(chunk.split(b",")[1])
            except (ValueError, IndexError):  # it was cut, or has no depth
                continue
            seconds.append(at)
            chunks.append(sentence(f"IIDBT,{feet_meters_fathoms(depth)}"))
    return replace(whole, seconds=np.array(seconds), chunks=chunks)


def _buffered(whole, share, draw):
    """Stretches of which all comes at once."""
    number = (whole.seconds // _BUFFER_S).astype(int)
    bad = draw.random(number[-1] + 1) < share
    at = np.where(bad[number], (number + 1) * _BUFFER_S, whole.seconds)
    return replace(whole, seconds=np.maximum.accumulate(at))


def _late(whole, share, draw):
    """Sentences that come behind those that were sent after them."""
    at = whole.seconds + np.where(draw.random(len(whole)) < share, _LATE_S, 0.0)
    order = np.argsort(at, kind="stable")
    return replace(whole.select(order), seconds=at[order])


def _unplugged(whole, share, draw):
    """Ends of minutes at which the plug is pulled, and put in again."""
    ends = np.arange(1, int(whole.seconds[-1] // _STRETCH_S) + 1) * _STRETCH_S
    return replace(whole, unplugged=ends[draw.random(len(ends)) < share])


def _old_date(whole, share, draw):
    """A receiver that counts the weeks from an earlier rollover."""
    chunks = []
    for chunk in whole.chunks:
        chunks.append(_with_old_date(chunk) if _kind(chunk) == b"RMC" else chunk)
    return replace(whole, chunks=chunks)


def _with_old_date(chunk):
    cells = _cells(chunk)
    old = _earlier(cells[9]) if len(cells) > 9 else ""
    if not old:
        return chunk
    cells[9] = old
    return sentence(",".join(cells))


@lru_cache
def _earlier(date):
    """Return ``ddmmyy`` of 1,024 weeks before; nothing if it is no date."""
    day = short_date(date.encode("ascii"))
    return "" if day < 0 else f"{np.datetime64(day - ROLLOVER_DAYS, 'D').astype(object):%d%m%y}"


#: Name of a fault -> what it does to a timeline, and what people read; in the order in which they
#: come about: in the devices, on the line, in time.
FAULTS: dict[str, tuple[Callable, str]] = {
    "nodepth": (_no_depth, "Minutes without a depth"),
    "nofix": (_no_fix, "Minutes without a fix"),
    "olddate": (_old_date, "A date 1,024 weeks too early"),
    "seconddepth": (_second_depth, "A second sounder that disagrees"),
    "doubled": (_each(_doubled), "Sentences sent twice"),
    "checksum": (_each(_wrong_checksum), "Wrong checksums"),
    "cut": (_each(_cut), "Sentences cut short"),
    "glued": (_each(_glued), "Sentences without a line end"),
    "bytes": (_broken_bytes, "Broken bytes"),
    "noise": (_each(_noise), "Noise between sentences"),
    "silence": (_silence, "Minutes of silence"),
    "late": (_late, "Sentences that come late"),
    "buffered": (_buffered, "Sentences held back, then all at once"),
    "unplugged": (_unplugged, "The plug pulled, and put in again"),
}
