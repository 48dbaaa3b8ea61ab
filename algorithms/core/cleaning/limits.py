"""Limits that soundings are cleaned by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import LakefloorError
from ..number_text import written


@dataclass(frozen=True)
class Limits:
    """What is believed of soundings; see :func:`.cleaning.clean` for units and meaning."""

    min_depth: float
    max_depth: float | None
    max_speed: float | None
    min_speed: float | None
    max_jump_speed: float
    half_window: int
    n_sigma: float
    noise_floor: float
    max_slope: float
    max_burst: float
    radius: float | None

    @property
    def steepest(self) -> float:
        """Slope that is believed, rise over run."""
        return np.tan(np.radians(self.max_slope))

    @property
    def noise(self) -> float:
        """Difference of depth, m, that the noise alone may make."""
        return self.n_sigma * self.noise_floor

    def refuse_nonsense(self) -> None:
        """Raise LakefloorError if a limit makes no sense, saying which."""
        self._refuse_depths_and_speeds()
        if self.half_window < 1:
            raise LakefloorError(f"The half window is {self.half_window} pings. Enter at least 1.")
        if not self.n_sigma > 0 or not self.noise_floor > 0:
            raise LakefloorError(
                f"The outlier limit is {self.n_sigma} standard deviations and the minimum noise is "
                f"{self.noise_floor} m. Enter numbers above 0 for both."
            )
        if not 0 < self.max_slope < 90:
            raise LakefloorError(
                f"The maximum slope between pings is {self.max_slope}°. Enter 1 to 89°."
            )
        for name, value in (
            ("Maximum length of a burst", self.max_burst),
            ("Search radius for neighbors", 0.0 if self.radius is None else self.radius),
            ("Maximum possible boat speed", self.max_jump_speed),
        ):
            if not (np.isfinite(value) and value >= 0.0):
                raise LakefloorError(
                    f"{name} is {written(value, 'g')}. Enter a number of at least 0."
                )

    def _refuse_depths_and_speeds(self):
        if self.max_depth is not None and not self.max_depth > self.min_depth:
            raise LakefloorError(
                f"The deepest depth ({self.max_depth} m) is not below the shallowest depth "
                f"({self.min_depth} m). Enter a deeper one."
            )
        slowest = self.min_speed or 0.0
        if self.max_speed is not None and not self.max_speed > slowest:
            raise LakefloorError(
                f"The maximum speed ({self.max_speed} m/s) is not above the minimum speed "
                f"({slowest} m/s). Enter a higher one."
            )
