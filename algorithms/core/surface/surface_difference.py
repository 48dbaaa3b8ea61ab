"""Difference of two depth surfaces, and how sure it is."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import norm
from shapely.geometry import box

from ..correcting.datums import datum_words, one_datum
from ..ellipsoid import polygon_area
from ..errors import LakefloorError
from ..grid import Grid, Surface
from ..number_text import written
from ..progress import Progress, silent
from .change_by_chance import Chance, chance_of
from .change_patches import ChangePatches, change_patches
from .error_reach import error_reach
from .frame import row_blocks

_CELLS = 500_000
# Farther from the nearest sounding, m, a surface is interpolation.
_REACH = 5.0
# A shift of the whole lake is told when this share of the cells moved the same way.
_SAME_WAY = 0.9


@dataclass(frozen=True)
class Difference:
    """Change of depth between two surfaces: newer less older, positive where deeper now.

    Attributes
    ----------
    change, uncertainty : Grid
        Change and its standard uncertainty, m, the datums' part in it.
    significance : Grid
        1 deeper, -1 shallower, 0 no significant change, NaN not compared.
    resampled : str
        Which surface was interpolated onto the cells of the other: "newer" or "older";
        "" where their cells fall on each other.
    factor : float
        Standard uncertainties that a significant change exceeds.
    datum_sd : float
        Standard uncertainty of the difference of the two datums, m.
    correlation_length : float
        Distance over which errors of the surfaces fade, m; infinite where it is not known.
    area, area_deeper, area_shallower : float
        Compared, and changed significantly, m2.
    area_by_chance : float
        Expected to look changed if nothing had changed, m2.
    mean, mean_sd, median : float
        Change of all compared cells, m.
    gained, gained_sd, lost, lost_sd : float
        Volume of water, m3, gained where the bottom is significantly deeper, and lost where
        it is significantly shallower; both positive.
    volume_by_chance : float
        Expected of each of the two if nothing had changed, m3.
    net, net_sd : float
        Volume gained less lost over all compared cells, m3.
    chance : Chance
        What the difference tells of its errors.
    patches : ChangePatches
        Where more has changed than chance makes.
    """

    change: Grid
    uncertainty: Grid
    significance: Grid
    resampled: str
    factor: float
    datum_sd: float
    correlation_length: float
    area: float
    area_deeper: float
    area_shallower: float
    area_by_chance: float
    mean: float
    mean_sd: float
    median: float
    gained: float
    gained_sd: float
    lost: float
    lost_sd: float
    volume_by_chance: float
    net: float
    net_sd: float
    chance: Chance
    patches: ChangePatches

    @property
    def shift(self) -> float:
        """By how much the unchanged bottom seems to have moved, m."""
        return self.chance.shift

    @property
    def patch_count(self) -> int:
        """Number of patches."""
        return len(self.patches)

    @property
    def patch_area(self) -> float:
        """Area of all patches, m²."""
        return float(self.patches.area.sum())

    @property
    def largest_volume(self) -> float | None:
        """Volume of the largest patch, m³, positive where deeper; None without patches."""
        return float(self.patches.volume[0]) if self.patch_count else None

    @property
    def largest_volume_sd(self) -> float | None:
        """Standard uncertainty of :attr:`largest_volume`, m³."""
        return float(self.patches.volume_sd[0]) if self.patch_count else None

    @property
    def level_suspected(self) -> bool:
        """Whether nearly all cells moved the same way, as a wrong water level makes them."""
        change = self.change.values[np.isfinite(self.change.values)]
        return _one_way(change, self.factor * self.datum_sd)


def datum_shift(newer: tuple | None, older: tuple | None) -> float:
    """Return what brings depths of the older surface to the newer one's datum: 0, or an error.

    Parameters
    ----------
    newer, older : tuple of (str, float) or None
        Name and elevation, m, of each surface's datum; None where it states none. The elevation
        is None where no lake level was known.

    Raises
    ------
    LakefloorError
        If a surface states no datum, or the two differ. The message says which shift to give.
    """
    for label, datum in (("newer", newer), ("older", older)):
        if datum is None:
            raise LakefloorError(
                f"The {label} surface states no lake datum, so its depths may be at another lake "
                "level. Give the shift between the datums, or 0 if both are at one datum."
            )
    if one_datum(newer, older):
        return 0.0
    shift = ""
    if newer and older and None not in (newer[1], older[1]):
        shift = f", {written(newer[1] - older[1], '+g')} m if both elevations are on one scale"
    raise LakefloorError(
        f"The newer surface is at datum {datum_words(newer)}, the older one at "
        f"{datum_words(older)}. Give the shift that brings the older depths to the newer "
        f"datum{shift}."
    )


def surface_difference(
    newer: Surface,
    older: Surface,
    *,
    confidence: float = 0.95,
    shift: float = 0.0,
    newer_sd: float | None = None,
    older_sd: float | None = None,
    datum_sd: float = 0.03,
    crs: int | str | None = None,
    progress: Progress = silent,
) -> Difference:
    """Return where, and by how much, the bottom has changed between two surfaces.

    Parameters
    ----------
    newer, older : Surface
        Depth, m, positive down, in one projected CRS. ``uncertainty`` and ``distance`` may be
        None.
    confidence : float
        Probability, 0.5 to below 1, that a cell that has not changed is not called changed.
    shift : float
        Added to the older depths to bring them to the newer datum, m. See :func:`datum_shift`.
    newer_sd, older_sd : float, optional
        Standard uncertainty of depth, m, of a surface that states none.
    datum_sd : float
        Standard uncertainty, m, with which each surface is tied to its datum: one error for
        all of the surface, independent of the other's.
    crs : int or str, optional
        Projected coordinate system, for areas on the ellipsoid; without one, areas are those
        on the map.
    progress : callable

    Returns
    -------
    Difference
        On the cells of the coarser surface (of the newer one where both are alike), within
        the overlap; the other one is interpolated bilinearly at their centers.

    Raises
    ------
    LakefloorError
        If a parameter is out of range, a surface has no uncertainty, or no cell has depth in
        both.

    Notes
    -----
    A cell has changed significantly where the change exceeds ``k`` times the joint standard
    uncertainty, ``k`` the two-sided quantile of the normal distribution (1.96 at 95 %)
    (Lane et al. 2003). Gained and lost volume count these cells alone; the net volume counts
    all, since small changes add up. What would look changed if nothing had is computed from the
    errors that the difference itself shows, see :func:`~.change_by_chance.chance_of`: the
    uncertainty of a surface is often on the safe side. Connected cells that chance hardly makes
    are patches, see :func:`~.change_patches.change_patches`, if they change as much within 5 m of
    soundings of both surveys as between; their changes are counted from the
    shift of the unchanged bottom. Errors of the surfaces average out beyond the correlation
    length, about the lane spacing; that of the datums does not.

    References
    ----------
    Lane, S. N., Westaway, R. M. and Hicks, D. M. (2003). Estimation of erosion and deposition
    volumes in a large, gravel-bed, braided river using synoptic remote sensing. Earth Surface
    Processes and Landforms 28(3), 249-271.
    JCGM 100:2008. Guide to the expression of uncertainty in measurement, 5.1 and 5.2.
    """
    _check(confidence, shift, datum_sd, newer_sd, older_sd)
    for label, surface, sd in (("newer", newer, newer_sd), ("older", older, older_sd)):
        if surface.uncertainty is None and sd is None:
            raise LakefloorError(_without(label))
    factor = float(norm.ppf(0.5 + 0.5 * confidence))
    datums = float(np.hypot(datum_sd, datum_sd))
    base, resampled = _common(newer.depth, older.depth)
    change, squared = _compared(base, (newer, newer_sd), (older, older_sd), shift, progress)
    known = np.isfinite(change)
    joint = np.sqrt(squared + datums**2)
    with np.errstate(invalid="ignore"):
        beyond = np.where(np.abs(change) > factor * joint, np.sign(change), 0.0)
    beyond[~known] = np.nan

    length = max(error_reach(surface) for surface in (newer, older))
    cells = _Cells(change, squared, _cell_area(base, crs), length, datums)
    net, net_sd, area = cells.volume(known)
    seen = _seen(base, newer, older)
    chance, by_chance, patches = _judged(base, cells, joint, factor, 1.0 - confidence, seen)
    gained, gained_sd, deeper = cells.volume(beyond == 1.0)
    lost, lost_sd, shallower = cells.volume(beyond == -1.0)
    progress(1.0)
    return Difference(
        base.like(change),
        base.like(joint),
        base.like(beyond),
        resampled,
        factor,
        datums,
        length,
        area,
        deeper,
        shallower,
        cells.area * by_chance[0],
        net / area,
        net_sd / area,
        float(np.median(change[known])),
        gained,
        gained_sd,
        -lost + 0.0,
        lost_sd,
        cells.area * by_chance[1],
        net,
        net_sd,
        chance,
        patches,
    )


def _one_way(change, limit) -> bool:
    """Say whether nearly all changes have the sign of a median beyond a limit, m."""
    median = np.median(change)
    return bool(np.mean(np.sign(change) == np.sign(median)) > _SAME_WAY and abs(median) > limit)


def _judged(base, cells, joint, factor, risk, seen):
    """Return errors of the difference, cells and meters that they make, and what they do not."""
    known = np.isfinite(cells.change)
    # A shift that the datums do not explain is one of the level if all moved, else a change.
    most = factor * cells.datums
    if _one_way(cells.change[known], most):
        most = np.inf
    sd = np.sqrt(cells.variance)
    chance = chance_of(cells.change, sd, (base.dx, base.dy), most)
    by_chance = chance.beyond(factor * joint[known], sd[known])
    change = base.like(cells.change)
    patches = change_patches(change, sd, chance, cells.area, cells.length, risk, seen)
    return chance, by_chance, patches


def _seen(base: Grid, newer: Surface, older: Surface) -> np.ndarray | None:
    """Mark the cells of a grid that are near soundings of both surfaces; None if one has none."""
    if newer.distance is None or older.distance is None:
        return None
    distances = (newer.distance, older.distance)
    seen = np.ones(base.shape, bool)
    for rows in row_blocks(base, _CELLS):
        x, y = (part.ravel() for part in np.meshgrid(base.x, base.y[rows]))
        for distance in distances:
            seen[rows] &= (distance.sample(x, y) <= _REACH).reshape(seen[rows].shape)
    return seen


@dataclass(frozen=True)
class _Cells:
    """Change of cells, m, its variance without that of the datums, m2, and their area, m2.

    Errors of the surfaces fade over ``length``, m; ``datums`` is the one of the datums, m.
    """

    change: np.ndarray
    variance: np.ndarray
    area: float
    length: float
    datums: float

    def volume(self, cells: np.ndarray) -> tuple:
        """Return volume of change, its standard uncertainty, and the area, of a mask of cells."""
        area = self.area * np.count_nonzero(cells)
        variance = self.variance[cells]
        # Errors alike everywhere add up; others average out beyond the correlation length.
        together = (self.area * np.sqrt(variance).sum()) ** 2
        if np.isfinite(self.length):
            apart = np.pi * self.length**2 * self.area * variance.sum()
            together = min(apart, together)
        sd = np.hypot(np.sqrt(together), area * self.datums)
        return self.area * float(self.change[cells].sum()), float(sd), float(area)


def _compared(base: Grid, newer: tuple, older: tuple, shift: float, progress: Progress) -> tuple:
    """Return change, m, and its variance, m2, of the cells of a grid, NaN where not known.

    ``newer`` and ``older`` are a surface and the standard uncertainty of one that states none.
    """
    change, squared = np.full(base.shape, np.nan), np.full(base.shape, np.nan)
    for rows in row_blocks(base, _CELLS):
        progress(rows.start / base.shape[0])
        x, y = (part.ravel() for part in np.meshgrid(base.x, base.y[rows]))
        depth = [surface.depth.sample(x, y) for surface, _ in (newer, older)]
        sd = [
            given if surface.uncertainty is None else surface.uncertainty.sample(x, y)
            for surface, given in (newer, older)
        ]
        shape = change[rows].shape
        change[rows] = (depth[0] - depth[1] - shift).reshape(shape)
        squared[rows] = (sd[0] ** 2 + sd[1] ** 2 + 0.0 * depth[0]).reshape(shape)
    known = np.isfinite(change) & np.isfinite(squared)
    if not known.any():
        raise LakefloorError(
            "The two surfaces have no cell with depth in common. Check that they are of the same "
            "lake and in the right CRS."
        )
    change[~known], squared[~known] = np.nan, np.nan
    return change, squared


def _cell_area(base: Grid, crs: int | str | None) -> float:
    """Return the area of a cell, m2: on the ellipsoid if the CRS is given, else on the map."""
    cell = base.cell_area
    if crs is not None:
        overlap = box(*base.bounds)
        cell *= polygon_area(overlap, crs) / overlap.area
    return cell


def _without(label: str) -> str:
    return (
        f"The {label} surface states no uncertainty, so significant change cannot be found. "
        f"Give the standard uncertainty of the {label} surface."
    )


def _check(confidence, shift, datum_sd, newer_sd, older_sd) -> None:
    if not 0.5 <= confidence < 1.0:
        raise LakefloorError(
            f"Confidence must be from 50% to below 100%, not {written(100.0 * confidence, 'g')}%."
        )
    if not np.isfinite(shift):
        raise LakefloorError(f"The shift between the datums must be a number, not {shift}.")
    for name, value in (
        ("the datum", datum_sd), ("the newer surface", newer_sd), ("the older surface", older_sd),
    ):  # fmt: skip
        if value is not None and not (np.isfinite(value) and value >= 0):
            raise LakefloorError(
                f"The standard uncertainty of {name} must be 0 m or more, not {value} m."
            )


def _common(newer: Grid, older: Grid) -> tuple:
    """Return the grid of the comparison, and which surface is interpolated onto it."""
    coarser = older.cell_area > newer.cell_area * (1.0 + 1e-6)
    base, other = (older, newer) if coarser else (newer, older)
    low, high = base.bounds, other.bounds
    west, south = np.maximum(low[:2], high[:2])
    east, north = np.minimum(low[2:], high[2:])
    # Cells whose center lies within the other grid.
    cols = np.flatnonzero((base.x > west) & (base.x < east))
    rows = np.flatnonzero((base.y > south) & (base.y < north))
    if not len(cols) or not len(rows):
        raise LakefloorError(
            "The two surfaces do not overlap. Check that they are of the same lake and that both "
            "have the right CRS."
        )
    part = replace(
        base,
        values=base.values[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1],
        west=base.west + cols[0] * base.dx,
        north=base.north - rows[0] * base.dy,
    )
    row, col = other.rows_cols(part.x[0], part.y[0])
    fit = np.array(
        [row - np.rint(row), col - np.rint(col), part.dx / other.dx - 1.0, part.dy / other.dy - 1.0]
    )
    if np.all(np.abs(fit) < 1e-6):
        return part, ""
    return part, "newer" if coarser else "older"
