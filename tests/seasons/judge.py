"""How a lake's database and its map compare with the truth; the map is drawn by Lakefloor."""

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from shapely.geometry import Point
from shapely.prepared import prep

from lakefloor.algorithms.core.chart.contours import depth_contours
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.spacing import lane_spacing
from lakefloor.algorithms.core.surface.smooth_surface import smooth_surface
from lakefloor.algorithms.core.surface.surface_difference import surface_difference

#: A map is worse if its error on cells that it had before grows by more than this part.
WORSE = 0.02
#: An entered visit may be off its true level by this, m, or by twice its stated error.
LEVEL_M = 0.05
#: Dates may be off by this.
CLOCK = np.timedelta64(1, "D")


class Ledger:
    """Every ping that was ever handed to a database: its place, its number, its truth.

    A stored sounding is known by its place to the millimeter and by its raw depth, which nothing on
    the way changes.
    """

    def __init__(self):
        self._numbers = defaultdict(set)
        self._truth, self._when, self._made = {}, {}, 0

    def enter(self, soundings, numbers, truth, when):
        """Note what is handed over: soundings, and number, depth (m) and true time of each."""
        for key, raw, number in zip(
            _places(soundings), soundings.raw_depth.tolist(), numbers.tolist()
        ):
            self._numbers[key].add((number, raw))
        self._truth.update(zip(numbers.tolist(), truth.tolist()))
        self._when.update(zip(numbers.tolist(), when))

    def new_numbers(self, count):
        """Return numbers, below 0, for soundings that are no pings, such as means of cells."""
        self._made += count
        return -np.arange(self._made - count + 1, self._made + 1)

    def numbers(self, soundings):
        """Return the number of each stored sounding, None of one that was never handed over."""
        found = []
        for key, raw in zip(_places(soundings), soundings.raw_depth.tolist()):
            known = self._numbers.get(key)
            found.append(min((abs(raw - r), n) for n, r in known)[1] if known else None)
        return np.array(found, dtype=object)

    def duplicates(self, soundings):
        """Return how many stored soundings hold a ping that another one holds."""
        numbers = [number for number in self.numbers(soundings) if number is not None]
        return len(numbers) - len(set(numbers))

    def truth(self, numbers):
        """Return the true depth, m, of numbered pings."""
        return np.array([self._truth[number] for number in numbers], float)

    def when(self, numbers):
        """Return the true time of numbered pings."""
        return np.array([self._when[number] for number in numbers], "datetime64[ms]")


def _places(soundings):
    return list(
        zip(*(np.round(v * 1000.0).astype(np.int64).tolist() for v in (soundings.x, soundings.y)))
    )


def numbers_in(soundings, log):
    """Return the row of a log that each sounding read from it is: its own, or by its place."""
    if len(soundings) == len(log):
        return np.arange(len(log))
    x, y = log.lake.to_utm(log.lon, log.lat)
    return cKDTree(np.column_stack([x, y])).query(np.column_stack([soundings.x, soundings.y]))[1]


@dataclass(frozen=True)
class Drawn:
    """A map, and its depth and standard uncertainty (m) at the places of a judge, NaN where none."""

    surface: object
    depth: np.ndarray
    sd: np.ndarray
    supported: float


