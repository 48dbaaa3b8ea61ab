"""Forms of the bottom: points, inside turns, humps, holes, saddles, flats, breaks, basins."""

from __future__ import annotations

import numpy as np

from ..errors import LakefloorError
from ..grid import Areas, Grid, Surface
from ..number_text import written
from ..progress import Progress, silent, span
from ..spacing import surface_spacing
from ..terrain import position
from .closed_forms import find_holes, find_humps, find_saddles
from .form_areas import form_areas, form_codes, on_cells_of
from .form_ground import (
    SMOOTHING,
    SMOOTHING_TURNS,
    LakeSurface,
    opened_by_chords,
    prepared_surface,
    smoothed_with_rates,
    with_margin,
)
from .landforms import Rises, rises
from .open_forms import find_running_out, top_hat
from .slope_forms import find_flats_and_basins, find_steep_breaks
from .structure_names import FORM_ATTRIBUTES

#: Cells of the working grid to the fine radius, at least.
_CELLS = 5.0
#: No finer radius than a boat's position supports, m.
_MIN_FINE_M = 10.0


def bottom_forms(
    surface: Surface,
    *,
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
    surface : Surface
        Without uncertainty, the roughness of the depths below the fine radius is taken.
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
        grids of the surface differ in shape.

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

    Examples
    --------
    A hump of 4 m on a bottom 10 m deep.

    >>> import numpy as np
    >>> x, y = np.meshgrid(np.arange(2.5, 600.0, 5.0), np.arange(597.5, 0.0, -5.0))
    >>> z = 10.0 - 4.0 * np.exp(-((x - 300.0) ** 2 + (y - 300.0) ** 2) / (2.0 * 30.0**2))
    >>> areas, codes, *_ = bottom_forms(Surface(Grid(z, 0.0, 600.0, 5.0, 5.0)))
    >>> hump = areas.attributes["form"].index("hump")
    >>> round(areas.attributes["top_depth_m"][hump], 1)
    6.0
    >>> int(codes.values[60, 60])
    3
    """
    surface.check_shapes()
    depth, uncertainty = surface.depth, surface.uncertainty
    _check_limits(depth, fine_m, broad_m, min_relief_m, steep_percent, flat_percent)
    if not np.isfinite(depth.values).any():
        none = depth.like(np.full(depth.shape, np.nan))
        empty = Areas([], {name: [] for name in FORM_ATTRIBUTES})
        progress(1.0)
        return empty, none, none, none, (np.nan, np.nan)
    cell = max(depth.dx, depth.dy)
    fine = fine_m or max(
        surface_spacing(surface.spacing, surface.distance), _CELLS * cell, _MIN_FINE_M
    )
    factor = max(int(fine / (_CELLS * cell) + 1e-9), 1)
    framed = with_margin(depth, factor)
    lake = prepared_surface(
        framed,
        None if uncertainty is None else with_margin(uncertainty, factor),
        factor,
        fine,
        broad_m,
        min_relief_m,
    )
    progress(0.2)
    deeps = rises(lake.smooth, progress=span(progress, 0.2, 0.25))
    found = _closed_and_open(lake, deeps, span(progress, 0.25, 0.7))
    found += find_steep_breaks(lake, steep_percent, span(progress, 0.7, 0.75))
    holes = [form for form in found if form.form == "hole"]
    found += find_flats_and_basins(lake, deeps, holes, flat_percent, span(progress, 0.75, 0.8))
    areas = form_areas(found, lake, framed, factor, span(progress, 0.8, 0.9))
    inner = np.s_[factor:-factor, factor:-factor]
    codes = depth.like(form_codes(found, lake, framed, factor)[inner])
    progress(0.9)
    positions = [
        on_cells_of(position(lake.grid, radius / 2.0, radius), depth, factor)
        for radius in (lake.fine, lake.broad)
    ]
    progress(1.0)
    return areas, codes, *positions, (lake.fine, lake.broad)


def _check_limits(depth: Grid, fine, broad, relief, steep, flat):
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


def _closed_and_open(lake: LakeSurface, deeps: Rises, progress: Progress) -> list:
    """Return humps and holes, and from what is left of the surface without them the rest."""
    # Land is above water, but what is not known may be deep: no hole is closed by it.
    outside = np.where(lake.shallow, 0.0, np.inf)
    depth = np.where(lake.valid, lake.smooth, outside)
    holes, sunk = find_holes(
        deeps,
        opened_by_chords(depth, lake.broad, lake, span(progress, 0.0, 0.2)),
        lake,
        span(progress, 0.2, 0.3),
    )
    tree = rises(-lake.smooth, apart=True, progress=span(progress, 0.3, 0.4))
    humps, cut_off = find_humps(tree, lake, span(progress, 0.4, 0.5))
    hat = top_hat(_shallow_beyond(depth, lake), lake, span(progress, 0.5, 0.55))
    saddles = find_saddles(humps, hat, lake, span(progress, 0.55, 0.55))
    hat = top_hat(depth, lake, span(progress, 0.55, 0.6))
    saddles += find_saddles(holes, hat, lake, span(progress, 0.6, 0.6))
    for window, mask, level in sunk + cut_off:
        part = depth[window]
        part[mask] = level
    gentler = np.sqrt(SMOOTHING_TURNS**2 - SMOOTHING**2) * lake.fine
    level, _, _ = smoothed_with_rates(np.where(lake.valid, depth, np.nan), lake.grid, gentler)
    depth = np.where(lake.valid, level, depth)
    turns = find_running_out("inside turn", depth, sunk, 0.0, lake, span(progress, 0.6, 0.8))
    points = find_running_out(
        "point", _shallow_beyond(depth, lake), cut_off, lake.fine, lake, span(progress, 0.8, 1.0)
    )
    return humps + holes + points + turns + saddles


def _shallow_beyond(depth, lake: LakeSurface) -> np.ndarray:
    """Return heights for finding what stands out: what is not known may be as high as land."""
    return -np.where(lake.unknown, -np.inf, depth)
