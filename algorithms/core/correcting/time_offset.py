"""Time offset between sounder and GPS, found where tracks of different velocity meet."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.stats import chi2

from ..errors import LakefloorError
from ..number_text import written
from ..progress import Progress, silent
from ..soundings import Soundings, each_visit
from .track_meetings import OffsetTrack, compare_at, meeting_places

#: The stated position uncertainty weighs as much as this many pairs of tracks.
_PRIOR_PAIRS = 10.0

_HUBER = 2.0

#: Step of the scan over offsets, s, and the most places that it compares.
_SCAN_STEP_S, _SCAN_MEETINGS = 0.25, 600


@dataclass(frozen=True)
class TimeOffset:
    """A time offset found from the data, or why it cannot be found.

    Attributes
    ----------
    name : str
        Visit; empty for all visits together.
    offset_s : float
        By how much the logged position is older than the depth beside it, s: what Correct depths
        takes as its time offset. NaN where it is not determinable.
    uncert_s : float
        Standard uncertainty of the offset, s; NaN where nothing can be estimated at all.
    verdict : str
        ``determined``, or ``not determinable: `` and the reason.
    pairs, meetings : int
        Pairs of tracks that tell the offset, and the places where they meet.
    speed_ms : float
        Median speed there, m/s.
    scan_s, misfit_m : array, shape (k,)
        Offsets tried, and the root mean square difference of depth between the tracks at each.
    visits : tuple of TimeOffset
        One for each visit, in order of name.
    notes : tuple of str
        What the user should know beside the number.
    """

    name: str
    offset_s: float
    uncert_s: float
    verdict: str
    pairs: int = 0
    meetings: int = 0
    speed_ms: float = np.nan
    scan_s: np.ndarray = field(default_factory=lambda: np.empty(0))
    misfit_m: np.ndarray = field(default_factory=lambda: np.empty(0))
    visits: tuple = ()
    notes: tuple = ()

    @property
    def determinable(self) -> bool:
        return bool(np.isfinite(self.offset_s))


def find_time_offset(
    soundings: Soundings,
    *,
    search: tuple = (-5.0, 5.0),
    max_distance_m: float = 5.0,
    position_m: float = 1.0,
    largest_uncert_s: float = 0.5,
    progress: Progress = silent,
) -> TimeOffset:
    """Find the time offset between sounder and GPS, visit by visit and for all visits together.

    Parameters
    ----------
    soundings : Soundings
        Cleaned; only accepted soundings are used. An offset that was corrected before counts
        in: the result is the whole offset of the logs.
    search : (float, float)
        Least and greatest offset to look for, s.
    max_distance_m : float
        How near two tracks must come to be compared, m.
    position_m : float
        Standard uncertainty of a position in one direction, m, to begin with; the data's own
        scatter takes its place as more pairs of tracks meet.
    largest_uncert_s : float
        An offset less certain than this, s, is called not determinable.
    progress : callable

    Returns
    -------
    TimeOffset

    Raises
    ------
    LakefloorError
        If there are no soundings or a parameter is out of its range. Data that cannot tell the
        offset are no error: the verdict says why.

    Notes
    -----
    A sounding logged at ``p`` with velocity ``v`` belongs at ``p + v offset``. Where two tracks
    meet on a slope ``g`` the depths differ by ``offset (v1 - v2) . g``: the patch test, for
    opposite runs as for cross-lines. At each meeting a second-degree surface with a step between
    the two tracks is fitted to the soundings of both; a weak prior on its slope and bend makes a
    step that cannot be told from a cross slope uncertain rather than wrong. The steps give the
    offset by weighted least squares with Huber's weights, and all is repeated at the corrected
    positions until the step vanishes, from the best of a scan over ``search``.

    The uncertainty propagates the noise of the steps and an error of position common to all
    soundings of five minutes, and is never below what the residuals show when meetings that share
    such a stretch of track are taken as dependent (two-way clustering).

    An antenna ahead of the transducer by L looks like an offset of -L / speed: at one speed the
    two cannot be told apart.

    References
    ----------
    U.S. Army Corps of Engineers (2002). Hydrographic Surveying, EM 1110-2-1003 (latency test).
    Huber, P. J. (1964). Robust estimation of a location parameter. Annals of Mathematical
    Statistics 35(1), 73-101.
    Cameron, A. C., Gelbach, J. B. and Miller, D. L. (2011). Robust inference with multiway
    clustering. Journal of Business and Economic Statistics 29(2), 238-249.
    """
    low, high = (float(value) for value in search)
    if len(soundings) == 0:
        raise LakefloorError(
            "There are no soundings to find a time offset from. Choose a layer that has some."
        )
    if not -60.0 <= low < high <= 60.0:
        raise LakefloorError(
            f"The search runs from {written(low, 'g')} to {written(high, 'g')} s. Give two time "
            "offsets within -60 to 60 s, the smaller one first."
        )
    for name, value in (
        ("maximum distance between tracks", max_distance_m),
        ("position uncertainty", position_m),
        ("maximum uncertainty", largest_uncert_s),
    ):
        if not (np.isfinite(value) and value > 0.0):
            raise LakefloorError(f"The {name} is {written(value, 'g')}. Enter a number above 0.")
    grid = np.linspace(low, high, max(int(np.ceil((high - low) / _SCAN_STEP_S)), 2) + 1)
    found, done = [], 0
    for name, rows in each_visit(soundings):
        start, done = done, done + rows.size

        def part(fraction, start=start, size=rows.size):
            progress((start + fraction * size) / len(soundings))

        found.append(
            _of_visit(
                name,
                soundings.select(rows),
                grid,
                max_distance_m,
                position_m,
                largest_uncert_s,
                part,
            )
        )
    progress(1.0)
    return _pooled([visit for visit, _ in found], [raw for _, raw in found], largest_uncert_s)


# -- one visit ------------------------------------------------------------------------------------


def _of_visit(name, soundings, grid, max_distance, position, largest, progress):
    """Return the visit's offset, and the estimate (offset, uncertainty) even if too uncertain."""

    def unknown(reason, estimate=(np.nan, np.nan), **known):
        verdict = f"not determinable: {reason}"
        return TimeOffset(name, np.nan, estimate[1], verdict, **known), estimate

    use = soundings.accepted & np.isfinite(soundings.x) & np.isfinite(soundings.y)
    timed = use & ~np.isnat(soundings.time)
    if use.sum() < 10:
        return unknown("too few accepted soundings")
    if timed.sum() < 10:
        return unknown("the soundings have no times")
    try:
        track = OffsetTrack(name, soundings.select(timed))
    except LakefloorError:
        return unknown("the clock stands still while the boat moves")
    places = meeting_places(track, max_distance)
    few = [p[:: max(-(-len(p) // _SCAN_MEETINGS), 1)] for p in places]
    misfit = np.full(grid.size, np.nan)
    for i, tau in enumerate(grid):
        progress(i / grid.size)
        meetings = compare_at(track, tau, few)
        if len(meetings):
            misfit[i] = _misfit(meetings, position)
    if not len(places[0]):
        return unknown(
            f"no two tracks pass within {written(max_distance, 'g')} m of each other in different "
            "directions or at different speeds"
        )
    flat = "the bottom is too flat where tracks meet"
    if not np.isfinite(misfit).any():
        return unknown(flat)
    known = {"scan_s": grid, "misfit_m": misfit}
    offset = grid[np.nanargmin(misfit)]
    for _ in range(20):
        meetings = compare_at(track, offset, places)
        if not len(meetings):
            return unknown(flat, **known)
        step, uncert, pairs = _solve(meetings, position)
        offset = float(offset + step)
        if abs(step) < 1e-6:
            break
    known.update(pairs=pairs, meetings=len(meetings), speed_ms=float(np.median(meetings.speed)))
    margin = _SCAN_STEP_S + 2.0 * uncert
    if not grid[0] - margin <= offset <= grid[-1] + margin:
        return unknown(
            f"the depths fit best beyond the searched range, {written(grid[0], 'g')} to "
            f"{written(grid[-1], 'g')} s",
            **known,
        )
    if uncert > largest:
        return unknown(_too_uncertain(uncert, largest), (offset, uncert), **known)
    return TimeOffset(name, offset, uncert, "determined", **known), (offset, uncert)


def _too_uncertain(uncert, largest):
    return (
        f"the uncertainty of {written(uncert, '.2f')} s is above the {written(largest, 'g')} s "
        "allowed. Run one lane over a slope several times in opposite directions"
    )


def _pooled(visits, raw, largest):
    offset, uncert = np.array(raw, dtype=float).T
    told = np.isfinite(offset) & np.isfinite(uncert)
    notes = []
    speeds = [v.speed_ms for v in visits if np.isfinite(v.speed_ms)]
    if speeds:
        speed = float(np.median(speeds))
        notes.append(
            "An antenna ahead of the transducer looks like a smaller time offset, "
            f"{written(1.0 / speed, '.2f')} s for each meter at {written(speed, '.1f')} m/s. At "
            "one speed the two look alike."
        )
    scans = [v for v in visits if v.scan_s.size]
    known = {
        "pairs": sum(v.pairs for v in visits),
        "meetings": sum(v.meetings for v in visits),
        "speed_ms": speed if speeds else np.nan,
        "visits": tuple(visits),
    }
    if scans:
        weight = np.array([max(v.meetings, 1) for v in scans], dtype=float)[:, None]
        square = np.array([v.misfit_m for v in scans]) ** 2
        there = np.isfinite(square)
        with np.errstate(invalid="ignore"):
            mean = np.where(there, square * weight, 0.0).sum(0) / (there * weight).sum(0)
        known.update(scan_s=scans[0].scan_s, misfit_m=np.sqrt(mean))
    if not told.any():
        if len(visits) == 1:
            verdict = visits[0].verdict
        else:
            verdict = "not determinable: no visit shows it. See the reason of each visit"
        return TimeOffset("", np.nan, np.nan, verdict, notes=tuple(notes), **known)
    weight = 1.0 / uncert[told] ** 2
    mean = float((weight * offset[told]).sum() / weight.sum())
    error = float(weight.sum() ** -0.5)
    freedom = int(told.sum()) - 1
    spread = float((weight * (offset[told] - mean) ** 2).sum())
    if freedom and spread > chi2.ppf(0.95, freedom):
        # Birge's ratio: the visits' own scatter is the better measure of their uncertainty.
        error *= np.sqrt(spread / freedom)
        notes.insert(
            0,
            "The visits differ by more than their uncertainties. Correct each with its own "
            "time offset.",
        )
    if error > largest:
        return TimeOffset(
            "",
            np.nan,
            error,
            f"not determinable: {_too_uncertain(error, largest)}",
            notes=tuple(notes),
            **known,
        )
    return TimeOffset("", mean, error, "determined", notes=tuple(notes), **known)


# -- the offset from the meetings -----------------------------------------------------------------


def _misfit(met, position):
    slope2 = (met.gradient**2).sum(axis=1)
    weight = 1.0 / (met.variance + 2.0 * position**2 * slope2)
    size = met.dz**2 * weight
    kept = size <= np.quantile(size, 0.95)
    return float(np.sqrt((size[kept]).sum() / weight[kept].sum()))


def _solve(met, position):
    """Return the change of offset, its standard uncertainty, and the number of track pairs."""
    slope2 = (met.gradient**2).sum(axis=1)
    keys = np.sort(met.tracks, axis=1)
    pairs = len(np.unique(keys, axis=0))
    moved2, robust = position**2, np.ones(len(met))
    for _ in range(20):
        total = met.variance + 2.0 * moved2 * slope2
        weight = robust / total
        change = (weight * met.rate * met.dz).sum() / (weight * met.rate**2).sum()
        left = met.dz - change * met.rate
        size = np.abs(left) / np.sqrt(total)
        robust = np.minimum(1.0, _HUBER / np.maximum(size, 1e-12))
        excess = (robust * (left**2 - met.variance) / total).sum()
        own = max(excess, 0.0) / (2.0 * robust * slope2 / total).sum()
        moved2 = (_PRIOR_PAIRS * position**2 + pairs * own) / (_PRIOR_PAIRS + pairs)
    cofactor = 1.0 / (weight * met.rate**2).sum()
    # Both tracks in one stretch of time: their errors are not taken to cancel.
    blocks = met.blocks.copy()
    same = blocks[:, 0] == blocks[:, 1]
    blocks[same, 1] = -1 - blocks[same, 1]
    _, number = np.unique(blocks, return_inverse=True)
    number = number.reshape(blocks.shape)
    ends = np.concatenate([number[:, 0], number[:, 1]])
    lever = weight * met.rate
    pull = [np.bincount(ends, np.concatenate([lever * g, -lever * g])) for g in met.gradient.T]
    expected = moved2 * sum((p**2).sum() for p in pull) + (lever**2 * met.variance).sum()
    score = lever * left
    _, couple = np.unique(np.sort(number, axis=1), axis=0, return_inverse=True)
    shared = (np.bincount(ends, np.tile(score, 2)) ** 2).sum()
    shown = shared - (np.bincount(couple.ravel(), score) ** 2).sum()
    return float(change), float(cofactor * np.sqrt(max(expected, shown))), pairs
