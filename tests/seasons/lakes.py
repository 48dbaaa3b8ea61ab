"""Invented lakes of closed formula: bottom, shore, hardness, water level, and what changes in years.

Places are UTM coordinates, m; a lake's formulas count from its own origin. Depth is below the lake
datum, m, positive down, exact at every place and time.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from pyproj import Transformer
from shapely.affinity import translate
from shapely.geometry import Polygon
from shapely.ops import unary_union

YEAR = np.timedelta64(31_557_600, "s")  # Julian


@dataclass(frozen=True)
class Basin:
    """Water of one formula: depth, not above 0 outside, and the shore where it is 0."""

    depth: Callable
    shore: Polygon


def round_basin(radius, waves, deepest, shelf, steep, steep_to, stretch=1.0):
    """A bowl with lobes, which are its bays and points.

    Parameters
    ----------
    radius : float
        m.
    waves : sequence of (int, float, float)
        Number, share of the radius and phase of each wave of the shore.
    deepest : float
        m.
    shelf : float
        Share of the way in over which it becomes deep; small is steep.
    steep, steep_to : float
        By how much the shelf is narrower towards a direction, rad.
    stretch : float
        East-west over north-south.
    """

    def reach(angle):
        return radius * (1.0 + sum(a * np.cos(k * angle + p) for k, a, p in waves))

    def depth(u, v):
        u = u / stretch
        angle = np.arctan2(v, u)
        q = 1.0 - (np.hypot(u, v) / reach(angle)) ** 2
        width = shelf * (1.0 - steep * np.cos(angle - steep_to))
        return deepest * (1.0 - np.exp(-q / width)) / (1.0 - np.exp(-1.0 / width))

    angle = np.linspace(0.0, 2.0 * np.pi, 1440, endpoint=False)
    r = reach(angle)
    return Basin(depth, Polygon(np.column_stack([stretch * r * np.cos(angle), r * np.sin(angle)])))


def valley(start, end, width, deepest, bend, phase):
    """A drowned valley from one end, where it is deepest, to the other: an arm of a reservoir.

    Parameters
    ----------
    start, end : tuple of float
        m.
    width : float
        Half of it, m.
    deepest : float
        m.
    bend, phase : float
        How far it winds, m, and how it begins, rad.
    """
    length = np.hypot(end[0] - start[0], end[1] - start[1])
    ex, ey = (end[0] - start[0]) / length, (end[1] - start[1]) / length

    def middle(s):
        return bend * np.sin(2.0 * np.pi * s * 1.3 + phase)

    def half(s):
        return width * (1.0 + 0.25 * np.sin(9.0 * s + phase)) * (1.0 - (2.0 * s - 1.0) ** 8)

    def depth(u, v):
        s = ((u - start[0]) * ex + (v - start[1]) * ey) / length
        t = (v - start[1]) * ex - (u - start[0]) * ey
        inside = (s > 0.0) & (s < 1.0)
        s = np.clip(s, 1e-9, 1.0 - 1e-9)
        q = 1.0 - ((t - middle(s)) / half(s)) ** 2
        floor = deepest * (1.0 - 0.6 * s) * (1.0 - (2.0 * s - 1.0) ** 4)
        return np.where(inside, floor * np.clip(q, None, 1.0), -1.0)

    s = np.linspace(0.0005, 0.9995, 700)
    along = np.array(start) + length * s[:, None] * np.array([ex, ey])
    across = np.array([-ey, ex])
    sides = [along + (middle(s) + side * half(s))[:, None] * across for side in (1.0, -1.0)]
    return Basin(depth, Polygon(np.vstack([sides[0], sides[1][::-1]])).buffer(0.0))


@dataclass(frozen=True)
class Bump:
    """A hump (share below 0) or a hollow: depth times 1 + share at its middle."""

    u: float
    v: float
    along: float
    across: float
    turn: float
    share: float

    def factor(self, u, v):
        """Return by what depths are multiplied."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        a = ((u - self.u) * c + (v - self.v) * s) / self.along
        b = ((v - self.v) * c - (u - self.u) * s) / self.across
        return 1.0 + self.share * np.exp(-0.5 * (a**2 + b**2))


@dataclass(frozen=True)
class Island:
    """An ellipse of land; the bottom falls away from it."""

    u: float
    v: float
    along: float
    across: float

    def factor(self, u, v):
        """Return by what depths are multiplied, not above 0 on the island."""
        e = np.hypot((u - self.u) / self.along, (v - self.v) / self.across)
        return 1.0 - np.exp(-(e - 1.0) / 1.2)

    @property
    def outline(self):
        """The shore of the island."""
        a = np.linspace(0.0, 2.0 * np.pi, 360, endpoint=False)
        return Polygon(
            np.column_stack([self.u + self.along * np.cos(a), self.v + self.across * np.sin(a)])
        )


