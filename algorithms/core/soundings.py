"""Soundings: one row a ping, and the words used in their text fields."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from .errors import LakefloorError, excerpt

ACCEPTED = "accepted"

#: Field of the soundings layer -> (field of Soundings, kind).
SCHEMA = {
    "visit": ("visit", "text"),
    "lane": ("lane", "int"),
    "time": ("time", "datetime"),
    "raw_depth_m": ("raw_depth", "double"),
    "depth_m": ("depth", "double"),
    "uncert_m": ("uncert", "double"),
    "hardness": ("hardness", "double"),
    "water_temp_c": ("water_temp", "double"),
    "speed_ms": ("speed", "double"),
    "course_deg": ("course", "double"),
    "status": ("status", "text"),
    "corrections": ("corrections", "text"),
}

_FLOATS = ("x", "y", "raw_depth", "depth", "uncert", "hardness", "water_temp", "speed", "course")
_TEXTS = ("visit", "status", "corrections")


@dataclass(frozen=True)
class Soundings:
    """Pings in the order they were logged within each visit.

    Every field is an array of shape (n,). Build one with :meth:`build`, which
    fills what was not logged.

    Attributes
    ----------
    x, y : float
        Easting and northing in a projected CRS, m.
    time : datetime64[ms]
        UTC; NaT where not logged.
    visit : object (str)
        Name of the outing.
    lane : int32
        Running number of a straight run within the visit; 0 on turns.
    raw_depth : float
        Depth as logged, m, positive down; never changed.
    depth : float
        Current best depth, m, positive down.
    uncert : float
        One standard deviation of ``depth``, m.
    hardness : float
        Relative bottom hardness 0..1.
    water_temp, speed, course : float
        Degrees Celsius, m/s, degrees clockwise from true north.
    status : object (str)
        :data:`ACCEPTED`, or the reason for the rejection.
    corrections : object (str)
        What was applied so far, as ``key=value`` joined by ``;``.
    """

    x: np.ndarray
    y: np.ndarray
    time: np.ndarray
    visit: np.ndarray
    lane: np.ndarray
    raw_depth: np.ndarray
    depth: np.ndarray
    uncert: np.ndarray
    hardness: np.ndarray
    water_temp: np.ndarray
    speed: np.ndarray
    course: np.ndarray
    status: np.ndarray
    corrections: np.ndarray

    @classmethod
    def build(cls, x: npt.ArrayLike, y: npt.ArrayLike, depth: npt.ArrayLike, **known) -> Soundings:
        """Return soundings with every field not given filled with "not logged".

        Parameters
        ----------
        x, y, depth : array, shape (n,)
            Position and depth, m. ``raw_depth`` defaults to ``depth``.
        **known
            Any other field; a scalar is repeated n times.

        Raises
        ------
        LakefloorError
            If two fields differ in length.
        """
        n = np.size(x)
        known = {"x": x, "y": y, "depth": depth, "raw_depth": depth, **known}

        def column(name, default, dtype):
            value = np.asarray(known.pop(name, default))
            if value.ndim == 0:
                scalar, value = value[()], np.empty(n, dtype=dtype)
                # Unlike numpy.full, this keeps one text and not a copy of it for each row.
                value.fill(str(scalar) if dtype is object else scalar)
            value = value.astype(dtype, copy=True)
            if value.shape != (n,):
                raise LakefloorError(
                    f"Soundings field '{name}' has shape {value.shape}, expected ({n},)."
                )
            return value

        built = {name: column(name, np.nan, float) for name in _FLOATS}
        built["time"] = column("time", np.datetime64("NaT"), "datetime64[ms]")
        built["lane"] = column("lane", 0, np.int32)
        for name, default in zip(_TEXTS, ("", ACCEPTED, "")):
            built[name] = column(name, default, object)
        if known:
            raise TypeError(f"unknown soundings fields: {sorted(known)}")
        return cls(**built)

    def __len__(self) -> int:
        return len(self.x)

    @property
    def accepted(self) -> np.ndarray:
        """Mask, shape (n,), of the soundings that may be used."""
        return (self.status == ACCEPTED) & np.isfinite(self.depth)

    def select(self, rows: np.ndarray) -> Soundings:
        """Return the rows picked by a mask or an index array."""
        return Soundings(**{f.name: _rows_of(getattr(self, f.name), rows) for f in fields(self)})

    def replace(self, **changes) -> Soundings:
        """Return a copy with whole fields exchanged; ``raw_depth`` raises a TypeError."""
        if "raw_depth" in changes:
            raise TypeError("raw_depth is never changed")
        return replace(self, **changes)


def _rows_of(column, rows):
    """Return rows of a column; one value repeated without taking memory stays so."""
    if column.size and column.strides == (0,):
        return np.broadcast_to(column[:1], np.empty(column.shape, dtype=bool)[rows].shape)
    return column[rows]


#: No depth of an echo sounder is better known, m.
LEAST_UNCERTAINTY = 1e-3


def stated_uncertainty(uncert: npt.ArrayLike) -> np.ndarray:
    """Return standard uncertainties as far as they state one, m, shape (n,).

    None is 0 or negative: such a field was left unfilled, and is NaN here as if it were empty.
    What lies below :data:`LEAST_UNCERTAINTY` is raised to it.
    """
    uncert = np.asarray(uncert, dtype=float)
    given = np.isfinite(uncert) & (uncert > 0.0)
    return np.where(given, np.maximum(uncert, LEAST_UNCERTAINTY), np.nan)


def concatenate(parts: Iterable[Soundings]) -> Soundings:
    """Return the rows of all ``parts`` in order."""
    parts = list(parts)
    return Soundings(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Soundings)}
    )


def distinct(texts: Iterable) -> tuple:
    """Return the distinct texts, sorted, and for each row the number of its text.

    As ``numpy.unique``, without an array of fixed-width text, which takes many times the memory.
    """
    texts = list(map(str, texts))
    numbers = {text: i for i, text in enumerate(sorted(set(texts)))}
    return list(numbers), np.fromiter(map(numbers.__getitem__, texts), np.intp, len(texts))


def rows_by_text(texts: Iterable) -> Iterator:
    """Yield each distinct text and the numbers of its rows, in order of the texts."""
    names, group = distinct(texts)
    order = np.argsort(group, kind="stable")
    bounds = np.searchsorted(group[order], np.arange(len(names) + 1))
    for name, start, stop in zip(names, bounds[:-1], bounds[1:]):
        yield name, order[start:stop]


def each_visit(soundings: Soundings) -> Iterator:
    """Yield each visit's name and row numbers, in order of name."""
    return rows_by_text(soundings.visit)


