"""Lakes of closed formula with forms of the bottom planted in them, and how well they are found.

Points, inside turns, humps and holes (:class:`Lake`): the lake lies south of a straight shore
(y = 0, y grows southwards here): a beach, a drop-off and a basin floor that keeps falling gently. A
point or an inside turn moves all depth contours away from or towards the shore along a bell; a hump
or a hole is a bell on the basin floor.

Flats, steep breaks and basins (:class:`Terraces`): a bottom that falls evenly towards the south, at
4.5 to 7 %, in which a flat is a rectangle of gentle slope, a steep break a face of tanh shape that
ends along its strike and fades out above and below, and a basin a rectangle with a level floor
below the lowest ground around it.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage
from shapely.geometry import Point

from lakefloor.algorithms.core.grid import Grid
from lakefloor.algorithms.core.polygons import inside

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
        zxy = (
            d(x + step, y + step)
            - d(x + step, y - step)
            - d(x - step, y + step)
            + d(x - step, y - step)
        ) / (4 * step**2)
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
        (form, polygon, x, -y)
        for form, polygon, x, y in zip(a["form"], areas.polygons, a["spot_x"], a["spot_y"])
        if form in out
    ]
    right = [False] * len(drawn)
    for f in lake.forms:
        out[f.form][0] += 1
        y = f.y
        if f.form in ("point", "inside turn"):
            y = lake.face_at + (f.reach if f.form == "point" else -f.reach)
        hit = [
            i
            for i, (form, polygon, _, _) in enumerate(drawn)
            if form == f.form and polygon.distance(Point(f.x, -y)) <= margin
        ]
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


# -- flats, steep breaks and basins --------------------------------------------------------------

STEEP, FLAT = 10.0, 3.0


@dataclass(frozen=True)
class Patch:
    form: str
    x: float
    y: float  # metres from the northern edge
    half_x: float  # m
    half_y: float  # m; of a steep break the width of its tanh
    value: float  # slope of a flat, greatest slope added by a break, depth of a basin's sill


def _rise(t, width):
    return 0.5 * (1.0 + np.tanh(t / width))


def _between(at, middle, half, soft):
    return _rise(at - middle + half, soft) * _rise(middle + half - at, soft)


@dataclass(frozen=True)
class Terraces:
    forms: tuple
    slope: float

    def depth(self, x, y):
        """Depth, m, at x and distance y from the northern edge; below 0 is land."""
        z = self.slope * y + 0.0 * x
        for f in self.forms:
            if f.form == "steep break":
                t = (y - f.y) / f.half_y
                fades = np.exp(-0.5 * ((y - f.y) / 50.0) ** 2)
                z = z + _between(x, f.x, f.half_x, 15.0) * f.value * f.half_y * np.tanh(t) * fades
                continue
            within = _between(x, f.x, f.half_x, 8.0) * _between(y, f.y, f.half_y, 8.0)
            if f.form == "flat":
                z = z + within * (f.value - self.slope) * (y - f.y)
            else:
                z = z + within * (self.slope * (f.y + f.half_y - y) + f.value)
        return z

    def slope_percent(self, x, y, step=0.5):
        d = self.depth
        return (
            50.0 / step * np.hypot(d(x + step, y) - d(x - step, y), d(x, y + step) - d(x, y - step))
        )

    def grid(self, cell=2.5, noise=0.0, seed=0, correlation=6.0):
        """The lake as a grid, 2000 m by 880 m, with noise as :meth:`Lake.grid`."""
        grid = Grid(np.zeros((round(880 / cell), round(2000 / cell))), 0.0, 40.0, cell, cell)
        z = self.depth(*np.meshgrid(grid.x, -grid.y))
        rough = np.random.default_rng(seed).normal(size=z.shape)
        rough = ndimage.gaussian_filter(rough, correlation / cell)
        return grid.like(np.where(z > 0.0, z + noise * rough / rough.std(), np.nan))


def terraced_lake(seed, spacing=20.0) -> Terraces:
    """Eight forms: flats and basins wider than what makes them one, breaks 4 to 14 spacings long.

    Flats of up to 2.2 % are at least 5.2 spacings wide; basins, with a sill of 0.6 to 2 m, at
    least 14; breaks add a greatest slope of 8 to 30 %.
    """
    rng = np.random.default_rng(seed)
    places = [(250.0 + 500.0 * i, y) for i in range(4) for y in (200.0, 620.0)]
    forms = []
    for form, (x, y) in zip(rng.permutation(["flat", "basin", "steep break"] * 3), places):
        at = x + rng.uniform(-20.0, 20.0), y + rng.uniform(-10.0, 10.0)
        half, other, value = {
            "flat": ((2.6, 7.0), (2.6, 5.0), (0.0, 0.022)),
            "basin": ((7.0, 10.0), (7.0, 7.6), (0.6, 2.0)),
            "steep break": ((2.0, 7.0), (0.4, 0.9), (0.08, 0.3)),
        }[str(form)]
        forms.append(
            Patch(
                str(form),
                *at,
                spacing * rng.uniform(*half),
                spacing * rng.uniform(*other),
                rng.uniform(*value),
            )
        )
    return Terraces(tuple(forms), rng.uniform(0.045, 0.07))


def terrace_score(lake: Terraces, grid: Grid, areas, spacing=20.0) -> dict:
    """Return by form: planted, found of them, drawn, right of those.

    One is found where a drawn one of its form covers half of the ground of the formula's slope
    in it. One that is drawn is right where four fifths of it lie within a third of a lane spacing
    of ground of about that slope, and it is not in a planted one of the other kind.
    """
    x, y = np.meshgrid(grid.x, -grid.y)
    slope = lake.slope_percent(x, y)
    drawn = [
        (form, inside(polygon, grid))
        for form, polygon in zip(areas.attributes["form"], areas.polygons)
        if form in ("flat", "basin", "steep break")
    ]
    out = {name: [0, 0, 0, 0] for name in ("flat", "basin", "steep break")}
    boxes = []
    for f in lake.forms:
        reach = 2.5 * f.half_y + 5.0 if f.form == "steep break" else f.half_y
        box = (np.abs(x - f.x) <= f.half_x) & (np.abs(y - f.y) <= reach)
        boxes.append((f.form, box))
        true = box & (slope >= STEEP if f.form == "steep break" else slope <= FLAT)
        out[f.form][0] += 1
        out[f.form][1] += any(
            2 * (m & true).sum() >= true.sum() for form, m in drawn if form == f.form
        )
    for form, mask in drawn:
        like = slope >= 0.8 * STEEP if form == "steep break" else slope <= 1.3 * FLAT
        near = ndimage.distance_transform_edt(~like, (grid.dy, grid.dx)) <= spacing / 3.0
        good = (near & mask).sum() >= 0.8 * mask.sum()
        there = [name for name, box in boxes if (box & mask).sum() > 0.3 * mask.sum()]
        good &= form == "steep break" or form in there or not there
        out[form][2] += 1
        out[form][3] += good
    return out
