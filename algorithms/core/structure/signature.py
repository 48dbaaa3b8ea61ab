"""What is known of the bottom at a place: depth, slope, bottom type, and the structure near it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from ..crs import transform
from ..ellipsoid import projection
from ..errors import LakefloorError
from ..grid import Areas, Grid, Lines
from ..polygons import inside, rings
from ..progress import Progress, silent, span
from ..terrain import position, slope
from .bottom_forms import FORMS

#: Lines of a drop-off by the words that people use, and their ``kind`` in the break-lines.
LINE_KINDS = {"crest": "crest", "steepest line": "steepest", "toe": "toe"}
#: Classes of the bottom by the words that people use.
BOTTOM_CLASSES = {"soft bottom": 1, "medium bottom": 2, "hard bottom": 3}
TRANSITION, DEEP_WATER = "transition", "deep water"
#: Everything that a place can be near to.
LINES, AREAS = (*LINE_KINDS, TRANSITION), (*BOTTOM_CLASSES, DEEP_WATER, *FORMS)
TARGETS = (*LINES, *AREAS)

#: The layer that each target is taken from.
LAYER_OF = {
    **dict.fromkeys(LINE_KINDS, "breaklines"),
    TRANSITION: "transitions",
    **dict.fromkeys(BOTTOM_CLASSES, "bottom type"),
    DEEP_WATER: "depth surface",
    **dict.fromkeys(FORMS, "bottom forms"),
}

#: Radius of the surroundings whose mean depth tells what rises above them, m.
SURROUNDINGS_M = 40.0
#: Share of the mapped bottom that is shallower than deep water, where no depth was given.
DEEP_SHARE = 0.75
_MAX_STEP_M = 1.0


@dataclass(frozen=True)
class Ground:
    """A depth surface and the structure found on it; what is not known is None.

    Attributes
    ----------
    depth, uncertainty, distance : Grid
        Depth, its standard uncertainty and the distance to the nearest sounding, m.
    hardness, hardness_sd, bottom_class, class_probability : Grid
        Relative hardness 0..1, its standard uncertainty, class (1 soft, 2 medium, 3 hard) and
        the probability of the class. Their cells may differ from those of ``depth``.
    break_lines : Lines
        Attributes as those of :func:`.break_lines.break_lines`; only ``kind`` is needed.
    transitions : Lines
        Where hard bottom gives way to soft; a line whose attribute ``supported`` is 0 does not
        count.
    forms : Areas
        Attribute ``form``, one of :data:`.bottom_forms.FORMS`; ``relief_m`` where known.
    deep_m : float
        Depth from which water is deep, m; by default the depth that three quarters of the
        mapped bottom do not reach.
    crs : int or str
        Projected coordinate system, for directions from true north. Without it they are from
        grid north.
    """

    depth: Grid
    uncertainty: Grid | None = None
    distance: Grid | None = None
    hardness: Grid | None = None
    hardness_sd: Grid | None = None
    bottom_class: Grid | None = None
    class_probability: Grid | None = None
    break_lines: Lines | None = None
    transitions: Lines | None = None
    forms: Areas | None = None
    deep_m: float | None = None
    crs: object = None
    _kept: dict = field(default_factory=dict, init=False, repr=False, compare=False)

    def has(self, layer: str) -> bool:
        """Tell whether a layer, named as in :data:`LAYER_OF`, is there."""
        return {
            "breaklines": self.break_lines,
            "transitions": self.transitions,
            "bottom type": self.bottom_class or self.hardness,
            "bottom forms": self.forms,
            "depth surface": self.depth,
        }[layer] is not None

    def once(self, name: str, make):
        """Return ``make()``, computed at the first call under this name."""
        if name not in self._kept:
            self._kept[name] = make()
        return self._kept[name]

    @property
    def slope_percent(self) -> Grid:
        """Slope of the surface, percent."""
        return self.once("slope", lambda: slope(self.depth)[1])

    @property
    def rise(self) -> Grid:
        """How far the bottom rises above the mean of its surroundings, m."""
        return self.once("rise", lambda: position(self.depth, 0.0, SURROUNDINGS_M))

    @property
    def deep_from(self) -> float:
        """Depth from which water is deep, m."""
        if self.deep_m is not None:
            return self.deep_m
        return self.once("deep", lambda: float(np.nanquantile(self.depth.values, DEEP_SHARE)))


@dataclass(frozen=True)
class Target:
    """What a place can be near to, as points along its lines or its edge.

    Attributes
    ----------
    points : array, shape (n, 2)
        Positions, m.
    owner : array of int, shape (n,)
        Row of the line or area that each point belongs to.
    cover : Grid or None
        Row of the area that covers each cell, NaN where none does. A place in an area is at
        distance 0 from it.
    """

    points: np.ndarray
    owner: np.ndarray
    cover: Grid | None = None

    def __len__(self) -> int:
        return len(self.points)


def check_ground(ground: Ground) -> None:
    """Refuse a surface without depths, or in negative depths.

    Raises
    ------
    LakefloorError
        Also if break-lines or forms lack the attribute that tells their kind.
    """
    known = ground.depth.values[np.isfinite(ground.depth.values)]
    if not known.size:
        raise LakefloorError("The depth surface has no depths. Choose another raster.")
    if np.mean(known < 0) > 0.5:
        raise LakefloorError(
            "Most depths of the surface are negative, but depth is positive down, in meters. If "
            "the raster has elevations, subtract them from the lake level first."
        )
    for what, layer, name, maker in (
        ("breaklines", ground.break_lines, "kind", "Breaklines (drop-offs)"),
        ("bottom forms", ground.forms, "form", "Bottom forms"),
    ):
        if layer is not None and name not in layer.attributes:
            raise LakefloorError(
                f"The layer of {what} has no field '{name}'. Choose the layer that {maker} makes."
            )


def target(ground: Ground, word: str) -> Target:
    """Return what a word of :data:`TARGETS` stands for on this ground.

    Raises
    ------
    LakefloorError
        If the word is unknown, or the layer it is taken from is missing.
    """
    if word not in LAYER_OF:
        raise LakefloorError(f"'{word}' is unknown. Choose one of: {', '.join(TARGETS)}.")
    if not ground.has(LAYER_OF[word]):
        raise LakefloorError(f"'{word}' needs the layer of {LAYER_OF[word]}. Choose that layer.")
    return ground.once(f"target {word}", lambda: _target(ground, word))


def _target(ground: Ground, word: str) -> Target:
    step = min(ground.depth.dx / 4.0, ground.depth.dy / 4.0, _MAX_STEP_M)
    if word in LINE_KINDS:
        rows = _rows_with(ground.break_lines.attributes["kind"], LINE_KINDS[word])
        return _line_target(ground.break_lines.coords, rows, step)
    if word == TRANSITION:
        supported = ground.transitions.attributes.get("supported", [1] * len(ground.transitions))
        rows = [i for i, value in enumerate(supported) if value != 0]
        return _line_target(ground.transitions.coords, rows, step)
    if word in FORMS:
        rows = _rows_with(ground.forms.attributes["form"], word)
        return _area_target(ground.forms.polygons, rows, step, ground.depth)
    if word == DEEP_WATER:
        return _mask_target(ground.depth.values >= ground.deep_from, ground.depth)
    if ground.bottom_class is None:
        raise LakefloorError(
            f"'{word}' needs the class of the bottom, but the raster has no band 3. Choose a "
            "raster "
            "from Bottom type."
        )
    return _mask_target(ground.bottom_class.values == BOTTOM_CLASSES[word], ground.bottom_class)


def _rows_with(values, word) -> list:
    return [i for i, value in enumerate(values) if str(value).strip().lower() == word]


def _line_target(lines, rows, step) -> Target:
    points = [_dense(np.asarray(lines[i], dtype=float)[:, :2], step) for i in rows]
    owner = np.repeat(np.array(list(rows), dtype=int), [len(p) for p in points])
    return Target(np.concatenate(points) if points else np.empty((0, 2)), owner)


def _area_target(polygons, rows, step, grid: Grid) -> Target:
    points, owner = [], []
    # Small areas lie on top of large ones.
    for i in sorted(rows, key=lambda i: -polygons[i].area):
        for ring in rings(polygons[i]):
            points.append(_dense(ring, step))
            owner.append(np.full(len(points[-1]), i))
    return Target(
        np.concatenate(points) if points else np.empty((0, 2)),
        np.concatenate(owner) if owner else np.empty(0, dtype=int),
        cover(polygons, rows, grid),
    )


def _mask_target(mask, grid: Grid) -> Target:
    inner = ndimage.binary_erosion(mask, border_value=1)
    row, col = np.nonzero(mask & ~inner)
    return Target(
        np.column_stack((grid.x[col], grid.y[row])),
        np.zeros(len(row), dtype=int),
        grid.like(np.where(mask, 0.0, np.nan)),
    )


def _dense(line, step) -> np.ndarray:
    """Return the line with points at most ``step`` apart, its own vertices kept."""
    if len(line) < 2:
        return line
    count = np.maximum(np.ceil(np.hypot(*np.diff(line, axis=0).T) / step).astype(int), 1)
    edge = np.repeat(np.arange(len(count)), count)
    share = (np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)) / count[edge]
    between = line[edge] + share[:, None] * (line[edge + 1] - line[edge])
    return np.vstack((between, line[-1:]))


def cover(polygons, rows, grid: Grid) -> Grid:
    """Return the row of the polygon that covers each cell centre, the smallest on top.

    Parameters
    ----------
    polygons : list of Polygon or MultiPolygon
    rows : sequence of int
        The polygons to lay.
    grid : Grid
        Gives the cells.

    Returns
    -------
    Grid
        NaN where none does.
    """
    out = np.full(grid.shape, np.nan)
    n_rows, n_cols = grid.shape
    for i in sorted(rows, key=lambda i: -polygons[i].area):
        if polygons[i].is_empty:
            continue
        west, south, east, north = polygons[i].bounds
        (r0, r1), (c0, c1) = grid.rows_cols((west, east), (north, south))
        r0, r1 = (int(np.clip(v, 0, n_rows)) for v in (np.floor(r0), np.ceil(r1) + 1))
        c0, c1 = (int(np.clip(v, 0, n_cols)) for v in (np.floor(c0), np.ceil(c1) + 1))
        if r0 >= r1 or c0 >= c1:
            continue
        window = Grid(
            out[r0:r1, c0:c1], grid.west + c0 * grid.dx, grid.north - r0 * grid.dy,
            grid.dx, grid.dy,
        )  # fmt: skip
        out[r0:r1, c0:c1][inside(polygons[i], window)] = i
    return grid.like(out)


def at_cells(grid: Grid, x, y) -> np.ndarray:
    """Return the value of the cell that each position lies in, NaN off the grid."""
    row, col = (np.floor(v + 0.5) for v in grid.rows_cols(x, y))
    ok = (row >= 0) & (row < grid.shape[0]) & (col >= 0) & (col < grid.shape[1])
    out = np.full(np.shape(row), np.nan)
    out[ok] = grid.values[row[ok].astype(int), col[ok].astype(int)]
    return out


def nearest(found: Target, x, y) -> tuple:
    """Return how far each place is from a target, and where that is nearest.

    Parameters
    ----------
    found : Target
    x, y : array, shape (n,)
        Positions, m.

    Returns
    -------
    distance : array, shape (n,)
        m, in a straight line, even across land; infinite where there is no such thing.
    to : array, shape (n, 2)
        The nearest position; NaN where there is none.
    owner : array of int, shape (n,)
        Row of the line or area; -1 where there is none.
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    known = np.isfinite(x) & np.isfinite(y)
    distance, to = np.full(len(x), np.inf), np.full((len(x), 2), np.nan)
    owner = np.full(len(x), -1)
    if len(found):
        distance[known], i = cKDTree(found.points).query(np.column_stack((x, y))[known])
        to[known], owner[known] = found.points[i], found.owner[i]
    # What covers all of its grid has no edge, and yet places in it.
    if found.cover is not None:
        label = at_cells(found.cover, x, y)
        on = np.isfinite(label)
        distance[on], owner[on] = 0.0, label[on].astype(int)
        to[on] = np.column_stack((x, y))[on]
    return distance, to, owner