def visit_list(visits: Iterable) -> str:
    """Return the distinct names of visits for a message, at most five of them."""
    names = distinct(visits)[0]
    shown = ", ".join(f"'{excerpt(name)}'" for name in names[:5])
    return shown if len(names) <= 5 else f"{shown} and {len(names) - 5} more"


def of_visits(visits: Iterable) -> str:
    """Return the visits of a message with their noun: ``visit 'a'``, or ``visits 'a', 'b'``.

    Examples
    --------
    >>> print(of_visits(["May", "May"]), "and", of_visits(["May", "June"]))
    visit 'May' and visits 'June', 'May'
    """
    visits = list(visits)
    return f"{'visit' if len(distinct(visits)[0]) == 1 else 'visits'} {visit_list(visits)}"


def parse_corrections(text: str) -> dict:
    """Return the ``key=value`` pairs of one corrections text, in order."""
    return dict(item.split("=", 1) for item in text.split(";") if "=" in item)


def with_corrections(corrections: np.ndarray, **values) -> np.ndarray:
    """Return corrections texts, shape (n,), with ``key=value`` pairs added or exchanged.

    Each value is one string for all rows or an array of n strings; None takes the key out.
    """
    columns = [corrections] + [
        np.broadcast_to(np.asarray(value, dtype=object), corrections.shape)
        for value in values.values()
    ]
    which = np.zeros(len(corrections), dtype=np.intp)
    for column in columns:
        texts, row = distinct(column)
        which = np.unique(which * max(len(texts), 1) + row, return_inverse=True)[1]
    # One row stands for all that agree in every column.
    first = np.zeros(which.max(initial=-1) + 1, dtype=np.intp)
    first[which[::-1]] = np.arange(len(which))[::-1]
    out = np.empty(len(first), dtype=object)
    for i, row in enumerate(first):
        text, *new = (column[row] for column in columns)
        pairs = parse_corrections(text) | dict(zip(values, new))
        out[i] = ";".join(f"{k}={v}" for k, v in pairs.items() if v is not None)
    return out[which]
