"""Forms of the bottom: points, inside turns, humps, holes, saddles, flats, breaks, basins."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage, special
from shapely.geometry import MultiPolygon

from ..chart.contour_domain import cells_polygon, faces, signed_area
from ..chart.marching_squares import square_ranges, trace
from ..errors import LakefloorError
from ..grid import Areas, Grid
from ..number_text import written
from ..progress import Progress, silent, span, watched
from ..spacing import surface_spacing
from ..terrain import position
from .landforms import Rises, opening, rises
from .ridge_lines import filled

#: Forms in the order of their codes, which begin at 1; code 0 is none of them.
FORMS = (
    "point", "inside turn", "hump", "hole", "saddle", "flat", "steep break", "basin",
)  # fmt: skip
FORM_ATTRIBUTES = (
    "form", "number", "name", "top_depth_m", "bottom_depth_m", "saddle_depth_m", "relief_m",
    "area_m2", "length_m", "orientation_deg", "slope_pct", "confidence", "spot_x", "spot_y",
)  # fmt: skip

#: Which form a cell belongs to where several share it, the first drawn last.
_ON_TOP = (
    "saddle", "hump", "hole", "point", "inside turn", "steep break", "flat", "basin",
)  # fmt: skip
#: Standard deviations of a difference of two depths that a relief must reach; more for points,
#: inside turns and holes in broad ground, for which the lowest of twelve directions is taken.
_SUPPORT, _SUPPORT_OF_MANY = 2.0, 2.5
#: Cells of the working grid to the fine radius, at least.
_CELLS = 5.0
#: Smoothing, and that for points and inside turns, in fine radii. The bends of contours on gentle
#: ground are far more easily made by noise than a rise that is closed.
_SMOOTHING, _SMOOTHING_TURNS = 0.33, 0.5
#: No finer radius than a boat's position supports, m.
_MIN_FINE_M = 10.0
#: Broad radius in fine ones and at least, m; at most this share of the open water's half width.
_BROAD, _MIN_BROAD_M, _OPEN = 5.0, 100.0, 0.4
#: The edge of a point or an inside turn is where this share of its relief is left.
_EDGE = 0.4
#: Two of them are parted by this share of the least relief, and of the lesser one's own.
_PARTED = 0.5, 0.2
#: A hump or a hole is drawn where this share of its relief, and one standard deviation of
#: depth, is reached, not where it fades out.
_FOOT = 0.1
#: Least width of a form, of the rest of one beside the skirt of a hump, and least shift of the
#: depth contours that make a point, in fine radii.
_NARROWEST, _REST, _SHIFT = 0.8, 2.0, 0.25
#: Half the chord that a point is measured against, in broad radii, and the share of its sagitta on
#: a circle of the broad radius by which contours must stand out.
_CHORD, _SAGITTA = 0.4, 0.9
#: Ratio of axes from which a form is long, and cosine of the angle up to which it falls along.
_LONG, _ALONG = 1.3, 0.7
#: A basin has at most this share of its rim falling away, or at the edge of the data.
_RIM_FALLS = 0.15
#: Forms between two looks at cancel.
_FORMS_A_LOOK = 100
#: The edge of the data is the shore where its depth, but for its uncertainty, is what the bottom
#: falls within so many cells, or this in m.
_SHORE_CELLS, _SHORE_M = 2.0, 0.1


@dataclass(frozen=True)
class _Form:
    form: str
    window: tuple  # of slices
    mask: np.ndarray
    relief: float
    spot: int  # flat index of the cell that is marked
    error: float  # standard deviation of the relief, m
    saddle: float = np.nan  # depth, m
    pass_: int = -1  # flat index of the key saddle
    toward: tuple | None = None  # east, north: where it runs out to
    spare: float | None = None  # what the slope lacks to its limit over two fine radii, m


@dataclass(frozen=True)
class _Lake:
    """What all forms are found on; arrays have shape (rows, cols)."""

    grid: Grid  # depth as given, on the working cells
    valid: np.ndarray
    smooth: np.ndarray  # depth, NaN outside
    east: np.ndarray  # rate of change of the smoothed depth, m per m
    north: np.ndarray
    error: np.ndarray  # standard deviation of depth, m
    need: np.ndarray  # least relief, m
    need_of_many: np.ndarray  # the same where the lowest of twelve directions is taken, m
    shallow: np.ndarray  # not valid, and land
    unknown: np.ndarray  # not valid, and water for all that is known
    fine: float  # m
    broad: float  # m

    def error_of(self, *cells) -> float:
        """Return the standard deviation of a difference of depth between cells, m."""
        return float(np.hypot(*(self.error.ravel()[cell] for cell in cells)))

    def cells(self, metres: float) -> tuple:
        return metres / self.grid.dy, metres / self.grid.dx

    @property
    def cell_area(self) -> float:
        return self.grid.dx * self.grid.dy


def bottom_forms(
    depth: Grid,
    *,
    uncertainty: Grid | None = None,
    distance: Grid | None = None,
    spacing: float | None = None,
    fine_m: float | None = None,
    broad_m: float | None = None,
    min_relief_m: float = 0.3,
    steep_percent: float = 10.0,
    flat_percent: float = 3.0,
    progress: Progress = silent,
) -> tuple:
    """Find the forms of the bottom.

    Parameters
    ----------
    depth : Grid
        Depth, m, positive down.
    uncertainty : Grid, optional
        One standard deviation of depth, m. Without it the roughness of the surface
        below the fine radius is taken.
    distance : Grid, optional
        Distance to the nearest sounding, m.
    spacing : float, optional
        Lane spacing, m; from ``distance`` if None.
    fine_m : float, optional
        Radius below which nothing is told apart, m. By default the greatest of the
        lane spacing where it is known, 5 cells, and 10 m.
    broad_m : float, optional
        Radius above which a form is the lie of the lake, m: the contours of points and
        inside turns bend more sharply, and holes are narrower than twice this. By
        default the greater of
        five fine radii and 100 m, but not above 0.4 of the greatest distance from
        the edge.
    min_relief_m : float
        No form has less relief than this, m, nor less than twice the standard
        deviation of the difference of the two depths that make the relief.
    steep_percent, flat_percent : float
        Slope of a steep break at least, of flats and basins at most, percent.

    Returns
    -------
    areas : Areas
        One polygon a form; forms may overlap, as a steep break runs on around a
        point. Attributes: ``form`` (one of :data:`FORMS`), ``number`` (1 is the
        form's greatest by relief, a flat's and a basin's by area), ``name``,
        ``top_depth_m`` and ``bottom_depth_m`` (least and greatest depth inside),
        ``saddle_depth_m`` (of humps, holes and saddles), ``relief_m``, ``area_m2``,
        ``length_m`` and ``orientation_deg`` of the long axis (0 to 180 from north
        clockwise; of points and inside turns the direction towards deep water, 0
        to 360), ``slope_pct`` (mean), ``confidence`` (0..1), ``spot_x`` and
        ``spot_y`` (of the least depth of a hump, point or flat, of the greatest of
        a hole, inside turn or basin, of the saddle, of the steepest cell).
    codes : Grid
        1 + index into :data:`FORMS`, 0 where there is none; NaN without depth.
    fine, broad : Grid
        Bathymetric position, m, in rings from half to the whole of either radius.
    radii : tuple
        Fine and broad radius, m.

    Raises
    ------
    LakefloorError
        If a limit is not above zero, the broad radius is not above the fine one, or
        a grid differs from ``depth`` in shape.

    Notes
    -----
    The surface is smoothed by a Gaussian of a third of the fine radius, of half of it
    for points and inside turns.

    A hump is a maximum with its surroundings down to its key saddle, so it is
    closed by deeper water all round. What reaches the edge of the data is not. A
    hole is a minimum likewise, up to the shallowest level at which it is neither
    joined to another hole nor as wide as two broad radii in all directions.

    Then humps and islands are cut off at their saddles and holes are filled. What
    an opening by chords of 0.8 broad radii takes off the surface, its white
    top-hat, are the points; what a closing fills, its black top-hat, are the
    inside turns. Both are nil on straight slopes and edges whatever their profile.
    Depth contours must stand out from the chord by 0.9 of what a circle of the
    broad radius would, and the form must fall by its least relief, which is 2.5
    instead of 2 standard deviations, in the direction it runs out to. It is drawn
    down to 0.4 of its relief.

    A saddle is the key saddle of a hump where it lies on a neck, or of a hole
    where it lies in a trough: where the top-hats of the whole surface are as high as a relief
    must be. Gentle ground at least two fine radii wide is a basin where the rim
    rises all round, or where a sill closes it to deeper ground by the relief of a hole, else a
    flat. Ground is gentle where either of both smoothings says so, since on gentle ground noise
    steepens single cells.

    Confidence is ``erf(h / (2 sqrt 2 u))``, the probability that the relief ``h``,
    with standard deviation ``u``, is off by less than half of itself, times the
    share of the rim that is not at a gap in the data. For flats and basins ``h``
    is what the slope lacks to its limit over two fine radii, and the whole of it
    counts.

    References
    ----------
    Edelsbrunner, H., Letscher, D. and Zomorodian, A. (2002). Topological
    persistence and simplification. Discrete and Computational Geometry 28(4),
    511-533.
    Rodriguez, F., Maire, E., Courjault-Rade, P. and Darrozes, J. (2002). The black
    top hat function applied to a DEM. Geophysical Research Letters 29(6), 1085.
    Lundblad, E. R. et al. (2006). A benthic terrain classification scheme for
    American Samoa. Marine Geodesy 29(2), 89-111.
    """
    _check(depth, uncertainty, distance, fine_m, broad_m, min_relief_m, steep_percent, flat_percent)
    if not np.isfinite(depth.values).any():
        none = depth.like(np.full(depth.shape, np.nan))
        return _areas([], None, depth, 1, progress), none, none, none, (np.nan, np.nan)
    cell = max(depth.dx, depth.dy)
    fine = fine_m or max(surface_spacing(spacing, distance), _CELLS * cell, _MIN_FINE_M)
    factor = max(int(fine / (_CELLS * cell) + 1e-9), 1)
    framed = _framed(depth, factor)
    lake = _prepared(
        framed, None if uncertainty is None else _framed(uncertainty, factor), factor, fine,
        broad_m, min_relief_m,
    )  # fmt: skip
    progress(0.2)
    deeps = rises(lake.smooth, progress=span(progress, 0.2, 0.25))
    found = _closed_and_open(lake, deeps, span(progress, 0.25, 0.7))
    found += _steep_breaks(lake, steep_percent, span(progress, 0.7, 0.75))
    holes = [form for form in found if form.form == "hole"]
    found += _gentle(lake, deeps, holes, flat_percent, span(progress, 0.75, 0.8))
    areas = _areas(found, lake, framed, factor, span(progress, 0.8, 0.9))
    inner = np.s_[factor:-factor, factor:-factor]
    codes = depth.like(_codes(found, lake, framed, factor)[inner])
    progress(0.9)
    positions = [
        _spread(position(lake.grid, radius / 2.0, radius), depth, factor)
        for radius in (lake.fine, lake.broad)
    ]
    progress(1.0)
    return areas, codes, *positions, (lake.fine, lake.broad)


def _check(depth, uncertainty, distance, fine, broad, relief, steep, flat):
    for name, value in (
        ("fine radius", 1.0 if fine is None else fine),
        ("broad radius", 1.0 if broad is None else broad),
        ("minimum relief", relief),
        ("minimum slope of steep breaks", steep),
        ("maximum slope of flats", flat),
    ):
        if not (np.isfinite(value) and value > 0):
            raise LakefloorError(f"The {name} is {value}. Enter a value above 0.")
    if fine and broad and broad <= fine:
        raise LakefloorError(
            f"The broad radius ({written(broad, 'g')} m) must be above the fine radius "
            f"({written(fine, 'g')} m). Enlarge the broad radius."
        )
    if fine and fine < max(depth.dx, depth.dy):
        raise LakefloorError(
            f"The fine radius ({written(fine, 'g')} m) is smaller than a cell "
            f"({written(depth.dx, 'g')} m). Enlarge it, or make a surface with smaller cells."
        )
    for name, grid in (("Uncertainty", uncertainty), ("Distance", distance)):
        if grid is not None and grid.shape != depth.shape:
            raise LakefloorError(
                f"{name} has the shape {grid.shape}, but depth has {depth.shape}. Give all grids "
                "the same cells."
            )


# -- the working surface --------------------------------------------------------------


def _framed(grid: Grid, margin: int) -> Grid:
    """Return a grid with cells without value around it, so that its edge is like any other."""
    return Grid(
        np.pad(grid.values, margin, constant_values=np.nan),
        grid.west - margin * grid.dx, grid.north + margin * grid.dy, grid.dx, grid.dy,
    )  # fmt: skip


def _coarse(values, factor) -> np.ndarray:
    """Return the means of blocks; NaN where not more than half of a block has a value."""
    if factor == 1:
        return values
    pad = [(0, -size % factor) for size in values.shape]
    z = np.pad(values, pad, constant_values=np.nan)
    blocks = z.reshape(z.shape[0] // factor, factor, z.shape[1] // factor, factor)
    known = np.isfinite(blocks)
    count = known.sum(axis=(1, 3))
    total = np.where(known, blocks, 0.0).sum(axis=(1, 3))
    mean = np.full(count.shape, np.nan)
    return np.divide(total, count, out=mean, where=2 * count > factor**2)


def _prepared(depth, uncertainty, factor, fine, broad, min_relief) -> _Lake:
    z = _coarse(np.where(np.isfinite(depth.values), depth.values, np.nan), factor)
    grid = Grid(z, depth.west, depth.north, depth.dx * factor, depth.dy * factor)
    valid = np.isfinite(z)
    smooth, east, north = _smoothed(z, grid, _SMOOTHING * fine)

    if uncertainty is None:
        rough = (z - smooth)[valid]
        error = np.full(z.shape, 1.4826 * np.median(np.abs(rough - np.median(rough))))
    else:
        error = _coarse(uncertainty.values, factor)
        usual = np.nanmedian(error) if np.isfinite(error).any() else 0.0
        error = np.where(np.isfinite(error), error, usual)
    need, need_of_many = (
        np.maximum(min_relief, times * np.sqrt(2.0) * error)
        for times in (_SUPPORT, _SUPPORT_OF_MANY)
    )

    padded = np.pad(valid, 1)
    off, near = ndimage.distance_transform_edt(
        padded, sampling=(grid.dy, grid.dx), return_indices=True
    )
    if broad is None:
        broad = max(_BROAD * fine, _MIN_BROAD_M)
        broad = max(min(broad, _OPEN * float(off.max())), 1.5 * fine)
    shore = _SHORE_CELLS * np.hypot(east, north) * max(grid.dx, grid.dy) + 2.0 * error
    ashore = np.where(valid, smooth, np.inf) <= np.maximum(shore, _SHORE_M)
    near = ndimage.distance_transform_edt(
        ~padded, return_distances=False, return_indices=True
    )[:, 1:-1, 1:-1]
    land = ~valid & np.pad(ashore, 1)[near[0], near[1]]
    return _Lake(
        grid, valid, smooth, east, north, error, need, need_of_many, land, ~valid & ~land, fine,
        broad,
    )  # fmt: skip


def _smoothed(z, grid: Grid, sigma: float) -> tuple:
    """Return a surface smoothed by a Gaussian, and its rates of change; NaN where it is."""
    sigmas = sigma / grid.dy, sigma / grid.dx
    reach = int(np.ceil(4.0 * max(sigmas))) + 2
    whole = ndimage.gaussian_filter(filled(z, reach), sigmas)
    north, east = np.gradient(whole, -grid.dy, grid.dx)
    inner = np.s_[reach:-reach, reach:-reach]
    return tuple(np.where(np.isfinite(z), each[inner], np.nan) for each in (whole, east, north))


# -- humps, holes, points, inside turns, saddles ----------------------------------------


def _closed_and_open(lake: _Lake, deeps: Rises, progress: Progress) -> list:
    """Return humps and holes, and from what is left of the surface without them the rest."""
    # Land is above water, but what is not known may be deep: no hole is closed by it.
    outside = np.where(lake.shallow, 0.0, np.inf)
    depth = np.where(lake.valid, lake.smooth, outside)
    holes, sunk = _holes(
        deeps, _opened(depth, lake.broad, lake, span(progress, 0.0, 0.2)), lake,
        span(progress, 0.2, 0.3))
    tree = rises(-lake.smooth, apart=True, progress=span(progress, 0.3, 0.4))
    humps, cut_off = _humps(tree, lake, span(progress, 0.4, 0.5))
    hat = _top_hat(_shallow_beyond(depth, lake), lake, span(progress, 0.5, 0.55))
    saddles = _saddles(humps, hat, lake, span(progress, 0.55, 0.55))
    hat = _top_hat(depth, lake, span(progress, 0.55, 0.6))
    saddles += _saddles(holes, hat, lake, span(progress, 0.6, 0.6))
    for window, mask, level in sunk + cut_off:
        part = depth[window]
        part[mask] = level
    gentler = np.sqrt(_SMOOTHING_TURNS**2 - _SMOOTHING**2) * lake.fine
    level, _, _ = _smoothed(np.where(lake.valid, depth, np.nan), lake.grid, gentler)
    depth = np.where(lake.valid, level, depth)
    turns = _running_out(
        "inside turn", depth, sunk, 0.0, lake, span(progress, 0.6, 0.8))
    points = _running_out(
        "point", _shallow_beyond(depth, lake), cut_off, lake.fine, lake, span(progress, 0.8, 1.0))
    return humps + holes + points + turns + saddles


def _shallow_beyond(depth, lake: _Lake) -> np.ndarray:
    """Return heights for finding what stands out: what is not known may be as high as land."""
    return -np.where(lake.unknown, -np.inf, depth)


def _top_hat(up, lake: _Lake, progress: Progress) -> np.ndarray:
    """Return how far a surface stands out from the chords of points, m; NaN outside."""
    hat = np.full(up.shape, np.nan)
    opened = _opened(up, _CHORD * lake.broad, lake, progress)
    np.subtract(up, opened, out=hat, where=lake.valid)
    return hat


def _humps(tree: Rises, lake: _Lake, progress: Progress) -> tuple:
    """Return the humps, and what to cut off with the level: (window, mask, depth)."""
    chosen = np.flatnonzero((tree.prominence >= lake.need.min()) & (tree.parent >= 0))
    found, levelled = [], []
    # The rise that holds others comes last, so that all of it is cut off at its own saddle.
    chosen = chosen[np.argsort(-tree.saddle[chosen], kind="stable")]
    levels = tree.saddle[chosen]
    each = zip(chosen, levels, tree.areas(chosen, levels))
    for k, level, (window, mask) in watched(each, progress, len(chosen), _FORMS_A_LOOK):
        spot, pass_, relief = int(tree.top_cell[k]), int(tree.saddle_cell[k]), tree.prominence[k]
        z = -lake.smooth[window]
        if spot < 0:
            mask |= (tree.region[1:-1, 1:-1][window] == k) & ~lake.valid[window]
        elif _is_supported(relief, mask, lake, spot, pass_):
            error = lake.error_of(spot, pass_)
            foot = _above_foot(z, level, relief, mask, window, spot, lake)
            found.append(_Form("hump", window, foot, float(relief), spot, error, -level, pass_))
        else:
            continue
        levelled.append((window, mask, -level))
    return found, levelled


def _holes(tree: Rises, open_to, lake: _Lake, progress: Progress) -> tuple:
    """Return the holes, and what to fill with the level: (window, mask, depth).

    ``open_to`` is the greatest depth at which the ground about each cell is broad in all
    directions. A hole ends at the first of these depths anywhere in it, not at that of its
    deepest cell alone, which may lie at the edge of broad ground.
    """
    chosen = np.flatnonzero((tree.prominence >= lake.need.min()) & np.isfinite(tree.top))
    levels = np.maximum(tree.saddle, tree.highest_within(open_to))[chosen]
    passes = np.where(tree.saddle[chosen] >= levels, tree.saddle_cell[chosen], -1)
    _part(tree, chosen, levels, passes)
    found, levelled = [], []
    each = zip(chosen, levels, passes, tree.areas(chosen, levels))
    for k, level, pass_, (window, mask) in watched(each, progress, len(chosen), _FORMS_A_LOOK):
        spot, relief = int(tree.top_cell[k]), float(tree.top[k] - level)
        if _is_supported(relief, mask, lake, spot, int(pass_)):
            error = lake.error_of(spot, spot if pass_ < 0 else int(pass_))
            foot = _above_foot(lake.smooth[window], level, relief, mask, window, spot, lake)
            found.append(_Form("hole", window, foot, relief, spot, error, level, int(pass_)))
            levelled.append((window, mask, level))
    return found, levelled


def _opened(z, half_m: float, lake: _Lake, progress: Progress) -> np.ndarray:
    return opening(z, half_m, lake.grid.dy, lake.grid.dx, progress)


def _part(tree: Rises, chosen, levels, passes=None) -> None:
    """Raise the levels of chosen maxima to where others of them join, so that two stay two."""
    place = {int(k): i for i, k in enumerate(chosen)}
    for k in chosen:
        i = place.get(int(tree.parent[k]))
        if i is not None and tree.saddle[k] > levels[i]:
            levels[i] = tree.saddle[k]
            if passes is not None:
                passes[i] = tree.saddle_cell[k]


def _above_foot(z, level, relief, mask, window, spot: int, lake: _Lake) -> np.ndarray:
    """Return the part of a mask around a spot that is clearly above a level."""
    clear = mask & (z >= level + max(_FOOT * relief, min(lake.error.flat[spot], 0.5 * relief)))
    label, _ = ndimage.label(clear, np.ones((3, 3)))
    row, col = divmod(spot, lake.grid.shape[1])
    return label == label[row - window[0].start, col - window[1].start]


def _is_supported(relief, mask, lake: _Lake, spot: int, pass_: int) -> bool:
    """Tell whether a relief is more than noise, on more ground than is told apart."""
    # Where ground turns broad the lowest of twelve directions is taken.
    need = lake.need if pass_ >= 0 else lake.need_of_many
    need = max(need.flat[spot], need.flat[pass_]) if pass_ >= 0 else need.flat[spot]
    return relief >= need and mask.sum() * lake.cell_area >= (_NARROWEST * lake.fine) ** 2


def _parts(mask, progress: Progress):
    """Yield the connected parts of a mask: (window, mask)."""
    label, _ = ndimage.label(mask, np.ones((3, 3)))
    windows = watched(ndimage.find_objects(label), progress, every=_FORMS_A_LOOK)
    for number, window in enumerate(windows, start=1):
        yield window, label[window] == number


def _where(lake: _Lake, window, mask) -> tuple:
    """Return x, y, shape (n,), m, and the flat index of the cells of a mask."""
    r, c = np.nonzero(mask)
    r, c = r + window[0].start, c + window[1].start
    return lake.grid.x[c], lake.grid.y[r], r * lake.grid.shape[1] + c


def _running_out(
    form: str, up, levelled: list, margin: float, lake: _Lake, progress: Progress
) -> list:
    """Return the points or inside turns that stand out in a surface.

    They end ``margin`` metres from what ``levelled`` lists, so that the skirt of a hump or of
    an island is none.
    """
    hat = _top_hat(up, lake, span(progress, 0.0, 0.4))
    closed = np.zeros(hat.shape, dtype=bool)
    for window, mask, _ in levelled:
        closed[window] |= mask
    skirt = np.zeros(hat.shape, dtype=bool)
    if levelled:
        off = ndimage.distance_transform_edt(~closed, (lake.grid.dy, lake.grid.dx))
        skirt = off <= margin
    open_hat = np.where(skirt, np.nan, hat)
    tree = rises(open_hat, beyond=-np.inf, progress=span(progress, 0.4, 0.6))
    chosen = np.flatnonzero(tree.top >= lake.need.min())
    need = lake.need_of_many.ravel()[tree.top_cell[chosen]]
    parted = np.maximum(_PARTED[0] * need, _PARTED[1] * tree.top[chosen])
    chosen = chosen[(tree.top[chosen] >= need) & (tree.prominence[chosen] >= parted)]
    chosen = chosen[np.argsort(-tree.top[chosen], kind="stable")]
    levels = np.maximum(_EDGE * tree.top[chosen], tree.saddle[chosen])
    shift = max(_SHIFT * lake.fine, _SAGITTA * (_CHORD * lake.broad) ** 2 / (2.0 * lake.broad))
    _part(tree, chosen, levels)
    found, taken = [], np.zeros(hat.shape, dtype=bool)
    each = zip(chosen, tree.areas(chosen, levels))
    for k, (window, mask) in watched(
        each, span(progress, 0.6, 1.0), len(chosen), _FORMS_A_LOOK
    ):
        if taken.flat[tree.top_cell[k]]:
            continue
        taken[window] |= mask
        outer, grown = _widened(window, mask, (1, 1), lake)
        touches = (ndimage.binary_dilation(grown, np.ones((3, 3))) & skirt[outer]).any()
        least = (_REST if margin and touches else _NARROWEST) * lake.fine
        if mask.sum() * lake.cell_area < least**2:
            continue
        x, y, cells = _where(lake, window, mask)
        height = hat.ravel()[cells]
        spot = int(cells[np.argmax(height)])
        fall = np.array(
            [np.average(g.ravel()[cells], weights=height) for g in (lake.east, lake.north)]
        )
        toward = _heading(x, y, height, fall)
        t = x * toward[0] + y * toward[1]
        t = t - np.average(t, weights=height)
        z = lake.smooth.ravel()[cells]
        rate = np.average(t * z, weights=height) / max(np.average(t * t, weights=height), 1e-12)
        steep = np.hypot(lake.east.flat[spot], lake.north.flat[spot])
        if (
            rate * np.ptp(t) < lake.need_of_many.flat[spot]
            or height.max() < shift * steep
        ):
            continue
        found.append(
            _Form(form, window, mask, float(height.max()), spot, lake.error_of(spot, spot),
                  toward=tuple(toward))
        )
    return found


def _widened(window, mask, by, lake: _Lake) -> tuple:
    """Return a window and its mask with a margin of so many rows and columns in the grid."""
    outer = tuple(
        slice(max(s.start - margin, 0), min(s.stop + margin, size))
        for s, margin, size in zip(window, by, lake.grid.shape)
    )
    grown = np.zeros([s.stop - s.start for s in outer], dtype=bool)
    grown[tuple(slice(s.start - o.start, s.stop - o.start) for s, o in zip(window, outer))] = mask
    return outer, grown


def _axes(x, y, weights=None) -> tuple:
    """Return the directions of the long and of the short axis, and the ratio of lengths."""
    spread = np.cov(np.stack((x, y)), aweights=weights, ddof=0) if len(x) > 1 else np.eye(2)
    values, vectors = np.linalg.eigh(spread)
    ratio = np.sqrt(max(values[1], 1e-12) / max(values[0], 1e-12))
    return vectors[:, 1], vectors[:, 0], ratio


def _heading(x, y, weights, fall) -> np.ndarray:
    """Return the unit vector towards deep water: the long axis if the bottom falls along it."""
    long, _, ratio = _axes(x, y, weights)
    fall = fall / max(np.hypot(*fall), 1e-12)
    if ratio < _LONG or abs(long @ fall) < _ALONG:
        return fall
    return long if long @ fall >= 0.0 else -long


def _saddles(closed: list, hat, lake: _Lake, progress: Progress) -> list:
    """Return the saddles of humps or holes that lie on a neck or in a trough."""
    found = {}
    rows, cols = lake.grid.shape
    reach = [int(np.ceil(cells)) for cells in lake.cells(lake.fine)]
    # A pass between two holes is one saddle, as low as the lesser of them.
    order = sorted(closed, key=lambda form: -form.relief)
    for form in watched(order, progress, every=_FORMS_A_LOOK):
        if form.pass_ < 0 or hat.flat[form.pass_] < lake.need.flat[form.pass_]:
            continue
        row, col = divmod(form.pass_, cols)
        window = (
            slice(max(row - reach[0], 0), min(row + reach[0] + 1, rows)),
            slice(max(col - reach[1], 0), min(col + reach[1] + 1, cols)),
        )
        relief = min(form.relief, float(hat.flat[form.pass_]))
        away = np.hypot(
            (np.arange(window[0].start, window[0].stop) - row)[:, None] * lake.grid.dy,
            (np.arange(window[1].start, window[1].stop) - col) * lake.grid.dx,
        )
        depth = float(lake.smooth.flat[form.pass_])
        near = (away <= lake.fine) & (np.abs(lake.smooth[window] - depth) <= relief / 2.0)
        label, _ = ndimage.label(near, np.ones((3, 3)))
        mask = label == label[row - window[0].start, col - window[1].start]
        found[form.pass_] = _Form(
            "saddle", window, mask, relief, form.pass_, form.error, depth, form.pass_
        )
    return list(found.values())


# -- steep and gentle ground ---------------------------------------------------------------


def _steep_breaks(lake: _Lake, steep_percent: float, progress: Progress) -> list:
    slope = 100.0 * np.hypot(lake.east, lake.north)
    found = []
    for window, mask in _parts(slope >= steep_percent, progress):
        depth = lake.smooth[window][mask]
        x, y, cells = _where(lake, window, mask)
        spot = int(cells[np.argmax(slope.ravel()[cells])])
        relief = float(np.ptp(depth))
        long, _, _ = _axes(x, y)
        if (
            relief < max(lake.need.flat[spot], steep_percent / 100.0 * lake.fine / 2.0)
            or mask.sum() * lake.cell_area < lake.fine**2 / 2.0
            or np.ptp(x * long[0] + y * long[1]) < 2.0 * lake.fine
        ):
            continue
        found.append(
            _Form("steep break", window, mask, relief, spot, lake.error_of(spot, spot))
        )
    return found


def _gentle(
    lake: _Lake, deeps: Rises, holes: list, flat_percent: float, progress: Progress
) -> list:
    """Return flats and basins; a hole is part of the ground around it."""
    slope = 100.0 * np.hypot(lake.east, lake.north)
    _, east, north = _smoothed(lake.grid.values, lake.grid, _SMOOTHING_TURNS * lake.fine)
    # Smoothing more takes the margin of gentle ground, smoothing less lets noise tear it.
    slope = np.fmin(slope, 100.0 * np.hypot(east, north))
    level, sunk = slope <= flat_percent, np.zeros(lake.valid.shape, dtype=bool)
    for hole in holes:
        sunk[hole.window] |= hole.mask
    gentle = (level | sunk).astype(float)
    wide = _opened(gentle, lake.fine, lake, span(progress, 0.0, 0.5)) > 0.5
    found = []
    for window, mask in _parts(wide & lake.valid, span(progress, 0.5, 1.0)):
        area = mask.sum() * lake.cell_area
        own = mask & ~sunk[window]
        if area < np.pi * (2.0 * lake.fine) ** 2 or 2 * own.sum() < mask.sum():
            continue
        _, _, cells = _where(lake, window, mask)
        depth = lake.smooth.ravel()[cells]
        falls, rises_, unknown = _rim(lake, window, mask, flat_percent)
        around = max(falls + rises_ + unknown, 1)
        basin = (falls + unknown) / around <= _RIM_FALLS and rises_ > around / 2.0
        deepest = int(cells[np.argmax(depth)])
        sill = _sill(deeps, deepest, lake)
        basin |= lake.smooth.flat[deepest] - sill >= lake.need_of_many.flat[deepest]
        spot = deepest if basin else int(cells[np.argmin(depth)])
        spare = (flat_percent - slope[window][own].mean()) / 100.0 * 2.0 * lake.fine
        found.append(
            _Form("basin" if basin else "flat", window, mask, float(np.ptp(depth)), spot,
                  lake.error_of(spot, spot), spare=max(spare, 0.0))
        )
    return found


def _sill(deeps: Rises, deepest: int, lake: _Lake) -> float:
    """Return the greatest depth at which ground joins other that is deeper by a relief, m."""
    row, col = divmod(deepest, lake.grid.shape[1])
    k = deeps.region[row + 1, col + 1]
    limit = lake.smooth.flat[deepest] + lake.need.flat[deepest]
    if deeps.top[k] > limit:
        return float(lake.smooth.flat[deepest])
    while deeps.top[deeps.parent[k]] <= limit:
        k = deeps.parent[k]
    return float(deeps.saddle[k])


def _rim(lake: _Lake, window, mask, flat_percent) -> tuple:
    """Count the cells around a patch that lie lower, higher, and in a gap of the data."""
    margin = [int(np.ceil(cells)) + 1 for cells in lake.cells(lake.fine)]
    outer, patch = _widened(window, mask, margin, lake)
    off, near = ndimage.distance_transform_edt(
        ~patch, sampling=(lake.grid.dy, lake.grid.dx), return_indices=True
    )
    ring = (off >= lake.fine / 2.0) & (off <= lake.fine)
    drop = lake.smooth[outer] - lake.smooth[outer][near[0], near[1]]
    least = flat_percent / 100.0 * lake.fine / 4.0
    falls = int((ring & (drop > least)).sum())
    climbs = int((ring & ((drop < -least) | lake.shallow[outer])).sum())
    return falls, climbs, int((ring & lake.unknown[outer]).sum())


# -- results ---------------------------------------------------------------------------


def _codes(found, lake: _Lake, depth: Grid, factor: int) -> np.ndarray:
    codes = np.zeros(lake.grid.shape)
    for name in reversed(_ON_TOP):
        for form in found:
            if form.form == name:
                codes[form.window][form.mask] = FORMS.index(name) + 1
    rows, cols = depth.shape
    codes = codes.repeat(factor, axis=0).repeat(factor, axis=1)[:rows, :cols]
    return np.where(np.isfinite(depth.values), codes, np.nan)


def _spread(coarse: Grid, depth: Grid, factor: int) -> Grid:
    """Return a working grid on the cells of the surface."""
    if factor == 1:
        return depth.like(coarse.values[1:-1, 1:-1])
    out = np.full(depth.shape, np.nan)
    for start in range(0, depth.shape[0], 256):
        y = depth.y[start : start + 256]
        xx, yy = np.meshgrid(depth.x, y)
        out[start : start + 256] = coarse.sample(xx.ravel(), yy.ravel()).reshape(xx.shape)
    return depth.like(np.where(np.isfinite(depth.values), out, np.nan))


def _areas(found, lake: _Lake, depth: Grid, factor: int, progress: Progress) -> Areas:
    rows = []
    for form in watched(found, progress, every=_FORMS_A_LOOK):
        polygon = _outline(form, lake)
        x, y, cells = _where(lake, form.window, form.mask)
        long, _, _ = _axes(x, y)
        part = tuple(slice(s.start * factor, s.stop * factor) for s in form.window)
        fine = depth.values[part]
        mask = form.mask.repeat(factor, axis=0).repeat(factor, axis=1)
        inside = fine[mask[: fine.shape[0], : fine.shape[1]]]
        top, bottom = float(np.nanmin(inside)), float(np.nanmax(inside))
        relief = {
            "hump": form.saddle - top, "hole": bottom - form.saddle, "point": form.relief,
            "inside turn": form.relief, "saddle": form.relief,
        }.get(form.form, bottom - top)  # fmt: skip
        heading = long if form.toward is None else form.toward
        azimuth = np.degrees(np.arctan2(heading[0], heading[1]))
        along = x * heading[0] + y * heading[1]
        row, col = divmod(form.spot, lake.grid.shape[1])
        rows.append((polygon, {
            "form": form.form,
            "top_depth_m": top,
            "bottom_depth_m": bottom,
            "saddle_depth_m": form.saddle,
            "relief_m": relief,
            "area_m2": polygon.area,
            "length_m": float(np.ptp(along)) + max(lake.grid.dx, lake.grid.dy),
            "orientation_deg": float(azimuth % (180.0 if form.toward is None else 360.0)),
            "slope_pct": float(100.0 * np.hypot(
                lake.east.ravel()[cells], lake.north.ravel()[cells]).mean()),
            "confidence": _confidence(form) * (1.0 - _at_gap(form, lake)),
            "spot_x": float(lake.grid.x[col]),
            "spot_y": float(lake.grid.y[row]),
        }))  # fmt: skip
    rows.sort(key=lambda row: (
        FORMS.index(row[1]["form"]),
        -row[1]["area_m2" if row[1]["form"] in ("flat", "basin") else "relief_m"],
    ))  # fmt: skip
    numbers = {}
    for _, row in rows:
        numbers[row["form"]] = row["number"] = numbers.get(row["form"], 0) + 1
        row["name"] = f"{row['form']} {row['number']}"
    return Areas(
        [polygon for polygon, _ in rows],
        {name: [row[name] for _, row in rows] for name in FORM_ATTRIBUTES},
    )


def _confidence(form: _Form) -> float:
    scale = np.sqrt(2.0) * max(form.error, 1e-6)
    if form.spare is not None:
        return float(special.erf(form.spare / scale))
    return float(special.erf(form.relief / (2.0 * scale)))


def _at_gap(form: _Form, lake: _Lake) -> float:
    """Return the share of the cells around a form that lie in a gap of the data."""
    outer, mask = _widened(form.window, form.mask, (1, 1), lake)
    ring = ndimage.binary_dilation(mask, np.ones((3, 3))) & ~mask
    return float(lake.unknown[outer][ring].mean()) if ring.any() else 0.0


def _outline(form: _Form, lake: _Lake) -> MultiPolygon:
    """Return the outline of a mask, rounded; the cells themselves where nothing would be left."""
    top, left = form.window[0].start, form.window[1].start
    pad = 4
    soft = ndimage.gaussian_filter(np.pad(form.mask.astype(float), pad), 0.8)
    soft[[0, -1]] = soft[:, [0, -1]] = 0.0
    row, col, _, first = trace(soft, 0.5, square_ranges(soft), 0.0)
    x = lake.grid.x[0] + (col + left - pad) * lake.grid.dx
    y = lake.grid.y[0] - (row + top - pad) * lake.grid.dy
    loops = [np.append(np.arange(a, b), a) for a, b in zip(first[:-1], first[1:])]
    rings = [np.column_stack((x[loop], y[loop])) for loop in loops]
    parts = [f for f, k in faces(rings) if signed_area(rings[k]) > 0]
    if parts:
        return MultiPolygon(parts)
    grid = lake.grid
    west, north = grid.west + left * grid.dx, grid.north - top * grid.dy
    return cells_polygon(form.mask, Grid(form.mask, west, north, grid.dx, grid.dy))
