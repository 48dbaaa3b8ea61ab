"""What a boat logs on an invented lake: where it drives, what it reads, and what goes wrong."""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.signal import lfilter
from shapely.affinity import rotate
from shapely.geometry import LineString, Point
from shapely.prepared import prep

#: Sound speed of fresh water by temperature: Del Grosso & Mader (1972), J. Acoust. Soc. Am. 52,
#: 1442, rounded (from memory; at 20 degrees Celsius the paper's 1482.3 m/s).
SOUND = np.array(
    [[0, 1402.4], [5, 1426.2], [10, 1447.3], [15, 1465.9], [20, 1482.3], [25, 1496.7], [30, 1509.2]]
)
FOOT = 0.3048
#: Numbers of pings are those of the outing times this, and running.
OUTING = 1_000_000
ROLLOVER = np.timedelta64(1024 * 7, "D")


@dataclass(frozen=True)
class Plan:
    """Where and when a boat drives.

    Attributes
    ----------
    start : datetime64
        UTC.
    heading : float
        Of the lanes, degrees from east.
    spacing : float
        m.
    shift : float
        Of the first lane, as a share of the spacing.
    part : shapely geometry, optional
        The boat stays within it.
    crosses : int
        Lanes driven across the others at the end.
    speed : float
        m/s.
    every_s : float
        Between two pings.
    """

    start: np.datetime64
    heading: float
    spacing: float
    shift: float = 0.5
    part: object = None
    crosses: int = 2
    speed: float = 2.2
    every_s: float = 1.0


@dataclass(frozen=True)
class Gear:
    """A boat's sounder and receiver.

    Attributes
    ----------
    draft : float
        Of the transducer, m; what is too deep of it is ``bias``.
    bias : float
        What the sounder reads too deep, m.
    noise, share : float
        Standard deviation of a ping, m and of depth.
    gps, gps_slow_s : float
        Root mean square distance of a position from the truth, m, and how long errors last, s.
    gain, offset : float
        Hardness logged is ``offset + gain * hardness``.
    spikes : float
        Share of pings with a depth from nowhere.
    """

    draft: float = 0.3
    bias: float = 0.0
    noise: float = 0.03
    share: float = 0.004
    gps: float = 1.5
    gps_slow_s: float = 150.0
    gain: float = 1.0
    offset: float = 0.0
    spikes: float = 0.003


OWN = Gear()


@dataclass(frozen=True)
class Log:
    """Pings in the order in which they were logged; every column has shape (n,).

    Attributes
    ----------
    lake : Lake
    number : int array
        Names each ping of all outings for ever, however it is written or copied.
    x, y, when : array
        Where the boat was, m, and the true time.
    truth : array
        Depth below the datum there and then, m.
    lon, lat, time, depth, hardness, temp : array
        As logged; time may be NaT. Depth is m below the transducer.
    level : float
        Height of the water above the datum, m, at the middle of the outing.
    gear : Gear
    """

    lake: object
    number: np.ndarray
    x: np.ndarray
    y: np.ndarray
    when: np.ndarray
    truth: np.ndarray
    lon: np.ndarray
    lat: np.ndarray
    time: np.ndarray
    depth: np.ndarray
    hardness: np.ndarray
    temp: np.ndarray
    level: float
    gear: Gear = field(default_factory=Gear)

    def __len__(self):
        return len(self.number)

    def rows(self, keep):
        """Return some of the pings."""
        columns = {
            name: value[keep] for name, value in vars(self).items() if isinstance(value, np.ndarray)
        }
        return replace(self, **columns)

    def halves(self):
        """Return the first and the second half, in time."""
        half = len(self) // 2
        return self.rows(slice(None, half)), self.rows(slice(half, None))

    def rolled_back(self):
        """Return the log of a receiver that counts GPS weeks 1,024 too low."""
        return replace(self, time=self.time - ROLLOVER)

    def in_feet(self):
        """Return the log with feet in the column of meters."""
        return replace(self, depth=self.depth / FOOT)

    def without_times(self):
        """Return the log without times."""
        return replace(self, time=np.full(len(self), np.datetime64("NaT", "ms")))


