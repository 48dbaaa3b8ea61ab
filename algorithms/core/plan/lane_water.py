"""The water in which the next lane may lie, with a shoreline and without one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt
from shapely.geometry.base import BaseGeometry

from ..chart.contour_domain import cells_polygon
from ..errors import LakefloorError
from ..grid import Grid, Surface
from ..polygons import rings
from .boat import Boat
from .driving import LAUNCH_REACH, shallow_cells
from .water_routes import Water, distances_from, into_water, navigable, prepare_water

#: How far off the water the boat may be said to be, m, since shallow water may lie in between.
_BOAT_REACH = 300.0

#: Without a limit of interpolation, lanes so many spacings to each side of water belong together.
_GAP_SPACINGS = 4.0

# Ways are searched among so many corners at most, on a shore simplified by ever more, m.
_MOST_CORNERS = 400
_SIMPLER = (0.0, 2.0, 4.0, 8.0, 16.0, 32.0)


@dataclass(frozen=True)
class OpenWater:
    """What is to be mapped, and where lanes may lie.

    Attributes
    ----------
    lake, within : Polygon or MultiPolygon
        m.
    ways : Water or None
        For ways round land; None without a shoreline: ways are straight.
    """

    lake: BaseGeometry
    within: BaseGeometry
    ways: Water | None


def reaching_over(surface: Surface, lake: BaseGeometry) -> Surface:
    """Return a surface that reaches over a lake, nothing drawn where it did not reach before."""
    west, south, east, north = lake.bounds
    grid = surface.depth
    left, bottom, right, top = grid.bounds
    more = (
        ((north - top) / grid.dy, (bottom - south) / grid.dy),
        ((left - west) / grid.dx, (east - right) / grid.dx),
    )
    cells = [tuple(max(int(np.ceil(each)), 0) for each in pair) for pair in more]

    def wider(band):
        values = np.pad(band.values, cells, constant_values=np.nan)
        return Grid(
            values, left - cells[1][0] * grid.dx, top + cells[0][0] * grid.dy, grid.dx, grid.dy
        )

    depth, uncertainty, distance = map(wider, surface.bands)
    return Surface(depth, uncertainty, distance, surface.spacing)


def open_water(
    surface: Surface,
    lake: BaseGeometry | None,
    boat: Boat,
    spacing: float,
    max_gap: float | None = None,
) -> OpenWater:
    """Return the water of a lake, or that between the lanes so far, for a boat.

    Parameters
    ----------
    surface : Surface
        m.
    lake : Polygon or MultiPolygon, optional
        m; if None, see :func:`between_lanes`.
    boat : Boat
    spacing, max_gap : float
        m.

    Raises
    ------
    LakefloorError
        If no water is left for the boat.
    """
    shallow = shallow_cells(surface.depth, boat.min_depth)
    if lake is None:
        lake = between_lanes(surface, spacing, max_gap)
        buffer_m = min(boat.buffer_m, spacing / 4.0)
        if lake.buffer(-buffer_m).is_empty:
            raise LakefloorError(
                "Without a shoreline, a lane is planned only between lanes already driven. Record "
                "two or more lanes side by side, or draw the shoreline."
            )
        within, _ = navigable(lake, buffer_m, shallow)
        return OpenWater(lake, within, None)
    within, passage = navigable(lake, boat.buffer_m, shallow)
    return OpenWater(lake, within, prepare_water(_with_few_corners(passage)))


def between_lanes(surface: Surface, spacing: float, max_gap: float | None = None) -> BaseGeometry:
    """Return the water between the lanes so far, and half a spacing around them.

    Nobody knows what lies beyond the lanes without a shoreline, so that none is proposed there. Gaps
    up to twice ``max_gap`` wide have water on both sides, and are taken for water.

    Parameters
    ----------
    surface : Surface
        With distances to the nearest sounding, m.
    spacing : float
        m.
    max_gap : float, optional
        m; four times the spacing if None.
    """
    *_, known = surface.bands
    distance = np.pad(known.values, 1, constant_values=np.nan)
    max_gap = _GAP_SPACINGS * spacing if max_gap is None else max_gap
    drawn = np.isfinite(distance) & (distance <= max_gap)
    to_edge = distance_transform_edt(drawn, sampling=(surface.depth.dy, surface.depth.dx))
    held = to_edge[1:-1, 1:-1] > max(max_gap - spacing / 2.0, 0.0)
    # Lanes alone are water, however the edge of what is drawn runs.
    held |= known.values <= max(surface.depth.dx, surface.depth.dy)
    return cells_polygon(held, surface.depth).simplify(surface.depth.dx / 2.0)


def _with_few_corners(passage: BaseGeometry) -> BaseGeometry:
    """Return the passage, widened and simplified as far as it has too many corners."""
    for tolerance in _SIMPLER:
        simple = passage.buffer(tolerance).simplify(tolerance) if tolerance else passage
        if sum(len(ring) for ring in rings(simple)) <= _MOST_CORNERS:
            break
    return simple


@dataclass(frozen=True)
class Start:
    """Where the boat is, where it must be at the end, and how fast it gets about.

    Attributes
    ----------
    ways : Water or None
    boat : Boat
    place, into : array, shape (2,)
        The boat, and where it enters the water of ``ways``, m.
    launch : array, shape (2,)
        Where the boat must be when its time is over, m.
    seconds_left : float
        Infinite without limit.
    """

    ways: Water | None
    boat: Boat
    place: np.ndarray
    into: np.ndarray
    launch: np.ndarray
    seconds_left: float

    @classmethod
    def of(
        cls,
        water: OpenWater,
        boat: Boat,
        boat_xy: np.ndarray,
        launch: np.ndarray | None = None,
        minutes_left: float | None = None,
    ) -> Start:
        """Return a start; LakefloorError if boat or launch are far from the water."""
        place = np.asarray(boat_xy, dtype=float)
        launch = place if launch is None else np.asarray(launch, dtype=float)
        into, back = place, launch
        if water.ways is not None:
            into = into_water(water.ways, place, _BOAT_REACH, "The boat")
            back = into_water(
                water.ways, launch, LAUNCH_REACH + max(_BOAT_REACH, boat.buffer_m), "The launch"
            )
        left = np.inf if minutes_left is None else 60.0 * minutes_left
        return cls(water.ways, boat, place, into, back, left)

    def to(self, points: np.ndarray) -> np.ndarray:
        """Return how far it is by water from the boat to points, shape (n,), m."""
        return np.hypot(*(self.into - self.place)) + self._from(self.into, points)

    def back(self, points: np.ndarray) -> np.ndarray:
        """Return how far it is by water from points to the launch, shape (n,), m."""
        return self._from(self.launch, points)

    def _from(self, place, points):
        if self.ways is None:
            return np.hypot(*(np.asarray(points) - place).T)
        return distances_from(self.ways, place, points)
