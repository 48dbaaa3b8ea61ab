"""Times in logs: text to numbers, local time to UTC, dates in file names."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime, timedelta, timezone, tzinfo

import numpy as np
from numpy.typing import ArrayLike

from .errors import LakefloorError, excerpt
from .number_text import counted
from .progress import Progress, silent, watched

DAY_S = 86_400
DAY_MS = 1000 * DAY_S

#: Times outside these years are no times of a survey.
_FIRST_YEAR, _END_YEAR = 1900, 2200
_FIRST_MS, _END_MS = (
    int(np.datetime64(str(year), "ms").astype("int64")) for year in (_FIRST_YEAR, _END_YEAR)
)

#: No zone is farther from UTC, min.
_FARTHEST_ZONE_MIN = 15 * 60

#: No date and time is written with more characters.
_LONGEST_TEXT = 64


_NAME_DATE = re.compile(
    r"(?<!\d)((?:19|20)\d\d)([-_]?)(0[1-9]|1[0-2])\2(0[1-9]|[12]\d|3[01])(?:\d{4}|\d{6})?(?!\d)"
)

_DATE = r"(?P<a>\d{1,4})(?P<sep>[-/.])(?P<b>\d{1,2})(?P=sep)(?P<c>\d{1,4})"
_CLOCK = (
    r"(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2}(?:[.,]\d*)?))?"
    r"(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?"
)
_ZONE = r"(?:\s*(?P<zone>[Zz]|UTC|GMT|[+-]\d{2}(?::?\d{2})?))?"
_FULL = re.compile(rf"^{_DATE}(?:[T ,]+{_CLOCK})?{_ZONE}$")
_TIME = re.compile(rf"^{_CLOCK}{_ZONE}$")
_COMPACT = re.compile(
    r"^(?P<a>\d{4})(?P<b>\d{2})(?P<c>\d{2})"
    r"(?:[T ]?(?P<hour>\d{2})(?P<minute>\d{2})(?P<second>\d{2}(?:\.\d*)?)?)?" + _ZONE + "$"
)


def date_in_name(name: str) -> np.datetime64 | None:
    """Return the date written YYYYMMDD or YYYY-MM-DD in a file name, or None.

    Examples
    --------
    >>> str(date_in_name("log_2026-07-09_a.csv"))
    '2026-07-09'
    """
    found = _NAME_DATE.search(name)
    if not found:
        return None
    try:
        return np.datetime64(datetime(int(found[1]), int(found[3]), int(found[4])), "D")
    except ValueError:
        return None


def seconds_of(time: np.ndarray) -> np.ndarray:
    """Return seconds since 1970 of datetime64[ms], shape (n,); NaN for NaT."""
    return np.where(np.isnat(time), np.nan, time.astype("int64") / 1000.0)


def midnights(seconds: ArrayLike) -> np.ndarray:
    """Return how many midnights were passed since the first of times of day, in logged order.

    A step back by more than half a day is a midnight passed, a step ahead by as much one
    taken back, as where the sentences of two receivers mix.

    Parameters
    ----------
    seconds : array, shape (n,)
        Since midnight; NaN counts as the time before it.

    Returns
    -------
    array of int, shape (n,)

    Examples
    --------
    >>> midnights([86_390.0, 5.0, 10.0]).tolist()
    [0, 1, 1]
    """
    seconds = np.asarray(seconds, dtype=float)
    known = np.flatnonzero(np.isfinite(seconds))
    step = np.diff(seconds[known])
    passed = np.zeros(len(seconds), dtype=int)
    passed[known[1:]] = (step < -DAY_S / 2.0).astype(int) - (step > DAY_S / 2.0)
    return np.cumsum(passed)


def epoch_ms(number: ArrayLike) -> np.ndarray:
    """Return Unix times as datetime64[ms]; NaT where missing or outside the years 1900 to 2200.

    Parameters
    ----------
    number : array, shape (n,)
        Seconds, milliseconds, microseconds or nanoseconds since 1970, told apart by their size.
    """
    number = np.asarray(number, dtype=float)
    known = np.isfinite(number)
    out = np.full(len(number), np.datetime64("NaT", "ms"))
    if not known.any():
        return out
    # From 1973 to 2200, each unit's numbers are greater than all of the one before.
    place = np.searchsorted((1e11, 1e14, 1e17), np.median(np.abs(number[known])))
    ms = number * (1e3, 1.0, 1e-3, 1e-6)[place]
    with np.errstate(invalid="ignore"):
        known &= (ms >= _FIRST_MS) & (ms < _END_MS)
    out[known] = np.round(ms[known]).astype("int64").astype("datetime64[ms]")
    return out


def full_year(year: ArrayLike) -> np.ndarray:
    """Return years of two digits as 1980 to 2079, others as they are; an array or a number."""
    year = np.asarray(year, dtype=float)
    return np.where(year < 80, year + 2000, np.where(year < 100, year + 1900, year))


def calendar_ms(
    year: ArrayLike, month: ArrayLike, day: ArrayLike, seconds: ArrayLike
) -> np.ndarray:
    """Return UTC milliseconds since 1970 as datetime64[ms]; NaT where there is no such date.

    Parameters
    ----------
    year, month, day : array of float, shape (n,)
        NaN where not known.
    seconds : array of float, shape (n,)
        Seconds since midnight.
    """
    year, month, day, seconds = (
        np.array(v, dtype=float) for v in np.broadcast_arrays(year, month, day, seconds)
    )
    ok = np.isfinite(year) & np.isfinite(month) & np.isfinite(day) & np.isfinite(seconds)
    ok &= (year >= _FIRST_YEAR) & (year < _END_YEAR) & (month >= 1) & (month <= 12)
    ok &= (day >= 1) & (seconds >= 0) & (seconds < 86_401)
    months = np.where(ok, (year - 1970) * 12 + month - 1, 0).astype("int64")
    first = months.astype("datetime64[M]")
    length = ((first + 1).astype("datetime64[D]") - first.astype("datetime64[D]")).astype(int)
    ok &= day <= length
    date = first.astype("datetime64[D]") + np.where(ok, day - 1, 0).astype("int64")
    ms = np.round(np.where(ok, seconds, 0.0) * 1000.0).astype("int64")
    out = date.astype("datetime64[ms]") + ms
    return np.where(ok, out, np.datetime64("NaT", "ms"))


def parse_texts(
    texts: Sequence[str], date_order: str | None = None, progress: Progress = silent
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Read date and time texts: ISO 8601 and its relatives.

    Parameters
    ----------
    texts : sequence of str, length n
    date_order : {"ymd", "mdy", "dmy"}, optional
        For dates that do not begin with the year; found from the values where
        they allow only one order.
    progress : callable

    Returns
    -------
    date : datetime64[D], shape (n,)
        NaT where the text has no date.
    seconds : float, shape (n,)
        Since midnight; NaN where the text has no time of day.
    offset_min : float, shape (n,)
        Minutes east of UTC where the text says so, else NaN.

    Raises
    ------
    LakefloorError
        If dates such as 03/04/2026 could be read in two ways.
    """
    n = len(texts)
    part = np.full((n, 3), np.nan)
    seconds = np.full(n, np.nan)
    offset = np.full(n, np.nan)
    for i, text in enumerate(watched(texts, progress)):
        if len(text) > _LONGEST_TEXT:
            continue
        text = text.strip()
        found = _FULL.match(text) or _COMPACT.match(text) or _TIME.match(text)
        if not found:
            continue
        group = found.groupdict()
        if group["zone"] and abs(_offset_minutes(group["zone"])) > _FARTHEST_ZONE_MIN:
            continue
        if group.get("a"):
            part[i] = int(group["a"]), int(group["b"]), int(group["c"])
        if group["hour"]:
            seconds[i] = _clock_seconds(group)
        if group["zone"]:
            offset[i] = _offset_minutes(group["zone"])
    year, month, day = _order_dates(part, texts, date_order)
    date = calendar_ms(year, month, day, np.zeros(n)).astype("datetime64[D]")
    return date, seconds, offset


