"""Lakes of closed formula with forms of the bottom planted in them, and how well they are found.

The lake lies south of a straight shore (y = 0, y grows southwards here): a beach, a drop-off and
a basin floor that keeps falling gently. A point or an inside turn moves all depth contours away
from or towards the shore along a bell; a hump or a hole is a bell on the basin floor.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage
from shapely.geometry import Point

from lakefloor.algorithms.core.grid import Grid

WIDTH, LENGTH, LAND = 1600.0, 600.0, 100.0


@dataclass(frozen=True)
class Planted:
    form: str
    x: float
    y: float  # metres from the shore
    size: float  # half width of a bell (1 sigma), m
    reach: float  # how far contours move, or height, m


@dataclass(frozen=True)
class Lake:
    forms: list = field(default_factory=list)
    tilt: float = 0.002
    drop: float = 4.0
    face: float = 18.0
    face_at: float = 110.0

    def depth(self, x, y):
        """Depth, m, at x and distance y from the straight shore; below 0 is land."""
        moved = np.zeros(np.broadcast_shapes(np.shape(x), np.shape(y)))
        z = np.zeros_like(moved)
        for f in self.forms:
            bell = np.exp(-0.5 * ((x - f.x) / f.size) ** 2)
            if f.form in ("point", "inside turn"):
                moved += (f.reach if f.form == "point" else -f.reach) * bell
            elif f.form in ("hump", "hole"):
                bell *= np.exp(-0.5 * ((y - f.y) / f.size) ** 2)
                z += (-f.reach if f.form == "hump" else f.reach) * bell
        n = y - moved
        face = np.tanh((n - self.face_at) / self.face) + np.tanh(self.face_at / self.face)
        return z + 0.02 * n * np.exp(-n / 150.0) + 0.5 * self.drop * face + self.tilt * n

    def relief(self, f) -> float:
        """How far a planted form stands out: on the face for points, its height else."""
        if f.form in ("point", "inside turn"):
            n = np.arange(0.0, 300.0)
            bare = Lake([], self.tilt, self.drop, self.face, self.face_at)
            return float((bare.depth(0.0, n + f.reach) - bare.depth(0.0, n)).max())
        return f.reach

    def grid(self, cell=2.5, noise=0.0, correlation=6.0, seed=0):
        """The lake as a grid with noise that hangs together over ``correlation`` m."""
        rows, cols = round((LENGTH + LAND) / cell), round(WIDTH / cell)
        grid = Grid(np.zeros((rows, cols)), 0.0, LAND, cell, cell)
        z = self.depth(*np.meshgrid(grid.x, -grid.y))
        if noise:
            rough = np.random.default_rng(seed).normal(size=z.shape)
            rough = ndimage.gaussian_filter(rough, correlation / cell)
            z = z + noise * rough / rough.std()
        z[self.depth(*np.meshgrid(grid.x, -grid.y)) <= 0] = np.nan
        return grid.like(z)

    def bends(self, x, y, step=5.0) -> float:
        """Curvature of the depth contour, 1/m: above 0 where it bends round shallow ground."""
        d = self.depth
        zx = (d(x + step, y) - d(x - step, y)) / (2 * step)
        zy = (d(x, y + step) - d(x, y - step)) / (2 * step)
        zxx = (d(x + step, y) - 2 * d(x, y) + d(x - step, y)) / step**2
        zyy = (d(x, y + step) - 2 * d(x, y) + d(x, y - step)) / step**2
        zxy = (d(x + step, y + step) - d(x + step, y - step) - d(x - step, y + step)
               + d(x - step, y - step)) / (4 * step**2)
        g = np.hypot(zx, zy)
        return float((zy**2 * zxx - 2 * zx * zy * zxy + zx**2 * zyy) / g**3)


def planted_lake(seed, spacing=20.0, noise=0.1) -> Lake:
    """A lake with forms of random size whose relief is above three times the noise.

    They are at least two lane spacings wide; points and inside turns move the contours by
    0.7 lane spacings and more.
    """
    rng = np.random.default_rng(seed)
    forms = []
    slots = rng.permutation(np.linspace(150.0, WIDTH - 150.0, 6))
    for i, x in enumerate(slots):
        # Half the height of a bell of sigma s is 2.35 s wide.
        size = rng.uniform(1.3, 2.6) * spacing
        bend = 1.0 / rng.uniform(25.0, 70.0)
        reach = max(min(bend * size**2, 1.4 * size), 0.7 * spacing)
        forms.append(Planted("point" if i % 2 else "inside turn", x, 0.0, size, reach))
    for i, x in enumerate(rng.permutation(np.linspace(130.0, WIDTH - 130.0, 8))):
        size = rng.uniform(0.9, 2.2) * spacing
        height = noise * np.exp(rng.uniform(np.log(3.2), np.log(20.0)))
        height = max(height, 1.2 * 0.002 * size / np.exp(-0.5))
        forms.append(
            Planted("hump" if i % 2 else "hole", x, rng.uniform(330.0, 470.0), size, height)
        )
    return Lake(forms)


def score(lake: Lake, areas, broad, margin=20.0) -> dict:
    """Return by form: planted, found of them, drawn, right of those.

    A drawn point or inside turn is also right where the contours of the formula bend
    that way more sharply than a disc of the broad radius.
    """
    out = {name: [0, 0, 0, 0] for name in ("point", "inside turn", "hump", "hole")}
    a = areas.attributes
    drawn = [
        (form, polygon, x, -y) for form, polygon, x, y in
        zip(a["form"], areas.polygons, a["spot_x"], a["spot_y"]) if form in out
    ]  # fmt: skip
    right = [False] * len(drawn)
    for f in lake.forms:
        out[f.form][0] += 1
        y = f.y
        if f.form in ("point", "inside turn"):
            y = lake.face_at + (f.reach if f.form == "point" else -f.reach)
        hit = [
            i for i, (form, polygon, _, _) in enumerate(drawn)
            if form == f.form and polygon.distance(Point(f.x, -y)) <= margin
        ]  # fmt: skip
        out[f.form][1] += bool(hit)
        for i in hit:
            right[i] = True
    for i, (form, _, x, y) in enumerate(drawn):
        out[form][2] += 1
        if form == "point":
            right[i] |= lake.bends(x, y) > 1.0 / broad
        if form == "inside turn":
            right[i] |= lake.bends(x, y) < -1.0 / broad
        out[form][3] += right[i]
    return out