@dataclass(frozen=True)
class Dredging:
    """A round hole dug on a day: ``height (1 - (r / radius)^4)^2`` deeper, of exact volume."""

    u: float
    v: float
    radius: float
    height: float
    day: np.datetime64

    def deeper(self, u, v, when):
        """Return how much deeper it is, m."""
        r = np.hypot(u - self.u, v - self.v) / self.radius
        return np.where(
            (when >= self.day) & (r < 1.0), self.height * (1.0 - np.clip(r, 0, 1) ** 4) ** 2, 0.0
        )

    @property
    def volume(self):
        """Dug out, m3: 2 pi times the integral of r over the formula is 8/15 pi radius^2 height."""
        return 8.0 / 15.0 * np.pi * self.radius**2 * self.height


@dataclass(frozen=True)
class Silting:
    """Mud that settles round a place at a rate, m a year at the middle, from a day on."""

    u: float
    v: float
    size: float
    rate: float
    day: np.datetime64

    def deeper(self, u, v, when):
        """Return how much deeper it is, m, which is below 0."""
        years = np.clip((when - self.day) / YEAR, 0.0, None)
        return (
            -self.rate
            * years
            * np.exp(-0.5 * ((u - self.u) ** 2 + (v - self.v) ** 2) / self.size**2)
        )

    @property
    def volume(self):
        """Settled in a year, m3."""
        return 2.0 * np.pi * self.size**2 * self.rate


@dataclass(frozen=True)
class Lake:
    """An invented lake; see the module.

    Attributes
    ----------
    name : str
    epsg : int
        UTM zone.
    origin : tuple of float
        m.
    spacing : float
        Of the lanes that suit it, m.
    basins, bumps, islands, changes : tuple
    texture : float
        Unevenness as a share of depth.
    hard : tuple of (float, float, float)
        Middle and radius of hard grounds, m.
    gauge_at_datum : float
        Reading of the gauge when the lake stands at its datum, m.
    swing : float
        Half the range of the lake's level in a year, m.
    high_water : float
        When in the year it stands highest, 0 to 1.
    """

    name: str
    epsg: int
    origin: tuple
    spacing: float
    basins: tuple
    bumps: tuple = ()
    islands: tuple = ()
    changes: tuple = ()
    texture: float = 0.03
    hard: tuple = ()
    gauge_at_datum: float = 100.0
    swing: float = 0.45
    high_water: float = 0.35

    def local(self, x, y):
        """Return places counted from the origin, m."""
        return np.asarray(x, float) - self.origin[0], np.asarray(y, float) - self.origin[1]

    def depth(self, x, y, when):
        """Return the depth below the datum, m, at places and at one time or one for each.

        NaN on land.
        """
        u, v = self.local(x, y)
        first = np.max([basin.depth(u, v) for basin in self.basins], axis=0)
        wet = first > 0.0
        depth = np.maximum(first, 0.0)
        depth = depth * (1.0 + self.texture * np.sin(u / 9.3 + 1.0) * np.sin(v / 11.1 + u / 47.0))
        for part in self.bumps:
            depth = depth * part.factor(u, v)
        for island in self.islands:
            factor = island.factor(u, v)
            wet &= factor > 0.0
            depth = depth * np.maximum(factor, 0.0)
        for change in self.changes:
            depth = depth + change.deeper(u, v, when)
        return np.where(wet, depth, np.nan)

    def hardness(self, x, y):
        """Return relative hardness, 0 to 1."""
        u, v = self.local(x, y)
        hard = [0.5 + 0.5 * np.tanh((r - np.hypot(u - a, v - b)) / 4.0) for a, b, r in self.hard]
        return 0.3 + 0.35 * np.max([np.zeros_like(u), *hard], axis=0)

    def level(self, when):
        """Return the height of the water above the datum, m, at one or more times."""
        year = (np.asarray(when, "datetime64[ms]") - np.datetime64("2020-01-01", "ms")) / YEAR
        slow = np.cos(2.0 * np.pi * (year - self.high_water))
        return self.swing * (0.85 * slow + 0.15 * np.sin(2.0 * np.pi * year * 7.3 + 0.4))

    @property
    def shore(self):
        """The shoreline at the datum, islands as holes, in UTM."""
        water = unary_union([basin.shore for basin in self.basins])
        water = water.difference(unary_union([island.outline for island in self.islands]))
        return translate(water, *self.origin)

    @property
    def dredging(self):
        """The hole that is dug, or None."""
        return next((c for c in self.changes if isinstance(c, Dredging)), None)

    @property
    def silting(self):
        """The mud that settles, or None."""
        return next((c for c in self.changes if isinstance(c, Silting)), None)

    def to_degrees(self, x, y):
        """Return longitude and latitude on WGS 84."""
        return Transformer.from_crs(self.epsg, 4326, always_xy=True).transform(x, y)

    def to_utm(self, lon, lat):
        """Return places in UTM, m."""
        return Transformer.from_crs(4326, self.epsg, always_xy=True).transform(lon, lat)


