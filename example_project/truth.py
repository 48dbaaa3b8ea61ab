"""Lake Marrowby, an invented lake: its true bottom, shoreline, drop-off and hardness.

Everything is a closed formula, so that a map of the lake can be compared with
what it should show. Positions are eastings and northings in metres (UTM 15N,
EPSG:32615), depths are metres below lake datum, positive down.
"""

import numpy as np
from shapely.geometry import Polygon

EPSG = 32615
#: The origin of the formulas' own coordinates, near the middle of the lake.
ORIGIN = (377000.0, 5146000.0)

#: Crest and toe of z = (H/2) tanh(n/w), the extremes of z'', lie at n = -+0.658 w.
CREST_TOE = float(np.arctanh(1.0 / np.sqrt(3.0)))

SHELF_DEPTH, BASIN_DEPTH = 2.4, 7.7
#: Half-width w of the drop-off on its steep stretch, m, and that stretch's ends (local x).
DROP_OFF_WIDTH, DROP_OFF_ENDS = 7.0, (-150.0, 150.0)
#: How far on the deep side of the drop-off's mid-face the hard bottom ends, m.
HARD_APRON = 14.0
#: Local x where the gravel of the shelf gives way to muck.
SHELF_SOFT_X = 170.0

ISLAND = {"x": 150.0, "y": 110.0, "a": 24.0, "b": 16.0, "turn": np.radians(20.0)}
HUMP = {"x": -60.0, "y": 62.0, "radius": 26.0, "height": 5.1, "hard_radius": 34.0}
MAIN_HOLE = {"x": 80.0, "y": 15.0, "sx": 75.0, "sy": 48.0, "extra": 3.3}
SECOND_HOLE = {"x": -200.0, "y": 35.0, "sx": 50.0, "sy": 45.0, "extra": 1.6}
FLAT = {"depth": 4.3, "x": 225.0, "width": 20.0}


def local(x, y):
    """Return positions relative to :data:`ORIGIN`, m."""
    return np.asarray(x, dtype=float) - ORIGIN[0], np.asarray(y, dtype=float) - ORIGIN[1]


def _step(u):
    return 0.5 * (1.0 + np.tanh(u))


def _bell(angle, centre, width):
    away = np.angle(np.exp(1j * (angle - centre)))
    return np.exp(-((away / width) ** 2))


def shore_radius(angle):
    """Return the distance from the origin to the shore, m, by direction (radians from east)."""
    a, b = 350.0, 222.0
    ellipse = a * b / np.hypot(b * np.cos(angle), a * np.sin(angle))
    wavy = (
        1.0
        + 0.040 * np.sin(2 * angle + 0.6)
        + 0.035 * np.sin(3 * angle + 1.9)
        + 0.020 * np.sin(5 * angle + 0.4)
    )
    bay = 95.0 * _bell(angle, np.radians(150.0), 0.13)
    bay = bay - 22.0 * _bell(angle, np.radians(128.0), 0.16)
    point = 95.0 * _bell(angle, np.radians(-105.0), 0.20)
    return ellipse * wavy + bay - point


def _island_rho2(u, v):
    u, v = u - ISLAND["x"], v - ISLAND["y"]
    c, s = np.cos(ISLAND["turn"]), np.sin(ISLAND["turn"])
    return ((c * u + s * v) / ISLAND["a"]) ** 2 + ((c * v - s * u) / ISLAND["b"]) ** 2


def _mid_face(t):
    """Local y of the drop-off's steepest line at local x = t, its slope and its bend."""
    p, q = (t + 45.0) / 62.0, (t - 78.0) / 62.0
    turn_out, turn_in = 44.0 * np.exp(-(p**2)), -42.0 * np.exp(-(q**2))
    y = -78.0 + turn_out + turn_in
    slope = (-2.0 * p * turn_out - 2.0 * q * turn_in) / 62.0
    bend = ((4 * p**2 - 2) * turn_out + (4 * q**2 - 2) * turn_in) / 62.0**2
    return y, slope, bend


def _face_width(t):
    return DROP_OFF_WIDTH + 38.0 * (_step((-t - 215.0) / 28.0) + _step((t - 215.0) / 28.0))


def _face_distance(u, v):
    """Signed distance to the mid-face, positive on the deep side, and the foot's local x."""
    best, foot = np.full(np.shape(u), np.inf), np.array(u, dtype=float)
    for offset in np.arange(-96.0, 97.0, 6.0):
        d2 = offset**2 + (v - _mid_face(u + offset)[0]) ** 2
        nearer = d2 < best
        best, foot = np.where(nearer, d2, best), np.where(nearer, u + offset, foot)
    for _ in range(8):
        y, slope, bend = _mid_face(foot)
        step = ((foot - u) + (y - v) * slope) / np.maximum(1 + slope**2 + (y - v) * bend, 0.3)
        foot = foot - np.clip(step, -6.0, 6.0)
    y = _mid_face(foot)[0]
    return np.copysign(np.hypot(u - foot, v - y), v - _mid_face(u)[0]), foot


def _gauss(u, v, form):
    return np.exp(
        -0.5 * (((u - form["x"]) / form["sx"]) ** 2 + ((v - form["y"]) / form["sy"]) ** 2)
    )


