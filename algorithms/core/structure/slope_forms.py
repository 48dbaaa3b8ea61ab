"""Steep breaks, flats and basins, which go by the slope of the bottom."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from ..progress import Progress, span
from .form_ground import (
    SMOOTHING_TURNS,
    Form,
    LakeSurface,
    axes_of,
    cells_in,
    connected_parts,
    opened_by_chords,
    smoothed_with_rates,
    widened,
)
from .landforms import Rises

#: A basin has at most this share of its rim falling away, or at the edge of the data.
_RIM_FALLS = 0.15


def find_steep_breaks(lake: LakeSurface, steep_percent: float, progress: Progress) -> list:
    slope = 100.0 * np.hypot(lake.east, lake.north)
    found = []
    for window, mask in connected_parts(slope >= steep_percent, progress):
        depth = lake.smooth[window][mask]
        x, y, cells = cells_in(lake, window, mask)
        spot = int(cells[np.argmax(slope.ravel()[cells])])
        relief = float(np.ptp(depth))
        long, _, _ = axes_of(x, y)
        if (
            relief < max(lake.need.flat[spot], steep_percent / 100.0 * lake.fine / 2.0)
            or mask.sum() * lake.grid.cell_area < lake.fine**2 / 2.0
            or np.ptp(x * long[0] + y * long[1]) < 2.0 * lake.fine
        ):
            continue
        found.append(Form("steep break", window, mask, relief, spot, lake.error_of(spot, spot)))
    return found


def find_flats_and_basins(
    lake: LakeSurface, deeps: Rises, holes: list, flat_percent: float, progress: Progress
) -> list:
    """Return flats and basins; a hole is part of the ground around it."""
    slope = 100.0 * np.hypot(lake.east, lake.north)
    _, east, north = smoothed_with_rates(lake.grid.values, lake.grid, SMOOTHING_TURNS * lake.fine)
    # Smoothing more takes the margin of gentle ground, smoothing less lets noise tear it.
    slope = np.fmin(slope, 100.0 * np.hypot(east, north))
    level, sunk = slope <= flat_percent, np.zeros(lake.valid.shape, dtype=bool)
    for hole in holes:
        sunk[hole.window] |= hole.mask
    gentle = (level | sunk).astype(float)
    wide = opened_by_chords(gentle, lake.fine, lake, span(progress, 0.0, 0.5)) > 0.5
    found = []
    for window, mask in connected_parts(wide & lake.valid, span(progress, 0.5, 1.0)):
        area = mask.sum() * lake.grid.cell_area
        own = mask & ~sunk[window]
        if area < np.pi * (2.0 * lake.fine) ** 2 or 2 * own.sum() < mask.sum():
            continue
        _, _, cells = cells_in(lake, window, mask)
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
            Form(
                "basin" if basin else "flat",
                window,
                mask,
                float(np.ptp(depth)),
                spot,
                lake.error_of(spot, spot),
                spare=max(spare, 0.0),
            )
        )
    return found


def _sill(deeps: Rises, deepest: int, lake: LakeSurface) -> float:
    """Return the greatest depth at which ground joins other that is deeper by a relief, m."""
    row, col = divmod(deepest, lake.grid.shape[1])
    k = deeps.region[row + 1, col + 1]
    limit = lake.smooth.flat[deepest] + lake.need.flat[deepest]
    if deeps.top[k] > limit:
        return float(lake.smooth.flat[deepest])
    while deeps.top[deeps.parent[k]] <= limit:
        k = deeps.parent[k]
    return float(deeps.saddle[k])


def _rim(lake: LakeSurface, window, mask, flat_percent) -> tuple:
    """Count the cells around a patch that lie lower, higher, and in a gap of the data."""
    margin = [int(np.ceil(cells)) + 1 for cells in lake.cells(lake.fine)]
    outer, patch = widened(window, mask, margin, lake)
    off, near = ndimage.distance_transform_edt(
        ~patch, sampling=(lake.grid.dy, lake.grid.dx), return_indices=True
    )
    ring = (off >= lake.fine / 2.0) & (off <= lake.fine)
    drop = lake.smooth[outer] - lake.smooth[outer][near[0], near[1]]
    least = flat_percent / 100.0 * lake.fine / 4.0
    falls = int((ring & (drop > least)).sum())
    climbs = int((ring & ((drop < -least) | lake.shallow[outer])).sum())
    return falls, climbs, int((ring & lake.unknown[outer]).sum())
