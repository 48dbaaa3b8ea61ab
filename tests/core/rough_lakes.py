"""Invented lakes of any roughness, whose depth is known everywhere, and surveys of them."""

import numpy as np
from shapely.geometry import Polygon

from lakefloor.algorithms.core.polygons import contains, rings
from lakefloor.algorithms.core.soundings import Soundings


class RoughLake:
    """A lake some 500 m by 380 m: a beach, a drop-off, and waves of 8 m to 200 m all over.

    Longer waves are higher in proportion; ``rough`` is the height, m, root mean square, of
    waves of 50 m.
    """

    def __init__(self, seed: int, rough: float):
        rng = np.random.default_rng(seed)
        self._shore = rng.normal(0.0, [0.08, 0.06, 0.04, 0.03]), rng.uniform(0.0, 6.28, 4)
        self._turn, self._phase = rng.uniform(0.0, 6.28, (2, 80))
        self._length = 8.0 * 25.0 ** rng.uniform(size=80)
        self._height = rough * np.sqrt(2.0 / 80.0) * self._length / 50.0
        self._at, self._width = rng.uniform(25.0, 70.0), rng.uniform(6.0, 20.0)
        self._drop, self._tilt = rng.uniform(2.0, 6.0), rng.uniform(0.01, 0.03)

    def _radius(self, angle):
        waves = sum(h * np.cos(k * angle + p) for k, (h, p) in enumerate(zip(*self._shore), 1))
        return 220.0 * (1.0 + waves) / np.hypot(0.85 * np.cos(angle), 1.15 * np.sin(angle))

    def true_depth(self, x, y):
        """Depth, m, 0 on the shore."""
        x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        r = np.hypot(x, y)
        fade = np.clip(r / 150.0, 0.0, 1.0) ** 2
        out = np.maximum(220.0 + fade * (self._radius(np.arctan2(y, x)) - 220.0) - r, 0.0)
        face = np.tanh((out - self._at) / self._width) + np.tanh(self._at / self._width)
        depth = self._tilt * out + 0.5 * self._drop * face
        for turn, length, phase, height in zip(self._turn, self._length, self._phase, self._height):
            way = x * np.cos(turn) + y * np.sin(turn)
            wave = height * np.sin(2.0 * np.pi * way / length + phase)
            depth = depth + wave * np.clip(out / 30.0, 0.0, 1.0)
        return depth

    def shoreline(self) -> Polygon:
        angle = np.linspace(0.0, 2.0 * np.pi, 900, endpoint=False)
        radius = self._radius(angle)
        return Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))

    def survey(self, spacing, noise, seed, *, position=0.7, ping=2.0, margin=12.0) -> Soundings:
        """Lanes of any heading, and cross-lines five spacings apart."""
        rng = np.random.default_rng(seed)
        inner = self.shoreline().buffer(-margin)
        turn, reach = rng.uniform(0.0, np.pi), 400.0
        parts = []
        for across, apart in ((False, spacing), (True, 5.0 * spacing)):
            for start in np.arange(-reach, reach, apart) + rng.uniform(0.0, apart):
                t = np.arange(-reach, reach, ping) + rng.uniform(0.0, ping)
                off = start + spacing / 12.0 * np.sin(t / 60.0 + rng.uniform(0.0, 6.28))
                u, v = (off, t) if across else (t, off)
                number = np.full(len(t), len(parts) + 1)
                parts.append(
                    (
                        np.cos(turn) * u - np.sin(turn) * v,
                        np.sin(turn) * u + np.cos(turn) * v,
                        number,
                    )
                )
        x, y, lane = (np.concatenate(column) for column in zip(*parts))
        afloat = contains(rings(inner), x, y)
        x, y, lane = x[afloat], y[afloat], lane[afloat]
        return Soundings.build(
            x + rng.normal(0.0, position, len(x)),
            y + rng.normal(0.0, position, len(x)),
            self.true_depth(x, y) + rng.normal(0.0, noise, len(x)),
            lane=lane,
            visit="made",
            uncert=max(noise, 0.02),
        )
