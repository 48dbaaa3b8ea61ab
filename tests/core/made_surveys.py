"""Surveys of known lane spacing: lakes of many shapes, tracks of many habits, and strays."""

from dataclasses import dataclass

import numpy as np
from shapely.affinity import rotate
from shapely.geometry import LineString, Point, Polygon
from shapely.ops import unary_union

from lakefloor.algorithms.core.polygons import contains, rings
from lakefloor.algorithms.core.soundings import Soundings


def blob(rng, radius, waves=5):
    """A round lake with bays."""
    angle = np.linspace(0.0, 2.0 * np.pi, 240, endpoint=False)
    r = np.ones(len(angle))
    for k in range(2, 2 + waves):
        r += rng.uniform(0.0, 0.35 / k) * np.cos(k * angle + rng.uniform(0.0, 6.28))
    return Polygon(radius * np.column_stack([r * np.cos(angle), r * np.sin(angle)]))


def arms(length=4000.0, width=300.0, count=3):
    """Arms of one lake that meet in the middle."""
    turns = 2.0 * np.pi * np.arange(count) / count + 0.3
    lines = [LineString([(0.0, 0.0), (length * np.cos(a), length * np.sin(a))]) for a in turns]
    return unary_union([line.buffer(width / 2.0) for line in lines])


def winding(length=3000.0, width=150.0, bend=400.0):
    """A drowned river that doubles back on itself."""
    t = np.linspace(0.0, length, 300)
    line = np.column_stack([t, bend * np.sin(2.0 * np.pi * t / 1000.0)])
    return LineString(line).buffer(width / 2.0)


def with_islands(rng, lake, count=4):
    """The lake without some rounds in it."""
    west, south, east, north = lake.bounds
    size = np.sqrt(lake.area)
    for _ in range(count):
        place = Point(rng.uniform(west, east), rng.uniform(south, north))
        lake = lake.difference(place.buffer(rng.uniform(0.03, 0.12) * size))
    return lake


@dataclass(frozen=True)
class Habit:
    """How the boat logs: m between pings, m of white and of slow position noise, m of wander."""

    ping: float = 2.0
    white: float = 0.5
    slow: float = 0.7
    wander: float = 0.08  # of the spacing


def along(rng, habit, spacing, ends):
    """Return the pings of one lane between two ends."""
    (x0, y0), (x1, y1) = ends
    length = np.hypot(x1 - x0, y1 - y0)
    t = np.arange(rng.uniform(0.0, habit.ping), length, habit.ping)
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    off = habit.wander * spacing * np.sin(t / rng.uniform(40.0, 90.0) + rng.uniform(0.0, 6.28))
    off += habit.slow * np.sin(t / 31.0 + rng.uniform(0.0, 6.28))
    x = x0 + t * ux - off * uy + rng.normal(0.0, habit.white, len(t))
    y = y0 + t * uy + off * ux + rng.normal(0.0, habit.white, len(t))
    return np.column_stack([x, y])


def lanes(rng, lake, spacing, heading=0.0, habit=Habit(), shift=None, margin=5.0):
    """Return the pings of parallel lanes over a lake, ``heading`` degrees from the x axis."""
    inner = lake.buffer(-margin)
    level = rotate(inner, -heading, origin=(0.0, 0.0))
    west, south, east, north = level.bounds
    shift = rng.uniform(0.0, spacing) if shift is None else shift
    a = np.radians(heading)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    parts = []
    for y in np.arange(np.floor(south / spacing) * spacing + shift, north, spacing):
        parts.append(along(rng, habit, spacing, [(west, y), (east, y)]) @ turn.T)
    xy = np.concatenate(parts)
    return xy[contains(rings(inner), *xy.T)]


def as_soundings(*parts, rng=None) -> Soundings:
    """Return soundings of 5 m depth at points, in random order if ``rng`` is given."""
    xy = np.concatenate(parts)
    if rng is not None:
        xy = xy[rng.permutation(len(xy))]
    return Soundings.build(xy[:, 0] + 480_000.0, xy[:, 1] + 5_200_000.0, np.full(len(xy), 5.0))


def cluster(rng, count, place, reach=2.0):
    """Return some pings about one place."""
    return np.asarray(place) + rng.normal(0.0, reach, (count, 2))


