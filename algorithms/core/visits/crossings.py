"""Where a survey's tracks cross, and the depths of both there."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from ..errors import LakefloorError
from ..number_text import written
from ..progress import Progress, silent, span
from ..soundings import Soundings
from .survey_tracks import Direction, SurveyTracks

#: Candidate pairs of segments tested at once.
_BLOCK = 1_000_000


@dataclass(frozen=True)
class Crossings:
    """Places where two tracks meet. Every field is an array of length n.

    The first track, ``a``, is that of the visit whose name comes first in the alphabet; within
    one visit it is the earlier track.

    Attributes
    ----------
    x, y : float
        Place, m; for an overlap, midway between the tracks.
    rows_a, rows_b : int, shape (n, 2)
        Rows of the soundings before and after the place on each track.
    depth_a, depth_b : float
        Depth of each track, m, interpolated linearly to the place.
    difference : float
        ``depth_a - depth_b``, m; for an overlap corrected for the slope between the tracks.
    distance : float
        Between the tracks, m; 0 at a crossing.
    angle : float
        Between the tracks, degrees, 0..90.
    slope : float
        Steepest slope of the bottom, m per m.
    uncert : float
        One standard deviation of ``difference``, m; NaN where a sounding's is not known.
    visit_a, visit_b : object (str)
    lane_a, lane_b : int32
        Lane of the nearer sounding.
    time_a, time_b : datetime64[ms]
    """

    x: np.ndarray
    y: np.ndarray
    rows_a: np.ndarray
    rows_b: np.ndarray
    depth_a: np.ndarray
    depth_b: np.ndarray
    difference: np.ndarray
    distance: np.ndarray
    angle: np.ndarray
    slope: np.ndarray
    uncert: np.ndarray
    visit_a: np.ndarray
    visit_b: np.ndarray
    lane_a: np.ndarray
    lane_b: np.ndarray
    time_a: np.ndarray
    time_b: np.ndarray

    def __len__(self) -> int:
        return len(self.x)

    @property
    def between(self) -> np.ndarray:
        """Mask of the places where two visits meet; the others cannot test a datum."""
        return (self.visit_a != self.visit_b).astype(bool)

    @property
    def depth(self) -> np.ndarray:
        """Mean depth of both tracks, m."""
        return 0.5 * (self.depth_a + self.depth_b)

    def select(self, rows: np.ndarray) -> Crossings:
        """Return the places picked by a mask or an index array."""
        return Crossings(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


def join_crossings(parts: Iterable[Crossings]) -> Crossings:
    """Return the places of all ``parts`` in order."""
    parts = list(parts)
    return Crossings(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Crossings)}
    )


def find_crossings(
    soundings: Soundings,
    *,
    max_gap_m: float = 20.0,
    min_angle_deg: float = 20.0,
    merge_m: float = 10.0,
    stop_radius_m: float = 5.0,
    progress: Progress = silent,
) -> Crossings:
    """Find every crossing of the survey's tracks.

    Parameters
    ----------
    soundings : Soundings
        Only accepted ones are used, in the order given within each visit; a rejected sounding
        is passed over, as is a visit of which no track is known. Soundings in a row at one
        position count as one, with their mean depth.
    max_gap_m : float
        Soundings farther apart than this are not joined, m.
    min_angle_deg : float
        Tracks that meet at a smaller angle run side by side; see :func:`.overlaps.find_overlaps`.
    merge_m : float
        Crossings of the same two passes within this length of track are one observation: the
        one in the middle. It should exceed the jitter of the positions, m.
    stop_radius_m : float
        Within one visit the boat must have gone away farther than about this between two passes,
        m. Where it stays within this radius for long it has stopped, or where times show less
        than 0.3 m/s, as of a boat that swings at anchor; the soundings of the stop are left out.
    progress : callable

    Returns
    -------
    Crossings
        In order along the first track.

    Raises
    ------
    LakefloorError
        If there are fewer than two accepted soundings, or a parameter is out of range.

    Notes
    -----
    Pieces of track are sorted into the cells of a grid, so that only pieces that share a cell are
    tested against each other. The slope of the bottom is the one gradient that agrees with the
    slopes along both tracks.

    References
    ----------
    Wessel, P. (1989). XOVER: a cross-over error detector for track data. Computers & Geosciences
    15(3), 333-346 (interpolation along both tracks to their intersection).

    Examples
    --------
    >>> run, still = np.arange(-50.0, 51.0, 5.0), np.zeros(21)
    >>> survey = Soundings.build(
    ...     np.r_[run, still], np.r_[still, run], np.repeat([6.0, 6.2], 21),
    ...     visit=np.repeat(["July", "May"], 21))
    >>> found = find_crossings(survey)
    >>> len(found), round(float(found.difference[0]), 2), round(float(found.angle[0]))
    (1, -0.2, 90)
    """
    check_lengths(max_gap_m, merge_m, stop_radius_m)
    if not 0.0 <= min_angle_deg < 90.0:
        raise LakefloorError(
            f"The minimum crossing angle of {written(min_angle_deg, 'g')}° is outside 0 to 90°. "
            "Enter one within."
        )
    tracks = SurveyTracks.of(soundings, max_gap_m, stop_radius_m)
    progress(0.2)
    least = np.sin(np.radians(min_angle_deg))
    i, j, t, u = _meetings(tracks, least, span(progress, 0.2, 0.9))
    along_a = tracks.along[i] + t * tracks.step[i]
    along_b = tracks.along[j] + u * tracks.step[j]
    rows = _middle_of_each(along_a, along_b, merge_m)
    i, j, t, u = i[rows], j[rows], t[rows], u[rows]
    a = Direction.of(tracks, i, along_a[rows])
    b = Direction.of(tracks, j, along_b[rows])
    cross = a.x * b.y - a.y * b.x
    with np.errstate(divide="ignore", invalid="ignore"):
        gx = (a.gradient * b.y - b.gradient * a.y) / cross
        gy = (b.gradient * a.x - a.gradient * b.x) / cross
    x = tracks.x[i] + t * (tracks.x[i + 1] - tracks.x[i])
    y = tracks.y[i] + t * (tracks.y[i + 1] - tracks.y[i])
    progress(1.0)
    return crossings_at(
        soundings,
        tracks,
        i,
        t,
        j,
        u,
        x,
        y,
        slope=np.hypot(gx, gy),
        angle=np.degrees(np.arcsin(np.minimum(np.abs(cross), 1.0))),
    )


def check_lengths(*lengths: float) -> None:
    """Raise LakefloorError unless all lengths, m, are above 0."""
    if not all(np.isfinite(length) and length > 0.0 for length in lengths):
        raise LakefloorError("A length for finding crossings is not above 0 m. Enter a larger one.")


def _meetings(tracks, least_sine, progress):
    """Return pieces i < j that intersect, and the place of the intersection on each (0..1).

    Left out where the sine of the angle between the tracks is below ``least_sine``.
    """
    piece = tracks.piece
    none = np.zeros(0, dtype=np.intp)
    if piece.size < 2:
        return none, none, np.zeros(0), np.zeros(0)
    x, y = tracks.x - tracks.x.mean(), tracks.y - tracks.y.mean()
    dx, dy = np.diff(x), np.diff(y)
    cell, member = _cells(x, y, tracks.step, piece)
    # Members of a cell are in order of track, so their nodes ascend.
    node = tracks.node[member]
    stride = tracks.node[-1] + 3
    key = cell * stride + node
    after = np.searchsorted(cell, cell, side="right")
    partner = np.searchsorted(key, key + 2)
    partner = np.minimum(np.maximum(partner, np.arange(cell.size) + 1), after)
    count = after - partner
    where = np.flatnonzero(count)
    total = np.cumsum(count[where])
    found, start = [], 0
    while start < where.size:
        done = total[start - 1] if start else 0
        stop = max(int(np.searchsorted(total, done + _BLOCK, side="right")), start + 1)
        some = where[start:stop]
        many = count[some]
        i = np.repeat(member[some], many)
        first = np.repeat(partner[some] - np.cumsum(many) + many, many)
        j = member[first + np.arange(i.size)]
        ex, ey = x[j] - x[i], y[j] - y[i]
        cross = dx[i] * dy[j] - dy[i] * dx[j]
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (ex * dy[j] - ey * dx[j]) / cross
            u = (ex * dy[i] - ey * dx[i]) / cross
        hit = (t >= 0.0) & (t <= 1.0) & (u >= 0.0) & (u <= 1.0)
        i, j, t, u = i[hit], j[hit], t[hit], u[hit]
        a = Direction.of(tracks, i, tracks.along[i] + t * tracks.step[i])
        b = Direction.of(tracks, j, tracks.along[j] + u * tracks.step[j])
        wide = np.abs(a.x * b.y - a.y * b.x) >= least_sine
        found.append((i[wide], j[wide], t[wide], u[wide]))
        start = stop
        progress(total[stop - 1] / total[-1])
    if not found:
        return none, none, np.zeros(0), np.zeros(0)
    i, j, t, u = (np.concatenate(part) for part in zip(*found))
    # Pieces that share several cells were tested in each.
    _, once = np.unique(i * len(x) + j, return_index=True)
    return i[once], j[once], t[once], u[once]


def _cells(x, y, step, piece):
    """Return cell numbers in order, and the piece that each of them holds."""
    length = step[piece]
    side = max(2.0 * np.median(length), length.max() / 16.0)
    ends = [np.floor(v / side).astype(np.int64) for v in (x - x.min(), y - y.min())]
    low = [np.minimum(v[piece], v[piece + 1]) for v in ends]
    wide, high = (np.abs(v[piece + 1] - v[piece]) + 1 for v in ends)
    many = wide * high
    which = np.repeat(np.arange(piece.size), many)
    offset = np.arange(which.size) - np.repeat(np.cumsum(many) - many, many)
    cell = (low[0][which] + offset % wide[which]) * (ends[1].max() + 1)
    cell += low[1][which] + offset // wide[which]
    order = np.argsort(cell, kind="stable")
    _, cell = np.unique(cell[order], return_inverse=True)
    return cell.astype(np.int64), piece[which[order]]


def _middle_of_each(along_a, along_b, merge):
    """Return the middle one of each chain of places that follow within ``merge`` on both tracks."""
    n = along_a.size
    if n == 0:
        return np.zeros(0, dtype=np.intp)
    pairs = cKDTree(np.column_stack([along_a, along_b])).query_pairs(
        merge, p=np.inf, output_type="ndarray"
    )
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    _, chain = connected_components(graph, directed=False)
    order = np.lexsort((along_b, along_a, chain))
    size = np.bincount(chain)
    middle = order[np.cumsum(size) - size + (size - 1) // 2]
    return middle[np.lexsort((along_b[middle], along_a[middle]))]


def crossings_at(
    soundings: Soundings,
    tracks: SurveyTracks,
    i: np.ndarray,
    t: np.ndarray,
    j: np.ndarray,
    u: np.ndarray,
    x: np.ndarray,
    y: np.ndarray,
    *,
    slope: np.ndarray,
    angle: np.ndarray,
    distance: np.ndarray | None = None,
    across: npt.ArrayLike = 0.0,
    extra: npt.ArrayLike = 0.0,
) -> Crossings:
    """Return the places where two pieces of track meet, each a fraction along its piece.

    Parameters
    ----------
    soundings : Soundings
    tracks : SurveyTracks
    i, j : int array, shape (n,)
        Pieces of the first and of the second track.
    t, u : array, shape (n,)
        Place on them, 0..1.
    x, y, slope, angle, distance : array, shape (n,)
        As in :class:`Crossings`; the tracks cross where there is no distance.
    across : array, shape (n,)
        What the slope between the tracks makes of their difference, m.
    extra : array, shape (n,)
        Standard uncertainty of that, m.
    """

    def side(piece, fraction):
        rows = np.column_stack([tracks.row[piece], tracks.row[piece + 1]])
        depth = (1 - fraction) * tracks.depth[piece] + fraction * tracks.depth[piece + 1]
        near = np.where(fraction < 0.5, rows[:, 0], rows[:, 1])
        before, after = soundings.uncert[rows].T
        start, stop = soundings.time[rows].T
        milliseconds = np.where(np.isnat(stop), 0, stop.astype(np.int64)) - np.where(
            np.isnat(start), 0, start.astype(np.int64)
        )
        gone = np.isnat(start) | np.isnat(stop)
        shift = np.round(np.where(gone, 0, fraction * milliseconds)).astype("timedelta64[ms]")
        time = np.where(gone, np.datetime64("NaT", "ms"), start + shift)
        uncert = (1 - fraction) * before + fraction * after
        return rows, depth, soundings.visit[near], soundings.lane[near], time, uncert

    rows_a, depth_a, visit_a, lane_a, time_a, uncert_a = side(i, t)
    rows_b, depth_b, visit_b, lane_b, time_b, uncert_b = side(j, u)
    return Crossings(
        x=x,
        y=y,
        rows_a=rows_a,
        rows_b=rows_b,
        depth_a=depth_a,
        depth_b=depth_b,
        difference=depth_a - depth_b - across,
        distance=np.zeros(i.size) if distance is None else distance,
        angle=angle,
        slope=slope,
        uncert=np.sqrt(uncert_a**2 + uncert_b**2 + extra**2),
        visit_a=visit_a,
        visit_b=visit_b,
        lane_a=lane_a,
        lane_b=lane_b,
        time_a=time_a,
        time_b=time_b,
    )