DUG, SILT_FROM = np.datetime64("2024-03-01", "ms"), np.datetime64("2021-01-01", "ms")


def alder():
    """A lake of the north, west of Greenwich: bays, points, a hump, an island; 8 m deep."""
    return Lake(
        "Alder",
        32615,
        (402_300.0, 5_151_700.0),
        14.0,
        (
            round_basin(
                150.0, ((2, 0.12, 0.4), (3, 0.1, 1.1), (5, 0.06, 2.0)), 8.0, 0.6, 0.4, 2.6, 1.35
            ),
        ),
        bumps=(Bump(60, -35, 18, 28, 0.5, -0.45), Bump(-70, 30, 25, 14, 1.1, 0.2)),
        islands=(Island(25.0, 60.0, 16.0, 10.0),),
        changes=(Dredging(-25.0, -55.0, 22.0, 2.0, DUG), Silting(110.0, 10.0, 22.0, 0.06, SILT_FROM)),
        hard=((60.0, -35.0, 30.0), (-90.0, -10.0, 35.0)),
    )  # fmt: skip


def weka():
    """A deep lake of the far south-east with steep shores; 18 m deep."""
    return Lake(
        "Weka",
        32759,
        (318_500.0, 5_002_400.0),
        16.0,
        (
            round_basin(
                165.0, ((2, 0.18, 2.2), (4, 0.07, 0.3), (7, 0.03, 1.0)), 18.0, 0.6, 0.4, 0.7, 1.25
            ),
        ),
        bumps=(Bump(-60, 45, 30, 20, 2.0, -0.5), Bump(40, -10, 60, 25, 0.3, 0.12)),
        changes=(Dredging(70.0, 75.0, 20.0, 2.4, DUG), Silting(-120.0, -20.0, 20.0, 0.08, SILT_FROM)),
        hard=((-60.0, 45.0, 35.0), (80.0, -60.0, 40.0)),
        texture=0.01,
        gauge_at_datum=0.6,
        high_water=0.85,
    )  # fmt: skip


def puma():
    """A reservoir of the south-west: two drowned valleys that meet, points between; 15 m deep."""
    return Lake(
        "Puma",
        32719,
        (655_200.0, 5_440_900.0),
        13.0,
        (
            valley((-210.0, -60.0), (250.0, 70.0), 72.0, 15.0, 18.0, 0.4),
            valley((-120.0, -40.0), (40.0, 230.0), 55.0, 11.0, 10.0, 2.0),
        ),
        bumps=(Bump(110, 25, 20, 14, 0.0, -0.4),),
        changes=(Dredging(-60.0, -25.0, 20.0, 2.2, DUG), Silting(175.0, 50.0, 24.0, 0.07, SILT_FROM)),
        hard=((110.0, 25.0, 28.0), (-20.0, 90.0, 30.0)),
        gauge_at_datum=412.0,
        high_water=0.8,
    )  # fmt: skip


def tarn():
    """A shallow pond near Greenwich, flat and weedy; 3.5 m deep."""
    return Lake(
        "Tarn",
        32630,
        (562_000.0, 6_021_000.0),
        12.0,
        (round_basin(95.0, ((2, 0.2, 1.0), (3, 0.08, 0.2)), 3.5, 0.12, 0.3, 4.0, 1.4),),
        bumps=(Bump(-30, 10, 18, 18, 0.0, -0.3),),
        changes=(Dredging(35.0, -10.0, 18.0, 1.2, DUG), Silting(-80.0, 0.0, 18.0, 0.04, SILT_FROM)),
        hard=((35.0, -10.0, 25.0),),
        texture=0.02,
        gauge_at_datum=2.0,
        swing=0.25,
    )  # fmt: skip


def sedge():
    """A small lake of even slopes, for a short season; 5.5 m deep."""
    return Lake(
        "Sedge",
        32633,
        (431_000.0, 5_902_000.0),
        12.0,
        (round_basin(88.0, ((2, 0.12, 0.9), (3, 0.06, 2.0)), 5.5, 0.6, 0.3, 1.0, 1.3),),
        bumps=(Bump(30, 20, 16, 22, 0.4, -0.35),),
        changes=(Dredging(-25.0, -20.0, 17.0, 1.5, DUG), Silting(60.0, -15.0, 18.0, 0.05, SILT_FROM)),
        hard=((30.0, 20.0, 25.0),),
        gauge_at_datum=31.0,
        swing=0.3,
    )  # fmt: skip


#: By name; the first is the simplest.
LAKES = {make.__name__: make for make in (alder, weka, puma, tarn, sedge)}