def distance_grid(found: Target, grid: Grid) -> Grid:
    """Return how far each cell centre is from a target, m; infinite where there is no such thing.

    Notes
    -----
    A Euclidean distance transform finds the cell with a point of the target that is nearest; the
    distance is that to the point itself, so it is never too short, and too long by less than one
    and a half cells. What lies outside the grid does not count.

    References
    ----------
    Maurer, C. R., Qi, R. and Raghavan, V. (2003). A linear time algorithm for computing exact
    Euclidean distance transforms of binary images in arbitrary dimensions. IEEE Transactions on
    Pattern Analysis and Machine Intelligence 25(2), 265-270.
    """
    row, col = (np.floor(v + 0.5).astype(int) for v in grid.rows_cols(*found.points.T))
    ok = (row >= 0) & (row < grid.shape[0]) & (col >= 0) & (col < grid.shape[1])
    far = np.ones(grid.shape, dtype=bool)
    # Of the points in a cell, the one nearest its centre stands for it.
    off = np.hypot(*(found.points[ok] - np.column_stack((grid.x[col[ok]], grid.y[row[ok]]))).T)
    order = np.argsort(-off, kind="stable")
    standing = np.zeros(grid.shape, dtype=np.int64)
    standing[row[ok][order], col[ok][order]] = np.flatnonzero(ok)[order]
    far[row[ok], col[ok]] = False
    if far.all():
        out = np.full(grid.shape, np.inf)
    else:
        near = ndimage.distance_transform_edt(
            far, sampling=(grid.dy, grid.dx), return_distances=False, return_indices=True
        )
        point = standing[near[0], near[1]]
        out = np.hypot(found.points[point, 0] - grid.x, found.points[point, 1] - grid.y[:, None])
    if found.cover is not None:
        if found.cover.shape == grid.shape and found.cover.bounds == grid.bounds:
            out[np.isfinite(found.cover.values)] = 0.0
        else:
            x, y = np.meshgrid(grid.x, grid.y)
            out[np.isfinite(at_cells(found.cover, x.ravel(), y.ravel())).reshape(out.shape)] = 0.0
    return grid.like(out)


