"""An invented lake whose depth is known everywhere, and a survey of it."""

import numpy as np
from shapely.geometry import Polygon

from lakefloor.algorithms.core.soundings import Soundings

ISLAND_X, ISLAND_Y, ISLAND_RADIUS = 250.0, -120.0, 60.0
_HUMPS = (  # easting, northing, rise in m, radius in m
    (-260.0, 90.0, 5.0, 45.0),
    (-60.0, -190.0, 4.0, 70.0),
    (90.0, 170.0, 6.0, 30.0),
    (420.0, 60.0, 3.0, 60.0),
    (-420.0, -60.0, -3.0, 55.0),
)


def _radius(angle):
    wave = 0.22 * np.cos(2 * angle) + 0.06 * np.sin(3 * angle) + 0.02 * np.cos(9 * angle)
    return 560.0 * (1.0 + wave)


def true_depth(x, y):
    """Depth, m: 0 on the shore, a steep shelf 40 m to 70 m out, humps, one island."""
    r = np.hypot(x, y)
    # The shore's shape fades towards the middle, where directions meet.
    fade = np.clip(r / 300.0, 0.0, 1.0)
    fade = fade * fade * (3.0 - 2.0 * fade)
    out = 560.0 + fade * (_radius(np.arctan2(y, x)) - 560.0) - r
    # A gentle beach, a drop of 7 m within some 25 m, then a basin that keeps deepening.
    depth = 0.03 * out + 3.5 * (np.tanh((out - 55.0) / 12.0) + 1.0) + 0.006 * out
    depth -= 3.5 * (np.tanh(-55.0 / 12.0) + 1.0)
    far = np.clip(out / 150.0, 0.0, 1.0)
    for hx, hy, rise, radius in _HUMPS:
        depth -= far * rise * np.exp(-((x - hx) ** 2 + (y - hy) ** 2) / (2 * radius**2))
    depth += far * 0.25 * np.sin(x / 17.0) * np.sin(y / 23.0)
    island2 = (x - ISLAND_X) ** 2 + (y - ISLAND_Y) ** 2 - ISLAND_RADIUS**2
    return depth * (1.0 - np.exp(-np.maximum(island2, 0.0) / 70.0**2))


def shoreline(step: float = 3.0) -> Polygon:
    """The lake as a polygon with its island as a hole, vertices about ``step`` m apart."""
    angle = np.linspace(0, 2 * np.pi, int(2 * np.pi * 560 / step), endpoint=False)
    outer = np.column_stack([np.cos(angle), np.sin(angle)]) * _radius(angle)[:, None]
    turn = np.linspace(0, 2 * np.pi, max(int(2 * np.pi * ISLAND_RADIUS / step), 12), endpoint=False)
    hole = np.column_stack([np.cos(turn), np.sin(turn)]) * ISLAND_RADIUS
    return Polygon(outer, [hole + [ISLAND_X, ISLAND_Y]])


def survey(spacing: float, *, noise=0.05, position=0.7, ping=2.0, margin=12.0, seed=1) -> Soundings:
    """Parallel lanes west-east with a tie line every five lanes, ended off the shore.

    Parameters
    ----------
    spacing : float
        Between lanes, m; the helm wanders by a twelfth of it.
    noise, position : float
        Standard deviation of depth and of each coordinate, m.
    ping, margin : float
        Between pings and from the shore, m.
    """
    rng = np.random.default_rng(seed)
    xs, ys, lanes = [], [], []

    def run(start, along, across):
        t = np.arange(-800.0, 800.0, ping) + rng.uniform(0, ping)
        wander = spacing / 12.0 * np.sin(t / 60.0 + rng.uniform(0, 6.28))
        xs.append(t * along[0] + (start + wander) * across[0])
        ys.append(t * along[1] + (start + wander) * across[1])
        lanes.append(np.full(len(t), len(lanes) + 1))

    for start in np.arange(-600.0, 600.0, spacing) + spacing / 3.0:
        run(start, (1, 0), (0, 1))
    for start in np.arange(-700.0, 700.0, 5 * spacing) + spacing / 3.0:
        run(start, (0, 1), (1, 0))
    x, y, lane = (np.concatenate(part) for part in (xs, ys, lanes))
    off_shore = np.hypot(x, y) < _radius(np.arctan2(y, x)) - margin
    off_island = np.hypot(x - ISLAND_X, y - ISLAND_Y) > ISLAND_RADIUS + margin
    x, y, lane = (part[off_shore & off_island] for part in (x, y, lane))
    return Soundings.build(
        x + rng.normal(0, position, len(x)),
        y + rng.normal(0, position, len(x)),
        true_depth(x, y) + rng.normal(0, noise, len(x)),
        lane=lane,
        visit="made",
        uncert=noise,
    )