def _clock_seconds(group):
    hour, minute = int(group["hour"]), int(group["minute"])
    second = float((group["second"] or "0").replace(",", "."))
    if group.get("half"):
        if not 1 <= hour <= 12:
            return np.nan
        hour = hour % 12 + (12 if group["half"] in "pP" else 0)
    if hour > 23 or minute > 59 or second >= 61.0:
        return np.nan
    return hour * 3600 + minute * 60 + second


def _offset_minutes(zone):
    if zone in ("Z", "z", "UTC", "GMT"):
        return 0.0
    digits = zone[1:].replace(":", "")
    minutes = int(digits[:2]) * 60 + int(digits[2:] or 0)
    return float(-minutes if zone[0] == "-" else minutes)


def _order_dates(part, texts, date_order):
    known = np.isfinite(part[:, 0])
    if not known.any():
        return part.T
    if date_order is None:
        date_order = _guess_order(part[known], texts[int(np.argmax(known))])
    if sorted(date_order) != ["d", "m", "y"]:
        raise LakefloorError(f"date_order '{date_order}' is not known. Use one of: ymd, mdy, dmy.")
    year, month, day = (part[:, date_order.index(c)] for c in "ymd")
    return full_year(year), month, day


def _guess_order(part, example):
    if (part[:, 0] > 31).mean() > 0.5:
        return "ymd"
    # A year of two digits may stand first where hyphens part the date, as in ISO 8601:1988.
    orders = ("mdy", "dmy", "ymd") if re.match(r"\s*\d\d-", example) else ("mdy", "dmy")
    fits = [
        order
        for order in orders
        if (part[:, order.index("m")] <= 12).all() and (part[:, order.index("d")] <= 31).all()
    ]
    if "." in example and "dmy" in fits:
        return "dmy"
    if len(fits) != 1:
        raise LakefloorError(
            f"Dates such as '{excerpt(example)}' can be read in more than one way. Write them as "
            f"2026-07-09, or add date_order={' or date_order='.join(fits or orders)} to the "
            "columns."
        )
    return fits[0]


