"""The map that grows while the boat runs."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np
from scipy.ndimage import distance_transform_edt, gaussian_filter

from ..errors import LakefloorError
from ..grid import Grid, Surface
from ..polygons import inside
from ..soundings import Soundings
from ..surface.frame import Frame, frame
from ..surface.learning import learn
from ..surface.nodes import NODES_PER_SPACING, join, lane_numbers, shore_nodes, sounding_nodes
from ..surface.smooth_surface import Learned, SmoothFit, draw_smooth
from ..surface.surface_uncertainty import Growth
from .held_soundings import HeldSoundings, columns_of, soundings_of
from .settings import WINDOW_CELLS, MapSettings, WindowPicture
from .window_lines import window_breaklines, window_contours, with_neighbors

#: Least cells around a window that it is drawn with; the coarser grids of the surface want a multiple.
HALO_CELLS = 64
#: Of so many windows one is that which has waited longest.
_TURN = 3
#: Soundings from which settings can be learned.
_ENOUGH = 400
#: What is taken before anything was learned: give of the plate, and growth of the error.
_USUAL_GIVE, _USUAL_RATE, _USUAL_NOISE = 0.03, 1.5, 0.05
#: Hardness is a mean over so much of a lane spacing, and is drawn so near to the tracks that the
#: depth between them is seen.
_HARDNESS_REACH, _HARDNESS_NEAR = 0.1, 0.25


class GrowingMap:
    """Draws windows where soundings are new.

    Parameters
    ----------
    settings : MapSettings
    earlier : Soundings, optional
        Of earlier visits, in the system of the map, m; they are drawn where new ones come in.

    Notes
    -----
    A window is drawn by the routines of the careful surface, with what was learned from the whole
    survey and a halo of :data:`HALO_CELLS`, or as many times that as the maximum gap needs. It
    differs from that surface as a tile does whose halo is short, and where what was learned is of
    an earlier survey.
    """

    def __init__(self, settings: MapSettings, earlier: Soundings | None = None):
        self.settings = settings
        # A window sees all soundings that reach into it.
        self._halo = HALO_CELLS * max(
            int(np.ceil(settings.max_gap / settings.cell / HALO_CELLS)), 1
        )
        self._held, self._shift = HeldSoundings(settings), 0.0
        self._drawn, self._stamps, self._shores = {}, {}, {}
        self._waiting, self._turn = {}, 0
        self._learned, self._learned_from = settings.learned, 0
        self._last_lane = 0
        if earlier is not None and len(earlier):
            kept = earlier.select(_drawable(earlier))
            number = lane_numbers(kept.visit, kept.lane)
            self._held.put_earlier(columns_of(kept, number))
            self._last_lane = int(number.max(initial=0))
            if settings.learned is None:
                # Before the boat runs: afterwards it would keep the windows waiting.
                self._learn()

    # -- soundings ------------------------------------------------------------

    def add(self, soundings: Soundings, stamp: int = 0) -> None:
        """Take soundings of today.

        Parameters
        ----------
        soundings : Soundings
            In the system of the map, m; depths as they are to be drawn. Lanes may be 0.
        stamp : int
            Monotonic time of the newest, us.
        """
        kept = soundings.select(_drawable(soundings))
        if not len(kept):
            return
        rows = columns_of(kept, np.where(kept.lane > 0, kept.lane + self._last_lane, 0))
        own = set(self._held.add(rows))
        reach = self.settings.max_gap
        places = [
            self.settings.windows_of(rows[:, 0] + dx, rows[:, 1] + dy)
            for dx in (-reach, reach)
            for dy in (-reach, reach)
        ]
        for key in np.unique(np.concatenate(places), axis=0).tolist():
            self._wait(tuple(key), stamp, tuple(key) in own)

    def shift(self, dz: float) -> None:
        """Move today's depths to another lake level: ``dz``, m, is added to what was taken."""
        if dz == self._shift:
            return
        self._shift = dz
        for key in list(self._stamps) or self._held.windows_of_today:
            self._wait(key, self._stamps.get(key, 0))

    def _wait(self, key, stamp, is_own=False):
        # In order of first request. The newest stamp tells what is urgent, and of one stamp the
        # window in which the soundings lie, before those that they only reach.
        self._waiting[key] = max((stamp, is_own), self._waiting.get(key, (0, False)))

    @property
    def is_idle(self) -> bool:
        """Whether all that came in is drawn."""
        return not self._waiting

    # -- pictures -------------------------------------------------------------

    def draw_next(self) -> WindowPicture | None:
        """Draw the window with the newest soundings; now and then that which waits longest."""
        while self._waiting:
            self._turn += 1
            if self._turn % _TURN == 0:
                key = next(iter(self._waiting))
            else:
                key = max(self._waiting, key=lambda k: self._waiting[k])
            stamp, _ = self._waiting.pop(key)
            picture = self._draw(key, stamp)
            if picture is not None:
                return picture
        return None

    def _draw(self, key, stamp):
        s, n = self.settings, WINDOW_CELLS
        reach = self._halo * s.cell
        rows = self._held.near(key, reach, self._shift)
        if not len(rows):
            return None
        learned = self._knowing(rows)
        part = self._frame(key, rows)
        if part is None:
            return None
        drawn = draw_smooth(part, learned)
        inner = slice(self._halo, self._halo + n)
        depth, sigma = (g.values[inner, inner] for g in (drawn.depth, drawn.uncertainty))
        if not np.isfinite(depth).any() and key not in self._drawn:
            return None
        self._drawn[key] = depth.astype(np.float32), sigma.astype(np.float32)
        self._stamps[key] = max(stamp, self._stamps.get(key, 0))
        window = Grid(depth, *s.corner(key), s.cell, s.cell)
        hardness = self._hardness(part, rows, drawn.distance.values)
        return WindowPicture(
            key,
            window.west,
            window.north,
            s.cell,
            *self._drawn[key],
            None if hardness is None else hardness[inner, inner].astype(np.float32),
            self._contours(key),
            window_breaklines(drawn, window),
            self._stamps[key],
            self._contours_that_end_on(key),
        )

    def _frame(self, key, rows):
        """Return the frame of a window with its halo, None where it lies off the lake."""
        s, size = self.settings, WINDOW_CELLS + 2 * self._halo
        west, north = s.corner(key)
        reach = self._halo * s.cell
        void = np.broadcast_to(np.nan, (size, size))
        grid = Grid(void, west - reach, north + reach, s.cell, s.cell)
        soundings, block, water = soundings_of(rows), s.spacing / NODES_PER_SPACING, None
        nodes = [sounding_nodes(soundings, block)]
        if s.shoreline is not None:
            water, shore = self._shore(key, grid)
            if not water.any():
                return None
            nodes.append(shore)
        return Frame(
            join(nodes),
            soundings,
            grid,
            s.spacing,
            s.max_gap,
            s.shoreline,
            s.shore_depth,
            water=water,
        )

    def _shore(self, key, grid):
        """Return the water of a window with its halo, and the nodes along its shores."""
        if key not in self._shores:
            nodes = self._shore_nodes
            west, south, east, north = grid.bounds
            here = (nodes.x >= west) & (nodes.x < east) & (nodes.y > south) & (nodes.y <= north)
            self._shores[key] = inside(self.settings.shoreline, grid), nodes.select(here)
        return self._shores[key]

    @cached_property
    def _shore_nodes(self):
        s, block = self.settings, self.settings.spacing / NODES_PER_SPACING
        return shore_nodes(s.shoreline, block, s.shore_depth, tolerance=s.cell / 4.0)

    def _hardness(self, part, rows, distance):
        """Return hardness on the cells along the tracks, as a mean that fades with distance."""
        known = np.isfinite(rows[:, 4])
        if not known.any():
            return None
        row, col = part.grid.rows_cols(rows[known, 0], rows[known, 1])
        shape = part.grid.shape
        at = np.rint(row).astype(int), np.rint(col).astype(int)
        here = (at[0] >= 0) & (at[0] < shape[0]) & (at[1] >= 0) & (at[1] < shape[1])
        flat = at[0][here] * shape[1] + at[1][here]
        size = shape[0] * shape[1]
        weight = np.bincount(flat, minlength=size).reshape(shape).astype(float)
        total = np.bincount(flat, rows[known, 4][here], size).reshape(shape)
        if not weight.any():
            return None
        spacing = self.settings.spacing / self.settings.cell
        away, reach = distance_transform_edt(weight == 0), max(_HARDNESS_REACH * spacing, 1.0)
        # Farther than a filter reaches there is nothing to draw.
        weight, total = (gaussian_filter(v, reach, mode="constant") for v in (weight, total))
        near = np.isfinite(distance) & (away <= max(_HARDNESS_NEAR * spacing, 1.0))
        return np.where(near, total / np.where(near, weight, 1.0), np.nan)

    # -- lines over window edges ----------------------------------------------

    def _contours(self, key):
        s, (col, row) = self.settings, key
        around = [self._drawn.get(k) for k in ((col + 1, row), (col, row + 1), (col + 1, row + 1))]
        bands = [
            with_neighbors(self._drawn[key][band], *(a and a[band] for a in around))
            for band in (0, 1)
        ]
        depth, sigma = (Grid(values, *s.corner(key), s.cell, s.cell) for values in bands)
        return window_contours(depth, sigma, s.interval_m)

    def _contours_that_end_on(self, key):
        """Return (window, contours) of the neighbors whose lines end on a window's first cells."""
        col, row = key
        others = (col - 1, row), (col, row - 1), (col - 1, row - 1)
        return [(other, self._contours(other)) for other in others if other in self._drawn]

    # -- what is learned ------------------------------------------------------

    def _knowing(self, rows) -> Learned:
        """Return what was learned, with limits that hold the depths here."""
        if self.settings.learned is None:
            self._learn()
        known = self._learned or self._usual(rows)
        low, high = float(rows[:, 2].min()), float(rows[:, 2].max())
        if self.settings.shoreline is not None:
            low = min(low, self.settings.shore_depth)
        return replace(known, low=min(known.low, low), high=max(known.high, high))

    def _usual(self, rows):
        rate = _USUAL_RATE / float(np.sqrt(self.settings.spacing))
        growth = Growth(_USUAL_NOISE, 1.0, rate, 1.0, 0)
        fit = SmoothFit(_USUAL_GIVE, 0.0, np.nan, np.nan)
        return Learned(fit, _USUAL_NOISE, growth, float(rows[:, 2].min()), float(rows[:, 2].max()))

    def _learn(self):
        """Learn from the soundings at hand, as soon as there are enough, and when they have doubled."""
        count = self._held.count
        if count < max(_ENOUGH, 2 * self._learned_from):
            return
        self._learned_from = count
        try:
            whole = whole_frame(self.settings, soundings_of(self._held.all(self._shift)))
            self._learned = learn(whole, "smooth", {})
        except LakefloorError:
            return
        # What was drawn with less knowledge is drawn again, after all that is new.
        for key, stamp in self._stamps.items():
            if key not in self._waiting:
                self._wait(key, min(stamp, 0))

    # -- for the planner ------------------------------------------------------

    def surface(self, cell: float) -> Surface:
        """Return the surface of everything on coarse cells, m.

        Raises
        ------
        LakefloorError
            If there are too few soundings.
        """
        soundings, learned = self.snapshot()
        return draw_smooth(whole_frame(self.settings, soundings, cell=cell), learned)

    def snapshot(self) -> tuple[Soundings, Learned]:
        """Return all soundings as they are now, and what is known of their surface."""
        rows = self._held.all(self._shift)
        if not len(rows):
            raise LakefloorError("There are no soundings yet.")
        return soundings_of(rows), self._knowing(rows)


def whole_frame(settings: MapSettings, soundings: Soundings, **changed: Any) -> Frame:
    """Return the frame of all soundings; ``changed`` are arguments that differ from the settings."""
    s = settings
    where = {
        "cell": s.cell,
        "spacing": s.spacing,
        "max_gap": s.max_gap,
        "shoreline": s.shoreline,
        "shore_depth": s.shore_depth,
    }
    return frame(soundings, **{**where, **changed})


def _drawable(soundings: Soundings) -> np.ndarray:
    """Return which soundings are accepted and have a place and a depth, shape (n,)."""
    known = np.isfinite([soundings.x, soundings.y, soundings.depth]).all(axis=0)
    return soundings.accepted & known
