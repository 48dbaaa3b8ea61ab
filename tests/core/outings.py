"""Outings on an invented lake whose bottom is known, with the errors that honest logs have."""

from dataclasses import dataclass

import numpy as np

from lakefloor.algorithms.core.soundings import Soundings, concatenate

WEST, SOUTH = 400_000.0, 5_150_000.0
REDUCED = "from=transducer;datum=dock gauge;datum_elev_m=1;level_m=1.000"


@dataclass(frozen=True)
class Lake:
    """A basin with a steep shore on one side, humps and a hole; sizes in m."""

    size: float = 700.0
    deepest: float = 9.0
    steep: float = 1.0
    seed: int = 0

    def depth(self, x, y):
        rng = np.random.default_rng(self.seed)
        u, v = (x - WEST) / self.size, (y - SOUTH) / self.size
        rim = np.minimum(np.minimum(u * 4.0 * self.steep, (1 - u) * 3.0), np.minimum(v, 1 - v) * 4)
        depth = self.deepest * np.tanh(np.maximum(rim, 0.0))
        for _ in range(12):
            (a, b), r = rng.uniform(0.1, 0.9, 2), rng.uniform(20.0, 60.0) / self.size
            h = rng.normal(0, 0.8)
            depth = depth + h * np.exp(-((u - a) ** 2 + (v - b) ** 2) / (2 * r * r))
        return np.maximum(depth, 0.3)

    def hardness(self, x, y):
        u, v = (x - WEST) / self.size, (y - SOUTH) / self.size
        return 0.35 + 0.15 * np.sin(7 * u) * np.cos(5 * v) + 0.05 * np.sin(23 * (u + v))


def outing(
    lake,
    day,
    seed,
    *,
    lanes=10,
    angle=0.0,
    noise=0.07,
    position=2.5,
    gauge=0.03,
    weeds=0.0,
    bias=0.0,
    trend=0.0,
    gain=1.0,
    part=(0.05, 0.95),
    across=(0.05, 0.95),
    name=None,
    step=2.0,
):
    """Return a visit reduced to the datum, as it was logged with these errors.

    ``position`` is the standard deviation of the receiver's error, half of it constant throughout
    the day, the other half wandering over ten minutes; ``gauge`` that of the lake level; ``weeds``
    the share of soundings above the bottom; ``bias`` (m) and ``trend`` (m per m) plant a fault.
    """
    rng = np.random.default_rng(seed)
    run = np.arange(part[0], part[1], step / lake.size)
    parts = []
    for k, at in enumerate(np.linspace(*across, lanes)):
        along = run if k % 2 == 0 else run[::-1]
        parts.append(np.column_stack([along, np.full(run.size, at), np.full(run.size, k + 1)]))
    u, v, lane = np.concatenate(parts).T
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    u, v = 0.5 + c * (u - 0.5) - s * (v - 0.5), 0.5 + s * (u - 0.5) + c * (v - 0.5)
    inside = (u > 0.02) & (u < 0.98) & (v > 0.02) & (v < 0.98)
    u, v, lane = u[inside], v[inside], lane[inside]
    x, y, n = WEST + lake.size * u, SOUTH + lake.size * v, u.size
    truth = lake.depth(x, y)
    depth = truth * (1.0 + trend) + bias + rng.normal(0, gauge) + rng.normal(0, noise, n)
    tall = rng.random(n) < weeds
    depth = np.where(tall, depth - rng.uniform(0.2, 1.5, n), depth)
    half = position / np.sqrt(2.0)
    x, y = (
        p + rng.normal(0, half) + half * _wandering(rng, n, 600.0 / (step / 2.0)) for p in (x, y)
    )
    depth = np.maximum(np.round(depth / 0.03048) * 0.03048, 0.1)
    hardness = gain * (lake.hardness(x, y) + rng.normal(0, 0.03, n))
    return Soundings.build(
        x,
        y,
        depth,
        visit=name or day,
        lane=lane.astype(int),
        time=np.datetime64(f"{day}T14:00", "ms") + np.arange(n) * np.timedelta64(1000, "ms"),
        hardness=np.clip(hardness, 0.0, 1.0),
        uncert=np.hypot(0.08, 0.01 * depth),
        corrections=REDUCED,
    )


def _wandering(rng, n, length):
    """Return a series of standard deviation 1 that forgets itself over ``length`` pings."""
    keep = np.exp(-1.0 / length)
    out, kicks = np.empty(n), rng.normal(0, np.sqrt(1.0 - keep * keep), n)
    value = rng.normal()
    for i in range(n):
        value = out[i] = keep * value + kicks[i]
    return out


def store_of(lake, seed, visits=2, **options):
    """Return what a store holds after honest visits, lanes along and across in turn."""
    return concatenate(
        [
            outing(lake, f"202{4 + k}-06-1{k}", 1000 * seed + k, angle=90.0 * (k % 2), **options)
            for k in range(visits)
        ]
    )
