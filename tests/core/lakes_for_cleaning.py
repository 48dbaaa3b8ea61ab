"""Generated lakes with labelled blunders; the truth is an analytic bottom."""

import numpy as np

from lakefloor.algorithms.core.soundings import Soundings

FOOT = 0.3048


def gentle(x, y):
    """A bowl with a hump of 3 m and a hole of 2 m."""
    depth = 9.0 - 6.0 * ((x - 250) ** 2 + (y - 150) ** 2) / 300.0**2
    depth = depth - 3.0 * np.exp(-((x - 180) ** 2 + (y - 120) ** 2) / (2 * 14.0**2))
    return depth + 2.0 * np.exp(-((x - 360) ** 2 + (y - 170) ** 2) / (2 * 12.0**2))


def drop_off(x, y):
    """Two shelves, 3 m and 14 m, along a winding edge of up to 48 degrees."""
    edge = 240.0 + 25.0 * np.sin(y / 45.0)
    return 8.5 + 5.5 * np.tanh((x - edge) / 5.0) + 0.004 * y


def flats(x, y):
    """A flat basin with a channel of 35 degrees along the lanes, and a bar of 3 m."""
    channel = 2.5 * (np.tanh((y - 147.0) / 4.0) - np.tanh((y - 166.0) / 4.0))
    bar = 1.5 * (np.tanh((x - 300.0) / 4.0) - np.tanh((x - 318.0) / 4.0))
    return 6.0 + channel - bar


BOTTOMS = {"gentle": gentle, "drop-off": drop_off, "flats": flats}


def tracks(spacing=25.0, speed=2.2, rate=2.0, width=500.0, height=300.0):
    """Serpentine lanes with turns, then three cross-lines; returns x, y per ping."""
    corners = []
    for i, y in enumerate(np.arange(0.0, height + 1.0, spacing)):
        ends = [(0.0, y), (width, y)]
        corners += ends if i % 2 == 0 else ends[::-1]
    for i, x in enumerate((100.0, 250.0, 400.0)):
        ends = [(x, height), (x, 0.0)]
        corners += ends if i % 2 == 0 else ends[::-1]
    corners = np.array(corners)
    length = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    s = np.arange(0.0, length[-1], speed / rate)
    return np.interp(s, length, corners[:, 0]), np.interp(s, length, corners[:, 1])


def survey(
    bottom,
    seed=0,
    rate=2.0,
    fix_rate=1.0,
    spacing=25.0,
    blunders=True,
    noise=0.04,
    quantum=0.1 * FOOT,
    speed=2.2,
):
    """Return soundings, the truth of each and the kind of its blunder ("" if good).

    Depths carry noise of ``noise`` m plus half a percent, in steps of ``quantum`` m.
    Fixes come at ``fix_rate`` a second and are held until the next. A depth counts as
    good when it is labelled "".
    """
    rng = np.random.default_rng(seed)
    x, y = tracks(spacing, speed, rate)
    n = len(x)
    truth = BOTTOMS[bottom](x, y)
    depth = truth + rng.normal(0, noise, n) + 0.005 * truth * rng.normal(size=n)
    time = np.arange(n) / rate
    hold = (np.arange(n) // max(1, round(rate / fix_rate))) * max(1, round(rate / fix_rate))
    px = (x + rng.normal(0, 0.3, n))[hold]
    py = (y + rng.normal(0, 0.3, n))[hold]
    logged = np.full(n, speed) + rng.normal(0, 0.1, n)
    kind = np.full(n, "", dtype=object)

    def places(count, length):
        """Stretches that touch no other."""
        for _ in range(count):
            for _attempt in range(200):
                m = int(rng.integers(length[0], length[1] + 1))
                a = int(rng.integers(20, n - m - 20))
                if (kind[a - 12 : a + m + 12] == "").all():
                    yield slice(a, a + m)
                    break

    if blunders:
        many = n // 400
        for s in places(2 * many, (1, 2)):
            sign = rng.choice([-1, 1])
            size = rng.uniform(1.5, 6.0)
            depth[s] = np.where(
                depth[s] + sign * size > 0.4, depth[s] + sign * size, depth[s] + size
            )
            kind[s] = "spike"
        for s in places(many, (2, 16)):
            depth[s] *= 2.0
            kind[s] = "double echo"
        for s in places(many, (2, 16)):
            depth[s] *= 0.5
            kind[s] = "half echo"
        for s in places(many // 2, (2, 12)):
            m = s.stop - s.start
            depth[s] -= np.minimum(
                rng.uniform(1.6, 2.4) + rng.uniform(-0.2, 0.2, m), 0.75 * depth[s]
            )
            kind[s] = "weeds"
        for s in places(many // 2, (6, 24)):
            logged[s] = 8.0
            depth[s] = rng.choice([0.0, np.nan, 0.6], s.stop - s.start)
            kind[s] = "dropped at speed"
        for s in places(max(2, many // 4), (1, 14)):
            px[s] += rng.choice([-1, 1]) * rng.uniform(40, 300)
            py[s] += rng.choice([-1, 1]) * rng.uniform(40, 300)
            kind[s] = "position jump"
        for s in places(max(2, many // 8), (int(6 * rate), int(30 * rate))):
            step = max(1, round(rate / fix_rate))
            a = s.start - s.start % step
            px[a : s.stop], py[a : s.stop] = px[a], py[a]
            kind[a + step : s.stop] = "position frozen"
    depth = np.round(depth / quantum) * quantum
    stamp = np.datetime64("2024-06-01T08:00:00", "ms") + (time * 1000).astype("timedelta64[ms]")
    soundings = Soundings.build(px, py, depth, time=stamp, visit="one", speed=logged)
    return soundings, truth, kind
