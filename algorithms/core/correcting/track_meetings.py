"""Where the tracks of a visit meet at different velocity, and how their depths differ there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..soundings import Soundings, distinct, parse_corrections
from .latency import shift_along, visit_track

#: Half-length of the stretch of each track that is compared at a meeting: at least this many
#: meters, and this many pings.
_REACH_M, _REACH_PINGS = 12.0, 3.5

#: A pause, s, or a jump, m, that ends a stretch of track.
_PAUSE_S, _JUMP_M = 10.0, 50.0

#: Below these the meeting tells nothing: speed and difference of velocity, m/s; slope, m/m;
#: and the rate of depth with offset, in its own standard errors.
_LEAST_SPEED, _LEAST_SLOPE, _LEAST_SIGNAL = 0.3, 0.02, 4.0

#: Errors of position are taken as one within this time and independent beyond it, s.
_BLOCK_S = 300.0

_LEAST_NOISE_M = 0.005

#: At most so many places are compared, and looked around from.
_MEETINGS, _NODES = 4000, 60_000


@dataclass(frozen=True)
class Meetings:
    """What each meeting of two tracks tells: depth difference ``dz`` = offset * ``rate``."""

    dz: np.ndarray
    variance: np.ndarray
    rate: np.ndarray
    gradient: np.ndarray
    speed: np.ndarray
    blocks: np.ndarray
    tracks: np.ndarray

    def __len__(self) -> int:
        return len(self.dz)


class OffsetTrack:
    """One visit's soundings in order of time and the track that they lie on at any offset.

    Corrected for whatever offset, a sounding lies on the track that was logged: only its place
    along it changes. So tracks meet at the same places for all offsets.
    """

    def __init__(self, name: str, soundings: Soundings):
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

    def where(self, time: np.ndarray) -> np.ndarray:
        """Return the position at times, shape (..., 2)."""
        return np.stack(
            [np.interp(time, self.fix_t, self.fix_x), np.interp(time, self.fix_t, self.fix_y)], -1
        )

    def known(self, time: np.ndarray) -> np.ndarray:
        """Tell at which times the position is known: not in a break, not beyond the ends."""
        before = np.clip(np.searchsorted(self.fix_t, time, "right") - 1, 0, self.broken.size - 1)
        inside = (time >= self.fix_t[0]) & (time <= self.fix_t[-1])
        return inside & ~self.broken[before]

    def when(self, run: np.ndarray) -> np.ndarray:
        """Return the times at distances run, s."""
        return np.interp(run, self.run, self.fix_t)


def meeting_places(track: OffsetTrack, max_distance: float) -> tuple:
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


def compare_at(track: OffsetTrack, tau: float, places: tuple) -> Meetings:
    """Return what the meetings at ``places`` show at a time offset, s."""
    times, middle, velocity = places
    none, pairs = np.empty(0), np.empty((0, 2))
    nothing = Meetings(none, none, none, pairs, none, pairs, pairs)
    rows = np.searchsorted(track.t, times - tau)
    both = np.diff(rows, axis=2)[..., 0]
    enough = (both >= 4).all(axis=1)
    rows, middle, velocity = rows[enough], middle[enough], velocity[enough]
    if not len(rows):
        return nothing
    normal, right, mass, square = _sums(track, tau, rows, middle)
    fit, inverse, noise2 = _fit_steps(normal, right, mass, square, track.reach)
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
    center = rows.mean(axis=2).astype(np.intp)
    return Meetings(
        dz=fit[good, 6],
        variance=(noise2 * inverse[:, 6, 6])[good],
        rate=rate[good],
        gradient=gradient[good],
        speed=speed.mean(axis=1)[good],
        blocks=track.block[center][good],
        tracks=track.lane[center][good],
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
            normal[:, i, j] = normal[:, j, i] = np.add.reduceat(near * terms[i] * terms[j], meeting)
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
