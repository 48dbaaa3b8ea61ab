"""How far a change of the bottom reaches: from changed blocks to patches and their soundings."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import Delaunay, QhullError, cKDTree
from scipy.stats import norm
from shapely.geometry import MultiPoint
from shapely.geometry.base import BaseGeometry

from ..blocks import block_mean, square_blocks
from ..errors import LakefloorError
from ..grid import Areas
from ..polygons import contains, rings
from ..soundings import Soundings, stated_uncertainty
from ..spacing import spacing_of_points
from .bottom_change import BottomChange, ChangeTest

#: Depths of a visit are averaged over squares of this side, m, before a bottom is drawn from them.
_NODE_M = 2.0
#: By how much the bottom between soundings may differ from a straight line, m per m of distance:
#: one standard deviation.
_UNEVEN = 0.05
#: Places of evidence are as large as this part of a block.
_PLACE = 0.25
#: A patch reaches over gaps of this many blocks, or lane spacings of the newer visit.
_BRIDGE = 1.25
#: So many quarter blocks side by side, each close to soundings of both visits, are a change even
#: if no block is changed as a whole: unchanged lakes have up to six.
_ENOUGH = 12
#: A patch needs so many quarter blocks that are clear and close to soundings of both visits, and
#: this part of all of its own, or so many that no drop-off between lanes makes them. In unchanged
#: lakes the rest contradicts where lanes miss a drop-off.
_SEEN, _SEEN_PART, _SEEN_WELL = 8, 0.25, 30
#: A patch reaches no farther than so many blocks from one that may have changed.
_FARTHEST = 5.0
#: What contradicts by one standard uncertainty counts within so many blocks of what is clear.
_BESIDE = 0.75
#: A sounding that is nearer to the new bottom than this part of the least change agrees with it.
_AGREES = 0.5


@dataclass(frozen=True)
class ChangedPatches:
    """Patches in which the bottom has changed by the time of a visit. One row a patch.

    Attributes
    ----------
    outlines : list of Polygon or MultiPolygon
    change, uncert : float
        Mean change, m, positive where deeper now, and its standard uncertainty.
    area : float
        m².
    """

    outlines: list
    change: np.ndarray
    uncert: np.ndarray
    area: np.ndarray

    def __len__(self) -> int:
        return len(self.area)

    def areas(self) -> Areas:
        """Return the patches as polygons."""
        return Areas(
            self.outlines, {name: getattr(self, name) for name in ("change", "uncert", "area")}
        )


class Bottom:
    """The bottom as one visit found it: a plane between each three soundings.

    Parameters
    ----------
    soundings : Soundings
        Accepted ones of one visit.
    depth_m : float
        Standard uncertainty of a depth that does not state its own, m.
    """

    def __init__(self, soundings: Soundings, depth_m: float):
        kept = soundings.accepted & np.isfinite(soundings.x) & np.isfinite(soundings.y)
        uncert = stated_uncertainty(soundings.uncert[kept])
        self.uncert = np.where(np.isfinite(uncert), uncert, depth_m)
        self.x, self.y, self.depth = (getattr(soundings, a)[kept] for a in ("x", "y", "depth"))
        self._tree = self._triangles = None
        if self.x.size < 3:
            return
        x, y, self._node, squared, _ = block_mean(
            self.x, self.y, _NODE_M, self.depth, self.uncert**2
        )
        self._node_uncert = np.sqrt(squared)
        self._origin = np.array([x.mean(), y.mean()])
        nodes = np.column_stack([x, y]) - self._origin
        self._tree = cKDTree(nodes)
        try:
            self._triangles = Delaunay(nodes)
        except (QhullError, ValueError):  # along one line, or fewer than three
            return

    def at(self, x: np.ndarray, y: np.ndarray, position_m: float) -> tuple:
        """Return depth, its standard uncertainty, and the distance to a sounding, m, at places.

        NaN where no three soundings lie around a place. ``position_m`` is the standard
        uncertainty of positions, which matter on a slope.
        """
        depth, uncert = np.full((2, len(x)), np.nan)
        if self._tree is None or not len(x):
            return depth, uncert, np.full(len(x), np.inf)
        places = np.column_stack([x, y]) - self._origin
        away, _ = self._tree.query(places)
        if self._triangles is None:
            return depth, uncert, away
        triangle = self._triangles.find_simplex(places)
        inside = np.flatnonzero(triangle >= 0)
        own = triangle[inside]
        corners = self._triangles.simplices[own]
        to_corner = self._triangles.transform[own]
        first = np.einsum("nij,nj->ni", to_corner[:, :2], places[inside] - to_corner[:, 2])
        share = np.column_stack([first, 1.0 - first.sum(axis=1)])
        z = self._node[corners]
        depth[inside] = (share * z).sum(axis=1)
        rise = np.einsum("ni,nij->nj", z[:, :2] - z[:, 2:], to_corner[:, :2])
        slope = np.hypot(rise[:, 0], rise[:, 1])
        uncert[inside] = np.sqrt(
            (share * self._node_uncert[corners] ** 2).sum(axis=1)
            + 2.0 * (slope * position_m) ** 2
            + (_UNEVEN * away[inside]) ** 2
        )
        return depth, uncert, away


@dataclass(frozen=True)
class Compared:
    """Older soundings beside the bottom of a newer visit, one row a sounding.

    ``change`` is that bottom less the sounding's depth, ``uncert`` its standard uncertainty, NaN
    where the newer visit has none around; ``away`` the distance to the newer visit, m.
    """

    x: np.ndarray
    y: np.ndarray
    change: np.ndarray
    uncert: np.ndarray
    away: np.ndarray


def compared(
    one: Bottom, other: Bottom, found: BottomChange, sign: float, test: ChangeTest
) -> Compared:
    """Compare the soundings of one visit with the bottom of another.

    ``sign`` is 1 where that is the newer visit, else -1; the change is always newer less older.
    What is to be expected of it, by levels that are off and by slow change, is taken off.
    """
    depth, uncert, away = other.at(one.x, one.y, test.position_m)
    change = sign * (depth - one.depth) - found.expected(one.x, one.y)
    return Compared(one.x, one.y, change, np.hypot(uncert, one.uncert), away)


@dataclass(frozen=True)
class _Places:
    """Places that contradict, one row each: their change to one side and its uncertainty, m.

    ``clear`` is beyond the confidence asked for; ``near`` are places with soundings of both visits.
    """

    x: np.ndarray
    y: np.ndarray
    change: np.ndarray
    uncert: np.ndarray
    clear: np.ndarray
    near: np.ndarray

    def select(self, rows):
        """Return some of the places."""
        return _Places(*(getattr(self, f.name)[rows] for f in fields(self)))


def around_changes(x: np.ndarray, y: np.ndarray, found: list[BottomChange]) -> np.ndarray:
    """Mark places no farther from blocks that may have changed than a patch may reach."""
    blocks = [np.column_stack([f.col, f.row])[f.candidates] for f in found]
    blocks = np.concatenate([*blocks, np.empty((0, 2), int)])
    if not len(blocks) or not len(x):
        return np.zeros(len(x), bool)
    size = found[0].block_m
    at = np.column_stack([x, y]) / size
    away, _ = cKDTree(blocks + 0.5).query(at, distance_upper_bound=_FARTHEST, p=np.inf)
    return np.isfinite(away)


def changed_patches(
    newer: Bottom, olders: list[Bottom], found: list[BottomChange], test: ChangeTest
) -> tuple:
    """Grow changed blocks into patches, and return which older soundings they supersede.

    Parameters
    ----------
    newer : Bottom
    olders : list of Bottom
        Of all older visits, around the changed blocks at least.
    found : list of BottomChange
        How each of them differs from the newer visit.
    test : ChangeTest

    Returns
    -------
    patches : ChangedPatches
        The largest first.
    superseded : list of bool array
        For each older visit, which of its soundings (rows of its :class:`Bottom`).

    Notes
    -----
    Each older sounding is compared with the bottom of the newer visit, and each newer sounding
    with that of each older visit. Means over a quarter of a block that contradict, by more than
    their uncertainty allows and all to one side, are joined where they lie no farther apart than
    about 1.25 blocks or lane spacings. What is joined to a changed block is a patch, and so are
    twelve such places side by side. What contradicts by one standard uncertainty is taken along
    near by. Where lanes of either visit miss a drop-off the bottom between them is guessed wrongly,
    so a patch counts only if eight places or more, a quarter of all or thirty, contradict within
    reach of soundings of both. The outline is the closing of the places (Serra 1982). Within it older
    soundings are superseded, unless they agree with the newer visit or it has no soundings around
    them.

    References
    ----------
    Serra, J. (1982). Image Analysis and Mathematical Morphology, chapter 2. Academic Press.
    """
    superseded = [np.zeros(older.x.size, bool) for older in olders]
    if not any(f.candidates.any() for f in found):
        return ChangedPatches([], *np.empty((3, 0))), superseded
    sides = [
        (compared(older, newer, f, 1.0, test), compared(newer, older, f, -1.0, test))
        for older, f in zip(olders, found)
    ]
    seeds = _seeds(found)
    bridge = _BRIDGE * max(test.block_m, _lanes_apart(newer))
    patches: list = []
    for sign in (1.0, -1.0):
        places = _places([c for pair in sides for c in pair], sign, test)
        for rows in _joined(places, seeds.get(sign, set()), bridge, test):
            own = places.select(rows)
            if not _seen_by_both(own):
                continue
            outline = _closed(own, bridge, _PLACE * test.block_m)
            values = sign * own.change.mean(), own.uncert.mean(), outline.area
            patches.append((outline, *map(float, values)))
            for mask, (one, _) in zip(superseded, sides):
                mask |= _contradicted(one, outline, sign, bridge, test)
    patches.sort(key=lambda patch: -patch[3])
    outlines, *columns = zip(*patches) if patches else ([], [], [], [])
    return ChangedPatches(list(outlines), *(np.array(c, float) for c in columns)), superseded


def _lanes_apart(visit: Bottom) -> float:
    """Return the lane spacing of a visit, m; 0 where it does not show."""
    try:
        return spacing_of_points(visit.x, visit.y)
    except LakefloorError:  # too few, or a single lane
        return 0.0


def _seeds(found) -> dict:
    """Return changed blocks, column and row, by the sign of their change."""
    seeds: dict = {}
    for f in found:
        for k in np.flatnonzero(f.changed):
            sign = float(np.sign(f.moved[k]))
            seeds.setdefault(sign, set()).add((int(f.col[k]), int(f.row[k])))
    return seeds


def _places(sides, sign, test):
    """Return quarter blocks that contradict: see :class:`_Places`."""
    x, y, change, uncert, away = (
        np.concatenate([getattr(one, name) for one in sides])
        for name in ("x", "y", "change", "uncert", "away")
    )
    known = np.isfinite(change) & np.isfinite(uncert)
    x, y, change, weight = x[known], y[known], sign * change[known], uncert[known] ** -2.0
    near = (away[known] <= test.reach_m) * 1.0
    x, y, change, weight, near, _ = block_mean(
        x, y, _PLACE * test.block_m, change * weight, weight, near
    )
    # Errors of a visit go together: means are no surer than their soundings.
    change, uncert = change / weight, weight**-0.5
    limit = norm.ppf(0.5 + 0.5 * test.confidence) * uncert
    told = (change > uncert) & (change >= _AGREES * test.min_change_m)
    places = _Places(x, y, change, uncert, change > limit, near >= 0.5)
    return places.select(told)


def _joined(places, seeds, bridge, test):
    """Yield rows of the places that hang together with a changed block, or change much."""
    clear = np.flatnonzero(places.clear)
    if not len(clear):
        return
    xy = np.column_stack([places.x, places.y])
    part = _parts(xy[clear], 0.5 * bridge)
    seeded = _seeded(places, clear, seeds, test)
    # What contradicts less clearly is taken along where it lies beside what does.
    away, nearest = cKDTree(xy[clear]).query(xy)
    every = np.where(away <= _BESIDE * test.block_m, part[nearest], -1)
    for number in np.unique(part[seeded]):
        yield np.flatnonzero(every == number)


def _parts(xy, side):
    """Return numbers of points, alike where squares of a side lie within two of each other."""
    col, row, square, _ = square_blocks(*xy.T, side)
    pairs = cKDTree(np.column_stack([col, row])).query_pairs(2.0, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), tuple(pairs.T)), shape=(len(col), len(col)))
    return connected_components(graph, directed=False)[1][square]


def _seeded(places, clear, seeds, test):
    """Mark clear places in a changed block, or of many side by side close to both visits."""
    xy = np.column_stack([places.x, places.y])[clear]
    blocks = np.floor(xy / test.block_m).astype(int)
    seeded = np.array([block in seeds for block in map(tuple, blocks.tolist())])
    sure = np.flatnonzero(places.near[clear] & (places.change[clear] >= test.min_change_m))
    if len(sure) >= _ENOUGH:
        part = _parts(xy[sure], _PLACE * test.block_m)
        seeded[sure] |= np.bincount(part)[part] >= _ENOUGH
    return seeded


def _seen_by_both(places) -> bool:
    """Say whether enough of the places that contradict lie close to soundings of both visits."""
    seen = np.count_nonzero(places.clear & places.near)
    return seen >= max(_SEEN, min(_SEEN_PART * len(places.x), _SEEN_WELL))


def _closed(places, bridge, rim) -> BaseGeometry:
    """Return the outline of places, with what lies between them."""
    radius = 0.5 * bridge
    return MultiPoint(np.column_stack([places.x, places.y])).buffer(radius).buffer(rim - radius)


def _contradicted(one, outline, sign, bridge, test):
    """Mark older soundings in a patch that do not agree with the newer visit."""
    west, south, east, north = outline.bounds
    near = (one.x >= west) & (one.x <= east) & (one.y >= south) & (one.y <= north)
    near &= one.away <= 0.5 * bridge
    # Close to a newer sounding, an older one may show that it is still right.
    sure = one.away <= test.reach_m
    near &= ~(sure & (sign * one.change < _AGREES * test.min_change_m))
    rows = np.flatnonzero(near)
    mask = np.zeros(one.x.size, bool)
    mask[rows[contains(rings(outline), one.x[rows], one.y[rows])]] = True
    return mask