def depth_m(x, y, hump_height=HUMP["height"]):
    """Return the true depth below lake datum, m, positive down; NaN on land.

    A basin with two holes, a hump and a flat, cut by a drop-off of tanh profile
    towards a shelf, times factors that fall to exactly 0 at the shore and at the
    island.

    Parameters
    ----------
    x, y : array, any shape
        Easting and northing, m.
    hump_height : float
        Height of the hump above the basin, m; 0 is the lake as the old map has it.
    """
    u, v = local(x, y)
    angle, radius = np.arctan2(v, u), np.hypot(u, v)
    shore = 1.0 - (radius / shore_radius(angle)) ** 5
    island = np.tanh((_island_rho2(u, v) - 1.0) / 6.0)

    basin = BASIN_DEPTH + sum(h["extra"] * _gauss(u, v, h) for h in (MAIN_HOLE, SECOND_HOLE))
    with np.errstate(divide="ignore", invalid="ignore"):
        # Divided by the shore factor to come, so that the flat stays level almost to its edge.
        flat = FLAT["depth"] * np.tanh(3.0 * shore) / (np.tanh(3.0) * shore)
    basin = basin + (flat - basin) * _step((u - FLAT["x"]) / FLAT["width"])
    away2 = (u - HUMP["x"]) ** 2 + (v - HUMP["y"]) ** 2
    basin = basin - hump_height * np.exp(-0.5 * away2 / HUMP["radius"] ** 2)

    n, foot = _face_distance(u, v)
    bottom = SHELF_DEPTH + (basin - SHELF_DEPTH) * _step(n / _face_width(foot))
    return np.where((shore > 0) & (island > 0), bottom * shore * island, np.nan)


def hardness_truth(x, y):
    """Return the true relative bottom hardness, 0 soft to 1 hard, at positions of any shape."""
    u, v = local(x, y)
    n, _ = _face_distance(u, v)
    shelf = _step((HARD_APRON - n) / 5.0) * _step((SHELF_SOFT_X - u) / 5.0)
    away = np.hypot(u - HUMP["x"], v - HUMP["y"])
    hump = _step((HUMP["hard_radius"] - away) / 5.0)
    return 0.28 + 0.46 * (1.0 - (1.0 - shelf) * (1.0 - hump))


def shore_ring(n=720):
    """Return vertices of the outer shore, shape (n, 2), counter-clockwise, not closed."""
    angle = np.linspace(0.0, 2.0 * np.pi, n, endpoint=False)
    r = shore_radius(angle)
    return np.column_stack([ORIGIN[0] + r * np.cos(angle), ORIGIN[1] + r * np.sin(angle)])


def island_ring(n=90, scale=1.0):
    """Return vertices of the island's shore, shape (n, 2); ``scale`` 2 is twice as far out."""
    angle = np.linspace(0.0, 2.0 * np.pi, n, endpoint=False)
    p, q = scale * ISLAND["a"] * np.cos(angle), scale * ISLAND["b"] * np.sin(angle)
    c, s = np.cos(ISLAND["turn"]), np.sin(ISLAND["turn"])
    return np.column_stack(
        [ORIGIN[0] + ISLAND["x"] + c * p - s * q, ORIGIN[1] + ISLAND["y"] + s * p + c * q]
    )


def shoreline_polygon():
    """Return the lake at datum level as a shapely Polygon with the island as its hole."""
    return Polygon(shore_ring(), [island_ring()[::-1]])


def face_parallel(offset, start, end, spacing=1.0):
    """Return a line parallel to the drop-off's mid-face, shape (k, 2).

    Parameters
    ----------
    offset : float or callable
        Distance towards deep water, m; a callable gets the local x of the mid-face.
    start, end : float
        Local x of the ends, m.
    spacing : float
        Step in local x, m.
    """
    t = np.arange(start, end + spacing / 2, spacing)
    y, slope, _ = _mid_face(t)
    by = offset(t) if callable(offset) else offset
    norm = np.hypot(1.0, slope)
    return np.column_stack([ORIGIN[0] + t - by * slope / norm, ORIGIN[1] + y + by / norm])


def crest_line():
    """Return the drop-off's crest on its steep stretch, shape (k, 2)."""
    return face_parallel(lambda t: -CREST_TOE * _face_width(t), *DROP_OFF_ENDS)


def toe_line():
    """Return the drop-off's toe on its steep stretch, shape (k, 2)."""
    return face_parallel(lambda t: CREST_TOE * _face_width(t), *DROP_OFF_ENDS)


def steepest_line():
    """Return the drop-off's mid-face on its steep stretch, shape (k, 2)."""
    return face_parallel(0.0, *DROP_OFF_ENDS)


def transition_lines():
    """Return the hard-soft transitions as a list of arrays, shape (k, 2).

    The foot of the shelf's gravel apron, the gravel's eastern end on the shelf
    and the ring round the hump.
    """
    apron = face_parallel(HARD_APRON, -360.0, SHELF_SOFT_X)
    apron = apron[np.isfinite(depth_m(*apron.T))]
    angle = np.linspace(0.0, 2.0 * np.pi, 181)
    ring = np.column_stack(
        [
            ORIGIN[0] + HUMP["x"] + HUMP["hard_radius"] * np.cos(angle),
            ORIGIN[1] + HUMP["y"] + HUMP["hard_radius"] * np.sin(angle),
        ]
    )
    east = ORIGIN[0] + SHELF_SOFT_X
    northing = np.arange(apron[-1, 1], ORIGIN[1] - 260.0, -1.0)
    across = np.column_stack([np.full(len(northing), east), northing])
    return [apron, across[np.isfinite(depth_m(*across.T))], ring]


def sample_grid(cell=1.0):
    """Return eastings, northings and true depths of cell centres over the lake.

    Each of shape (k,), land left out; ``cell**2`` times the sum of the depths is
    the volume.
    """
    west, south, east, north = shoreline_polygon().bounds
    x = np.arange(np.floor(west) + cell / 2, east, cell)
    y = np.arange(np.floor(south) + cell / 2, north, cell)
    x, y = (a.ravel() for a in np.meshgrid(x, y))
    depth = depth_m(x, y)
    wet = np.isfinite(depth)
    return x[wet], y[wet], depth[wet]
