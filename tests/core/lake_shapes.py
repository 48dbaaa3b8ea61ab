"""Ten plain lake shapes on which plans are tried, m."""

import sys
from pathlib import Path

import numpy as np
from shapely.geometry import Point, Polygon, box
from shapely.ops import unary_union


def _star(points=6, outer=300.0, inner=130.0):
    angle = np.arange(2 * points) * np.pi / points
    r = np.where(np.arange(2 * points) % 2, inner, outer)
    return Polygon(np.column_stack([r * np.cos(angle), r * np.sin(angle)]))


def _marrowby():
    folder = str(Path(__file__).resolve().parents[2] / "example_project")
    if folder not in sys.path:
        sys.path.insert(0, folder)
    import truth

    return truth.shoreline_polygon()


def _disc(x, y, radius):
    return Point(x, y).buffer(radius, 16)


SHAPES = {
    "convex": Polygon([(0, 0), (400, -30), (520, 180), (300, 360), (40, 260)]),
    "L": Polygon([(0, 0), (500, 0), (500, 160), (180, 160), (180, 450), (0, 450)]),
    "U": Polygon(
        [(0, 0), (500, 0), (500, 420), (340, 420), (340, 150), (150, 150), (150, 420), (0, 420)]
    ),
    "ring with an island": _disc(0, 0, 300).difference(_disc(20, 10, 120)),
    "two islands": box(0, 0, 600, 350)
    .difference(_disc(180, 170, 60))
    .difference(_disc(420, 200, 75)),
    "crescent": _disc(0, 0, 300).difference(_disc(130, 0, 240)),
    "star": _star(),
    "long and thin": Polygon(
        [(0, 0), (300, 60), (700, 90), (1200, 40), (1200, 110), (700, 165), (300, 130), (0, 70)]
    ),
    "comb": unary_union(
        [box(0, 0, 640, 120), *(box(140 * i, 100, 140 * i + 80, 420) for i in range(5))]
    ),
    "real-like": _marrowby(),
}
