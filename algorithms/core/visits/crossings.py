"""Where a survey's tracks cross or run side by side, and the depths of both there."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from .. import lanes
from ..errors import LakefloorError
from ..number_text import written
from ..progress import Progress, silent, span
from ..soundings import Soundings, distinct
from ..times import seconds_of
from ..track import without_track

#: Candidate pairs of segments tested at once.
_BLOCK = 1_000_000

#: The boat has stopped where its path within the stop radius is longer than so many medians of
#: the survey, which grow with the jitter of positions, but at least and at most so many radii.
_STOP_MEDIANS = 5.0
_STOP_RADII = (8.0, 40.0)

#: Direction and slope are taken over this length of track to each side, m.
_REACH_M = 10.0

#: The slope between two passing tracks is that of the soundings in 3 by 3 cells of this side, m.
_SLOPE_CELL_M = 20.0


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
    fraction_a, fraction_b : float
        Place between these two soundings, 0..1.
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
    fraction_a: np.ndarray
    fraction_b: np.ndarray
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

    def select(self, rows) -> Crossings:
        """Return the places picked by a mask or an index array."""
        return Crossings(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


def join_crossings(parts) -> Crossings:
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
        Tracks that meet at a smaller angle run side by side; see :func:`find_overlaps`.
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
    """
    _check(max_gap_m, merge_m, stop_radius_m)
    if not 0.0 <= min_angle_deg < 90.0:
        raise LakefloorError(
            f"The minimum crossing angle of {written(min_angle_deg, 'g')}° is outside 0 to 90°. "
            "Enter one within."
        )
    tracks = _Tracks.of(soundings, max_gap_m, stop_radius_m)
    progress(0.2)
    least = np.sin(np.radians(min_angle_deg))
    i, j, t, u = _meetings(tracks, least, span(progress, 0.2, 0.9))
    along_a = tracks.along[i] + t * tracks.step[i]
    along_b = tracks.along[j] + u * tracks.step[j]
    rows = _middle_of_each(along_a, along_b, merge_m)
    i, j, t, u = i[rows], j[rows], t[rows], u[rows]
    a = _Direction.of(tracks, i, along_a[rows])
    b = _Direction.of(tracks, j, along_b[rows])
    cross = a.x * b.y - a.y * b.x
    with np.errstate(divide="ignore", invalid="ignore"):
        gx = (a.gradient * b.y - b.gradient * a.y) / cross
        gy = (b.gradient * a.x - a.gradient * b.x) / cross
    x = tracks.x[i] + t * (tracks.x[i + 1] - tracks.x[i])
    y = tracks.y[i] + t * (tracks.y[i + 1] - tracks.y[i])
    progress(1.0)
    return _crossings(
        soundings, tracks, i, t, j, u, x, y,
        slope=np.hypot(gx, gy),
        angle=np.degrees(np.arcsin(np.minimum(np.abs(cross), 1.0))),
    )