def cases(seed):
    """Yield (name, points, true spacing, m) of surveys of every kind."""
    rng = np.random.default_rng(seed)

    def pick(*values):
        return values[rng.integers(len(values))]

    def habit(spacing):
        # 1 Hz to 10 Hz at 1 to 3 m/s.
        return Habit(
            ping=min(rng.uniform(1.0, 3.0) / pick(1, 2, 5, 10), 0.5 * spacing),
            white=rng.uniform(0.0, 0.06) * spacing,
            slow=rng.uniform(0.0, 0.05) * spacing,
            wander=rng.uniform(0.0, 0.1),
        )

    def lake_for(spacing):
        return blob(rng, spacing * rng.uniform(8.0, 16.0))

    s = pick(5.0, 10.0, 20.0, 40.0)
    lake, how, turn = lake_for(s), habit(s), rng.uniform(0.0, 180.0)
    once = lanes(rng, lake, s, turn, how)
    yield "parallel lanes", once, s
    yield "with cross-lines", np.vstack([once, lanes(rng, lake, 5 * s, turn + 90, how)]), s
    yield "two directions", np.vstack([once, lanes(rng, lake, s, turn + 90, how)]), s
    yield "two slanting directions", np.vstack([once, lanes(rng, lake, s, turn + 60, how)]), s
    shift = rng.uniform(0.0, s)
    once = lanes(rng, lake, s, turn, how, shift)
    again = lanes(rng, lake, s, turn, how, shift)
    yield "lanes run twice", np.vstack([once, again]), s
    off = rng.uniform(0.03, 0.15) * s
    beside = lanes(rng, lake, s, turn, how, shift + off)
    yield "run twice beside", np.vstack([once, beside]), s - off
    calm = habit(s / 3.0)
    third = [lanes(rng, lake, s, turn, calm, shift + k * s / 3.0) for k in range(3)]
    yield "three visits interleaved", np.vstack(third), s / 3.0
    isles = with_islands(rng, lake)
    yield "islands", lanes(rng, isles, s, turn, how), s
    for count, far in ((3, 2.0), (6, 20.0), (12, 5.0)):
        place = far * lake.length / np.pi * np.array([np.cos(turn), np.sin(turn)])
        yield f"{count} strays", np.vstack([once, cluster(rng, count, place)]), s
        scattered = np.vstack(
            [cluster(rng, 1, place * rng.normal(0.0, 1.0, 2)) for _ in range(count)]
        )
        yield f"{count} strays apart", np.vstack([once, scattered]), s
    far = lanes(rng, lake, s, turn + 30.0, how) + 6.0 * lake.length / np.pi
    yield "two lakes", np.vstack([once, far]), s
    w = pick(20.0, 50.0)
    lake = arms(rng.uniform(2000.0, 4000.0), 6.0 * w)
    # Lanes across each arm in its own direction.
    across = [
        lanes(rng, lake_arm, w, np.degrees(0.3 + k * 2 * np.pi / 3) + 90, habit(w))
        for k, lake_arm in enumerate(_arm_parts(lake, 6.0 * w))
    ]
    yield "arms, lanes across", np.vstack(across), w
    river = winding(3000.0, 4.5 * w, 500.0)
    yield "winding river", lanes(rng, river, w, pick(0.0, 90.0, 45.0), habit(w)), w
    fine, wide = 10.0, 40.0
    lake = blob(rng, 500.0)
    west, east = lake.bounds[0], lake.bounds[2]
    for share, true in ((0.25, wide), (0.75, fine)):
        cut = west + share * (east - west)
        parts = [lanes(rng, lake, d, turn, habit(d)) for d in (fine, wide)]
        both = [p[(p[:, 0] < cut) == (d == fine)] for p, d in zip(parts, (fine, wide))]
        yield f"10 m in {share:.0%}, 40 m elsewhere", np.vstack(both), true
    n = int(rng.integers(400, 4000))
    xy = rng.uniform(-1.0, 1.0, (n, 2)) * 400.0
    yield "random scatter", xy, 800.0 / np.sqrt(n)
    g = pick(5.0, 15.0, 30.0)
    gx, gy = np.meshgrid(np.arange(0, 40 * g, g), np.arange(0, 30 * g, g))
    grid = np.column_stack([gx.ravel(), gy.ravel()]) + rng.normal(0, 0.02 * g, (gx.size, 2))
    yield "regular grid", grid, g
    s = pick(10.0, 20.0)
    sparse = Habit(ping=0.7 * s, white=0.03 * s)
    yield "sparse pings", lanes(rng, blob(rng, 14 * s), s, turn, sparse), s


def _arm_parts(lake, width):
    """Return the arms of :func:`arms` one by one, without the middle where they meet."""
    rest = lake.difference(Point(0.0, 0.0).buffer(width))
    parts = sorted(rest.geoms, key=lambda p: np.arctan2(p.centroid.y, p.centroid.x) % (2 * np.pi))
    return parts
