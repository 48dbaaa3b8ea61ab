"""Spacing of the soundings, and the cell size it supports."""

import numpy as np
from scipy.spatial import Delaunay, QhullError

from .blocks import block_mean, well_filled
from .errors import LakefloorError
from .soundings import Soundings
from .threads import side_by_side

#: Default limit of interpolation, in lane spacings.
GAP_IN_SPACINGS = 2.5
_CELLS_PER_SPACING = 8.0
_SMALLEST_CELL = 0.5
_BLOCKS_ACROSS = 50
_SINGLE_LANE_RATIO = 0.05
_SINGLE_LANE_WIDTH = 6.0
_MOST, _SQUARES, _SQUARES_USED = 200_000, 8, 8


def usable(soundings: Soundings) -> Soundings:
    """Return the accepted soundings that have a position, or say why there are too few.

    Raises
    ------
    LakefloorError
        If fewer than three differing positions are left, or if most depths are
        negative, as when elevations were given.
    """
    good = soundings.accepted & np.isfinite(soundings.x) & np.isfinite(soundings.y)
    kept = soundings if good.all() else soundings.select(good)
    if not len(kept):
        raise LakefloorError(
            f"None of the {len(soundings)} soundings is accepted with a depth and a position."
        )
    elsewhere = (kept.x != kept.x[0]) | (kept.y != kept.y[0])
    second = np.argmax(elsewhere)
    if not (elsewhere & ((kept.x != kept.x[second]) | (kept.y != kept.y[second]))).any():
        raise LakefloorError(
            f"A surface needs soundings at three or more places; the {len(kept)} accepted "
            "soundings lie at fewer."
        )
    if np.mean(kept.depth < 0) > 0.5:
        raise LakefloorError(
            "Most depths are negative. Depth is metres, positive down: "
            "if the field holds elevations, subtract them from the water level first."
        )
    return kept


def lane_spacing(soundings: Soundings) -> float:
    """Estimate the distance between neighbouring lanes, m.

    Needs neither lane numbers nor logging order, so that visits with
    interleaved lanes count together.

    Parameters
    ----------
    soundings : Soundings
        Only accepted ones are used.

    Raises
    ------
    LakefloorError
        If the soundings are too few or lie along one line.

    Notes
    -----
    A Delaunay triangle between two lanes stands with its shortest edge on one
    lane and its tip on the next, so its height is the lane spacing. The median
    height is weighted by the triangle's area to the power 3/4: a weight by count is
    drawn to lanes run twice, a weight by area to the land between parts of the lake.
    Of more than 200,000 soundings it is the median of eight squares of the survey.
    """
    kept = usable(soundings)
    if len(kept) <= _MOST:
        return _spacing(kept)

    def of(square):
        try:
            return _spacing(kept.select(square))
        except LakefloorError:
            # A square at the rim may hold a single lane.
            return np.nan

    found = np.array(side_by_side(of, [(square,) for square in _squares(kept)]))
    known = found[np.isfinite(found)]
    return float(np.median(known)) if len(known) else _spacing(kept)


def _squares(kept: Soundings) -> list:
    """Return rows of the soundings in each of eight well-filled squares, evenly over all.

    An eighth of the survey wide, or less, so that together they hold about 200,000 soundings.
    """
    x, y = kept.x, kept.y
    across = max(_SQUARES, np.ceil(np.sqrt(len(kept) * _SQUARES_USED / _MOST)))
    side = max(np.ptp(x), np.ptp(y)) / across * (1.0 + 1e-9)
    square = ((y - y.min()) // side * across + (x - x.min()) // side).astype(np.int32)
    chosen = well_filled(np.bincount(square), _SQUARES_USED)
    return [np.flatnonzero(square == number) for number in chosen]


def _spacing(kept: Soundings) -> float:
    xy = np.column_stack([kept.x, kept.y])
    xy = xy - xy.mean(axis=0)
    _, sizes, axes = np.linalg.svd(xy, full_matrices=False)
    width = np.ptp(xy @ axes[1])
    if sizes[1] <= 1e-9 * sizes[0] or (
        sizes[1] < _SINGLE_LANE_RATIO * sizes[0] and width < _SINGLE_LANE_WIDTH
    ):
        raise LakefloorError(
            "The soundings lie along a single lane, so the lane spacing cannot be estimated: "
            "give the cell size and the maximum gap."
        )
    # From coarse to fine, until blocks are well below the spacing they show: finer ones would
    # only add the scatter within a lane, and time.
    block = np.ptp(xy, axis=0).max() / _BLOCKS_ACROSS
    while True:
        x, y, _ = block_mean(xy[:, 0], xy[:, 1], block)
        height = _median_height(np.column_stack([x, y])) if len(x) > 3 else 0.0
        if block <= height / 2.0 or len(x) == len(xy) or block < 1e-4 * width:
            return height
        block = min(height / 2.5, block / 2.0) if height > 0 else block / 2.0


def _median_height(points) -> float:
    try:
        corners = points[Delaunay(points).simplices]
    except QhullError as error:
        raise LakefloorError(
            "The soundings lie along one line; a surface needs them side by side."
        ) from error
    edges = corners - np.roll(corners, 1, axis=1)
    twice_area = np.abs(edges[:, 0, 0] * edges[:, 1, 1] - edges[:, 0, 1] * edges[:, 1, 0])
    height = twice_area / np.hypot(edges[..., 0], edges[..., 1]).min(axis=1)
    order = np.argsort(height, kind="stable")
    weight = np.cumsum(twice_area[order] ** 0.75)
    return float(height[order][np.searchsorted(weight, 0.5 * weight[-1])])


def suggest_cell(spacing: float) -> float:
    """Return the cell size that suits a lane spacing, m: 1, 2 or 5 times a power of ten.

    About an eighth of the spacing: a finer grid shows nothing that was sounded, a
    coarser one loses what was. Not below 0.5 m, the scatter of a good position.
    """
    wanted = max(spacing / _CELLS_PER_SPACING, _SMALLEST_CELL)
    decade = 10.0 ** np.floor(np.log10(wanted))
    steps = decade * np.array([1.0, 2.0, 5.0, 10.0])
    return float(steps[np.argmin(np.abs(np.log(steps / wanted)))])
