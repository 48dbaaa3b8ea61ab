"""The invented lakes of the county: their shores and their true bottoms.

A shore is the rim of a band round a few lines, less islands; the depth follows from the distance to
the shore, with holes and humps. Nothing here is of the plugin. Positions are eastings and northings
in UTM 15N (EPSG:32615), m; depths are meters below lake datum, positive down.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree
from shapely.affinity import rotate, scale
from shapely.geometry import LineString, Point, Polygon
from shapely.ops import unary_union

EPSG = 32615
#: The south-western corner of the county, and how far apart its lakes lie, m.
CORNER, APART = (380000.0, 5150000.0), 4000.0


def band(points, width):
    """Return the water within ``width`` m of a line through local points, m."""
    return LineString(points).buffer(width, 24)


def oval(x, y, a, b, turn=0.0):
    """Return an ellipse with half-axes ``a`` and ``b`` m, turned by degrees."""
    return rotate(scale(Point(x, y).buffer(1.0, 48), a, b), turn)


def arc(radius, start, end, n=40):
    """Return points of an arc round the origin, degrees from east."""
    angle = np.radians(np.linspace(start, end, n))
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


@dataclass(frozen=True)
class Lake:
    """An invented lake.

    Parameters
    ----------
    name : str
    place : (int, int)
        Column and row in the county.
    water : list of shapely Polygon
        Together the lake, in local coordinates, m.
    islands : list of shapely Polygon
    depth : float
        Depth far from every shore, m.
    width : float
        Within this distance of the shore, m, the bottom falls by three quarters of ``depth``.
    forms : list of (x, y, radius, percentage)
        Holes (positive) and humps (negative), local m and percent of the depth.
    lanes : (float, float)
        Lane spacing, m, and heading, degrees counter-clockwise from east.
    """

    name: str
    place: tuple
    water: list
    depth: float
    width: float
    lanes: tuple
    islands: tuple = ()
    forms: tuple = ()

    @property
    def key(self):
        """The name of the lake's folder."""
        return self.name.lower().replace(" ", "_")

    @property
    def origin(self):
        """Easting and northing of the local origin, m."""
        return np.array(CORNER) + APART * np.array(self.place)

    @cached_property
    def polygon(self):
        """The lake at datum as a shapely Polygon in local coordinates, its corners rounded."""
        outer = unary_union(self.water).buffer(-6.0, 16).buffer(12.0, 16).buffer(-6.0, 16)
        if outer.geom_type != "Polygon":
            raise ValueError(f"{self.name} falls apart.")
        lake = Polygon(outer.exterior).difference(unary_union(list(self.islands)))
        return Polygon(_spaced(lake.exterior), [_spaced(ring) for ring in lake.interiors])

    @cached_property
    def _edges(self):
        """Starts and ends of all edges of the shore, each of shape (n, 2)."""
        rings = [np.asarray(r.coords) for r in (self.polygon.exterior, *self.polygon.interiors)]
        return np.vstack([r[:-1] for r in rings]), np.vstack([r[1:] for r in rings])

    @cached_property
    def _middles(self):
        start, end = self._edges
        return cKDTree((start + end) / 2.0)

    def to_shore(self, x, y):
        """Return distances to the nearest shore, m, of local points of any shape."""
        at = np.stack(np.broadcast_arrays(x, y), axis=-1)
        start, end = (e[self._middles.query(at, k=3)[1]] for e in self._edges)
        along, to = end - start, at[..., None, :] - start
        part = np.clip((to * along).sum(-1) / (along**2).sum(-1), 0.0, 1.0)
        return np.hypot(*np.moveaxis(to - part[..., None] * along, -1, 0)).min(-1)

    def depth_m(self, x, y):
        """Return true depths below datum, m, at local points in the water, of any shape."""
        away = self.to_shore(x, y)
        form = 1.0
        for fx, fy, radius, percent in self.forms:
            form = form + percent / 100.0 * np.exp(
                -0.5 * ((x - fx) ** 2 + (y - fy) ** 2) / radius**2
            )
        return self.depth * np.tanh(away / self.width) * form

    def wet(self, x, y):
        """Return whether the cells of a grid are water, shape (rows, cols), by its local axes."""
        start, end = self._edges
        rows = []
        for at in y:
            crossed = (start[:, 1] > at) != (end[:, 1] > at)
            a, b = start[crossed], end[crossed]
            shore = np.sort(a[:, 0] + (at - a[:, 1]) * (b - a)[:, 0] / (b - a)[:, 1])
            rows.append(np.searchsorted(shore, x) % 2 == 1)
        return np.array(rows)

    def sample(self, cell):
        """Return local x, y and true depth, each of shape (k,), of the cells in the water."""
        west, south, east, north = self.polygon.bounds
        x, y = np.arange(west + cell / 2, east, cell), np.arange(south + cell / 2, north, cell)
        wet = self.wet(x, y)
        x, y = (a[wet] for a in np.meshgrid(x, y))
        return x, y, self.depth_m(x, y)


