"""Time offset between sounder and GPS, found where tracks of different velocity meet."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.spatial import cKDTree
from scipy.stats import chi2

from ..errors import LakefloorError
from ..number_text import written
from ..progress import Progress, silent
from ..soundings import Soundings, distinct, each_visit, parse_corrections
from .latency import shift_along, visit_track

#: Half-length of the stretch of each track that is compared at a meeting: at least this many
#: metres, and this many pings.
_REACH_M, _REACH_PINGS = 12.0, 3.5

#: A pause, s, or a jump, m, that ends a stretch of track.
_PAUSE_S, _JUMP_M = 10.0, 50.0

#: Below these the meeting tells nothing: speed and difference of velocity, m/s; slope, m/m;
#: and the rate of depth with offset, in its own standard errors.
_LEAST_SPEED, _LEAST_SLOPE, _LEAST_SIGNAL = 0.3, 0.02, 4.0

#: Errors of position are taken as one within this time and independent beyond it, s.
_BLOCK_S = 300.0

#: The stated position uncertainty weighs as much as this many pairs of tracks.
_PRIOR_PAIRS = 10.0

_LEAST_NOISE_M = 0.005
_HUBER = 2.0
_SCAN_STEP_S = 0.25

#: At most so many places are compared, and looked around from.
_SCAN_MEETINGS, _MEETINGS, _NODES = 600, 4000, 60_000


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


@dataclass(frozen=True)
class _Meetings:
    """What each meeting of two tracks tells: depth difference ``dz`` = offset * ``rate``."""

    dz: np.ndarray
    variance: np.ndarray
    rate: np.ndarray
    gradient: np.ndarray
    speed: np.ndarray
    blocks: np.ndarray
    tracks: np.ndarray

    def __len__(self):
        return len(self.dz)


def find_time_offset(
    soundings: Soundings,
    *,
    search=(-5.0, 5.0),
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
                name, soundings.select(rows), grid, max_distance_m, position_m,
                largest_uncert_s, part,
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
        track = _Track(name, soundings.select(timed))
    except LakefloorError:
        return unknown("the clock stands still while the boat moves")
    places = _places(track, max_distance)
    few = [p[:: max(-(-len(p) // _SCAN_MEETINGS), 1)] for p in places]
    misfit = np.full(grid.size, np.nan)
    for i, tau in enumerate(grid):
        progress(i / grid.size)
        meetings = _compare(track, tau, few)
        if len(meetings):
            misfit[i] = _misfit(meetings, position)
    if not len(places[0]):
        return unknown(
            f"no two tracks pass within {written(max_distance, 'g')} m of each other at different "
            "velocity"
        )
    flat = "the bottom is too flat where tracks meet"
    if not np.isfinite(misfit).any():
        return unknown(flat)
    known = {"scan_s": grid, "misfit_m": misfit}
    offset = grid[np.nanargmin(misfit)]
    for _ in range(20):
        meetings = _compare(track, offset, places)
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
            0, "The visits differ by more than their uncertainties. Correct each with its own "
            "time offset."
        )
    if error > largest:
        return TimeOffset(
            "", np.nan, error,
            f"not determinable: {_too_uncertain(error, largest)}", notes=tuple(notes), **known,
        )
    return TimeOffset("", mean, error, "determined", notes=tuple(notes), **known)


class _Track:
    """One visit's soundings in order of time and the track that they lie on at any offset.

    Corrected for whatever offset, a sounding lies on the track that was logged: only its place
    along it changes. So tracks meet at the same places for all offsets.
    """

    def __init__(self, name, soundings):
        s = soundings.select(np.argsort(soundings.time, kind="stable"))
        self.t = (s.time - s.time[0]) / np.timedelta64(1, "s")
        x, y, self.z = s.x - s.x.mean(), s.y - s.y.mean(), s.depth
        texts, group = distinct(s.corrections)
        applied = np.array([float(parse_corrections(c).get("time_offset_s", 0)) for c in texts])
        if applied.any():
            fixes = visit_track(name, self.t, x, y)
            for i in np.flatnonzero(applied):
                here = group == i
                dx, dy = shift_along(fixes, self.t[here], -applied[i])
                x[here] += dx
                y[here] += dy
        self.fix_t, self.fix_x, self.fix_y = visit_track(name, self.t, x, y)
        step = np.hypot(np.diff(self.fix_x), np.diff(self.fix_y))
        moving = step[step > 0.0]
        spacing = float(np.median(moving)) if moving.size else 0.0
        self.reach = max(_REACH_M, _REACH_PINGS * spacing)
        pause = max(_PAUSE_S, 3.0 * float(np.median(np.diff(self.fix_t))))
        self.broken = (np.diff(self.fix_t) > pause) | (step > max(_JUMP_M, 3.0 * spacing))
        # A leap in the distance run keeps a stretch from reaching across a break.
        self.run = np.concatenate(
            [[0.0], np.cumsum(np.where(self.broken, 10.0 * self.reach, step))]
        )
        block = np.floor(self.t / _BLOCK_S).astype(np.int64)
        self.block = block
        self.lane = np.where(s.lane > 0, s.lane.astype(np.int64), -1 - block)

    def where(self, time):
        """Return the position at times, shape (..., 2)."""
        return np.stack(
            [np.interp(time, self.fix_t, self.fix_x), np.interp(time, self.fix_t, self.fix_y)], -1
        )

    def known(self, time):
        """Tell at which times the position is known: not in a break, not beyond the ends."""
        before = np.clip(np.searchsorted(self.fix_t, time, "right") - 1, 0, self.broken.size - 1)
        inside = (time >= self.fix_t[0]) & (time <= self.fix_t[-1])
        return inside & ~self.broken[before]

    def when(self, run):
        return np.interp(run, self.run, self.fix_t)


# -- where tracks meet ----------------------------------------------------------------------------


def _places(track, max_distance):
    """Return where the track meets itself at another velocity.

    Returns
    -------
    times : array, shape (m, 2, 2)
        From when to when the boat was on the one and on the other stretch, s.
    middle : array, shape (m, 2)
    velocity : array, shape (m, 2, 2)
        Of the one and of the other, m/s.
    """
    none = np.empty((0, 2, 2)), np.empty((0, 2)), np.empty((0, 2, 2))
    reach, length = track.reach, track.run[-1]
    if length < 4.0 * reach:
        return none
    step = max(min(max_distance / 2.0, reach / 3.0), length / 2_000_000)
    nodes = np.arange(0.0, length, step)
    nodes = nodes[track.known(track.when(nodes))]
    xy = track.where(track.when(nodes))
    start, stop = track.when(nodes - reach), track.when(nodes + reach)
    with np.errstate(invalid="ignore", divide="ignore"):
        velocity = (track.where(stop) - track.where(start)) / (stop - start)[:, None]
        fast = np.hypot(*velocity.T) > _LEAST_SPEED
    nodes, xy, velocity = nodes[fast], xy[fast], velocity[fast]
    if nodes.size < 2:
        return none
    asked = np.arange(0, nodes.size, -(-nodes.size // _NODES))
    distance, other = cKDTree(xy).query(
        xy[asked], k=min(16, nodes.size), distance_upper_bound=max_distance
    )
    row, column = np.nonzero(np.isfinite(distance))
    a, b, distance = asked[row], other[row, column], distance[row, column]
    a, b = np.minimum(a, b), np.maximum(a, b)
    differ = np.hypot(*(velocity[a] - velocity[b]).T) > _LEAST_SPEED
    keep = differ & (nodes[b] - nodes[a] > 3.0 * reach)
    a, b, distance = a[keep], b[keep], distance[keep]
    if not a.size:
        return none
    # The nearest approach of each stretch of one track to each stretch of the other.
    stretch = np.floor(nodes / (2.0 * reach)).astype(np.int64)
    key = stretch[a] * (stretch.max() + 1) + stretch[b]
    order = np.lexsort((b, a, distance, key))
    first = order[np.r_[True, np.diff(key[order]) > 0]]
    if first.size > _MEETINGS:
        first = first[np.linspace(0, first.size - 1, _MEETINGS).astype(np.intp)]
    pair = np.column_stack([a[first], b[first]])
    at, heading = nodes[pair], velocity[pair]
    heading = heading / np.hypot(heading[..., 0], heading[..., 1])[..., None]
    # Towards the crossing, or the places abreast, so that both stretches cover the same bottom.
    for _ in range(6):
        here = track.where(track.when(at))
        middle = here.mean(axis=1)
        away = ((middle[:, None] - here) * heading).sum(axis=2)
        at = at + np.clip(away, -step, step)
    # One meeting is found from several stretches; it counts once.
    again = cKDTree(at).query_pairs(reach, p=np.inf, output_type="ndarray")
    at = np.delete(at, np.unique(again.max(axis=1, initial=0)), axis=0)
    times = np.stack([track.when(at - reach), track.when(at + reach)], axis=-1)
    # At the track's end both times of a stretch may be the last one: no velocity there.
    whole = (track.known(times) & (np.diff(times, axis=2) > 0.0)).all(axis=(1, 2))
    times, at = times[whole], at[whole]
    ends = track.where(times)
    velocity = (ends[:, :, 1] - ends[:, :, 0]) / np.diff(times, axis=2)
    return times, track.where(track.when(at)).mean(axis=1), velocity


def _compare(track, tau, places):
    """Return what the meetings at ``places`` tell at a time offset."""
    times, middle, velocity = places
    nothing = _Meetings(*[np.empty(0)] * 3, np.empty((0, 2)), np.empty(0), *[np.empty((0, 2))] * 2)
    rows = np.searchsorted(track.t, times - tau)
    both = np.diff(rows, axis=2)[..., 0]
    enough = (both >= 4).all(axis=1)
    rows, middle, velocity = rows[enough], middle[enough], velocity[enough]
    if not len(rows):
        return nothing
    fit, inverse, noise2 = _fit_steps(*_sums(track, tau, rows, middle), track.reach)
    gradient = fit[:, 1:3] / track.reach
    relative = velocity[:, 0] - velocity[:, 1]
    rate = (relative * gradient).sum(axis=1)
    spread = np.einsum("mi,mij,mj->m", relative, inverse[:, 1:3, 1:3], relative)
    rate_error = np.sqrt(noise2 * spread) / track.reach
    slope = np.hypot(*gradient.T)
    speed = np.hypot(velocity[..., 0], velocity[..., 1])
    good = (
        (np.abs(rate) > _LEAST_SIGNAL * rate_error)
        & (np.abs(rate) > _LEAST_SLOPE * _LEAST_SPEED)
        & (slope > _LEAST_SLOPE)
        & (speed > _LEAST_SPEED).all(axis=1)
    )
    if not good.any():
        return nothing
    centre = rows.mean(axis=2).astype(np.intp)
    return _Meetings(
        dz=fit[good, 6], variance=(noise2 * inverse[:, 6, 6])[good], rate=rate[good],
        gradient=gradient[good], speed=speed.mean(axis=1)[good],
        blocks=track.block[centre][good], tracks=track.lane[centre][good],
    )


def _sums(track, tau, rows, middle):
    """Return the normal equations of each meeting's surface, and the sums that judge its fit.

    The seven unknowns are depth, slope and bend of the bottom, and the step between the tracks.

    Parameters
    ----------
    rows : int array, shape (m, 2, 2)
        First sounding, and the one after the last, of both stretches.
    middle : array, shape (m, 2)

    Returns
    -------
    normal : array, shape (m, 7, 7)
    right : array, shape (m, 7)
    mass, square : array, shape (m,)
        Sum of the weights, and of the weighted squares of depth about its mean.
    """
    m = len(rows)
    first, count = rows[..., 0].ravel(), np.diff(rows, axis=2).ravel()
    starts = np.concatenate([[0], np.cumsum(count)[:-1]])
    at = np.arange(count.sum()) - np.repeat(starts - first, count)
    both = count.reshape(m, 2).sum(axis=1)
    side = np.repeat(np.tile([0.5, -0.5], m), count)
    when = track.t[at] + tau
    u, v = ((track.where(when) - np.repeat(middle, both, axis=0)) / track.reach).T
    # Soundings count less towards the ends of the stretch, so that none enters with a jerk.
    near = np.where(track.known(when), np.maximum(1.0 - u * u - v * v, 0.0), 0.0)
    z = track.z[at]
    meeting = starts[::2]
    mass = np.maximum(np.add.reduceat(near, meeting), 1e-9)
    z = z - np.repeat(np.add.reduceat(near * z, meeting) / mass, both)
    terms = [np.ones_like(u), u, v, 0.5 * u * u, u * v, 0.5 * v * v, side]
    k = len(terms)
    normal, right = np.empty((m, k, k)), np.empty((m, k))
    for i in range(k):
        right[:, i] = np.add.reduceat(near * terms[i] * z, meeting)
        for j in range(i, k):
            normal[:, i, j] = normal[:, j, i] = np.add.reduceat(
                near * terms[i] * terms[j], meeting
            )
    return normal, right, mass, np.add.reduceat(near * z * z, meeting)


def _fit_steps(normal, right, mass, square, reach):
    """Return the unknowns of each meeting, their cofactors, and the variance of its depths, m2."""
    k = right.shape[1]
    freedom = np.maximum(mass - k / 2.0, 1.0)
    # Typical fall of the bottom over the reach, from the depths at the meetings themselves.
    fall = np.sqrt(np.median(square / mass)) * 2.0
    fall = max(fall, _LEAST_SLOPE * reach)
    noise = 0.05
    for _ in range(3):
        weak = np.full(k, 1e-12)
        weak[1:6] = (noise / fall) ** 2
        inverse = np.linalg.inv(normal + np.diag(weak))
        fit = np.einsum("mij,mj->mi", inverse, right)
        left = np.maximum(square - np.einsum("mi,mi->m", fit, right), 0.0)
        noise = max(np.sqrt(np.median(left / freedom)), _LEAST_NOISE_M)
    # A meeting's own scatter counts beside that of all, which weighs as four soundings.
    return fit, inverse, (4.0 * noise**2 + left) / (4.0 + freedom)


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
    pull = [
        np.bincount(ends, np.concatenate([lever * g, -lever * g])) for g in met.gradient.T
    ]
    expected = moved2 * sum((p**2).sum() for p in pull) + (lever**2 * met.variance).sum()
    score = lever * left
    _, couple = np.unique(np.sort(number, axis=1), axis=0, return_inverse=True)
    shared = (np.bincount(ends, np.tile(score, 2)) ** 2).sum()
    shown = shared - (np.bincount(couple.ravel(), score) ** 2).sum()
    return float(change), float(cofactor * np.sqrt(max(expected, shown))), pairs
