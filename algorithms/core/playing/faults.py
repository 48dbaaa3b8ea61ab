"""Faults of sounders, receivers and lines, put into a timeline by name and with a fixed seed."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from ..errors import LakefloorError
from ..reading.gps_weeks import ROLLOVER_DAYS
from .timeline import Timeline, feet_meters_fathoms, sentence

#: Depths that are missing, fixes that are lost, silence: stretches of so long, s.
_STRETCH_S = 60.0
#: What waits in a buffer comes at once after so long, s.
_BUFFER_S = 3.0
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
        The same faults come with the same seed.

    Raises
    ------
    LakefloorError
        If there is no such fault, or a share is not within 0 to 1.
    """
    for number, (name, share) in enumerate(sorted(faults.items())):
        if name not in FAULTS:
            raise LakefloorError(f"There is no fault '{name}'. Choose of {', '.join(FAULTS)}.")
        if not 0.0 <= share <= 1.0:
            raise LakefloorError(f"The share of fault '{name}' is {share}. Give 0 to 1.")
        draw = np.random.default_rng([seed, number, len(name)])
        whole = FAULTS[name][0](whole, share, draw)
    return whole


def _each(change):
    """Return a fault that changes some sentences."""

    def apply(whole, share, draw):
        hit = draw.random(len(whole)) < share
        chunks = [
            change(chunk, draw) if bad else chunk for chunk, bad in zip(whole.chunks, hit.tolist())
        ]
        return Timeline(whole.seconds, chunks)

    return apply


def _wrong_checksum(chunk, draw):
    star = chunk.rfind(b"*")
    if star < 0:
        return chunk
    stated = int(chunk[star + 1 : star + 3], 16) ^ int(draw.integers(1, 256))
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
    chunks = []
    for chunk in whole.chunks:
        values = np.frombuffer(chunk, dtype=np.uint8).copy()
        bad = draw.random(len(values)) < share
        values[bad] ^= draw.integers(1, 256, int(bad.sum()), dtype=np.uint8)
        chunks.append(values.tobytes())
    return Timeline(whole.seconds, chunks)


def _stretches(whole, share, draw):
    """Return a mask of the pieces within some stretches of a minute."""
    stretch = (whole.seconds // _STRETCH_S).astype(int)
    count = int(stretch.max(initial=0)) + 1
    return (draw.random(count) < share)[stretch]


def _kind(chunk):
    return chunk[3:6] if chunk.startswith(b"$") else b""


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
    return Timeline(whole.seconds, chunks)


def _without_fix(chunk):
    cells = chunk[1:].partition(b"*")[0].decode("ascii", "replace").split(",")
    at, value = {"GGA": (6, "0"), "RMC": (2, "V"), "GLL": (6, "V")}[cells[0][2:5]]
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
            except ValueError:
                continue
            seconds.append(at)
            chunks.append(sentence(f"IIDBT,{feet_meters_fathoms(depth)}"))
    return Timeline(np.array(seconds), chunks)


def _buffered(whole, share, draw):
    """Stretches of which all comes at once."""
    bad = draw.random(int(whole.seconds[-1] // _BUFFER_S) + 1) < share if len(whole) else []
    number = (whole.seconds // _BUFFER_S).astype(int)
    at = np.where(np.asarray(bad)[number], (number + 1) * _BUFFER_S, whole.seconds)
    return Timeline(np.maximum.accumulate(at), whole.chunks)


def _old_date(whole, share, draw):
    """A receiver that counts the weeks from an earlier rollover."""
    chunks = []
    for chunk in whole.chunks:
        cells = chunk[1:].partition(b"*")[0].decode("ascii", "replace").split(",")
        if share > 0.0 and _kind(chunk) == b"RMC" and len(cells) > 9 and len(cells[9]) == 6:
            day = np.datetime64(f"20{cells[9][4:]}-{cells[9][2:4]}-{cells[9][:2]}") - ROLLOVER_DAYS
            cells[9] = f"{day.astype(object):%d%m%y}"
            chunk = sentence(",".join(cells))
        chunks.append(chunk)
    return Timeline(whole.seconds, chunks)


#: Name of a fault -> what it does to a timeline, and what people read.
FAULTS: dict[str, tuple[Callable, str]] = {
    "checksum": (_each(_wrong_checksum), "Wrong checksums"),
    "bytes": (_broken_bytes, "Broken bytes"),
    "cut": (_each(_cut), "Sentences cut short"),
    "glued": (_each(_glued), "Sentences without a line end"),
    "doubled": (_each(_doubled), "Sentences sent twice"),
    "noise": (_each(_noise), "Noise between sentences"),
    "nodepth": (_no_depth, "Minutes without a depth"),
    "nofix": (_no_fix, "Minutes without a fix"),
    "silence": (_silence, "Minutes of silence"),
    "seconddepth": (_second_depth, "A second sounder that disagrees"),
    "buffered": (_buffered, "Sentences held back, then all at once"),
    "olddate": (_old_date, "A date 1,024 weeks too early"),
}
