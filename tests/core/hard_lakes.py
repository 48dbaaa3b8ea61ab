"""Made lakes of known hardness, sounded by visits of different gain."""

import numpy as np

from lakefloor.algorithms.core.grid import Grid
from lakefloor.algorithms.core.soundings import Soundings, concatenate

WIDTH, HEIGHT = 400.0, 300.0


def depth_m(x, y):
    """Depth falls from 2 m in the west to 12 m in the east, with a swell across."""
    return 7.0 - 5.0 * np.cos(np.pi * x / WIDTH) + 0.6 * np.sin(2.0 * np.pi * y / 150.0)


def depth_grid(cell=4.0):
    x = np.arange(-20.0, WIDTH + 20.0, cell)
    y = np.arange(-20.0, HEIGHT + 20.0, cell)
    gx, gy = np.meshgrid(x + cell / 2, y[::-1] + cell / 2)
    return Grid(depth_m(gx, gy), -20.0, HEIGHT + 20.0, cell, cell)


def rise(distance, width=3.0):
    return 0.5 * (1.0 + np.tanh(distance / width))


#: Two hard grounds, one in shallow and one in deep water: (x, y, radius), m.
PATCHES = ((110.0, 150.0, 70.0), (300.0, 170.0, 60.0))


def patches(x, y, soft=0.3, hard=0.65):
    """Hard rounds in a soft lake, their edges about 7 m wide (10 to 90 percent: 2.2 x 3 m)."""
    inside = np.max([rise(r - np.hypot(x - px, y - py)) for px, py, r in PATCHES], axis=0)
    return soft + (hard - soft) * inside


def patch_lines():
    angle = np.linspace(0.0, 2.0 * np.pi, 361)
    return [
        np.column_stack([px + r * np.cos(angle), py + r * np.sin(angle)]) for px, py, r in PATCHES
    ]


def bands(x, y):
    """Three bottoms in strips from west to east: soft, medium, hard, soft."""
    return 0.2 + 0.25 * rise(x - 100.0) + 0.25 * rise(x - 200.0) - 0.5 * rise(x - 300.0)


def lanes(across, spacing=20.0, step=2.2, west=0.0, east=WIDTH, south=0.0, north=HEIGHT):
    """Return x and y along parallel lanes to and fro, running east-west or north-south."""
    at = np.arange(
        (south if across == "y" else west) + 10.0, north if across == "y" else east, spacing
    )
    low, high = (west, east) if across == "y" else (south, north)
    run = np.arange(low + 5.0, high - 5.0, step)
    along = np.concatenate([run[::-1] if i % 2 else run for i in range(len(at))])
    fixed = np.repeat(at, len(run))
    return (along, fixed) if across == "y" else (fixed, along)


def visit(
    name,
    x,
    y,
    hardness,
    seed,
    gain=1.0,
    offset=0.0,
    per_decade=0.0,
    per_degree=0.0,
    noise=0.03,
    texture=0.02,
    position=0.5,
):
    """Return soundings of one visit; the texture of the bottom is the same for all visits."""
    rng = np.random.default_rng(seed)
    true = hardness(x, y) + texture * np.sin(x / 3.1 + 1.7 * np.sin(y / 4.3))
    d = depth_m(x, y)
    sx = 5.0 * np.pi / WIDTH * np.sin(np.pi * x / WIDTH)
    sy = 0.6 * 2.0 * np.pi / 150.0 * np.cos(2.0 * np.pi * y / 150.0)
    slope = np.degrees(np.arctan(np.hypot(sx, sy)))
    seen = true + per_decade * np.log10(d / 7.0) + per_degree * slope
    logged = gain * seen + offset + noise * rng.standard_normal(len(x))
    jitter = position * rng.standard_normal((2, len(x)))
    return Soundings.build(
        x + jitter[0], y + jitter[1], d, hardness=np.round(np.clip(logged, 0.0, 1.0), 2), visit=name
    )


def survey(hardness, gains=((1.0, 0.0), (0.8, 0.12), (1.15, -0.08)), **traits):
    """Return three visits: the whole lake, cross-lanes 60 m apart, the eastern half."""
    a = visit("2025-05-10", *lanes("y"), hardness, 1, *gains[0], **traits)
    b = visit("2025-07-02", *lanes("x", 60.0), hardness, 2, *gains[1], **traits)
    c = visit("2025-09-14", *lanes("x", 25.0, west=230.0), hardness, 3, *gains[2], **traits)
    return concatenate([a, b, c])
