"""The next lane on the growing map."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from shapely.geometry import box

from ..chart.contour_domain import polygons_of
from ..errors import LakefloorError
from ..plan.boat import USUAL_BOAT
from ..plan.next_lane import next_lane
from ..surface.frame import frame
from ..surface.smooth_surface import draw_smooth
from .cross_line import best_cross_line, has_cross_line
from .growing_map import GrowingMap

#: Cells of the surface that is planned on, in lane spacings.
_CELL = 0.25
#: Of a larger lake, the water around the boat is planned in: a square of so many spacings.
_AREA_SIDE = 120.0


class Planner:
    """What a plan is made from, as it is now; it may be made in another thread.

    Parameters
    ----------
    growing : GrowingMap
    """

    def __init__(self, growing: GrowingMap):
        self._settings = growing.settings
        self._soundings, self._learned = growing.snapshot()

    def plan(
        self,
        boat_xy: np.ndarray,
        *,
        interval_m: float,
        min_depth: float = 0.0,
        lanes: Sequence = (),
        **given: Any,
    ) -> dict:
        """Return the next lane in plain values.

        Parameters
        ----------
        boat_xy : array, shape (2,)
            Where the boat is, m.
        interval_m : float
            Contour interval wanted, m.
        min_depth : float
            Water known to be shallower is not entered, m.
        lanes : sequence of array, shape (2, 2)
            Those driven today, m: where no cross-line is among them, the best one is proposed
            once they are done.
        **given
            ``unit``, ``kept``, ``passed_over``, ``minutes_left`` and ``launch``, as for
            :func:`~.next_lane.next_lane`.

        Returns
        -------
        dict
            ``line`` (array, shape (2, 2), or None), ``to_start_m``, ``length_m``, ``minutes``,
            ``why``, ``done`` (nothing is left for this interval), ``supported`` (share of the
            water, 0 to 1), ``is_part`` (only the water around the boat was looked at), and
            ``cross`` (None, or a dict with ``line``, ``to_start_m``, ``length_m``, ``crosses``).

        Raises
        ------
        LakefloorError
            As for :func:`~.next_lane.next_lane`.
        """
        boat_xy, s = np.asarray(boat_xy, dtype=float), self._settings
        soundings, lake, is_part = self._around(boat_xy)
        whole = frame(
            soundings,
            cell=_CELL * s.spacing,
            shoreline=lake,
            shore_depth=s.shore_depth,
            max_gap=s.max_gap,
            spacing=s.spacing,
        )
        boat = replace(USUAL_BOAT, min_depth=min_depth)
        advice = next_lane(
            draw_smooth(whole, self._learned),
            interval_m=interval_m,
            boat_xy=boat_xy,
            lake=lake,
            max_gap=s.max_gap,
            spacing=s.spacing,
            boat=boat,
            **given,
        )
        answer = {
            "supported": advice.supported,
            "done": advice.lane is None and advice.in_time,
            "is_part": is_part,
            "cross": None,
        }
        if advice.lane is None:
            return {**answer, "line": None, "cross": _cross(lanes, s.shoreline, boat, boat_xy)}
        names = ("line", "to_start_m", "length_m", "minutes", "why")
        return {**answer, **{name: getattr(advice.lane, name) for name in names}}

    def _around(self, boat_xy):
        """Return soundings and shoreline that are planned in, and whether these are a part."""
        s, soundings = self._settings, self._soundings
        half = 0.5 * _AREA_SIDE * s.spacing
        area, shoreline = box(*(boat_xy - half), *(boat_xy + half)), s.shoreline
        off = np.maximum(np.abs(soundings.x - boat_xy[0]), np.abs(soundings.y - boat_xy[1]))
        near = off <= half + s.max_gap
        if shoreline is None:
            # Without a shore, one stray would span a grid from here to there.
            return (
                (soundings.select(near), None, not near.all())
                if near.any()
                else (soundings, None, False)
            )
        if shoreline.area <= area.area:
            return soundings, shoreline, False
        lake = polygons_of(shoreline.intersection(area))
        if lake.is_empty or not near.any():
            return soundings, shoreline, False
        return soundings.select(near), lake, True


def _cross(lanes, shoreline, boat, boat_xy):
    """Return the cross-line to drive, its nearer end first, or None."""
    lanes = np.asarray(lanes, dtype=float).reshape(-1, 2, 2)
    if has_cross_line(lanes):
        return None
    found = best_cross_line(lanes, shoreline and shoreline.buffer(-boat.buffer_m))
    if found is None:
        return None
    line, crosses = found
    away = np.hypot(*(line - boat_xy).T)
    line = line[np.argsort(away, kind="stable")]
    return {
        "line": line,
        "to_start_m": float(away.min()),
        "length_m": float(np.hypot(*(line[1] - line[0]))),
        "crosses": crosses,
    }


def plan_next(growing: GrowingMap, boat_xy: np.ndarray, **given) -> dict:
    """Return the plan of a :class:`Planner`, or ``{"error": ...}`` where there is none."""
    try:
        return Planner(growing).plan(boat_xy, **given)
    except LakefloorError as error:
        return {"error": str(error), "line": None}