def bearings(x, y, to, crs=None) -> np.ndarray:
    """Return the direction from places to positions, degrees clockwise from true north.

    Parameters
    ----------
    x, y : array, shape (n,)
        Positions, m.
    to : array, shape (n, 2)
        Where to look, m.
    crs : int or str, optional
        Coordinate system of the positions; without it directions are from grid north.

    Returns
    -------
    array, shape (n,)
        0 up to 360; NaN where both are the same place.

    References
    ----------
    Snyder, J. P. (1987). Map Projections: A Working Manual. U.S. Geological Survey Professional
    Paper 1395, 19 (grid convergence).
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    east, north = to[:, 0] - x, to[:, 1] - y
    angle = np.degrees(np.arctan2(east, north))
    if crs is not None and len(x):
        proj = projection(crs)
        lon, lat = transform(x, y, crs, 4326)
        known = np.isfinite(lon) & np.isfinite(lat)
        turn = np.zeros(len(x))
        if known.any():
            factors = proj.get_factors(lon[known], lat[known])
            turn[known] = np.asarray(factors.meridian_convergence, dtype=float)
        angle = angle + turn
    angle = np.mod(angle, 360.0)
    angle[angle >= 360.0] = 0.0
    return np.where(np.hypot(east, north) > 0.0, angle, np.nan)


def describe(ground: Ground, x, y, progress: Progress = silent) -> dict:
    """Return what is known of the bottom at places.

    Parameters
    ----------
    ground : Ground
    x, y : array, shape (n,)
        Positions, m.

    Returns
    -------
    dict of str to array, shape (n,)
        ``depth_m``, ``uncert_m``, ``sounding_m`` (distance to the nearest sounding),
        ``slope_pct``, ``rise_m`` (above the mean of the surroundings), ``hardness``,
        ``hardness_sd``, ``bottom`` (1 soft, 2 medium, 3 hard), ``bottom_prob``. For each word of
        :data:`TARGETS` with a layer, spaces as underscores: ``crest_m`` the distance,
        ``crest_deg`` the direction, ``crest_row`` the row of the line or area, -1 for none.
        ``form_m``, ``form_deg`` and ``form_row`` are those of the nearest form of any kind.
        NaN where there is nothing.
    """
    check_ground(ground)
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    unknown = np.full(len(x), np.nan)
    out = {"depth_m": ground.depth.sample(x, y)}
    for name, grid in (
        ("uncert_m", ground.uncertainty), ("sounding_m", ground.distance),
        ("slope_pct", ground.slope_percent), ("rise_m", ground.rise),
        ("hardness", ground.hardness), ("hardness_sd", ground.hardness_sd),
    ):  # fmt: skip
        out[name] = unknown if grid is None else grid.sample(x, y)
    for name, grid in (
        ("bottom", ground.bottom_class), ("bottom_prob", ground.class_probability),
    ):  # fmt: skip
        out[name] = unknown if grid is None else at_cells(grid, x, y)
    words = [w for w in TARGETS if ground.has(LAYER_OF[w])]
    if ground.bottom_class is None:
        words = [w for w in words if w not in BOTTOM_CLASSES]
    step = span(progress, 0.1, 1.0)
    for k, word in enumerate(words):
        step(k / len(words))
        distance, to, row = nearest(target(ground, word), x, y)
        key = word.replace(" ", "_")
        out[f"{key}_m"] = np.where(row >= 0, distance, np.nan)
        out[f"{key}_deg"] = bearings(x, y, to, ground.crs)
        out[f"{key}_row"] = row
    if ground.forms is not None:
        _nearest_form(ground, out)
    progress(1.0)
    return out


def _nearest_form(ground: Ground, out: dict) -> None:
    keys = [form.replace(" ", "_") for form in FORMS]
    away = np.array([np.where(out[f"{k}_row"] >= 0, out[f"{k}_m"], np.inf) for k in keys])
    # Where forms overlap, the smallest tells most.
    size = np.array([p.area for p in ground.forms.polygons] or [0.0])
    area = np.array([size[np.maximum(out[f"{k}_row"], 0)] for k in keys])
    first = np.lexsort((area, away), axis=0)[0]
    for part in ("m", "deg", "row"):
        values = np.array([out[f"{k}_{part}"] for k in keys])
        out[f"form_{part}"] = np.take_along_axis(values, first[None], axis=0)[0]


def cells_of(grid: Grid) -> tuple:
    """Return the eastings and northings of the cells that have a value, and their mask."""
    known = np.isfinite(grid.values)
    row, col = np.nonzero(known)
    return grid.x[col], grid.y[row], known


def peaks(score: Grid, count: int, spacing_m: float, lowest: float) -> tuple:
    """Return the rows and columns of the highest cells that keep a distance from each other.

    Parameters
    ----------
    score : Grid
        0..1; NaN where there is none.
    count : int
        At most so many.
    spacing_m : float
        No two are nearer to each other, m.
    lowest : float
        No lower score.

    Returns
    -------
    rows, cols : array of int, shape (k,)
        In falling order. Of cells with the same score to three decimals the one with the better
        surroundings comes first, so that a wide optimum is marked in its middle.
    """
    known = np.isfinite(score.values)
    sigma = (0.25 * spacing_m / score.dy, 0.25 * spacing_m / score.dx)
    size = [2 * int(np.ceil(s)) + 1 for s in sigma]
    around = np.where(known, score.values, 0.0)
    for _ in range(2):
        around = ndimage.uniform_filter(around, size, mode="constant")
    order = np.where(known & (score.values >= lowest), score.values + 1e-3 * around, -np.inf)
    half_r, half_c = int(spacing_m / score.dy) + 1, int(spacing_m / score.dx) + 1
    away = np.hypot(
        np.arange(-half_r, half_r + 1)[:, None] * score.dy,
        np.arange(-half_c, half_c + 1) * score.dx,
    )
    # The best of each block of rows is kept, so that a pick looks through few of them.
    best = order.max(axis=1)
    rows, cols = [], []
    while len(rows) < count:
        r = int(np.argmax(best))
        if not best[r] > -np.inf:
            break
        c = int(np.argmax(order[r]))
        rows.append(r)
        cols.append(c)
        r0, r1 = max(r - half_r, 0), min(r + half_r + 1, order.shape[0])
        c0, c1 = max(c - half_c, 0), min(c + half_c + 1, order.shape[1])
        near = away[r0 - r + half_r : r1 - r + half_r, c0 - c + half_c : c1 - c + half_c]
        order[r0:r1, c0:c1][near < spacing_m] = -np.inf
        best[r0:r1] = order[r0:r1].max(axis=1)
    return np.array(rows, dtype=int), np.array(cols, dtype=int)

