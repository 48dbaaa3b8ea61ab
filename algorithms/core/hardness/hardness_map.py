"""A map of hardness."""

from __future__ import annotations

from dataclasses import dataclass

from ..grid import Grid


@dataclass(frozen=True)
class HardnessMap:
    """Relative hardness on grids of one geometry.

    Attributes
    ----------
    hardness : Grid
        0..1, NaN where it is not known.
    uncertainty : Grid, optional
        One standard deviation of hardness.
    distance : Grid, optional
        Distance to the nearest sounding, m.
    spacing : float, optional
        Lane spacing with which it was drawn, m; as ``distance`` has it if None.
    """

    hardness: Grid
    uncertainty: Grid | None = None
    distance: Grid | None = None
    spacing: float | None = None
