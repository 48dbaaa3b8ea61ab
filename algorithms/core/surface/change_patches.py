"""Patches of a lake's bottom that have changed more than chance makes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage
from scipy.special import ndtr

from ..chart.contour_domain import cells_polygon
from ..grid import Areas, Grid
from .change_by_chance import Chance

#: Score of the cells that make a patch, one in 160 by chance, and of those at its rim.
_FORMING, _RIM = 2.5, 1.0
#: A rim is at most so many widths of the errors wide.
_FAR = 2.0
_TOUCHING = np.ones((3, 3))
#: Where soundings of both surveys are near, the change is this part of a patch's mean or more; that
#: is so on this part of its area, or on so many m², some five places.
_SEEN_CHANGE, _SEEN_PART, _SEEN_AREA = 0.75, 0.04, 400.0


@dataclass(frozen=True)
class ChangePatches:
    """Patches, the largest volume first. Every array has one row a patch.

    Attributes
    ----------
    outlines : list of MultiPolygon
        Outlines of their cells.
    x, y : float
        Middle of the patch, m: center of its cell that is nearest to the center of gravity.
    area : float
        m².
    mean, largest : float
        Change, m, positive where deeper now, less the shift of the unchanged bottom.
    volume, volume_sd : float
        m³, positive where deeper now, and its standard uncertainty.
    probability : float
        That chance makes a patch as large or as high anywhere in the lake.
    """

    outlines: list
    x: np.ndarray
    y: np.ndarray
    area: np.ndarray
    mean: np.ndarray
    largest: np.ndarray
    volume: np.ndarray
    volume_sd: np.ndarray
    probability: np.ndarray

    def __len__(self) -> int:
        return len(self.area)

    def areas(self) -> Areas:
        """Return the patches as polygons."""
        names = ("x", "y", "area", "mean", "largest", "volume", "volume_sd", "probability")
        return Areas(self.outlines, {name: getattr(self, name) for name in names})


def change_patches(
    change: Grid,
    sd: np.ndarray,
    chance: Chance,
    cell_area: float,
    lanes: float,
    risk: float = 0.05,
    seen: np.ndarray | None = None,
) -> ChangePatches:
    """Return the connected patches that chance hardly makes anywhere in the lake.

    Parameters
    ----------
    change : Grid
        m; NaN where there is none.
    sd : array, shape (rows, cols)
        Its stated uncertainty without the datums', m.
    chance : Chance
        What the errors are.
    cell_area : float
        m².
    lanes : float
        Lane spacing of the coarser survey, m; infinite where it is not known.
    risk : float
        Probability that an unchanged lake has any patch.
    seen : bool array, shape (rows, cols), optional
        Cells with soundings of both surveys near; without it all are.

    Notes
    -----
    Cells are joined where their score is beyond 2.5. In smooth normal noise the number of such
    patches is Poisson, with the mean of the Euler characteristic beyond the threshold, and their
    areas are exponential (Friston et al. 1994); the highest score is judged by the same
    characteristic at its height (Worsley et al. 1996). A patch is as improbable as its area or
    its height, whichever is less. It is then widened to where the score falls below 1. The volume
    counts all cells from there to the width of the errors farther off, whatever their sign, so
    that what fades out is not left out.

    Where lanes miss a drop-off, surfaces differ between them as if it had moved. There the change
    is small where soundings of both surveys are near, and such patches are left out.

    References
    ----------
    Friston, K. J., Worsley, K. J., Frackowiak, R. S. J., Mazziotta, J. C., & Evans, A. C. (1994).
    Assessing the significance of focal activations using their spatial extent. Human Brain
    Mapping 1(3), 210-220.
    Worsley, K. J., Marrett, S., Neelin, P., Vandal, A. C., Friston, K. J., & Evans, A. C. (1996).
    A unified statistical approach for determining significant signals in images of cerebral
    activation. Human Brain Mapping 4(1), 58-73.
    Wheaton, J. M., Brasington, J., Darby, S. E., & Sear, D. A. (2010). Accounting for uncertainty
    in DEMs from repeat topographic surveys. Earth Surface Processes and Landforms 35, 136-156.
    """
    known, errors = np.isfinite(change.values), chance.no_less_than_stated()
    scores = np.zeros(change.shape)
    scores[known] = errors.scores(change.values[known], sd[known])
    labels, cell = np.zeros(change.shape, np.int32), (change.dy, change.dx)
    probability: list = []
    for sign in (1.0, -1.0):
        found, chances = _improbable(sign * scores, known, errors.width, cell, risk)
        labels = np.where(found > 0, found + len(probability), labels)
        probability += chances
    chances = np.array(probability)
    if seen is not None and len(chances):
        told = _told(labels, len(chances), change.values - chance.shift, seen, cell_area)
        labels, chances = np.r_[0, np.where(told, np.cumsum(told), 0)][labels], chances[told]
    return _described(labels, chances, change, sd, errors, cell_area, lanes)


def _told(labels, count, moved, seen, cell_area):
    """Mark the patches that change as much where soundings of both surveys are near."""
    number, moved, near = labels[labels > 0] - 1, moved[labels > 0], seen[labels > 0]
    cells, close = np.bincount(number, minlength=count), np.bincount(number, near, count)
    mean = np.bincount(number, moved, count) / np.maximum(cells, 1)
    mean_close = np.bincount(number, moved * near, count) / np.maximum(close, 1)
    enough = close * cell_area >= np.minimum(_SEEN_PART * cells * cell_area, _SEEN_AREA)
    return enough & (np.sign(mean) * mean_close >= _SEEN_CHANGE * np.abs(mean))


def _improbable(scores, known, width, cell, risk):
    """Return the numbers of the patches of high scores, widened, and their probabilities."""
    core, count = ndimage.label(scores > _FORMING, _TOUCHING)
    none = np.zeros(scores.shape, np.int32), []
    if not count:
        return none
    area = np.bincount(core.ravel())[1:] * cell[0] * cell[1]
    peak = ndimage.maximum(scores, core, np.arange(1, count + 1))
    lake = np.count_nonzero(known) * cell[0] * cell[1]
    found = np.r_[1.0, _probability(area, peak, lake, width)][core]
    if not (found <= risk).any():
        return none
    away = ndimage.distance_transform_edt(found > risk, sampling=cell)
    # Patches whose rims meet are one.
    wide, count = ndimage.label((scores > _RIM) & (away <= _FAR * width), _TOUCHING)
    least = np.asarray(ndimage.minimum(found, wide, np.arange(1, count + 1)))
    number = np.where(least <= risk, np.cumsum(least <= risk), 0)
    return np.r_[0, number][wide], least[least <= risk].tolist()


def _probability(area, peak, lake, width):
    """Return the probability that chance makes a patch of such an area, m², or peak in a lake."""
    resels = lake / width**2
    forming = _peaks(_FORMING, resels)
    by_area = forming * np.exp(-area * forming / (lake * ndtr(-_FORMING)))
    # Deeper or shallower, by area or by peak: four chances.
    return -np.expm1(-4.0 * np.minimum(by_area, _peaks(peak, resels)))


def _peaks(score, resels):
    """Return how many patches of smooth normal noise are expected beyond a score."""
    density = 4.0 * np.log(2.0) * (2.0 * np.pi) ** -1.5
    return density * resels * score * np.exp(-0.5 * np.square(score))


def _described(labels, probability, change, sd, chance, cell_area, lanes):
    """Return the patches with their places and sizes, the largest volume first."""
    count = len(probability)
    rows, cols = np.nonzero(labels)
    number = labels[rows, cols] - 1
    moved = change.values[rows, cols] - chance.shift
    cells = np.bincount(number, minlength=count)
    x, y = change.x[cols], change.y[rows]
    center = [np.bincount(number, v, count) / np.maximum(cells, 1) for v in (x, y)]
    off = np.hypot(x - center[0][number], y - center[1][number])
    first = np.cumsum(cells) - cells
    middle = np.lexsort((off, number))[first]
    highest = np.lexsort((-np.abs(moved), number))[first]
    mean = np.bincount(number, moved, count) / np.maximum(cells, 1)
    volume, volume_sd = _volumes(labels, count, change, sd, chance, cell_area, lanes)
    order = np.argsort(-np.abs(volume), kind="stable")
    windows = ndimage.find_objects(labels)
    values = (
        x[middle], y[middle], cells * cell_area, mean, moved[highest], volume, volume_sd, probability,
    )  # fmt: skip
    return ChangePatches(
        [_outline(labels[windows[k]] == k + 1, change, windows[k]) for k in order],
        *(v[order] for v in values),
    )


def _volumes(labels, count, change, sd, chance, cell_area, lanes):
    """Return volume and its standard uncertainty of each patch and what fades out around it."""
    if not count:
        return np.empty(0), np.empty(0)
    known = np.isfinite(change.values)
    away, (row, col) = ndimage.distance_transform_edt(
        labels == 0, sampling=(change.dy, change.dx), return_indices=True
    )
    counted = known & (away <= chance.width)
    number = labels[row[counted], col[counted]] - 1
    moved, sigma = change.values[counted] - chance.shift, sd[counted] * chance.spread
    area, volume, variance = (
        np.bincount(number, v, count) * cell_area for v in (np.ones(number.size), moved, sigma**2)
    )
    # Errors of the surfaces are alike near by, that of the shift everywhere.
    alike = area * chance.alike / (area + chance.alike)
    # A side of the patch between two lanes is anywhere between them; there are two such sides.
    sides = (
        0.5
        * np.abs(volume)
        * np.sqrt(2.0 / area)
        * np.minimum(lanes, np.sqrt(area))
        / np.sqrt(12.0)
    )
    return volume, np.sqrt(variance * alike + (area * chance.shift_sd) ** 2 + sides**2)


def _outline(mask, grid, window):
    """Return the outline of cells in a window of a grid."""
    rows, cols = window
    west, north = grid.west + cols.start * grid.dx, grid.north - rows.start * grid.dy
    return cells_polygon(mask, replace(grid, values=mask, west=west, north=north))
