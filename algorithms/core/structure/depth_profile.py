"""Depth along drawn lines."""

from __future__ import annotations

import numpy as np

from ..errors import LakefloorError
from ..number_text import written
from ..progress import Progress, silent
from .ground import Ground, at_cells, check_ground

COLUMNS = (
    "line", "distance_m", "depth_m", "uncert_m", "sounding_m", "slope_pct", "bottom",
    "bottom_prob", "hardness",
)  # fmt: skip
#: More samples than this are a mistyped step.
_MOST = 2_000_000


def depth_profiles(
    ground: Ground, lines: list, *, step_m: float | None = None, progress: Progress = silent
) -> dict:
    """Sample depth, its uncertainty and the bottom type along lines.

    Parameters
    ----------
    ground : Ground
    lines : list of array, shape (k, 2) or more columns
        Vertices in the order of travel, m.
    step_m : float, optional
        Distance between samples, m; by default the cell size.

    Returns
    -------
    dict of str to array, shape (n,)
        ``x``, ``y`` (m) and :data:`COLUMNS`: ``line`` numbers the lines from 1; ``distance_m`` is
        from the line's start; ``slope_pct`` is the slope along the line, positive where it
        deepens; ``bottom`` is 1 soft, 2 medium, 3 hard. NaN where there is nothing: gaps in the
        surface stay gaps. The last sample of a line is its end.

    Raises
    ------
    LakefloorError
        If there is no line, a line has no length or a position that is not a number, the step
        makes no sense, or no line touches the mapped bottom.

    Notes
    -----
    Depth is bilinear between cell centers. The slope is by central differences over two steps, by
    one-sided ones at an end or a gap.

    Examples
    --------
    >>> import numpy as np
    >>> from lakefloor.algorithms.core.grid import Grid
    >>> depth = Grid(np.tile(np.arange(10.0), (10, 1)), 0.0, 100.0, 10.0, 10.0)
    >>> line = np.array([(10.0, 50.0), (50.0, 50.0)])
    >>> profile = depth_profiles(Ground(depth), [line], step_m=20.0)
    >>> profile["distance_m"].tolist(), profile["depth_m"].tolist()
    ([0.0, 20.0, 40.0], [0.5, 2.5, 4.5])
    """
    check_ground(ground)
    step = float(max(ground.depth.dx, ground.depth.dy) if step_m is None else step_m)
    if not (np.isfinite(step) and step > 0):
        raise LakefloorError(f"The distance between samples is {step} m. Enter a value above 0 m.")
    if not lines:
        raise LakefloorError("There is no line. Draw one over the mapped bottom.")
    parts = []
    for number, line in enumerate(lines, start=1):
        progress((number - 1) / len(lines))
        x, y, along = _stations(np.asarray(line, dtype=float)[:, :2], step, number)
        depth = ground.depth.sample(x, y)
        parts.append(
            {
                "x": x,
                "y": y,
                "line": np.full(len(x), number),
                "distance_m": along,
                "depth_m": depth,
                "slope_pct": 100.0 * _slope(along, depth),
            }
        )
    out = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    if not np.isfinite(out["depth_m"]).any():
        raise LakefloorError(
            "No part of the line lies on mapped bottom. Check that line and depth surface belong "
            "to the same lake and have the right CRS."
        )
    x, y = out["x"], out["y"]
    known = np.isfinite(out["depth_m"])
    for name, grid, look in (
        ("uncert_m", ground.uncertainty, "between"),
        ("sounding_m", ground.distance, "between"),
        ("bottom", ground.bottom_class, "cell"),
        ("bottom_prob", ground.class_probability, "cell"),
        ("hardness", ground.hardness, "between"),
    ):
        if grid is None:
            out[name] = np.full(len(x), np.nan)
        else:
            values = grid.sample(x, y) if look == "between" else at_cells(grid, x, y)
            out[name] = np.where(known, values, np.nan)
    progress(1.0)
    return out


def _stations(line, step: float, number: int) -> tuple:
    """Return positions every ``step`` along a line, its end included, and how far along."""
    if not np.isfinite(line).all():
        raise LakefloorError(
            f"Line {number} has a vertex that is not a number. Draw the line again."
        )
    at = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))))
    if not at[-1] > 0.0:
        raise LakefloorError(f"Line {number} has no length. Draw it again or delete it.")
    if at[-1] / step > _MOST:
        raise LakefloorError(
            f"Line {number} is {at[-1]:.0f} m long. With {written(step, 'g')} m between samples it "
            "has too many samples. Choose a larger distance."
        )
    along = np.arange(0.0, at[-1], step)
    # No sliver of a step before the end.
    if len(along) > 1 and at[-1] - along[-1] < 1e-6 * step:
        along = along[:-1]
    along = np.append(along, at[-1])
    return np.interp(along, at, line[:, 0]), np.interp(along, at, line[:, 1]), along


def _slope(along, depth) -> np.ndarray:
    """Return the rate of change of depth along a line, NaN only where depth has no neighbor."""
    rise = np.diff(depth) / np.diff(along)
    before, after = np.append(np.nan, rise), np.append(rise, np.nan)
    length = np.diff(along)
    left, right = np.append(0.0, length), np.append(length, 0.0)
    left = np.where(np.isfinite(before), left, 0.0)
    right = np.where(np.isfinite(after), right, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return (np.nan_to_num(before) * left + np.nan_to_num(after) * right) / (left + right)


def summary(profile: dict, number: int) -> dict:
    """Return figures of one line of a profile.

    Parameters
    ----------
    profile : dict
        As :func:`depth_profiles` returns it.
    number : int
        Number of the line.

    Returns
    -------
    dict of str to float
        ``length_m``, ``mapped_m`` (length with a depth), ``shallowest_m``, ``deepest_m``,
        ``mean_m`` and ``steepest_pct``; NaN where no depth is known.
    """
    of_line = profile["line"] == number
    along, depth = profile["distance_m"][of_line], profile["depth_m"][of_line]
    known = np.isfinite(depth)
    whole = known[1:] & known[:-1]
    pieces = np.diff(along)
    mapped = float(pieces[whole].sum())
    middle = 0.5 * (depth[1:] + depth[:-1])
    slope = np.abs(profile["slope_pct"][of_line])
    return {
        "length_m": float(along[-1]),
        "mapped_m": mapped,
        "shallowest_m": float(depth[known].min()) if known.any() else np.nan,
        "deepest_m": float(depth[known].max()) if known.any() else np.nan,
        "mean_m": float((middle * pieces)[whole].sum() / mapped) if mapped else np.nan,
        "steepest_pct": float(slope[np.isfinite(slope)].max())
        if np.isfinite(slope).any()
        else np.nan,
    }
