"""The days of a lake: its own dates, not those of UTC, and outings that are not cut at midnight."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone, tzinfo

import numpy as np
from numpy.typing import ArrayLike

from . import crs
from .number_text import finite_number
from .soundings import Soundings, distinct, parse_corrections, with_corrections
from .times import zone_of

#: A longer break in the logging starts another outing, h.
VISIT_BREAK_H = 6.0

#: Key in ``corrections`` of the offset of the lake's clocks from UTC, h, where the log states
#: its zone or the user gave it.
UTC_OFFSET = "utc_offset_h"

#: Windows makes no time before it from a number of seconds.
_EPOCH = datetime(1970, 1, 1, tzinfo=timezone.utc)
_HOUR_MS = 3_600_000
_DAY_MS = 24 * _HOUR_MS


def solar_offset_h(lon: ArrayLike) -> np.ndarray:
    """Return the offset of local mean solar time from UTC, h: 15 degrees of longitude an hour."""
    return np.asarray(lon, dtype=float) / 15.0


def zone_offsets_h(time: np.ndarray, time_zone: str | tzinfo) -> np.ndarray:
    """Return the offset of a zone from UTC at UTC instants, h; NaN at NaT.

    Parameters
    ----------
    time : datetime64[ms], shape (n,)
    time_zone : str or tzinfo
        See :func:`.times.zone_of`, also for errors.

    Returns
    -------
    array, shape (n,)
    """
    zone, out = zone_of(time_zone), np.full(len(time), np.nan)
    known = ~np.isnat(time)
    quarters, index = np.unique(
        time[known].astype("datetime64[ms]").astype("int64") // 900_000, return_inverse=True
    )
    offsets = [
        (_EPOCH + timedelta(minutes=15 * int(q))).astimezone(zone).utcoffset() or timedelta()
        for q in quarters
    ]
    out[known] = np.array([o.total_seconds() / 3600.0 for o in offsets])[index]
    return out


def stated_offsets_h(corrections: np.ndarray) -> np.ndarray:
    """Return the offsets from UTC that ``corrections`` state, h, shape (n,); NaN where none."""
    texts, row = distinct(corrections)
    found = [parse_corrections(text).get(UTC_OFFSET, "nan") for text in texts]
    return np.array([finite_number(text) for text in found])[row] if texts else np.empty(0)


def with_offsets(corrections: np.ndarray, offset_h: np.ndarray) -> np.ndarray:
    """Return ``corrections`` with offsets from UTC stated, h; where NaN, as they were."""
    corrections = np.array(corrections, dtype=object)
    for value in np.unique(offset_h[np.isfinite(offset_h)]):
        rows = offset_h == value
        corrections[rows] = with_corrections(corrections[rows], **{UTC_OFFSET: f"{value:g}"})
    return corrections


def local_offsets_h(corrections: np.ndarray, lon: ArrayLike) -> np.ndarray:
    """Return the offset from UTC by which the lake's days are counted, h, shape (n,).

    What the log or the user stated, else local mean solar time: its date can differ from that
    of the clocks only around midnight.

    Parameters
    ----------
    corrections : array of str, shape (n,)
    lon : array, shape (n,), or float
        Longitude, degrees.
    """
    stated = stated_offsets_h(corrections)
    return np.where(np.isfinite(stated), stated, solar_offset_h(lon))


def outings(time: np.ndarray) -> np.ndarray:
    """Return the running number of the outing, by time, of each sounding; -1 without a time.

    A break of more than :data:`VISIT_BREAK_H` hours starts another; midnight does not.

    Parameters
    ----------
    time : datetime64[ms], shape (n,)

    Returns
    -------
    array of int, shape (n,)

    Examples
    --------
    >>> time = np.array(["2026-07-09T23:50", "2026-07-10T00:10", "2026-07-10T14:00"])
    >>> outings(time.astype("datetime64[ms]")).tolist()
    [0, 0, 1]
    """
    number = np.full(len(time), -1)
    known = np.flatnonzero(~np.isnat(time))
    order = known[np.argsort(time[known], kind="stable")]
    step = np.diff(time[order].astype("datetime64[ms]").astype("int64"))
    number[order] = np.r_[0, np.cumsum(step > VISIT_BREAK_H * _HOUR_MS)][: order.size]
    return number


def outing_days(time: np.ndarray, offset_h: ArrayLike) -> list[np.datetime64]:
    """Return the local day of each outing of :func:`outings`: the one on which it began.

    Parameters
    ----------
    time : datetime64[ms], shape (n,)
        UTC.
    offset_h : array, shape (n,), or float
        Local time minus UTC, h.

    Returns
    -------
    list of datetime64[D]
    """
    number = outings(time)
    order = np.lexsort((time, number))[np.count_nonzero(number < 0) :]
    firsts = order[np.r_[True, np.diff(number[order]) > 0]] if order.size else order
    return list(local_days(time[firsts], np.broadcast_to(offset_h, len(time))[firsts]))


def local_days(time: np.ndarray, offset_h: ArrayLike) -> np.ndarray:
    """Return the local days, datetime64[D], of UTC instants; offsets in hours."""
    shift = np.round(np.asarray(offset_h, dtype=float) * _HOUR_MS).astype("int64")
    return (time + shift.astype("timedelta64[ms]")).astype("datetime64[D]")


def survey_days(soundings: Soundings, code: int | str | None = None) -> list[str]:
    """Return the days of a survey in ISO form, in order: those of the lake, one an outing.

    Parameters
    ----------
    soundings : Soundings
    code : int or str, optional
        Coordinate system of ``x`` and ``y``, for the longitude; without it, days that no
        offset is stated for are those of UTC.

    Returns
    -------
    list of str
        An outing longer than a day counts with each of its days.
    """
    timed = ~np.isnat(soundings.time)
    if not timed.any():
        return []
    time = soundings.time[timed]
    lon = longitude(soundings.x, soundings.y, code)
    offset = local_offsets_h(soundings.corrections[timed], lon)
    number, days = outings(time), outing_days(time, offset)
    found = set(days)
    ms = time.astype("datetime64[ms]").astype("int64")
    first, last = np.full(len(days), ms.max()), np.full(len(days), ms.min())
    np.minimum.at(first, number, ms)
    np.maximum.at(last, number, ms)
    for k in np.flatnonzero(last - first > _DAY_MS):
        rows = number == k
        found |= set(np.unique(local_days(time[rows], offset[rows])))
    return [str(day) for day in sorted(found)]


def longitude(x: ArrayLike, y: ArrayLike, code: int | str | None = None) -> float:
    """Return the longitude of the median position, degrees; 0 where there is none.

    Parameters
    ----------
    x, y : array, shape (n,)
        In the coordinate system ``code``; NaN is left out.
    code : int or str, optional
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    known = np.isfinite(x) & np.isfinite(y)
    if code is None or not known.any():
        return 0.0
    lon, _ = crs.transform(np.median(x[known]), np.median(y[known]), code, 4326)
    return float(np.nan_to_num(lon[0]))
