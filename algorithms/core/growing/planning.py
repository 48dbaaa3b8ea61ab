"""The next lane on the growing map."""

from __future__ import annotations

import numpy as np

from ..errors import LakefloorError
from ..plan.next_lane import next_lane
from ..surface.frame import frame
from ..surface.smooth_surface import draw_smooth
from .growing_map import GrowingMap

#: Cells of the surface that is planned on, in lane spacings.
_CELL = 0.25


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
        unit: str = "m",
        kept: np.ndarray | None = None,
        minutes_left: float | None = None,
        launch: np.ndarray | None = None,
    ) -> dict:
        """Return the next lane in plain values.

        Parameters
        ----------
        boat_xy : array, shape (2,)
            Where the boat is, m.
        interval_m, unit, kept, minutes_left, launch
            As for :func:`~.next_lane.next_lane`.

        Returns
        -------
        dict
            ``line`` (array, shape (2, 2), or None), ``to_start_m``, ``length_m``, ``minutes``,
            ``why``, ``done`` (nothing is left for this interval), ``supported`` (share of the
            water, 0 to 1).
        """
        s = self._settings
        whole = frame(
            self._soundings,
            cell=_CELL * s.spacing,
            shoreline=s.shoreline,
            shore_depth=s.shore_depth,
            max_gap=s.max_gap,
            spacing=s.spacing,
        )
        advice = next_lane(
            draw_smooth(whole, self._learned),
            interval_m=interval_m,
            boat_xy=np.asarray(boat_xy, dtype=float),
            lake=s.shoreline,
            max_gap=s.max_gap,
            spacing=s.spacing,
            kept=kept,
            launch=launch,
            minutes_left=minutes_left,
            unit=unit,
        )
        answer = {"supported": advice.supported, "done": advice.lane is None and advice.in_time}
        if advice.lane is None:
            return {**answer, "line": None}
        names = ("line", "to_start_m", "length_m", "minutes", "why")
        return {**answer, **{name: getattr(advice.lane, name) for name in names}}


def plan_next(growing: GrowingMap, boat_xy: np.ndarray, **given) -> dict:
    """Return the plan of a :class:`Planner`, or ``{"error": ...}`` where there is none."""
    try:
        return Planner(growing).plan(boat_xy, **given)
    except LakefloorError as error:
        return {"error": str(error), "line": None}