def zone_of(name: str | tzinfo) -> tzinfo:
    """Return the tzinfo of ``UTC``, ``UTC-05:00`` or an IANA name; a tzinfo is returned as it is.

    Raises
    ------
    LakefloorError
        If the name is not known, or there is no time zone database on this computer.
    """
    if isinstance(name, tzinfo):
        return name
    name = name.strip()
    fixed = re.fullmatch(r"(?:UTC|GMT)?\s*([+-])(\d{1,2})(?::?(\d{2}))?", name, re.IGNORECASE)
    if fixed:
        minutes = int(fixed[2]) * 60 + int(fixed[3] or 0)
        if minutes <= 14 * 60:
            return timezone(timedelta(minutes=-minutes if fixed[1] == "-" else minutes))
    if name.upper() in ("UTC", "GMT", "Z"):
        return timezone.utc
    try:
        from zoneinfo import ZoneInfo

        return ZoneInfo(name)
    except (ImportError, KeyError, ValueError, OSError) as error:
        raise LakefloorError(
            f"Time zone '{excerpt(name)}' is not known. Give UTC, an offset such as UTC-05:00, or "
            "a name of the IANA time zone database such as America/Chicago."
        ) from error


def to_utc(local: np.ndarray, time_zone: str | tzinfo) -> tuple[np.ndarray, list[str]]:
    """Convert local times, in the order they were logged, to UTC.

    Parameters
    ----------
    local : datetime64[ms], shape (n,)
        NaT stays NaT.
    time_zone : str or tzinfo
        See :func:`zone_of`.

    Returns
    -------
    utc : datetime64[ms], shape (n,)
    notes : list of str
        What had to be decided, in words.

    Notes
    -----
    An hour that the end of summer time repeats is resolved within each block of
    times: where the clock steps back, the times before are the first pass and
    those after it the second; with no such step, the pass that joins the nearer
    neighbor in time; failing both, the first.

    Examples
    --------
    >>> utc, _ = to_utc(np.array(["2026-07-09T09:00"], "datetime64[ms]"), "UTC-05:00")
    >>> str(utc[0])
    '2026-07-09T14:00:00.000'
    """
    zone = zone_of(time_zone)
    known = ~np.isnat(local)
    if not known.any():
        return local.copy(), []
    ms = local[known].astype("int64")
    quarter, index = np.unique(ms // 900_000, return_inverse=True)
    first, second = np.empty(len(quarter), "int64"), np.empty(len(quarter), "int64")
    for i, q in enumerate(quarter):
        naive = datetime(1970, 1, 1) + timedelta(seconds=int(q) * 900)
        for fold, out in ((0, first), (1, second)):
            offset_of_zone = naive.replace(tzinfo=zone, fold=fold).utcoffset() or timedelta()
            out[i] = round(offset_of_zone.total_seconds() * 1000)
    first, second = first[index], second[index]
    offset, notes = first.copy(), []
    twice = first > second
    if twice.any():
        guessed = _resolve_repeated(ms, offset, second, twice)
        how = " Nothing shows which one is meant, so the first is used." if guessed else ""
        notes.append(
            f"Times in the hour that the end of summer time repeats in {time_zone}: "
            f"{int(twice.sum())}.{how}"
        )
    if (first < second).any():
        notes.append(
            f"Times that do not exist in {time_zone}, because the start of summer time skips them: "
            f"{int((first < second).sum())}. Check the time zone."
        )
    utc = local.copy()
    utc[known] = (ms - offset).astype("datetime64[ms]")
    return utc, notes


def stated_to_utc(
    local: np.ndarray, offset_min: np.ndarray, time_zone: str | tzinfo
) -> tuple[np.ndarray, list[str]]:
    """Convert times that may state their offset from UTC; the others are in ``time_zone``.

    Parameters
    ----------
    local : datetime64[ms], shape (n,)
    offset_min : float, shape (n,)
        Minutes east of UTC; NaN where not stated.
    time_zone : str or tzinfo

    Returns
    -------
    utc : datetime64[ms], shape (n,)
    notes : list of str
    """
    stated = np.isfinite(offset_min)
    shift = np.where(stated, offset_min * 60_000.0, 0.0).astype("int64")
    utc, notes = local - shift.astype("timedelta64[ms]"), []
    if (~stated & ~np.isnat(local)).any():
        utc[~stated], notes = to_utc(local[~stated], time_zone)
        notes.insert(0, f"Times without a time zone are read as {time_zone}.")
    return utc, notes


def utc_from_texts(
    texts: Sequence[str],
    time_zone: str | tzinfo,
    date_order: str | None = None,
    progress: Progress = silent,
) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """Read date and time texts as UTC.

    Parameters
    ----------
    texts : sequence of str, length n
    time_zone : str or tzinfo
        Of texts that state none; see :func:`zone_of`.
    date_order : {"ymd", "mdy", "dmy"}, optional
        See :func:`parse_texts`, also for errors.
    progress : callable

    Returns
    -------
    utc : datetime64[ms], shape (n,)
        NaT where date or time of day is missing.
    offset_h : float, shape (n,)
        See :func:`local_offset_h`.
    notes : list of str

    Examples
    --------
    >>> utc, offset_h, _ = utc_from_texts(["2026-07-09T09:00:00-05:00"], "UTC")
    >>> str(utc[0]), float(offset_h[0])
    ('2026-07-09T14:00:00.000', -5.0)
    """
    date, seconds, offset = parse_texts(texts, date_order, progress)
    ms = np.round(np.nan_to_num(seconds) * 1000.0).astype("int64")
    local = date.astype("datetime64[ms]") + ms
    local[np.isnan(seconds)] = np.datetime64("NaT")
    utc, notes = stated_to_utc(local, offset, time_zone)
    return utc, local_offset_h(offset), notes


def missing_times(time: np.ndarray) -> list[str]:
    """Return a note on the times of datetime64, shape (n,), that are NaT; none if all are known."""
    missing = int(np.isnat(time).sum())
    if not missing:
        return []
    verb = "is" if missing == 1 else "are"
    return [f"{counted(missing, 'time')} {verb} missing or unreadable, and left out."]


def local_offset_h(offset_min: ArrayLike) -> np.ndarray:
    """Return stated offsets from UTC in hours; NaN for none, and for UTC, which tells no place."""
    return np.where(np.asarray(offset_min) == 0.0, np.nan, np.asarray(offset_min) / 60.0)


def _resolve_repeated(ms, offset, second, twice):
    edges = np.flatnonzero(np.diff(np.r_[False, twice, False].astype(int)))
    guessed = False
    for start, stop in zip(edges[::2], edges[1::2]):
        back = np.flatnonzero(np.diff(ms[start:stop]) < -600_000)
        if back.size:
            after = slice(start + back[0] + 1, stop)
            offset[after] = second[after]
            continue
        before = ms[start] - ms[start - 1] if start else np.inf
        after = ms[stop] - ms[stop - 1] if stop < len(ms) else np.inf
        guessed |= min(before, after) > 6 * 3_600_000
        if after < before:
            offset[start:stop] = second[start:stop]
    return guessed
