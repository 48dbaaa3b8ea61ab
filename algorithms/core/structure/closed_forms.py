"""Humps and holes, which a rim closes all round, and the saddles between them."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from ..progress import Progress, watched
from .form_ground import FORMS_A_LOOK, NARROWEST, Form, LakeSurface
from .landforms import Rises

#: A hump or a hole is drawn where this share of its relief, and one standard deviation of
#: depth, is reached, not where it fades out.
_FOOT = 0.1


def find_humps(tree: Rises, lake: LakeSurface, progress: Progress) -> tuple:
    """Return the humps, and what to cut off with the level: (window, mask, depth)."""
    chosen = np.flatnonzero((tree.prominence >= lake.need.min()) & (tree.parent >= 0))
    found, leveled = [], []
    # The rise that holds others comes last, so that all of it is cut off at its own saddle.
    chosen = chosen[np.argsort(-tree.saddle[chosen], kind="stable")]
    levels = tree.saddle[chosen]
    each = zip(chosen, levels, tree.areas(chosen, levels))
    for k, level, (window, mask) in watched(each, progress, len(chosen), FORMS_A_LOOK):
        spot, pass_, relief = int(tree.top_cell[k]), int(tree.saddle_cell[k]), tree.prominence[k]
        z = -lake.smooth[window]
        if spot < 0:
            mask |= (tree.region[1:-1, 1:-1][window] == k) & ~lake.valid[window]
        elif _is_supported(relief, mask, lake, spot, pass_):
            error = lake.error_of(spot, pass_)
            foot = _above_foot(z, level, relief, mask, window, spot, lake)
            found.append(Form("hump", window, foot, float(relief), spot, error, -level, pass_))
        else:
            continue
        leveled.append((window, mask, -level))
    return found, leveled


def find_holes(tree: Rises, open_to: np.ndarray, lake: LakeSurface, progress: Progress) -> tuple:
    """Return the holes, and what to fill with the level: (window, mask, depth).

    ``open_to`` is the greatest depth at which the ground about each cell is broad in all
    directions. A hole ends at the first of these depths anywhere in it, not at that of its
    deepest cell alone, which may lie at the edge of broad ground.
    """
    chosen = np.flatnonzero((tree.prominence >= lake.need.min()) & np.isfinite(tree.top))
    levels = np.maximum(tree.saddle, tree.highest_within(open_to))[chosen]
    passes = np.where(tree.saddle[chosen] >= levels, tree.saddle_cell[chosen], -1)
    part_levels(tree, chosen, levels, passes)
    found, leveled = [], []
    each = zip(chosen, levels, passes, tree.areas(chosen, levels))
    for k, level, pass_, (window, mask) in watched(each, progress, len(chosen), FORMS_A_LOOK):
        spot, relief = int(tree.top_cell[k]), float(tree.top[k] - level)
        if _is_supported(relief, mask, lake, spot, int(pass_)):
            error = lake.error_of(spot, spot if pass_ < 0 else int(pass_))
            foot = _above_foot(lake.smooth[window], level, relief, mask, window, spot, lake)
            found.append(Form("hole", window, foot, relief, spot, error, level, int(pass_)))
            leveled.append((window, mask, level))
    return found, leveled


def part_levels(
    tree: Rises, chosen: np.ndarray, levels: np.ndarray, passes: np.ndarray | None = None
) -> None:
    """Raise the levels of chosen maxima to where others of them join, so that two stay two."""
    place = {int(k): i for i, k in enumerate(chosen)}
    for k in chosen:
        i = place.get(int(tree.parent[k]))
        if i is not None and tree.saddle[k] > levels[i]:
            levels[i] = tree.saddle[k]
            if passes is not None:
                passes[i] = tree.saddle_cell[k]


def _above_foot(z, level, relief, mask, window, spot: int, lake: LakeSurface) -> np.ndarray:
    """Return the part of a mask around a spot that is clearly above a level."""
    clear = mask & (z >= level + max(_FOOT * relief, min(lake.error.flat[spot], 0.5 * relief)))
    label, _ = ndimage.label(clear, np.ones((3, 3)))
    row, col = divmod(spot, lake.grid.shape[1])
    return label == label[row - window[0].start, col - window[1].start]


def _is_supported(relief, mask, lake: LakeSurface, spot: int, pass_: int) -> bool:
    """Tell whether a relief is more than noise, on more ground than is told apart."""
    # Where ground turns broad the lowest of twelve directions is taken.
    need = lake.need if pass_ >= 0 else lake.need_of_many
    need = max(need.flat[spot], need.flat[pass_]) if pass_ >= 0 else need.flat[spot]
    return relief >= need and mask.sum() * lake.grid.cell_area >= (NARROWEST * lake.fine) ** 2


def find_saddles(closed: list, hat: np.ndarray, lake: LakeSurface, progress: Progress) -> list:
    """Return the saddles of humps or holes that lie on a neck or in a trough."""
    found = {}
    rows, cols = lake.grid.shape
    reach = [int(np.ceil(cells)) for cells in lake.cells(lake.fine)]
    # A pass between two holes is one saddle, as low as the lesser of them.
    order = sorted(closed, key=lambda form: -form.relief)
    for form in watched(order, progress, every=FORMS_A_LOOK):
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
        found[form.pass_] = Form(
            "saddle", window, mask, relief, form.pass_, form.error, depth, form.pass_
        )
    return list(found.values())
