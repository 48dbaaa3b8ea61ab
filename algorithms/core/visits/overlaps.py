"""Where tracks of two visits run side by side, and the depths of both there."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from ..progress import Progress, silent
from ..soundings import Soundings
from .crossings import Crossings, check_lengths, crossings_at
from .survey_tracks import Direction, SurveyTracks

#: The slope between two passing tracks is that of the soundings in 3 by 3 cells of this side, m.
_SLOPE_CELL_M = 20.0


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

    Examples
    --------
    >>> run, still = np.arange(-50.0, 51.0, 5.0), np.zeros(21)
    >>> survey = Soundings.build(
    ...     np.r_[run, run], np.r_[still, still + 2.0], np.repeat([6.0, 6.2], 21),
    ...     visit=np.repeat(["July", "May"], 21))
    >>> found = find_overlaps(survey)
    >>> len(found), round(float(found.difference[0]), 2), round(float(found.distance[0]), 1)
    (5, -0.2, 2.0)
    """
    check_lengths(max_gap_m, reach_m, spacing_m, stop_radius_m)
    tracks = SurveyTracks.of(soundings, max_gap_m, stop_radius_m)
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
        lone = _far_from(crossings, tracks, tracks.visit[i], tracks.visit[j], middle, spacing_m)
        i, t, j, u, pa, pb, middle = (v[lone] for v in (i, t, j, u, pa, pb, middle))
    a = Direction.of(tracks, i, tracks.along[i] + t * tracks.step[i])
    b = Direction.of(tracks, j, tracks.along[j] + u * tracks.step[j])
    sine = np.minimum(np.abs(a.x * b.y - a.y * b.x), 1.0)
    gx, gy, unknown = _slopes_between(tracks, tracks.visit[i], tracks.visit[j], middle)
    apart = pa - pb
    distance = np.hypot(*apart.T)
    along = np.hypot(a.gradient, b.gradient) / np.sqrt(2.0)
    result = crossings_at(
        soundings,
        tracks,
        i,
        t,
        j,
        u,
        *middle.T,
        slope=np.where(unknown, along, np.hypot(gx, gy)),
        angle=np.degrees(np.arcsin(sine)),
        distance=distance,
        across=gx * apart[:, 0] + gy * apart[:, 1],
        extra=np.where(unknown, along * distance, 0.0),
    )
    progress(1.0)
    return result


def _at(tracks, piece, fraction):
    ends = [(v[piece], v[piece + 1]) for v in (tracks.x, tracks.y)]
    return np.column_stack([a + fraction * (b - a) for a, b in ends])


def _far_from(crossings, tracks, one, two, place, spacing) -> np.ndarray:
    """Return a mask of the places of two visits with no crossing of the same within a spacing."""
    number = {name: k for k, name in enumerate(tracks.names)}
    pair = one * len(number) + two
    known = np.array(
        [
            number.get(a, -1) * len(number) + number.get(b, -1)
            for a, b in zip(crossings.visit_a, crossings.visit_b)
        ]
    )
    # A third coordinate keeps pairs of visits apart.
    tree = cKDTree(np.column_stack([crossings.x, crossings.y, known * 3.0 * spacing]))
    away, _ = tree.query(
        np.column_stack([place, pair * 3.0 * spacing]), distance_upper_bound=spacing
    )
    return np.isinf(away)


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
    moments = np.array(
        [
            np.bincount(which, v)
            for v in (np.ones(x.size), x, y, z, x * x, x * y, y * y, x * z, y * z)
        ]
    )
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
        # Each visit about its own mean, so that a difference of datum is no slope.
        sums += about_mean(total)
    xx, xy, yy, xz, yz = sums
    half, apart = 0.5 * (xx + yy), np.hypot(0.5 * (xx - yy), xy)
    # Soundings across the track must spread at least a fifth as far as those along it.
    unknown = half - apart <= 0.04 * (half + apart)
    area = np.where(unknown, 1.0, xx * yy - xy * xy)
    gx = np.where(unknown, 0.0, (xz * yy - yz * xy) / area)
    gy = np.where(unknown, 0.0, (yz * xx - xz * xy) / area)
    return gx, gy, unknown


def about_mean(moments: np.ndarray) -> np.ndarray:
    """Return sums of squares and products about the mean, for a plane through points.

    Parameters
    ----------
    moments : array, shape (9, n)
        Sums of 1, x, y, z, xx, xy, yy, xz and yz.

    Returns
    -------
    array, shape (5, n)
        Of xx, xy, yy, xz and yz; 0 where there is no point.
    """
    n, x, y, z, xx, xy, yy, xz, yz = moments
    n = np.maximum(n, 1.0)
    return np.array(
        [xx - x * x / n, xy - x * y / n, yy - y * y / n, xz - x * z / n, yz - y * z / n]
    )
