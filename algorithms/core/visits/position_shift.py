"""What slow shifts of the positions of a visit do to its offset in depth."""

from __future__ import annotations

import numpy as np

from ..soundings import Soundings, distinct

#: Side of the cells whose mean depths give the slope, m: lanes lie closer together.
_CELL_M = 40.0

#: The positions of so many minutes are wrong by one shift, those before and after by another.
_MINUTES = 30

#: Where times are lost, those of a square are: lanes 10 m apart cover it in half an hour, m.
_SQUARE_M = 200.0


def error_of_shifts(own: Soundings, other: Soundings, shift_m: float = 1.0) -> float:
    """Return the standard error of a visit's offset that slow shifts of its positions make, m.

    Parameters
    ----------
    own : Soundings
        That the visit is compared with.
    other : Soundings
        The visit, in the same CRS.
    shift_m : float
        Standard uncertainty, in each direction, of the shift between both, m.

    Returns
    -------
    float
        0 where no slope can be told.

    Notes
    -----
    What a GPS receiver is wrong by holds over several lanes, so that it does not average out over
    their crossings: where the bottom falls to one side, a shift reads as an offset in depth. With
    the mean slope vector ``g`` of each half hour and its part ``w`` of the soundings, the variance
    is ``shift^2 sum(w^2 |g|^2)``. Soundings without times are taken by squares of 200 m, as much as
    is covered in half an hour. That errors hold for half an hour is common practice, not a
    measurement.

    Examples
    --------
    >>> side = np.arange(0.0, 400.0, 5.0)
    >>> x, y = (v.ravel() for v in np.meshgrid(side, side))
    >>> time = np.full(x.size, np.datetime64("2026-05-14T14:00", "ms"))
    >>> plane = Soundings.build(x, y, 3.0 + 0.02 * x, time=time)
    >>> round(error_of_shifts(plane, plane), 4)
    0.02
    """
    own, other = own.select(_usable(own)), other.select(_usable(other))
    if not len(own) or not len(other):
        return 0.0
    corner = own.x.min(), own.y.min()
    slopes = _slopes(own, corner)
    row, column = _cells(other, corner)
    # The rim of empty cells stands for all that is beyond.
    row, column = (np.clip(v, 0, n - 1) for v, n in zip((row, column), slopes.shape[1:]))
    met = slopes[:, row, column]
    known = np.isfinite(met).all(axis=0)
    if not known.any():
        return 0.0
    block = spans_of_shift(other.select(known))
    sums = [np.bincount(block, slope[known]) for slope in met]
    return float(shift_m * np.hypot(*sums).dot(np.hypot(*sums)) ** 0.5 / known.sum())


def spans_of_shift(soundings: Soundings) -> np.ndarray:
    """Number the half hours of each visit, through which its positions are wrong by one shift.

    Without times each square of 200 m is one, shape (n,).

    Examples
    --------
    >>> time = np.array(["2026-07-01T10:05", "2026-07-01T10:20", "2026-07-01T10:40"], "M8[ms]")
    >>> spans_of_shift(Soundings.build([0, 1, 2], [0, 0, 0], [3, 3, 3], time=time)).tolist()
    [0, 0, 1]
    """
    minutes = soundings.time.astype("datetime64[m]").astype(np.int64)
    half_hour = np.where(np.isnat(soundings.time), -1, minutes // _MINUTES)
    squares = (
        np.where(half_hour < 0, np.floor(v / _SQUARE_M), 0.0) for v in (soundings.x, soundings.y)
    )
    key = np.column_stack([distinct(soundings.visit)[1], half_hour, *squares])
    return np.unique(key, axis=0, return_inverse=True)[1].ravel()


def _slopes(own, corner):
    """Return the slopes of the bottom to the east and north, m per m, in cells with an empty rim."""
    row, column = _cells(own, corner)
    shape = int(row.max()) + 2, int(column.max()) + 2
    at = np.ravel_multi_index((row, column), shape)
    count = np.bincount(at, minlength=shape[0] * shape[1])
    with np.errstate(invalid="ignore"):
        depth, east, north = (
            (np.bincount(at, v, minlength=count.size) / count).reshape(shape)
            for v in (own.depth, own.x, own.y)
        )
        return np.array([_rise(depth, 1) / _rise(east, 1), _rise(depth, 0) / _rise(north, 0)])


def _rise(values, axis):
    """Return the difference of the cells around each cell, or of it and the one that there is."""
    after, before = np.roll(values, -1, axis), np.roll(values, 1, axis)
    return np.where(np.isnan(after), values, after) - np.where(np.isnan(before), values, before)


def _cells(soundings, corner):
    """Return row and column of the cells of soundings, 1 for those at the corner."""
    return tuple(
        np.floor((v - low) / _CELL_M).astype(np.int64) + 1
        for v, low in ((soundings.y, corner[1]), (soundings.x, corner[0]))
    )


def _usable(soundings):
    return soundings.accepted & np.isfinite(soundings.x) & np.isfinite(soundings.y)
