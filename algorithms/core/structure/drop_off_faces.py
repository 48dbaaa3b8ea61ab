"""The face of a drop-off: crest, steepest point and toe on profiles across its line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from ..grid import Grid, Surface
from ..polylines import evenly_spaced
from .face_shapes import FOOT_SHARE, RIM_SHARE, half_widths
from .ridge_lines import filled

#: Slope beyond a rim may be at most this share of the greatest slope.
_CONTRAST = 0.6
#: Length of the profiles to either side, m; longer at a scale beyond a twelfth of it.
_REACH_M = 100.0
#: Filters, in units of the scale.
_STRIKE, _MEDIAN = 6.0, 8.0


@dataclass(frozen=True)
class DepthWindow:
    """The depths to work on, continued beyond their edge; arrays have shape (rows, cols)."""

    depth: np.ndarray
    valid: np.ndarray
    x0: float
    y0: float
    dx: float
    dy: float

    @classmethod
    def around(cls, depth: Grid, valid: np.ndarray, pad: int) -> DepthWindow:
        rows, cols = np.flatnonzero(valid.any(axis=1)), np.flatnonzero(valid.any(axis=0))
        window = np.s_[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
        return cls(
            filled(np.where(valid, depth.values, np.nan)[window], pad),
            np.pad(valid[window], pad),
            depth.x[cols[0]] - pad * depth.dx,
            depth.y[rows[0]] + pad * depth.dy,
            depth.dx,
            depth.dy,
        )

    def positions(self, row_col: np.ndarray) -> np.ndarray:
        """Return x and y, shape (n, 2), of fractional rows and columns."""
        return np.column_stack(
            (self.x0 + row_col[:, 1] * self.dx, self.y0 - row_col[:, 0] * self.dy)
        )

    def sample(
        self, values: np.ndarray, x: np.ndarray, y: np.ndarray, order: int = 1
    ) -> np.ndarray:
        """Return values at positions, bilinear (order 1) or of the nearest cell (order 0)."""
        at = (self.y0 - y) / self.dy, (x - self.x0) / self.dx
        return ndimage.map_coordinates(values, at, float, order=order, mode="nearest")


@dataclass(frozen=True)
class Face:
    """One drop-off along its strike: n vertices, three lines as in BREAKLINE_KINDS."""

    xy: np.ndarray  # (3, n, 2), m
    depth: np.ndarray  # (3, n), m
    width: np.ndarray  # (n,), m
    slope: np.ndarray  # (n,), greatest, m per m
    error: np.ndarray  # (n,), standard deviation of the height, m
    seen: np.ndarray  # (n,), both rims found
    legal: np.ndarray  # (3, n), not folded back where the strike bends sharply
    closed: bool

    @property
    def height(self) -> np.ndarray:
        return self.depth[2] - self.depth[0]


def smoothed_line(line: np.ndarray, closed: bool, sigma: float) -> np.ndarray:
    """Return the line smoothed by a Gaussian of ``sigma`` vertices, its ends kept."""
    if closed:
        return ndimage.gaussian_filter1d(line, sigma, axis=0, mode="wrap")
    pad = min(int(4.0 * sigma) + 1, len(line) - 1)
    head = 2.0 * line[0] - line[pad:0:-1]
    tail = 2.0 * line[-1] - line[-2 : -pad - 2 : -1]
    whole = ndimage.gaussian_filter1d(np.vstack((head, line, tail)), sigma, axis=0)
    return whole[pad:-pad]


def draw_face(
    line: np.ndarray,
    closed: bool,
    area: DepthWindow,
    scale: float,
    step: float,
    surface: Surface,
    spacing: float,
) -> Face | None:
    """Draw profiles across a line and find crest, steepest point and toe on them."""
    mode, along = "wrap" if closed else "nearest", _STRIKE * scale / step
    line = evenly_spaced(smoothed_line(line, closed, 2.0 * scale / step), closed, step)
    down = _across(line, closed)
    cell = scale / 4.0
    half = int(max(_REACH_M, 12.0 * scale) / cell)
    t = np.arange(-half, half + 1) * cell
    x, y = (line[:, k : k + 1] + t * down[:, k : k + 1] for k in (0, 1))
    raw = area.sample(area.depth, x, y)
    known = area.sample(area.valid, x, y, order=0) > 0.5
    profile = ndimage.gaussian_filter1d(raw, along, axis=0, mode=mode)
    slope = ndimage.gaussian_filter1d(profile, scale / cell, axis=1, order=1, mode="nearest") / cell
    near = int(np.ceil(1.5 * scale / cell))
    top = half - near + slope[:, half - near : half + near + 1].argmax(axis=1)
    steepest = slope[np.arange(len(line)), top]
    past = _past_peak(slope, top)
    profiles = slope, known, top, steepest, half - near, past
    (upper, upper_seen), (lower, lower_seen) = (_rim(*profiles, way, RIM_SHARE) for way in (-1, 1))
    seen = upper_seen & lower_seen & (steepest > 0.0)
    if not seen.any():
        return None

    def regular(offsets, seen=seen):
        return _regular(offsets, seen, closed, scale, step)

    middle = regular(t[top] + past * cell)
    blur = np.full(len(line), scale)
    if surface.distance is not None and spacing > 0.0:
        across = _share_across(surface.distance, x, y, cell, half, spacing)
        across = ndimage.gaussian_filter1d(across, along, mode=mode)
        blur = np.sqrt(scale**2 + across * spacing**2 / 6.0)
    sides, alike = [], 2.0 * np.sqrt(np.pi) * along  # profiles within the filter's integral scale
    for way, at_rim in ((-1, upper), (1, lower)):
        at_foot, foot_seen = _rim(*profiles, way, FOOT_SHARE)
        feet = regular(at_foot * cell, foot_seen & seen) if (foot_seen & seen).any() else None
        sides.append(half_widths(regular(at_rim * cell), feet, blur, alike))
    (upper, above), (lower, below) = sides
    sharpened = (above + below) / 2.0
    offsets = np.stack((middle - upper, middle, middle + lower))

    at = np.clip((offsets + half * cell) / cell, 0, 2 * half)
    rows = np.broadcast_to(np.arange(len(line)), at.shape)
    depths = ndimage.map_coordinates(profile, (rows, at), order=1)
    xy = line + offsets[:, :, None] * down
    legal = _legal(line, xy, offsets, step)
    if surface.uncertainty is None:
        face = np.abs(t - middle[:, None]) <= ((upper + lower) / 2.0)[:, None]
        error = np.sqrt(2.0) * _scatter(raw - profile, face)
    else:
        error = np.hypot(*(np.nan_to_num(surface.uncertainty.sample(*xy[k].T)) for k in (0, 2)))
    return Face(xy, depths, upper + lower, steepest * sharpened, error, seen, legal, closed)


def _regular(offsets, seen, closed: bool, scale: float, step: float) -> np.ndarray:
    """Bridge offsets where a rim was not seen, and even them out along the strike."""
    mode = "wrap" if closed else "nearest"
    # scipy 1.15 returns zeros where the window is much longer than the data.
    size = min(2 * int(0.5 * _MEDIAN * scale / step) + 1, len(offsets))
    rows, good = np.arange(len(offsets)), np.flatnonzero(seen)
    bridged = np.interp(rows, good, offsets[good], period=len(offsets) if closed else None)
    median = ndimage.median_filter(bridged, size, mode=mode)
    return ndimage.gaussian_filter1d(median, scale / step, mode=mode)


def _legal(line, xy, offsets, step: float) -> np.ndarray:
    """Tell which places of the lines are not folded back over the line in the middle."""
    tree = cKDTree(line)
    return np.array([tree.query(p)[0] for p in xy]) >= 0.9 * np.abs(offsets) - 0.5 * step


def _scatter(rest, face) -> np.ndarray:
    """Return the root mean square of what is left of each row on the face."""
    return np.sqrt((rest**2 * face).sum(axis=1) / face.sum(axis=1))


def _across(line, closed: bool) -> np.ndarray:
    """Return the unit vector to the left of a line, where it is deeper, at each vertex."""
    ahead, behind = np.roll(line, -1, axis=0), np.roll(line, 1, axis=0)
    if not closed:
        ahead[-1], behind[0] = line[-1], line[0]
    tangent = ahead - behind
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-12)[:, None]
    return np.column_stack((-tangent[:, 1], tangent[:, 0]))


def _share_across(distance: Grid, x, y, cell: float, half: int, spacing: float) -> np.ndarray:
    """Return how far profiles run across lanes rather than along them, 0 to 1.

    Distance rises by 1 m per m across lanes and stays along them, so its squared rate is the
    squared cosine of the angle between a profile and the lanes' normal.
    """
    width = int(spacing / cell) + 1
    part = np.s_[:, max(half - width, 0) : half + width + 1]
    lanes = distance.sample(x[part].ravel(), y[part].ravel()).reshape(x[part].shape)
    rate = np.nan_to_num(np.gradient(lanes, cell, axis=1) ** 2).mean(axis=1)
    return np.minimum(rate, 1.0)


def _past_peak(slope, top) -> np.ndarray:
    """Return how many cells past its greatest value the peak of a slope lies, -0.5 to 0.5."""
    rows = np.arange(len(top))
    before, peak, after = (slope[rows, top + k] for k in (-1, 0, 1))
    bend = 2.0 * peak - before - after
    past = 0.5 * (after - before) / np.where(bend > 0.0, bend, 1.0)
    return np.where(bend > 0.0, np.clip(past, -0.5, 0.5), 0.0)


def _rim(slope, known, top, steepest, reach, past, way, share) -> tuple:
    """Walk from the steepest point outwards to where the slope has fallen to a share of it.

    Returns the number of cells from the peak, shape (n,), and whether the rim was seen.
    """
    k = np.arange(reach + 1)
    rows, cols = np.arange(len(top))[:, None], top[:, None] + way * k
    f = slope[rows, cols]
    low = np.minimum.accumulate(f, axis=1)
    # The next face begins, or the data end.
    over = (f > low + 0.25 * (steepest[:, None] - low)) | ~known[rows, cols]
    over = np.logical_or.accumulate(over, axis=1)
    base = np.clip(np.where(over, steepest[:, None], f).min(axis=1), 0.0, None)
    limit = base + share * (steepest - base)
    below = (f < limit[:, None]) & ~over
    first = np.maximum(below.argmax(axis=1), 1)
    seen = below.any(axis=1) & (base < _CONTRAST * steepest)
    rows = rows[:, 0]
    inner, outer = f[rows, first - 1], f[rows, first]
    drop = inner - outer
    part = np.where(drop > 0.0, (inner - limit) / np.where(drop > 0.0, drop, 1.0), 1.0)
    return first - 1.0 + np.clip(part, 0.0, 1.0) - way * past, seen