class Judge:
    """Knows the truth of one lake at cells of a size, m; draws maps, with a smoothing if given, m."""

    def __init__(self, lake, cell=None, smoothing=None):
        self.lake, self.smoothing = lake, smoothing
        self.cell = cell or lake.spacing / 5.0
        west, south, east, north = lake.shore.bounds
        columns = np.arange(np.floor(west / self.cell), np.ceil(east / self.cell)) + 0.5
        rows = np.arange(np.floor(south / self.cell), np.ceil(north / self.cell)) + 0.5
        x, y = (v.ravel() * self.cell for v in np.meshgrid(columns, rows))
        wet = np.isfinite(lake.depth(x, y, np.datetime64("2020-01-01", "ms")))
        self.x, self.y = x[wet], y[wet]
        dug = lake.dredging
        u, v = lake.local(self.x, self.y)
        self.hole = np.hypot(u - dug.u, v - dug.v) < dug.radius

    def draw(self, soundings):
        """Return the map of soundings, or None where none can be drawn."""
        wide = self.lake.spacing
        try:
            surface, _ = smooth_surface(
                soundings,
                smoothing=self.smoothing,
                cell=self.cell,
                shoreline=self.lake.shore,
                max_gap=1.5 * wide,
                # Visits that add up are so close that cells of this size would be too large.
                spacing=float(np.clip(lane_spacing(soundings), 2.0 * self.cell, wide)),
            )
            _, summary = depth_contours(
                surface.depth,
                interval=1.0,
                unit="ft",
                uncertainty=surface.uncertainty,
                shoreline=self.lake.shore,
            )
        except LakefloorError:
            return None
        return Drawn(
            surface,
            surface.depth.sample(self.x, self.y),
            surface.uncertainty.sample(self.x, self.y),
            summary["supported"],
        )

    def error(self, drawn, when):
        """Return depth less truth, m, at the judge's cells."""
        return drawn.depth - self.lake.depth(self.x, self.y, when)

    def rmse(self, drawn, when, cells=None):
        """Return the root mean square error, m, of the cells within reach, or of some of them."""
        error = self.error(drawn, when)
        keep = np.isfinite(error) if cells is None else np.isfinite(error) & cells
        return float(np.sqrt(np.mean(error[keep] ** 2))) if keep.any() else np.nan

    def before_and_after(self, before, after, when):
        """Return the errors, m, of two maps on the cells that both reach, by one truth."""
        both = np.isfinite(before.depth) & np.isfinite(after.depth)
        return self.rmse(before, when, both), self.rmse(after, when, both)

    def within(self, drawn, when, cells=None):
        """Return the share of cells whose error is within two standard uncertainties."""
        error = self.error(drawn, when)
        keep = np.isfinite(error) if cells is None else np.isfinite(error) & cells
        return float(np.mean(np.abs(error[keep]) <= 2.0 * drawn.sd[keep]))

    def dug_out(self, before, after):
        """Return the volume by which the lake was deepened, m3, and its stated uncertainty."""
        found = surface_difference(after.surface, before.surface, shift=0.0)
        patches = getattr(found, "patches", None)
        if patches is None:
            return found.gained, found.gained_sd
        u, v = self.lake.local(patches.x, patches.y)
        dug = self.lake.dredging
        near = np.hypot(u - dug.u, v - dug.v) < dug.radius
        return float(patches.volume[near].sum()), float(np.hypot.reduce(patches.volume_sd[near]))


@dataclass(frozen=True)
class Entered:
    """What an addition did to a database.

    Attributes
    ----------
    rows : int
        Soundings that are new.
    duplicates : int
        In all of the database.
    level : float
        Median of depth less truth of what is new, m; NaN where nothing is.
    dates_wrong : bool
    off_lake : int
        New soundings that are of another lake.
    visits : tuple of str
        Under which the new soundings are.
    """

    rows: int
    duplicates: int
    level: float
    dates_wrong: bool
    off_lake: int
    visits: tuple


def entered(ledger, lake, stored, known):
    """Say what is new in a database.

    Parameters
    ----------
    ledger : Ledger
    lake : Lake
    stored : Soundings
        All that it holds.
    known : set of int
        Numbers of what it held before.
    """
    numbers = ledger.numbers(stored)
    fresh = np.array([n is not None and n not in known for n in numbers], bool)
    new, good = numbers[fresh], stored.accepted[fresh]
    near = prep(lake.shore.buffer(30.0))
    off = [not near.contains(Point(*place)) for place in zip(stored.x[fresh], stored.y[fresh])]
    level = np.nan
    if good.any():
        level = float(np.median((stored.depth[fresh] - ledger.truth(new))[good]))
    time = stored.time[fresh]
    timed = ~np.isnat(time)
    wrong = bool((np.abs(time[timed] - ledger.when(new)[timed]) > CLOCK).any())
    known_rows = [n for n in numbers if n is not None]
    return Entered(
        int(fresh.sum()),
        len(known_rows) - len(set(known_rows)),
        level,
        wrong,
        sum(off),
        tuple(dict.fromkeys(stored.visit[fresh])),
    )
