"""Drop-offs of a depth surface: crest, steepest line and toe."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage, special
from scipy.spatial import cKDTree

from ..errors import LakefloorError
from ..grid import Grid, Lines
from ..progress import Progress, silent, span
from ..spacing import surface_spacing
from .ridge_lines import filled, slope_maxima

BREAKLINE_KINDS = ("crest", "steepest", "toe")
BREAKLINE_ATTRIBUTES = (
    "drop_off", "kind", "height_m", "width_m", "slope_mean_pct", "slope_mean_deg",
    "slope_max_pct", "slope_max_deg", "depth_min_m", "depth_max_m", "depth_mean_m",
    "length_m", "confidence",
)

#: Share of the greatest slope, above that of the ground beyond, left at crest and toe.
RIM_SHARE = 2.0 / 3.0
#: Squared half width of sech^2 where its curvature peaks, over its variance.
_TANH = np.arctanh(np.sqrt(1.0 / 3.0)) ** 2 * 12.0 / np.pi**2
#: Share of the variance of smoothing that is taken off the squared half width.
_TAKEN_OFF = 0.8
#: Slope beyond a rim may be at most this share of the greatest slope.
_CONTRAST = 0.6
#: Length of the profiles to either side, m; longer at a scale beyond a twelfth of it.
_REACH_M = 100.0
#: No finer scale than a small boat's position and a sounder's beam resolve, m.
_MIN_SCALE_M = 4.0
#: Filters and bridges, in units of the scale.
_STRIKE, _MEDIAN, _BRIDGE = 6.0, 8.0, 6.0
#: A drop-off that reaches the limits somewhere goes on down to this share of them.
_HYSTERESIS = 0.6
#: Vertices that tell where the end of a line is heading.
_HEADING = 10


def breaklines(
    depth: Grid,
    *,
    uncertainty: Grid | None = None,
    distance: Grid | None = None,
    spacing: float | None = None,
    scale_m: float | None = None,
    min_slope_percent: float = 10.0,
    min_height_m: float = 1.0,
    min_length_m: float = 20.0,
    progress: Progress = silent,
) -> Lines:
    """Find the drop-offs of a surface: three lines for each, along the shelf.

    Parameters
    ----------
    depth : Grid
        Depth, m, positive down.
    uncertainty : Grid, optional
        One standard deviation of depth, m. Without it the scatter of the
        surface along the drop-off is taken.
    distance : Grid, optional
        Distance to the nearest sounding, m. It tells which way the lanes run, so
        that the widening of the face by interpolation between them can be taken off.
    spacing : float, optional
        Lane spacing, m; from ``distance`` if None.
    scale_m : float, optional
        Standard deviation of the smoothing, m. By default the greatest of two
        cells, 0.3 of the lane spacing where it is known, and 4 m.
    min_slope_percent : float
        The steepest line of a drop-off reaches this slope, percent.
    min_height_m : float
        A drop-off falls by this much from crest to toe, m.
    min_length_m : float
        Shorter drop-offs are left out, m.

    Returns
    -------
    Lines
        Attributes by line: ``drop_off`` (number shared by the lines of one
        drop-off, 1 is the longest), ``kind`` (one of :data:`BREAKLINE_KINDS`); of the
        whole drop-off ``height_m`` and ``width_m`` from crest to toe (means),
        ``slope_mean_pct`` and ``slope_mean_deg`` of the face, ``slope_max_pct``
        and ``slope_max_deg``, ``confidence`` (0..1); of the line itself
        ``depth_min_m``, ``depth_max_m``, ``depth_mean_m`` and ``length_m``.
        The deeper side is on the left of every line. Empty where there is no
        drop-off.

    Raises
    ------
    LakefloorError
        If a limit is not above zero, or a grid differs from ``depth`` in shape.

    Notes
    -----
    The steepest line is where slope has its maximum along the gradient of the
    surface smoothed by a Gaussian. Profiles are drawn across it, averaged
    along the strike and smoothed across it. Crest and toe are where the slope,
    above that of the ground beyond, has fallen to 2/3 of its maximum: for a
    face ``z = (H / 2) tanh(x / w)`` these are the points of greatest curvature,
    at ``x = -+w atanh(1 / sqrt 3) = -+0.658 w``, with ``H / sqrt 3`` between
    them. On noisy data a share of the slope is found far more surely than a
    maximum of the second derivative. Smoothing moves crest and toe outwards:
    that of the filter, of variance ``scale_m^2``, and that of linear
    interpolation between lanes ``s`` apart, ``s^2 / 6`` across them. Taking the
    sum ``v`` off the squared half width would be right for the face above, and
    too much for an even ramp with sharp edges; which of them it is cannot be
    told where the face is narrower than the lanes. So ``0.8 v`` is taken off, or
    ``scale_m^2`` alone where nothing is known of lanes. Offsets are then
    regularised along the strike by a running median.

    Confidence is the share of the line along which both rims were seen, times
    ``erf(h / (2 sqrt 2 u))``, the probability that the height ``h``, with
    standard deviation ``u``, is off by less than half of itself.

    References
    ----------
    Canny, J. (1986). A computational approach to edge detection. IEEE
    Transactions on Pattern Analysis and Machine Intelligence 8(6), 679-698.
    Lindeberg, T. (1998). Edge detection and ridge detection with automatic
    scale selection. International Journal of Computer Vision 30(2), 117-154.
    """
    for name, value in (
        ("minimum slope", min_slope_percent),
        ("minimum height", min_height_m),
        ("minimum length", min_length_m),
        ("smoothing scale", 1.0 if scale_m is None else scale_m),
    ):
        if not (np.isfinite(value) and value > 0):
            raise LakefloorError(f"The {name} is {value}. Enter a value above 0.")
    for name, grid in (("Uncertainty", uncertainty), ("Distance", distance)):
        if grid is not None and grid.shape != depth.shape:
            raise LakefloorError(
                f"{name} has the shape {grid.shape}, but depth has {depth.shape}. Give all grids "
                "the same cells."
            )

    valid = np.isfinite(depth.values)
    if not valid.any():
        return _lines([])
    spacing = surface_spacing(spacing, distance)
    scale = scale_m or max(2.0 * depth.dx, 2.0 * depth.dy, 0.3 * spacing, _MIN_SCALE_M)
    area = _Area.around(depth, valid, int(np.ceil(3.0 * scale / min(depth.dx, depth.dy))) + 2)
    progress(0.2)
    sigma = (scale / depth.dy, scale / depth.dx)
    smooth = ndimage.gaussian_filter(area.depth, sigma, truncate=3.0)
    progress(0.4)
    # Smoothing lowers the slope; the true limits are held against the corrected one.
    traced = slope_maxima(
        smooth,
        depth.dx,
        depth.dy,
        _inner(area, scale),
        low=0.004 * min_slope_percent,
        high=0.006 * min_slope_percent,
        min_count=int(0.5 * min_length_m / max(depth.dx, depth.dy)),
        progress=span(progress, 0.4, 0.6),
    )
    step = scale / 2.0
    oriented = [_deeper_left(area.positions(line), smooth, area, step) for line in traced]
    lines = [
        (_evenly(line, closed, step), closed)
        for line, closed in _joined(oriented, _BRIDGE * scale)
        if _lengths(line)[-1] >= min_length_m / 2.0
    ]
    faces = []
    for k, (line, closed) in enumerate(lines):
        progress(0.6 + 0.4 * k / len(lines))
        face = _face(line, closed, area, scale, step, uncertainty, distance, spacing)
        if face is not None:
            faces.append(face)
    progress(1.0)
    return _lines(_sections(faces, area, step, min_slope_percent, min_height_m, min_length_m))


@dataclass(frozen=True)
class _Area:
    """The depths to work on, continued beyond their edge; arrays have shape (rows, cols)."""

    depth: np.ndarray
    valid: np.ndarray
    x0: float
    y0: float
    dx: float
    dy: float

    @classmethod
    def around(cls, depth: Grid, valid, pad: int) -> _Area:
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

    def positions(self, row_col) -> np.ndarray:
        """Return x and y, shape (n, 2), of fractional rows and columns."""
        return np.column_stack(
            (self.x0 + row_col[:, 1] * self.dx, self.y0 - row_col[:, 0] * self.dy)
        )

    def sample(self, values, x, y, order: int = 1) -> np.ndarray:
        """Return values at positions, bilinear (order 1) or of the nearest cell (order 0)."""
        at = (self.y0 - y) / self.dy, (x - self.x0) / self.dx
        return ndimage.map_coordinates(values, at, float, order=order, mode="nearest")


@dataclass(frozen=True)
class _Face:
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


def _inner(area: _Area, margin: float) -> np.ndarray:
    """Return the mask of cells that have data all round up to a distance, m."""
    mask = ndimage.minimum_filter1d(area.valid, 2 * int(margin / area.dy) + 1, axis=0)
    return ndimage.minimum_filter1d(mask, 2 * int(margin / area.dx) + 1, axis=1)


def _lengths(line) -> np.ndarray:
    """Return the distance of each vertex from the first along the line, m."""
    return np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))))


def _evenly(line, closed: bool, step: float) -> np.ndarray:
    """Return the line with vertices about ``step`` apart; a ring does not repeat its first."""
    if closed:
        line = np.vstack((line, line[:1]))
    s = _lengths(line)
    n = max(round(float(s[-1]) / step), 4)
    at = np.linspace(0.0, s[-1], n + 1)[: n if closed else n + 1]
    return np.column_stack((np.interp(at, s, line[:, 0]), np.interp(at, s, line[:, 1])))


def _deeper_left(line, smooth, area: _Area, step: float) -> np.ndarray:
    """Return the line in the direction that has the deeper side on its left."""
    forward = np.diff(line, axis=0)
    left = np.column_stack((-forward[:, 1], forward[:, 0]))
    left *= step / np.maximum(np.hypot(*left.T), 1e-12)[:, None]
    middle = (line[1:] + line[:-1]) / 2.0
    fall = area.sample(smooth, *(middle + left).T) - area.sample(smooth, *(middle - left).T)
    return line if fall.sum() >= 0.0 else line[::-1]


def _joined(lines: list, gap: float) -> list:
    """Join each end to the start that lies ahead of it within ``gap``, nearest first.

    Returns pairs (line, closed); a closed line does not repeat its first vertex.
    """
    rings = [line for line in lines if np.array_equal(line[0], line[-1])]
    lines = [line for line in lines if not np.array_equal(line[0], line[-1])]
    joined = [(ring[:-1], True) for ring in rings]
    if not lines:
        return joined
    starts = np.array([line[0] for line in lines])
    stops = np.array([line[-1] for line in lines])
    into = np.array([_unit(line[:_HEADING][-1] - line[0]) for line in lines])
    out_of = np.array([_unit(line[-1] - line[-_HEADING:][0]) for line in lines])
    options = []
    for i, near in enumerate(cKDTree(stops).query_ball_tree(cKDTree(starts), gap)):
        for j in near:
            way = starts[j] - stops[i]
            length = np.hypot(*way)
            # Within 60 degrees of straight ahead, seen from both.
            if min(way @ out_of[i], way @ into[j]) >= 0.5 * length:
                options.append((length, i, j))
    after, before = {}, {}
    for _, i, j in sorted(options):
        if i not in after and j not in before:
            after[i], before[j] = j, i
    used = set()
    first = [i for i in range(len(lines)) if i not in before]
    for i in first + list(range(len(lines))):
        if i in used:
            continue
        parts, j = [], i
        while j is not None and j not in used:
            used.add(j)
            parts.append(lines[j])
            j = after.get(j)
        joined.append((np.concatenate(parts), j == i))
    return joined


def _unit(vector) -> np.ndarray:
    return vector / max(np.hypot(*vector), 1e-12)


def _smoothed(line, closed: bool, sigma: float) -> np.ndarray:
    """Return the line smoothed by a Gaussian of ``sigma`` vertices, its ends kept."""
    if closed:
        return ndimage.gaussian_filter1d(line, sigma, axis=0, mode="wrap")
    pad = min(int(4.0 * sigma) + 1, len(line) - 1)
    head = 2.0 * line[0] - line[pad:0:-1]
    tail = 2.0 * line[-1] - line[-2 : -pad - 2 : -1]
    whole = ndimage.gaussian_filter1d(np.vstack((head, line, tail)), sigma, axis=0)
    return whole[pad:-pad]


def _face(
    line, closed, area, scale, step, uncertainty, distance, spacing
) -> _Face | None:
    """Draw profiles across a line and find crest, steepest point and toe on them."""
    mode = "wrap" if closed else "nearest"
    line = _evenly(_smoothed(line, closed, 2.0 * scale / step), closed, step)
    down = _across(line, closed)
    cell = scale / 4.0
    half = int(max(_REACH_M, 12.0 * scale) / cell)
    t = np.arange(-half, half + 1) * cell
    x, y = line[:, :1] + t * down[:, :1], line[:, 1:] + t * down[:, 1:]
    raw = area.sample(area.depth, x, y)
    known = area.sample(area.valid, x, y, order=0) > 0.5
    along = _STRIKE * scale / step
    profile = ndimage.gaussian_filter1d(raw, along, axis=0, mode=mode)
    slope = ndimage.gaussian_filter1d(profile, scale / cell, axis=1, order=1, mode="nearest")
    slope /= cell

    near = int(np.ceil(1.5 * scale / cell))
    top = half - near + slope[:, half - near : half + near + 1].argmax(axis=1)
    steepest = slope[np.arange(len(line)), top]
    upper, upper_seen = _rim(slope, known, top, steepest, half - near, -1)
    lower, lower_seen = _rim(slope, known, top, steepest, half - near, +1)
    seen = upper_seen & lower_seen & (steepest > 0.0)
    if not seen.any():
        return None

    # scipy 1.15 returns zeros where the window is much longer than the data.
    size = min(2 * int(0.5 * _MEDIAN * scale / step) + 1, len(line))
    rows, good = np.arange(len(line)), np.flatnonzero(seen)

    def regular(offsets):
        bridged = np.interp(rows, good, offsets[good], period=len(line) if closed else None)
        median = ndimage.median_filter(bridged, size, mode=mode)
        return ndimage.gaussian_filter1d(median, scale / step, mode=mode)

    variance = np.full(len(line), scale**2)
    if spacing > 0.0:
        across = _share_across(distance, x, y, cell, half, spacing)
        across = ndimage.gaussian_filter1d(across, along, mode=mode)
        variance = _TAKEN_OFF * (variance + across * spacing**2 / 6.0)
    middle = regular(t[top])
    upper = _sharpened(regular(upper * cell), variance)
    lower = _sharpened(regular(lower * cell), variance)
    widening = np.sqrt(1.0 + _TANH * variance / ((upper + lower) / 2.0) ** 2)
    offsets = np.stack((middle - upper, middle, middle + lower))

    at = np.clip((offsets + half * cell) / cell, 0, 2 * half)
    depths = ndimage.map_coordinates(profile, (np.broadcast_to(rows, at.shape), at), order=1)
    xy = line + offsets[:, :, None] * down
    tree = cKDTree(line)
    legal = np.array([tree.query(p)[0] for p in xy]) >= 0.9 * np.abs(offsets) - 0.5 * step
    if uncertainty is None:
        face = np.abs(t - middle[:, None]) <= ((upper + lower) / 2.0)[:, None]
        scatter = np.sqrt(((raw - profile) ** 2 * face).sum(axis=1) / face.sum(axis=1))
        error = np.sqrt(2.0) * scatter
    else:
        error = np.hypot(*(np.nan_to_num(uncertainty.sample(*xy[k].T)) for k in (0, 2)))
    return _Face(xy, depths, upper + lower, steepest * widening, error, seen, legal, closed)


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


def _rim(slope, known, top, steepest, reach, way) -> tuple:
    """Walk from the steepest point outwards to where the slope has fallen to its rim share.

    Returns the number of cells walked, shape (n,), and whether the rim was seen.
    """
    k = np.arange(reach + 1)
    rows, cols = np.arange(len(top))[:, None], top[:, None] + way * k
    f = slope[rows, cols]
    low = np.minimum.accumulate(f, axis=1)
    # The next face begins, or the data end.
    over = (f > low + 0.25 * (steepest[:, None] - low)) | ~known[rows, cols]
    over = np.logical_or.accumulate(over, axis=1)
    base = np.clip(np.where(over, steepest[:, None], f).min(axis=1), 0.0, None)
    limit = base + RIM_SHARE * (steepest - base)
    below = (f < limit[:, None]) & ~over
    first = np.maximum(below.argmax(axis=1), 1)
    seen = below.any(axis=1) & (base < _CONTRAST * steepest)
    rows = rows[:, 0]
    inner, outer = f[rows, first - 1], f[rows, first]
    drop = inner - outer
    share = np.where(drop > 0.0, (inner - limit) / np.where(drop > 0.0, drop, 1.0), 1.0)
    return first - 1.0 + np.clip(share, 0.0, 1.0), seen


def _sharpened(half_width, variance) -> np.ndarray:
    """Take the variance of smoothing off a half width, at most to 0.4 of it."""
    return np.sqrt(np.maximum(half_width**2 - variance, (0.4 * half_width) ** 2))


def _sections(faces, area, step, min_slope, min_height, min_length) -> list:
    """Cut faces where they are too low or too gentle; leave out what a longer one covers.

    Returns (face, rows, whole ring) for each drop-off, the longest first.
    """
    taken = np.zeros(area.valid.shape, dtype=bool)
    found = []
    order = sorted(range(len(faces)), key=lambda k: (-len(faces[k].seen), k))
    for face in (faces[k] for k in order):
        good = face.seen & (area.sample(taken, *face.xy[1].T, order=0) < 0.5)
        good &= face.height >= _HYSTERESIS * min_height
        good &= 100.0 * face.slope >= _HYSTERESIS * min_slope
        for rows, ring in _runs(good, face.closed, int(_BRIDGE * 2)):
            if (
                len(rows) < 3
                or (len(rows) - 1) * step < min_length
                or np.quantile(face.height[rows], 0.9) < min_height
                or 100.0 * np.quantile(face.slope[rows], 0.9) < min_slope
            ):
                continue
            found.append((face, rows, ring))
            _cover(taken, face, rows, area)
    return sorted(found, key=lambda section: -len(section[1]))


def _runs(good, closed: bool, bridge: int) -> list:
    """Return (rows, whole ring) of the runs of good vertices, gaps up to ``bridge`` included."""
    n = len(good)
    if not good.any():
        return []
    shift = 0
    if closed:
        if good.all():
            return [(np.arange(n), True)]
        # Start a ring within its longest gap.
        at = np.flatnonzero(good)
        gaps = np.diff(np.append(at, at[0] + n))
        if gaps.max() - 1 <= bridge:
            return [(np.arange(n), True)]
        shift = at[gaps.argmax()] + 1
    at = np.flatnonzero(np.roll(good, -shift))
    parts = np.split(at, np.flatnonzero(np.diff(at) - 1 > bridge) + 1)
    return [((np.arange(part[0], part[-1] + 1) + shift) % n, False) for part in parts]


def _cover(taken, face: _Face, rows, area: _Area) -> None:
    """Mark the cells between crest and toe, and one more around."""
    crest, toe = face.xy[0, rows], face.xy[2, rows]
    cell = min(area.dx, area.dy)
    n = int(np.ceil(face.width[rows].max() / cell)) + 1
    share = np.linspace(0.0, 1.0, n)[:, None, None]
    x, y = np.moveaxis(crest + share * (toe - crest), -1, 0)
    r = np.rint((area.y0 - y) / area.dy).astype(int).ravel()
    c = np.rint((x - area.x0) / area.dx).astype(int).ravel()
    for i in (-1, 0, 1):
        for j in (-1, 0, 1):
            row, col = np.clip(r + i, 0, taken.shape[0] - 1), np.clip(c + j, 0, taken.shape[1] - 1)
            taken[row, col] = True


def _lines(found) -> Lines:
    coords, table = [], {name: [] for name in BREAKLINE_ATTRIBUTES}
    for number, (face, rows, ring) in enumerate(found, start=1):
        height, width = face.height[rows].mean(), face.width[rows].mean()
        mean = np.mean(face.height[rows] / face.width[rows])
        most = face.slope[rows].max()
        error = max(face.error[rows].mean(), 1e-6)
        certain = special.erf(height / (2.0 * np.sqrt(2.0) * error))
        common = {
            "drop_off": number,
            "height_m": height,
            "width_m": width,
            "slope_mean_pct": 100.0 * mean,
            "slope_mean_deg": np.degrees(np.arctan(mean)),
            "slope_max_pct": 100.0 * most,
            "slope_max_deg": np.degrees(np.arctan(most)),
            "confidence": face.seen[rows].mean() * certain,
        }
        for k, kind in enumerate(BREAKLINE_KINDS):
            kept = rows[face.legal[k, rows]]
            line, depths = face.xy[k, kept], face.depth[k, kept]
            if ring:
                line = np.vstack((line, line[:1]))
            if len(line) < 2:
                continue
            coords.append(line)
            own = {
                "kind": kind,
                "depth_min_m": depths.min(),
                "depth_max_m": depths.max(),
                "depth_mean_m": depths.mean(),
                "length_m": _lengths(line)[-1],
            }
            for name, value in (common | own).items():
                table[name].append(value)
    return Lines(coords, table)
