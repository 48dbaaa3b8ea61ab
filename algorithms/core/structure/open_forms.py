"""Points and inside turns, which run out from a slope."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from ..progress import Progress, span, watched
from .closed_forms import part_levels
from .form_ground import (
    FORMS_A_LOOK,
    NARROWEST,
    Form,
    LakeSurface,
    axes_of,
    cells_in,
    opened_by_chords,
    widened,
)
from .landforms import rises

#: Least width of the rest of a form beside the skirt of a hump, and least shift of the depth
#: contours that make a point, in fine radii.
_REST, _SHIFT = 2.0, 0.25
#: The edge of a point or an inside turn is where this share of its relief is left.
_EDGE = 0.4
#: Two of them are parted by this share of the least relief, and of the lesser one's own.
_PARTED = 0.5, 0.2
#: Half the chord that a point is measured against, in broad radii, and the share of its sagitta on
#: a circle of the broad radius by which contours must stand out.
_CHORD, _SAGITTA = 0.4, 0.9
#: Ratio of axes from which a form is long, and cosine of the angle up to which it falls along.
_LONG, _ALONG = 1.3, 0.7


def top_hat(up: np.ndarray, lake: LakeSurface, progress: Progress) -> np.ndarray:
    """Return how far a surface stands out from the chords of points, m; NaN outside."""
    hat = np.full(up.shape, np.nan)
    opened = opened_by_chords(up, _CHORD * lake.broad, lake, progress)
    np.subtract(up, opened, out=hat, where=lake.valid)
    return hat


def find_running_out(
    form: str, up: np.ndarray, leveled: list, margin: float, lake: LakeSurface, progress: Progress
) -> list:
    """Return the points or inside turns that stand out in a surface.

    They end ``margin`` meters from what ``leveled`` lists, so that the skirt of a hump or of
    an island is none.
    """
    hat = top_hat(up, lake, span(progress, 0.0, 0.4))
    closed = np.zeros(hat.shape, dtype=bool)
    for window, mask, _ in leveled:
        closed[window] |= mask
    skirt = np.zeros(hat.shape, dtype=bool)
    if leveled:
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
    part_levels(tree, chosen, levels)
    found, taken = [], np.zeros(hat.shape, dtype=bool)
    each = zip(chosen, tree.areas(chosen, levels))
    for k, (window, mask) in watched(each, span(progress, 0.6, 1.0), len(chosen), FORMS_A_LOOK):
        if taken.flat[tree.top_cell[k]]:
            continue
        taken[window] |= mask
        outer, grown = widened(window, mask, (1, 1), lake)
        touches = (ndimage.binary_dilation(grown, np.ones((3, 3))) & skirt[outer]).any()
        least = (_REST if margin and touches else NARROWEST) * lake.fine
        if mask.sum() * lake.grid.cell_area < least**2:
            continue
        x, y, cells = cells_in(lake, window, mask)
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
        if rate * np.ptp(t) < lake.need_of_many.flat[spot] or height.max() < shift * steep:
            continue
        found.append(
            Form(
                form,
                window,
                mask,
                float(height.max()),
                spot,
                lake.error_of(spot, spot),
                toward=tuple(toward),
            )
        )
    return found


def _heading(x, y, weights, fall) -> np.ndarray:
    """Return the unit vector towards deep water: the long axis if the bottom falls along it."""
    long, _, ratio = axes_of(x, y, weights)
    fall = fall / max(np.hypot(*fall), 1e-12)
    if ratio < _LONG or abs(long @ fall) < _ALONG:
        return fall
    return long if long @ fall >= 0.0 else -long