def _spaced(ring, step=2.0):
    """Return a ring with a vertex about every ``step`` m."""
    n = max(int(ring.length / step), 12)
    return [ring.interpolate(i / n, normalized=True).coords[0] for i in range(n)]


#: Twelve lakes, the largest some thirty times the smallest.
COUNTY = (
    Lake(
        "Pell Pond", (0, 0), [oval(0, 0, 118, 110)],
        depth=6.0, width=30.0, lanes=(12.0, 90.0), forms=((20, 15, 35, 30),),
    ),
    Lake(
        "Quillet Pond", (1, 0), [Polygon([(-150, -95), (150, -95), (10, 165)])],
        depth=11.0, width=34.0, lanes=(12.0, 0.0), forms=((0, -20, 40, 25),),
    ),
    Lake(
        "Stane Quarry", (2, 0), [Polygon([(-160, -110), (150, -130), (165, 105), (-140, 125)])],
        depth=14.0, width=14.0, lanes=(14.0, 0.0), forms=((-60, 30, 45, -35),),
    ),
    Lake(
        "Lake Corwidge", (3, 0), [band(arc(330, 20, 250), 75)],
        depth=4.5, width=30.0, lanes=(16.0, 60.0), forms=((-330, 0, 60, 25), (0, 330, 50, 20)),
    ),
    Lake(
        "Harl Lake", (0, 1), [oval(0, 0, 380, 210, 25)],
        depth=8.5, width=55.0, lanes=(20.0, 115.0),
        forms=((150, 60, 70, 30), (-120, -50, 40, -45)),
    ),
    Lake(
        "Lake Ottervane", (1, 1),
        [oval(-330, 0, 250, 190), oval(330, 60, 220, 170), band([(-200, 0), (200, 40)], 32)],
        depth=9.0, width=45.0, lanes=(20.0, 90.0),
        forms=((-360, 10, 70, 35), (340, 60, 60, 20)),
    ),
    Lake(
        "Brindle Lake", (2, 1),
        [
            band([(-750, -100), (-300, 20), (250, -20), (800, 130)], 95),
            band([(-300, 20), (-380, 420)], 50), band([(200, -20), (330, -430)], 55),
            band([(420, 20), (560, 400)], 45),
        ],
        depth=7.5, width=40.0, lanes=(24.0, 100.0), forms=((250, -20, 90, 30),),
    ),
    Lake(
        "Skerrow Lake", (3, 1), [oval(0, 0, 470, 330, -15)],
        depth=6.5, width=50.0, lanes=(24.0, 75.0),
        islands=(oval(-180, 60, 55, 35, 30), oval(120, -90, 40, 60), oval(190, 130, 28, 22)),
        forms=((-20, -20, 80, 35),),
    ),
    Lake(
        "Tassel Lake", (0, 2),
        [
            oval(0, 0, 230, 200), band([(0, 0), (560, 120)], 60), band([(0, 0), (-430, 330)], 55),
            band([(0, 0), (-380, -360)], 65), band([(0, 0), (180, -520)], 50),
        ],
        depth=8.0, width=45.0, lanes=(24.0, 0.0), forms=((0, 0, 90, 30), (-40, 90, 35, -40)),
    ),
    Lake(
        "Fennick Flowage", (1, 2),
        [
            oval(-300, 0, 380, 220, 10), oval(260, 150, 300, 200, -20),
            band([(-500, -150), (-760, -330)], 70),
        ],
        depth=2.8, width=40.0, lanes=(30.0, 90.0),
        islands=(oval(-250, 30, 70, 45, 45), oval(240, 190, 50, 50)),
        forms=((0, 60, 100, 35),),
    ),
    Lake(
        "Lake Dunmorrow", (2, 2),
        [band(np.vstack([arc(420, 180, 350) - (420, 0), arc(420, 170, 10) + (410, -140)]), 150)],
        depth=12.0, width=70.0, lanes=(32.0, 45.0),
        forms=((-420, -420, 90, 25), (410, 270, 110, 35)),
    ),
    Lake(
        "Lake Undermere", (3, 2),
        [
            oval(0, 0, 780, 400, 12), band([(500, 150), (1000, 500)], 110),
            band([(-600, -150), (-1050, -420)], 120), band([(-100, 300), (-250, 640)], 90),
        ],
        depth=15.0, width=90.0, lanes=(40.0, 100.0),
        islands=(oval(-250, 40, 90, 60, 30), oval(300, -60, 60, 40)),
        forms=((80, 60, 130, 30), (-500, -100, 90, 25), (450, 160, 60, -50)),
    ),
)  # fmt: skip
