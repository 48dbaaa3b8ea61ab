"""What a sounder reports of invented bottoms, counted ray by ray with a graded beam.

Nothing here knows of the closed forms, the cone with an edge or the grid with which the beam is
undone: a ray is followed until it meets the bottom, its echo is weighed by the pattern of the
beam there and back, and the depth is read from the echo as sounders do. The boat rolls and
pitches, and positions err.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lakefloor.algorithms.core.soundings import Soundings, concatenate

#: How a depth is read from an echo.
RECEPTIONS = ("leading edge", "strongest", "center")
_RINGS, _COURSES, _STEP, _BIN = 14, 24, 0.15, 0.04
_AT_A_TIME = 400


def rays(width_deg, rings=_RINGS, courses=_COURSES):
    """Return tangents and weights of rays out to 1.3 half widths, where a beam hears little.

    The pattern falls to a quarter of its power (6 dB, there and back) at half the width, by a
    normal law; rays are weighed by the solid angle that they stand for.
    """
    if width_deg <= 0.0:
        return np.zeros(1), np.zeros(1), np.ones(1)
    half = np.radians(width_deg) / 2.0
    off = (np.arange(rings) + 0.5) / rings * 1.3 * half
    course = np.arange(courses) / courses * 2.0 * np.pi
    off, course = (a.ravel() for a in np.meshgrid(off, course, indexing="ij"))
    weight = np.sin(off) * 0.25 ** ((off / half) ** 2)
    return np.tan(off) * np.sin(course), np.tan(off) * np.cos(course), weight


def ranges(bottom, x, y, east, north, deepest):
    """Return how far rays from points at the surface go until they meet the bottom, m."""
    slant = np.sqrt(1.0 + east**2 + north**2)
    down = np.full(np.broadcast(x, east).shape, np.nan)
    open_ = np.ones(down.shape, dtype=bool)
    for z in np.arange(_STEP, deepest + 2.0, _STEP):
        met = open_ & (bottom(x + z * east, y + z * north) <= z)
        # Where it passed the bottom within the step.
        before = z - _STEP
        here = bottom(x + z * east, y + z * north)
        there = bottom(x + before * east, y + before * north)
        share = np.clip((there - before) / np.maximum(there - before + z - here, 1e-6), 0.0, 1.0)
        down = np.where(met, before + share * _STEP, down)
        open_ &= ~met
        if not open_.any():
            break
    return down * slant


def echo_depths(bottom, x, y, *, width_deg, reception, tilt_deg, deepest, rng):
    """Return the depths that a sounder reports at places, m, shape (n,)."""
    if width_deg <= 0.0:
        return bottom(x, y)
    east, north, weight = rays(width_deg)
    out = np.empty(len(x))
    for start in range(0, len(x), _AT_A_TIME):
        rows = slice(start, start + _AT_A_TIME)
        tilt = np.tan(
            np.radians(
                np.clip(rng.normal(0.0, tilt_deg / 2.0, (2, len(x[rows]), 1)), -tilt_deg, tilt_deg)
            )
        )
        found = ranges(
            bottom, x[rows, None], y[rows, None], east + tilt[0], north + tilt[1], deepest
        )
        out[rows] = [_read(row, weight, reception) for row in found]
    return out


def _read(found, weight, reception):
    heard = np.isfinite(found)
    found, weight = found[heard], weight[heard] / found[heard] ** 2
    edges = np.arange(found.min() - 5 * _BIN, found.max() + 5 * _BIN, _BIN)
    power = np.histogram(found, edges, weights=weight)[0]
    # A pulse of about 15 cm.
    power = np.convolve(power, [0.25, 0.5, 0.25], "same")
    power = np.convolve(power, [0.25, 0.5, 0.25], "same")
    middle = (edges[1:] + edges[:-1]) / 2.0
    if reception == "leading edge":
        return middle[np.argmax(power >= 0.1 * power.max())]
    if reception == "strongest":
        return middle[np.argmax(power)]
    loud = power >= 0.25 * power.max()
    return np.average(middle[loud], weights=power[loud])


@dataclass(frozen=True)
class Run:
    """A survey of an invented bottom: the soundings, and where the boat truly was."""

    soundings: Soundings
    x: np.ndarray
    y: np.ndarray


def run(
    bottom,
    *,
    half=(60.0, 45.0),
    spacing=10.0,
    ping=1.5,
    course_deg=0.0,
    width_deg=20.0,
    reception="leading edge",
    tilt_deg=5.0,
    jitter=1.0,
    noise=0.05,
    lift=0.0,
    deepest=20.0,
    seed=0,
) -> Run:
    """Drive lanes over a rectangle of half sides around the origin, and log.

    ``lift`` is how high the transducer lay above the zero of the depths, m.
    """
    rng = np.random.default_rng(seed)
    turn = np.radians(course_deg)
    reach = float(np.hypot(*half))
    along = np.arange(-reach, reach, ping)
    parts = []
    for lane, across in enumerate(np.arange(-reach, reach, spacing)):
        east = along * np.cos(turn) - across * np.sin(turn)
        north = along * np.sin(turn) + across * np.cos(turn)
        keep = (np.abs(east) < half[0]) & (np.abs(north) < half[1])
        keep &= bottom(east, north) > 0.3
        parts.append(np.column_stack([east, north, np.full(len(east), lane)])[keep])
    x, y, lane = np.concatenate(parts).T
    # The track of a helmsman, and a receiver whose error drifts along it.
    drift = rng.normal(0.0, 1.0, (2, len(x))).cumsum(axis=1)
    drift = drift - np.array([np.convolve(row, np.ones(81) / 81, "same") for row in drift])
    drift *= jitter / max(float(drift.std()), 1e-9)

    def under(a, b):
        return bottom(a, b) + lift

    depth = echo_depths(
        under, x, y, width_deg=width_deg, reception=reception, tilt_deg=tilt_deg,
        deepest=deepest + lift, rng=rng,
    )  # fmt: skip
    depth = depth - lift + rng.normal(0.0, noise, len(x))
    logged = Soundings.build(
        x + drift[0], y + drift[1], depth, uncert=max(noise, 0.05), lane=lane.astype(int),
        corrections=f"draft_m={max(-lift, 0.0):g};level_m={max(lift, 0.0):g}",
    )  # fmt: skip
    return Run(logged, x, y)


def hole(radius, deep=2.0):
    """Return a round hole in ground of 6 m."""
    return lambda x, y: 6.0 + deep * np.exp(-((x**2 + y**2) / radius**2))


def wall(x, y):
    """From 3 to 9 m within two meters."""
    return 6.0 + 3.0 * np.tanh((x + 0.3 * y) / 1.0)


def rock(x, y):
    """A boulder of 1.5 m height and as much half width on ground of 8 m."""
    return 8.0 - np.sqrt(np.maximum(1.5**2 - x**2 - y**2, 0.0))


def dock(x, y):
    """A sunken deck of 3 by 12 m, half a meter down."""
    inside = (np.abs(x) < 1.5) & (np.abs(y) < 6.0)
    return np.where(inside, 0.5, 4.0 + 0.0 * x)


def island(x, y):
    return 0.28 * (np.hypot(x, y) - 10.0)


def rough_flat(x, y):
    return 7.0 + 0.15 * np.sin(x / 1.6) * np.sin(y / 1.9) + 0.01 * x


def flat(x, y):
    return 5.0 + 0.012 * x - 0.008 * y + 0.02 * np.sin(x / 6.0) * np.cos(y / 5.0)


SCENES = {
    "narrow hole": hole(0.8),
    "wide hole": hole(8.0),
    "wall": wall,
    "rock": rock,
    "dock": dock,
    "island": island,
    "rough flat": rough_flat,
    "flat": flat,
}


def lake(seed: int):
    """Return a bottom without a shore: shelves, drop-offs that wind, humps, holes and ridges."""
    rng = np.random.default_rng(10_000 + seed)
    turn = rng.uniform(0.0, np.pi)
    faces = [
        (rng.uniform(-90, 90), rng.uniform(2.0, 5.0), rng.uniform(5.0, 14.0), rng.uniform(-1, 1), k)
        for k in range(3)
    ]
    humps = rng.uniform((-150, -110, -4.0, 12.0), (150, 110, 3.0, 30.0), (7, 4))
    waves = rng.normal(0.0, 1.0, (12, 4))

    def bottom(x, y):
        u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
        depth = 5.0 + 0.0 * u
        for at, fall, width, bend, k in faces:
            line = at + 18.0 * bend * np.sin(v / (28.0 + 7.0 * k) + k)
            depth = depth + fall / (1.0 + np.exp(-(u - line) / (width / 4.0)))
        for east, north, height, size in humps:
            depth = depth - height * np.exp(-((x - east) ** 2 + (y - north) ** 2) / size**2)
        for a, b, c, size in waves:
            depth = depth + 0.05 * size * np.sin(a * x / 9.0 + b * y / 9.0 + 3.0 * c)
        return np.maximum(depth, 1.0)

    return bottom


def whole(bottom, **options) -> Soundings:
    """Return a survey of a lake and a few cross-lines."""
    lanes = run(bottom, half=(150.0, 110.0), **options).soundings
    options = {**options, "spacing": 70.0, "course_deg": 90.0 + options.get("course_deg", 0.0)}
    options["seed"] = options.get("seed", 0) + 500
    check = run(bottom, half=(150.0, 110.0), **options).soundings
    return concatenate([lanes, check.replace(lane=check.lane + 1000)])
