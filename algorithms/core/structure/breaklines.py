"""Drop-offs of a depth surface: crest, steepest line and toe."""

from __future__ import annotations

import numpy as np
from scipy import ndimage, special
from scipy.spatial import cKDTree

from ..errors import LakefloorError
from ..grid import Grid, Lines, Surface
from ..polylines import distances_along, evenly_spaced
from ..progress import Progress, silent, span
from ..spacing import surface_spacing
from .drop_off_faces import DepthWindow, Face, draw_face
from .ridge_lines import slope_maxima
from .structure_names import BREAKLINE_ATTRIBUTES, BREAKLINE_KINDS

#: No finer scale than a small boat's position and a sounder's beam resolve, m.
_MIN_SCALE_M = 4.0
#: Gaps that are bridged, in units of the scale.
_BRIDGE = 6.0
#: A drop-off that reaches the limits somewhere goes on down to this share of them.
_HYSTERESIS = 0.6
#: Vertices that tell where the end of a line is heading.
_HEADING = 10


def breaklines(
    surface: Surface,
    *,
    scale_m: float | None = None,
    min_slope_percent: float = 10.0,
    min_height_m: float = 1.0,
    min_length_m: float = 20.0,
    progress: Progress = silent,
) -> Lines:
    """Find the drop-offs of a surface: three lines for each, along the shelf.

    Parameters
    ----------
    surface : Surface
        Without uncertainty, the scatter of the depths along the drop-off is taken. The
        distance tells which way the lanes run, so that the widening of the face by
        interpolation between them can be taken off.
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
        If a limit is not above zero, or grids of the surface differ in shape.

    Notes
    -----
    The steepest line is where slope has its maximum along the gradient of the
    surface smoothed by a Gaussian. Profiles are drawn across it, averaged
    along the strike and smoothed across it. Crest and toe are where the bottom
    bends most across the face: the edges of an even ramp, also if they are rounded,
    and ``x = -+w atanh(1 / sqrt 3) = -+0.658 w`` of ``z = (H / 2) tanh(x / w)``.
    They are found by shares of the greatest slope, above that of the ground
    beyond, which on noisy data is far surer than a maximum of the second
    derivative. Smoothing blurs the slope: that of the filter, of variance
    ``scale_m^2``, and that of linear interpolation between lanes ``s`` apart, which
    with the filter is as wide at two thirds as a Gaussian of variance ``s^2 / 5``
    across them. Two thirds of the greatest slope lie at the right place for
    ``tanh`` without a blur, but 0.43 of the blur's standard deviation inwards
    of the edge of a ramp. Which of them a drop-off is, and so what the blur did,
    follows from its widths at one and two thirds; see
    :func:`.face_shapes.half_widths`. Offsets are regularized along the strike
    by a running median.

    On surveyed faces 8 to 40 m wide, the root mean square distance of crest and toe
    from where the bottom bends most was 0.10 to 0.17 of the lane spacing. On a face
    narrower than that, nothing tells its shape: sharp edges come out inwards, and
    round ones outwards, by up to a seventh of it in the mean.

    Confidence is the share of the line along which both rims were seen, times
    ``erf(h / (2 sqrt 2 u))``, the probability that the height ``h``, with
    standard deviation ``u``, is off by less than half of itself.

    References
    ----------
    Canny, J. (1986). A computational approach to edge detection. IEEE
    Transactions on Pattern Analysis and Machine Intelligence 8(6), 679-698.
    Lindeberg, T. (1998). Edge detection and ridge detection with automatic
    scale selection. International Journal of Computer Vision 30(2), 117-154.

    Examples
    --------
    A face of 4 m that falls eastwards in the middle of a lake 300 m wide.

    >>> import numpy as np
    >>> x = np.arange(1.0, 300.0, 2.0)
    >>> across = 5.0 + 2.0 * np.tanh((x - 150.0) / 10.0)
    >>> lines = breaklines(Surface(Grid(np.tile(across, (100, 1)), 0.0, 200.0, 2.0, 2.0)))
    >>> lines.attributes["kind"]
    ['crest', 'steepest', 'toe']
    >>> [round(float(line[:, 0].mean())) for line in lines.coords]
    [143, 150, 157]
    """
    surface.check_shapes()
    _check_limits(scale_m, min_slope_percent, min_height_m, min_length_m)
    depth = surface.depth
    valid = np.isfinite(depth.values)
    if not valid.any():
        return _lines([])
    spacing = surface_spacing(surface.spacing, surface.distance)
    scale = scale_m or max(2.0 * depth.dx, 2.0 * depth.dy, 0.3 * spacing, _MIN_SCALE_M)
    area = _window(depth, valid, scale)
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
        (evenly_spaced(line, closed, step), closed)
        for line, closed in _joined(oriented, _BRIDGE * scale)
        if distances_along(line)[-1] >= min_length_m / 2.0
    ]
    faces = []
    for k, (line, closed) in enumerate(lines):
        progress(0.6 + 0.4 * k / len(lines))
        face = draw_face(line, closed, area, scale, step, surface, spacing)
        if face is not None:
            faces.append(face)
    progress(1.0)
    return _lines(_sections(faces, area, step, min_slope_percent, min_height_m, min_length_m))


def _check_limits(scale_m, min_slope_percent, min_height_m, min_length_m) -> None:
    for name, value in (
        ("minimum slope", min_slope_percent),
        ("minimum height", min_height_m),
        ("minimum length", min_length_m),
        ("smoothing scale", 1.0 if scale_m is None else scale_m),
    ):
        if not (np.isfinite(value) and value > 0):
            raise LakefloorError(f"The {name} is {value}. Enter a value above 0.")


def _window(depth: Grid, valid, scale: float) -> DepthWindow:
    """Return the depths with as much beyond their edge as smoothing reaches."""
    pad = int(np.ceil(3.0 * scale / min(depth.dx, depth.dy))) + 2
    return DepthWindow.around(depth, valid, pad)


def _inner(area: DepthWindow, margin: float) -> np.ndarray:
    """Return the mask of cells that have data all round up to a distance, m."""
    mask = ndimage.minimum_filter1d(area.valid, 2 * int(margin / area.dy) + 1, axis=0)
    return ndimage.minimum_filter1d(mask, 2 * int(margin / area.dx) + 1, axis=1)


def _deeper_left(line, smooth, area: DepthWindow, step: float) -> np.ndarray:
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


def _cover(taken, face: Face, rows, area: DepthWindow) -> None:
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
                "length_m": distances_along(line)[-1],
            }
            for name, value in (common | own).items():
                table[name].append(value)
    return Lines(coords, table)
