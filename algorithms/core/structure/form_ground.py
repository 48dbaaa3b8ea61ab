"""The surface that forms are found on, and what all forms are found with."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ..grid import Grid
from ..progress import Progress, watched
from .landforms import opening
from .ridge_lines import filled

#: Standard deviations of a difference of two depths that a relief must reach; more for points,
#: inside turns and holes in broad ground, for which the lowest of twelve directions is taken.
_SUPPORT, _SUPPORT_OF_MANY = 2.0, 2.5
#: Smoothing, and that for points and inside turns, in fine radii. The bends of contours on gentle
#: ground are far more easily made by noise than a rise that is closed.
SMOOTHING, SMOOTHING_TURNS = 0.33, 0.5
#: Broad radius in fine ones and at least, m; at most this share of the open water's half width.
_BROAD, _MIN_BROAD_M, _OPEN = 5.0, 100.0, 0.4
#: Least width of a form, in fine radii.
NARROWEST = 0.8
#: Forms between two looks at cancel.
FORMS_A_LOOK = 100
#: The edge of the data is the shore where its depth, but for its uncertainty, is what the bottom
#: falls within so many cells, or this in m.
_SHORE_CELLS, _SHORE_M = 2.0, 0.1


@dataclass(frozen=True)
class Form:
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
class LakeSurface:
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

    def cells(self, meters: float) -> tuple:
        return meters / self.grid.dy, meters / self.grid.dx


def with_margin(grid: Grid, margin: int) -> Grid:
    """Return a grid with cells without value around it, so that its edge is like any other."""
    return Grid(
        np.pad(grid.values, margin, constant_values=np.nan),
        grid.west - margin * grid.dx,
        grid.north + margin * grid.dy,
        grid.dx,
        grid.dy,
    )


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


def prepared_surface(
    depth: Grid,
    uncertainty: Grid | None,
    factor: int,
    fine: float,
    broad: float | None,
    min_relief: float,
) -> LakeSurface:
    z = _coarse(np.where(np.isfinite(depth.values), depth.values, np.nan), factor)
    grid = Grid(z, depth.west, depth.north, depth.dx * factor, depth.dy * factor)
    valid = np.isfinite(z)
    smooth, east, north = smoothed_with_rates(z, grid, SMOOTHING * fine)

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
    near = ndimage.distance_transform_edt(~padded, return_distances=False, return_indices=True)[
        :, 1:-1, 1:-1
    ]
    land = ~valid & np.pad(ashore, 1)[near[0], near[1]]
    return LakeSurface(
        grid,
        valid,
        smooth,
        east,
        north,
        error,
        need,
        need_of_many,
        land,
        ~valid & ~land,
        fine,
        broad,
    )


def smoothed_with_rates(z: np.ndarray, grid: Grid, sigma: float) -> tuple:
    """Return a surface smoothed by a Gaussian, and its rates of change; NaN where it is."""
    sigmas = sigma / grid.dy, sigma / grid.dx
    reach = int(np.ceil(4.0 * max(sigmas))) + 2
    whole = ndimage.gaussian_filter(filled(z, reach), sigmas)
    north, east = np.gradient(whole, -grid.dy, grid.dx)
    inner = np.s_[reach:-reach, reach:-reach]
    return tuple(np.where(np.isfinite(z), each[inner], np.nan) for each in (whole, east, north))


def opened_by_chords(
    z: np.ndarray, half_m: float, lake: LakeSurface, progress: Progress
) -> np.ndarray:
    return opening(z, half_m, lake.grid.dy, lake.grid.dx, progress)


def connected_parts(mask: np.ndarray, progress: Progress) -> Iterator[tuple]:
    """Yield the connected parts of a mask: (window, mask)."""
    label, _ = ndimage.label(mask, np.ones((3, 3)))
    windows = watched(ndimage.find_objects(label), progress, every=FORMS_A_LOOK)
    for number, window in enumerate(windows, start=1):
        yield window, label[window] == number


def cells_in(lake: LakeSurface, window: tuple, mask: np.ndarray) -> tuple:
    """Return x, y, shape (n,), m, and the flat index of the cells of a mask."""
    r, c = np.nonzero(mask)
    r, c = r + window[0].start, c + window[1].start
    return lake.grid.x[c], lake.grid.y[r], r * lake.grid.shape[1] + c


def widened(window: tuple, mask: np.ndarray, by: Sequence[int], lake: LakeSurface) -> tuple:
    """Return a window and its mask with a margin of so many rows and columns in the grid."""
    outer = tuple(
        slice(max(s.start - margin, 0), min(s.stop + margin, size))
        for s, margin, size in zip(window, by, lake.grid.shape)
    )
    grown = np.zeros([s.stop - s.start for s in outer], dtype=bool)
    grown[tuple(slice(s.start - o.start, s.stop - o.start) for s, o in zip(window, outer))] = mask
    return outer, grown


def axes_of(x: np.ndarray, y: np.ndarray, weights: np.ndarray | None = None) -> tuple:
    """Return the directions of the long and of the short axis, and the ratio of lengths."""
    spread = np.cov(np.stack((x, y)), aweights=weights, ddof=0) if len(x) > 1 else np.eye(2)
    values, vectors = np.linalg.eigh(spread)
    ratio = np.sqrt(max(values[1], 1e-12) / max(values[0], 1e-12))
    return vectors[:, 1], vectors[:, 0], ratio