def drive(lake, plan):
    """Return the places of a boat on lanes, x and y, shape (n,) each, and seconds since the start.

    On the way from lane to lane the boat logs as well where that is on the water.
    """
    water = lake.shore.buffer(-4.0)
    if plan.part is not None:
        water = water.intersection(plan.part)
    lanes = _lanes(water, plan.spacing, plan.heading, plan.shift)
    if plan.crosses:
        every = _lanes(water, plan.spacing, plan.heading + 90.0, 0.5)
        pick = np.linspace(0, len(every) - 1, plan.crosses + 2)[1:-1]
        lanes += [every[i] for i in np.unique(pick.astype(int))]
    corners, at = [], None
    for lane in lanes:
        if at is not None and np.hypot(*(lane[-1] - at)) < np.hypot(*(lane[0] - at)):
            lane = lane[::-1]
        corners += list(lane)
        at = lane[-1]
    corners = np.array(corners)
    far = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    step = plan.speed * plan.every_s
    s = np.arange(0.0, far[-1], step)
    xy = np.column_stack([np.interp(s, far, column) for column in corners.T])
    heading = np.gradient(xy, axis=0)
    heading /= np.maximum(np.hypot(*heading.T), 1e-9)[:, None]
    sway = 0.04 * plan.spacing * np.sin(s / 37.0 + plan.shift)
    xy += sway[:, None] * np.column_stack([-heading[:, 1], heading[:, 0]])
    wet = np.isfinite(lake.depth(*xy.T, plan.start))
    if plan.part is not None:
        inside = prep(plan.part.buffer(2.0))
        wet &= np.array([inside.contains(p) for p in map(Point, xy)])
    return xy[wet, 0], xy[wet, 1], s[wet] / plan.speed


def _lanes(water, spacing, heading, shift):
    """Return the ends of the lanes over water, from one side to the other."""
    middle = water.centroid
    level = rotate(water, -heading, origin=middle)
    west, south, east, north = level.bounds
    lanes = []
    for v in np.arange(south + shift * spacing, north, spacing):
        cut = LineString([(west - 1.0, v), (east + 1.0, v)]).intersection(level)
        for part in getattr(cut, "geoms", [cut]):
            if part.length > 4.0:
                lanes.append(np.array(rotate(part, heading, origin=middle).coords)[:, :2])
    return lanes


def slow_noise(rng, n, sd, last):
    """Return noise of a standard deviation that lasts ``last`` steps: a first-order process."""
    keep = np.exp(-1.0 / last)
    start = rng.normal(0.0, sd)
    steps = rng.normal(0.0, sd * np.sqrt(1.0 - keep**2), n)
    steps[:1] = start
    return lfilter([1.0], [1.0, -keep], steps)


def outing(lake, plan, gear, seed, number, weeds=None):
    """Return what a boat logs.

    Parameters
    ----------
    lake : Lake
    plan : Plan
    gear : Gear
    seed : int
    number : int
        Of the outing, unlike any other.
    weeds : tuple of (float, float), optional
        Depths between which weeds stand, m; over them the sounder often reads their tops.
    """
    rng = np.random.default_rng([seed, number])
    x, y, seconds = drive(lake, plan)
    n = len(x)
    when = plan.start.astype("datetime64[ms]") + np.round(seconds * 1000.0).astype(
        "timedelta64[ms]"
    )
    truth, water = lake.depth(x, y, when), lake.level(when)
    below = truth + water - gear.draft
    if weeds is not None:
        below = below - _canopy(rng, lake, x, y, truth, weeds)
    temp = 18.0 + 4.0 * np.sin(number * 1.7)
    speed = np.interp(temp, *SOUND.T)
    depth = below * 1500.0 / speed + gear.bias
    depth = depth + rng.normal(0.0, 1.0, n) * np.hypot(gear.noise, gear.share * below)
    spike = rng.random(n) < gear.spikes
    depth = np.where(spike, depth * rng.choice([0.4, 1.9, 2.0], n), depth)
    # A sounder does not read less than this below itself.
    depth = np.round(np.maximum(depth, 0.2), 2)
    steps = gear.gps_slow_s / plan.every_s
    east, north = (
        slow_noise(rng, n, gear.gps / np.sqrt(2.0), steps) + rng.normal(0.0, 0.15, n)
        for _ in range(2)
    )
    lon, lat = lake.to_degrees(x + east, y + north)
    hard = gear.offset + gear.gain * lake.hardness(x, y) + rng.normal(0.0, 0.03, n)
    return Log(
        lake,
        number * OUTING + np.arange(n),
        x,
        y,
        when,
        truth,
        np.round(lon, 7),
        np.round(lat, 7),
        when.copy(),
        depth,
        np.round(np.clip(hard, 0.0, 1.0), 3),
        np.full(n, round(temp, 1)),
        float(water.mean()),
        gear,
    )


def _canopy(rng, lake, x, y, truth, weeds):
    """Return how far weeds stand up under each ping, m; they come in patches."""
    u, v = lake.local(x, y)
    low, high = weeds
    stand = (truth > low) & (truth < high) & (np.sin(u / 21.0) + np.sin(v / 17.0 + 1.0) > 0.2)
    read = stand & (rng.random(len(x)) < 0.7)
    return np.where(read, rng.uniform(0.35, 0.75, len(x)) * np.maximum(truth - 0.5, 0.0), 0.0)


def readings(lake, times, step=0.0):
    """Return gauge readings, m, at times: as rows of time and level, rounded to a step."""
    times = np.asarray(times, "datetime64[ms]")
    level = lake.gauge_at_datum + lake.level(times)
    return times, np.round(level / step) * step if step else level
