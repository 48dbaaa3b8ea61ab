"""An invented reservoir: a winding drowned valley with the old river bed in it."""

import numpy as np
from shapely.geometry import Polygon

from lakefloor.algorithms.core.polygons import contains, rings
from lakefloor.algorithms.core.soundings import Soundings

LENGTH = 820.0
_WAVES = np.random.default_rng(5).uniform(size=(60, 3))


def _middle(x):
    return 120.0 * np.sin(x / 250.0)


def _half_width(x):
    ends = np.sqrt(np.clip(1.0 - (x / LENGTH) ** 8, 0.0, 1.0))
    return (110.0 + 45.0 * np.sin(x / 180.0 + 1.0) + 15.0 * np.sin(x / 60.0)) * ends


def true_depth(x, y):
    """Depth, m: 0 on the shore; deepens from west to east, with a bed 3.5 m deep, 22 m wide."""
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    wide = np.maximum(_half_width(x), 1e-6)
    across = y - _middle(x)
    part = np.clip(np.abs(across) / wide, 0.0, 1.0)
    bed = across - 40.0 * np.sin(x / 70.0) * np.clip(wide / 110.0, 0.0, 1.0)
    depth = (3.0 + 10.0 * (x + LENGTH) / (2.0 * LENGTH)) * (1.0 - part**4)
    depth += 3.5 * np.exp(-((bed / 11.0) ** 2)) * (1.0 - part**2)
    # A rough bottom: waves of 10 m to 150 m in all directions, the long ones higher.
    rough = np.zeros(np.shape(depth))
    for turn, length, phase in _WAVES:
        length = 10.0 * 15.0**length
        way = x * np.cos(2 * np.pi * turn) + y * np.sin(2 * np.pi * turn)
        rough += 0.05 * (length / 60.0) * np.sin(2 * np.pi * (way / length + phase))
    return depth + rough * np.clip(5.0 * (1.0 - part), 0.0, 1.0)


def shoreline(step: float = 1.4) -> Polygon:
    """The reservoir as a polygon."""
    x = np.linspace(1.0 - LENGTH, LENGTH - 1.0, int(2.0 * LENGTH / step))
    sides = [np.column_stack([x, _middle(x) + side * _half_width(x)]) for side in (1.0, -1.0)]
    return Polygon(np.vstack([sides[0], sides[1][::-1]]))


def survey(spacing: float, *, noise=0.05, position=0.7, ping=2.0, margin=12.0, seed=1) -> Soundings:
    """Lanes west-east, and lines across five lane spacings apart; see :mod:`made_lake`."""
    rng = np.random.default_rng(seed)
    inner = shoreline().buffer(-margin)
    west, south, east, north = inner.bounds
    xs, ys, lanes = [], [], []
    for start in np.arange(south, north, spacing) + rng.uniform(0, spacing):
        t = np.arange(west, east, ping)
        xs.append(t)
        ys.append(start + spacing / 12.0 * np.sin(t / 60.0 + rng.uniform(0, 6.28)))
        lanes.append(np.full(len(t), len(lanes) + 1))
    for start in np.arange(west, east, 5 * spacing) + rng.uniform(0, spacing):
        t = np.arange(south, north, ping)
        xs.append(start + spacing / 12.0 * np.sin(t / 60.0 + rng.uniform(0, 6.28)))
        ys.append(t)
        lanes.append(np.full(len(t), len(lanes) + 1))
    x, y, lane = (np.concatenate(part) for part in (xs, ys, lanes))
    afloat = contains(rings(inner), x, y)
    x, y, lane = (part[afloat] for part in (x, y, lane))
    return Soundings.build(
        x + rng.normal(0, position, len(x)),
        y + rng.normal(0, position, len(x)),
        true_depth(x, y) + rng.normal(0, noise, len(x)),
        lane=lane,
        visit="made",
        uncert=noise,
    )
