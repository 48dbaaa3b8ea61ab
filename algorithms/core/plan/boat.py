"""How a boat moves on a survey, and where it may go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import LakefloorError
from ..number_text import written
from ..units import MPH


@dataclass(frozen=True)
class Boat:
    """How a boat moves on a survey, and where it may go.

    Attributes
    ----------
    speed, transit_speed : float
        On lanes and between them, m/s; transits as fast as lanes if None.
    turn_s : float
        Time that the turn into each lane takes beyond its way, s.
    buffer_m : float
        How far lanes keep off the shore, m.
    min_depth : float
        Water known to be shallower is not entered, m.

    Raises
    ------
    LakefloorError
        If no boat has such a speed, turn or depth.
    """

    speed: float = 5.0 * MPH
    transit_speed: float | None = None
    turn_s: float = 10.0
    buffer_m: float = 5.0
    min_depth: float = 0.0

    def __post_init__(self):
        for value in (self.speed, self.between_lanes):
            if not 0.1 <= value <= 30.0:
                raise LakefloorError(
                    f"A speed of {written(value, '.2f')} m/s is not that of a survey boat. Give "
                    "0.1 to 30 m/s, and check the speed unit."
                )
        if not (np.isfinite(self.turn_s) and self.turn_s >= 0):
            raise LakefloorError(
                f"The turn time is {written(self.turn_s, 'g')} s. Give 0 s or more."
            )
        if not (np.isfinite(self.min_depth) and self.min_depth >= 0):
            raise LakefloorError(
                f"The minimum depth is {written(self.min_depth, 'g')} m. Give 0 m or more."
            )

    @property
    def between_lanes(self) -> float:
        """Speed of transits, m/s."""
        return self.speed if self.transit_speed is None else self.transit_speed


#: A small boat with a transducer at its stern.
USUAL_BOAT = Boat()