def find_overlaps(
    soundings: Soundings,
    crossings: Crossings | None = None,
    *,
    reach_m: float = 5.0,
    spacing_m: float = 25.0,
    max_gap_m: float = 20.0,
    stop_radius_m: float = 5.0,
    progress: Progress = silent,
) -> Crossings:
    """Find where tracks of two visits run close to each other.

    Parameters
    ----------
    soundings : Soundings
        As for :func:`find_crossings`.
    crossings : Crossings, optional
        An overlap within ``spacing_m`` of a crossing of the same two visits is left out.
    reach_m : float
        Greatest distance between the tracks, m.
    spacing_m : float
        One observation, the closest approach, for each such length of the first track, m.
    max_gap_m, stop_radius_m : float
        As for :func:`find_crossings`.
    progress : callable

    Returns
    -------
    Crossings
        With ``distance`` above 0. ``difference`` is the depth of the first track less that of the
        second, each interpolated along its track to the closest approach, less the slope between
        them times their distance.

    Raises
    ------
    LakefloorError
        If there are fewer than two accepted soundings, or a parameter is out of range.

    Notes
    -----
    The slope is that of a plane through the soundings of both visits within 20 to 40 m, each visit
    with a constant of its own, so that a difference of datum does not lean on the slope. Where two
    tracks alone lie in reach, the slope across them cannot be told from a difference of datum: it
    is then taken as zero, and ``uncert`` contains the distance times the slope along the track.
    """
    _check(max_gap_m, reach_m, spacing_m, stop_radius_m)
    tracks = _Tracks.of(soundings, max_gap_m, stop_radius_m)
    visits = [np.flatnonzero((tracks.visit == v) & tracks.used) for v in range(len(tracks.names))]
    points = np.column_stack([tracks.x, tracks.y])
    trees = [cKDTree(points[v]) if v.size else None for v in visits]
    found, done, pairs = [], 0, max(len(visits) * (len(visits) - 1) // 2, 1)
    for one in range(len(visits)):
        for two in range(one + 1, len(visits)):
            done += 1
            progress(0.9 * done / pairs)
            if trees[one] is None or trees[two] is None:
                continue
            near = _closest_approaches(
                tracks, visits[one], visits[two], trees[two], reach_m, spacing_m
            )
            if near[0].size:
                found.append(near)
    if found:
        i, t, j, u = (np.concatenate(part) for part in zip(*found))
    else:
        i = j = np.zeros(0, dtype=np.intp)
        t = u = np.zeros(0)
    pa, pb = _at(tracks, i, t), _at(tracks, j, u)
    middle = 0.5 * (pa + pb)
    if crossings is not None and len(crossings) and i.size:
        pair = tracks.visit[i] * len(trees) + tracks.visit[j]
        number = {name: k for k, name in enumerate(tracks.names)}
        known = np.array([
            number.get(a, -1) * len(trees) + number.get(b, -1)
            for a, b in zip(crossings.visit_a, crossings.visit_b)
        ])
        # A third coordinate keeps pairs of visits apart.
        tree = cKDTree(np.column_stack([crossings.x, crossings.y, known * 3.0 * spacing_m]))
        lone = np.isinf(tree.query(
            np.column_stack([middle, pair * 3.0 * spacing_m]), distance_upper_bound=spacing_m
        )[0])
        i, t, j, u, pa, pb, middle = (v[lone] for v in (i, t, j, u, pa, pb, middle))
    a = _Direction.of(tracks, i, tracks.along[i] + t * tracks.step[i])
    b = _Direction.of(tracks, j, tracks.along[j] + u * tracks.step[j])
    sine = np.minimum(np.abs(a.x * b.y - a.y * b.x), 1.0)
    gx, gy, unknown = _slopes_between(tracks, tracks.visit[i], tracks.visit[j], middle)
    apart = pa - pb
    distance = np.hypot(*apart.T)
    along = np.hypot(a.gradient, b.gradient) / np.sqrt(2.0)
    result = _crossings(
        soundings, tracks, i, t, j, u, *middle.T,
        slope=np.where(unknown, along, np.hypot(gx, gy)),
        angle=np.degrees(np.arcsin(sine)),
        distance=distance,
        across=gx * apart[:, 0] + gy * apart[:, 1],
        extra=np.where(unknown, along * distance, 0.0),
    )
    progress(1.0)
    return result


def _check(*lengths):
    if not all(np.isfinite(length) and length > 0.0 for length in lengths):
        raise LakefloorError("A length for finding crossings is not above 0 m. Enter a larger one.")


@dataclass(frozen=True)
class _Tracks:
    """Vertices in order of visit and then of logging; piece k joins vertices k and k + 1."""

    names: list
    row: np.ndarray
    x: np.ndarray
    y: np.ndarray
    depth: np.ndarray
    visit: np.ndarray
    node: np.ndarray  # counts up by one each time the boat leaves the stop radius
    step: np.ndarray  # length of each piece
    along: np.ndarray  # path up to each vertex; far apart for different visits
    piece: np.ndarray  # numbers of the pieces that are track
    first: np.ndarray  # first vertex of the unbroken track of each vertex
    last: np.ndarray
    used: np.ndarray  # vertices that are on a piece

    @classmethod
    def of(cls, soundings, max_gap, stop_radius):
        used = soundings.accepted & np.isfinite(soundings.x) & np.isfinite(soundings.y)
        lost = without_track(soundings)
        rows = np.flatnonzero(used & ~lost)
        if rows.size < 2:
            rows = np.flatnonzero(used)
        if rows.size < 2:
            raise LakefloorError(
                "Crossings need at least two accepted soundings, but there "
                f"{'is' if rows.size == 1 else 'are'} {rows.size}. Check the status of the "
                "soundings."
            )
        names, group = distinct(soundings.visit[rows])
        order = np.argsort(group, kind="stable")
        rows, group = rows[order], group[order]
        x, y = soundings.x[rows], soundings.y[rows]
        moved = np.concatenate(
            [[True], (np.diff(x) != 0) | (np.diff(y) != 0) | (np.diff(group) != 0)]
        )
        vertex = np.cumsum(moved) - 1
        depth = np.bincount(vertex, soundings.depth[rows]) / np.bincount(vertex)
        row, x, y, visit = rows[moved], x[moved], y[moved], group[moved]
        n = row.size
        step = np.hypot(np.diff(x), np.diff(y))
        other = np.diff(visit) != 0
        node = _nodes(x, y, visit, stop_radius)
        stopped = _stopped(node, step, stop_radius) | _slow(x, y, soundings.time[row], visit)
        joined = ~other & (step <= max_gap) & ~stopped[:-1] & ~stopped[1:] & ~lost[row[1:]]
        far = step.sum() + 1e6
        along = np.concatenate([[0.0], np.cumsum(np.where(other, far, step))])
        start = np.concatenate([[True], ~joined])
        first = np.maximum.accumulate(np.where(start, np.arange(n), 0))
        ends = np.concatenate([np.flatnonzero(start)[1:] - 1, [n - 1]])
        last = ends[np.cumsum(start) - 1]
        return cls(
            names, row, x, y, depth, visit, node, step, along, np.flatnonzero(joined), first, last,
            first < last,
        )


def _nodes(x, y, visit, radius):
    """Number the places that the boat leaves one after the other, each a radius from the last."""
    limit, number, out = radius * radius, -2, []
    before, px, py = None, 0.0, 0.0
    for here, qx, qy in zip(visit.tolist(), x.tolist(), y.tolist()):
        if here != before:
            before, px, py, number = here, qx, qy, number + 2
        elif (qx - px) * (qx - px) + (qy - py) * (qy - py) > limit:
            px, py, number = qx, qy, number + 1
        out.append(number)
    return np.array(out, dtype=np.int64)


def _stopped(node, step, radius):
    same = np.diff(node) == 0
    path = np.bincount(node[:-1][same], step[same], minlength=node[-1] + 1)
    moving = path[path > 0.0]
    usual = np.median(moving) if moving.size else 0.0
    least, most = _STOP_RADII
    return (path > np.clip(_STOP_MEDIANS * usual, least * radius, most * radius))[node]


def _slow(x, y, time, visit):
    """Return a mask of the vertices where times tell that the boat was not under way."""
    slow = np.zeros(x.size, dtype=bool)
    seconds = seconds_of(time)
    starts = np.flatnonzero(np.concatenate([[True], np.diff(visit) != 0]))
    for start, stop in zip(starts, np.append(starts[1:], x.size)):
        part = slice(start, stop)
        slow[part] = lanes.stopped(x[part], y[part], seconds[part])
    return slow


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
        a = _Direction.of(tracks, i, tracks.along[i] + t * tracks.step[i])
        b = _Direction.of(tracks, j, tracks.along[j] + u * tracks.step[j])
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


@dataclass(frozen=True)
class _Direction:
    """Direction of tracks as unit vectors, and the slope of the bottom along them."""

    x: np.ndarray
    y: np.ndarray
    gradient: np.ndarray

    @classmethod
    def of(cls, tracks, piece, along):
        # Near an end of the track the stretch is moved inward, not cut short.
        start, stop = tracks.along[tracks.first[piece]], tracks.along[tracks.last[piece]]
        along = np.maximum(np.minimum(along, stop - _REACH_M), start + _REACH_M)
        low = np.searchsorted(tracks.along, along - _REACH_M)
        high = np.searchsorted(tracks.along, along + _REACH_M, side="right") - 1
        low = np.clip(low, tracks.first[piece], piece)
        high = np.clip(high, piece + 1, tracks.last[piece])
        dx, dy = tracks.x[high] - tracks.x[low], tracks.y[high] - tracks.y[low]
        length = np.hypot(dx, dy)
        # A track that comes back to the same place within the reach keeps the piece's direction.
        back = length < 1e-6
        low, high = np.where(back, piece, low), np.where(back, piece + 1, high)
        dx, dy = tracks.x[high] - tracks.x[low], tracks.y[high] - tracks.y[low]
        length = np.hypot(dx, dy)
        fall = tracks.depth[high] - tracks.depth[low]
        return cls(dx / length, dy / length, fall / length)


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


def _at(tracks, piece, fraction):
    ends = [(v[piece], v[piece + 1]) for v in (tracks.x, tracks.y)]
    return np.column_stack([a + fraction * (b - a) for a, b in ends])


def _closest_approaches(tracks, one, two, tree, reach, spacing):
    """Return pieces and fractions of the closest approach in each stretch of the first track."""
    none = np.zeros(0, dtype=np.intp), np.zeros(0), np.zeros(0, dtype=np.intp), np.zeros(0)
    ax, ay = tracks.x[one], tracks.y[one]
    # The nearest vertex may be half a piece farther away than the track itself.
    longest = tracks.step[tracks.piece].max()
    wide = np.hypot(reach, 0.5 * longest)
    low, high = tree.mins - wide, tree.maxes + wide
    one = one[(ax >= low[0]) & (ax <= high[0]) & (ay >= low[1]) & (ay <= high[1])]
    if one.size == 0:
        return none
    point = np.column_stack([tracks.x[one], tracks.y[one]])
    distance, nearest = tree.query(point, distance_upper_bound=wide)
    near = np.isfinite(distance)
    one, point, q = one[near], point[near], two[nearest[near]]
    best, at, place = np.full(one.size, np.inf), q.copy(), np.zeros(one.size)
    for piece in (q - 1, q):
        whole = (piece >= tracks.first[q]) & (piece < tracks.last[q])
        k = np.where(whole, piece, tracks.first[q])
        start = np.column_stack([tracks.x[k], tracks.y[k]])
        run = np.column_stack([tracks.x[k + 1], tracks.y[k + 1]]) - start
        share = np.clip(((point - start) * run).sum(1) / (run * run).sum(1), 0.0, 1.0)
        away = np.hypot(*(start + share[:, None] * run - point).T)
        closer = whole & (away < best)
        best, at = np.where(closer, away, best), np.where(closer, k, at)
        place = np.where(closer, share, place)
    near = best <= reach
    one, best, at, place = one[near], best[near], at[near], place[near]
    order = np.lexsort((best, np.floor(tracks.along[one] / spacing)))
    stretch = np.floor(tracks.along[one][order] / spacing)
    keep = order[np.concatenate([[True], np.diff(stretch) != 0])[: order.size]]
    one, at, place = one[keep], at[keep], place[keep]
    ended = one == tracks.last[one]
    return one - ended, ended.astype(float), at, place


def _slopes_between(tracks, one, two, place):
    """Return the gradient (m per m) at each overlap of two visits, and where it is unknown."""
    if not len(place):
        return np.zeros(0), np.zeros(0), np.zeros(0, dtype=bool)
    origin = np.array([tracks.x.min(), tracks.y.min()])
    x, y = tracks.x[tracks.used] - origin[0], tracks.y[tracks.used] - origin[1]
    z = tracks.depth[tracks.used] - tracks.depth.mean()
    column, row = (np.floor(v / _SLOPE_CELL_M).astype(np.int64) + 1 for v in (x, y))
    columns, rows = column.max() + 2, row.max() + 2
    number = (tracks.visit[tracks.used].astype(np.int64) * columns + column) * rows + row
    cells, which = np.unique(number, return_inverse=True)
    moments = np.array([
        np.bincount(which, v) for v in (np.ones(x.size), x, y, z, x * x, x * y, y * y, x * z, y * z)
    ])
    at = np.floor((place - origin) / _SLOPE_CELL_M).astype(np.int64) + 1
    sums = np.zeros((5, len(place)))
    for visit in (one, two):
        total = np.zeros((9, len(place)))
        for east in (-1, 0, 1):
            for north in (-1, 0, 1):
                wanted = (visit.astype(np.int64) * columns + at[:, 0] + east) * rows
                wanted += at[:, 1] + north
                cell = np.minimum(np.searchsorted(cells, wanted), cells.size - 1)
                total += np.where(cells[cell] == wanted, moments[:, cell], 0.0)
        n, sx, sy, sz, sxx, sxy, syy, sxz, syz = total
        n = np.maximum(n, 1.0)
        # Each visit about its own mean, so that a difference of datum is no slope.
        sums += (sxx - sx * sx / n, sxy - sx * sy / n, syy - sy * sy / n, sxz - sx * sz / n,
                 syz - sy * sz / n)
    xx, xy, yy, xz, yz = sums
    half, apart = 0.5 * (xx + yy), np.hypot(0.5 * (xx - yy), xy)
    # Soundings across the track must spread at least a fifth as far as those along it.
    unknown = half - apart <= 0.04 * (half + apart)
    area = np.where(unknown, 1.0, xx * yy - xy * xy)
    gx = np.where(unknown, 0.0, (xz * yy - yz * xy) / area)
    gy = np.where(unknown, 0.0, (yz * xx - xz * xy) / area)
    return gx, gy, unknown


def _crossings(
    soundings, tracks, i, t, j, u, x, y, *, slope, angle, distance=None, across=0.0, extra=0.0
):
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
        x=x, y=y, rows_a=rows_a, rows_b=rows_b, fraction_a=t, fraction_b=u, depth_a=depth_a,
        depth_b=depth_b, difference=depth_a - depth_b - across,
        distance=np.zeros(i.size) if distance is None else distance, angle=angle, slope=slope,
        uncert=np.sqrt(uncert_a**2 + uncert_b**2 + extra**2), visit_a=visit_a, visit_b=visit_b,
        lane_a=lane_a, lane_b=lane_b, time_a=time_a, time_b=time_b,
    )
