"""The water that sound crosses on its way to the bottom, and how fast it does so."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import median_filter

from ..correction_keys import MEASURED, SPEED_ERROR, SPEED_FROM
from ..errors import LakefloorError
from ..number_text import written
from ..soundings import Soundings, each_visit
from .latency import seconds_since_first
from .sound_speed import LAKE_TEMPERATURES, fresh_water_sound_speed, unknown_water_speed
from .vertical_uncertainty import assumed_speed, layering, unknown_speed

#: Pings in the running median of a surface probe, which flickers by some tenths of a degree.
_TEMPERATURE_WINDOW = 61
# Steps between readings of a profile, m, within which sound speed is that of the middle; and a
# depth, m, beyond any lake's.
_STEP, _BEYOND = 0.1, 2000.0


@dataclass(frozen=True)
class TemperatureProfile:
    """Temperature of the water by depth, at one time and place of a lake.

    Attributes
    ----------
    depth : array, shape (k,)
        Below the surface of the lake, m, ascending. A depth that comes twice is a step.
    temperature : array, shape (k,)
        Degrees Celsius. In between it changes evenly; above the first reading and below the last
        the water is as warm as there.
    """

    depth: np.ndarray
    temperature: np.ndarray

    @classmethod
    def of(cls, depth: Iterable, temperature: Iterable) -> TemperatureProfile:
        """Return the profile of readings in any order.

        Raises
        ------
        LakefloorError
            If there is none, a depth is negative or comes more than twice, or a temperature is
            outside that of lake water.
        """
        given = np.array([*zip(depth, temperature)], dtype=float).reshape(-1, 2)
        given = given[np.isfinite(given).all(axis=1)]
        down, warmth = given[np.argsort(given[:, 0], kind="stable")].T
        if not len(down):
            raise LakefloorError("It has no row with a depth and a temperature. Fill in some.")
        if down[0] < 0.0:
            raise LakefloorError(
                f"The depth {written(down[0], 'g')} m is above the surface. Depths count downward."
            )
        often = down[2:][down[2:] == down[:-2]]
        if len(often):
            raise LakefloorError(
                f"The depth {written(often[0], 'g')} m comes more than twice. Keep one reading of "
                "it, or two at a sharp step."
            )
        fresh_water_sound_speed(warmth)
        return cls(down, warmth)

    def below(self, seconds: np.ndarray, start: np.ndarray) -> np.ndarray:
        """Return how far down sound gets, m.

        Parameters
        ----------
        seconds : array, shape (n,)
            On the way down alone.
        start : array, shape (n,)
            Depth of the transducer, m.

        Notes
        -----
        The time to a depth is the integral of one over the sound speed, which is that of the
        temperature there (Urick 1983, ch. 5; layers with a gradient are taken in steps of 0.1 m).

        References
        ----------
        Urick, R. J. (1983). Principles of Underwater Sound, 3rd ed. McGraw-Hill.

        Examples
        --------
        >>> warm = TemperatureProfile.of([0.0, 6.1, 6.1, 30.0], [24.0, 24.0, 7.0, 7.0])
        >>> round(float(warm.below(np.array([0.01]), np.array([0.3]))[0]), 2)
        14.58
        """
        depth = np.concatenate([[0.0], self.depth, [self.depth[-1] + _BEYOND]])
        warmth = self.temperature[[0, *range(len(self.temperature)), -1]]
        nodes, times = [np.zeros(1)], [np.zeros(1)]
        for top, bottom, above, beneath in zip(depth, depth[1:], warmth, warmth[1:]):
            if bottom > top:
                steps = 1 if above == beneath else int(np.ceil((bottom - top) / _STEP))
                middle = (np.arange(steps) + 0.5) / steps
                speed = fresh_water_sound_speed(above + middle * (beneath - above))
                nodes.append(top + np.arange(1, steps + 1) / steps * (bottom - top))
                times.append(times[-1][-1] + np.cumsum((bottom - top) / steps / speed))
        at, when = np.concatenate(nodes), np.concatenate(times)
        return np.interp(np.interp(start, at, when) + seconds, when, at) - start


@dataclass(frozen=True)
class CrossedWater:
    """The water that the sound of n soundings crossed.

    ``temperature`` (degrees Celsius, NaN where not known) and ``speed`` (m/s); and masks:
    ``surface_only`` where nothing but the temperature of the surface is known, ``skipped`` where
    depth is left at the assumed speed, ``unknown`` where the middle of fresh water's speeds is
    taken; ``measured`` where its temperature was measured down the water.
    """

    temperature: np.ndarray
    speed: np.ndarray
    surface_only: np.ndarray
    skipped: np.ndarray
    unknown: np.ndarray
    measured: np.ndarray

    @classmethod
    def of(
        cls,
        soundings: Soundings,
        assumed: float,
        real: float | None,
        temperature: float | None,
        skip: bool,
    ) -> CrossedWater:
        """Return the water as given, or as its temperature was logged."""
        n = len(soundings)
        none = np.zeros(n, dtype=bool)
        if real is not None:
            return cls(np.full(n, np.nan), np.full(n, float(real)), none, none, none, none)
        if temperature is not None:
            speed = float(fresh_water_sound_speed(temperature))
            return cls(np.full(n, float(temperature)), np.full(n, speed), ~none, none, none, none)
        smooth = np.full(n, np.nan)
        for name, rows in each_visit(soundings):
            smooth[rows] = _smooth_temperature(
                name, soundings.time[rows], soundings.water_temp[rows]
            )
        lacking = np.isnan(smooth)
        instead = assumed if skip else unknown_water_speed()[0]
        speed = np.where(lacking, instead, fresh_water_sound_speed(smooth))
        return cls(smooth, speed, ~lacking, lacking & skip, lacking & (not skip), none)

    def along(
        self,
        profiles: Mapping[str, TemperatureProfile],
        visit: np.ndarray,
        seconds: np.ndarray,
        start: np.ndarray,
    ) -> CrossedWater:
        """Return the water with the mean speed along profiles, where a visit has one.

        ``seconds`` are those of the way down, ``start`` is the depth of the transducer, m; the
        profile of the name '' is for all visits without one of their own.
        """
        speed, temperature = self.speed.copy(), self.temperature.copy()
        measured = np.zeros(len(speed), dtype=bool)
        for name in np.unique(visit.astype(str)):
            profile = profiles.get(name, profiles.get(""))
            rows = np.flatnonzero((visit.astype(str) == name) & (seconds > 0.0))
            if profile is not None and len(rows):
                speed[rows] = profile.below(seconds[rows], start[rows]) / seconds[rows]
                temperature[rows] = profile.temperature[0]
                measured[rows] = True
        kept = {
            name: getattr(self, name) & ~measured for name in ("surface_only", "skipped", "unknown")
        }
        return replace(self, temperature=temperature, speed=speed, measured=measured, **kept)

    def uncertainties(
        self, below: np.ndarray, assumed: float, mixed_depth: float, deep_temperature: float
    ) -> tuple:
        """Return what is not known of the sound speed, as uncertainties of depth, m."""
        layers = layering(below, self.speed, mixed_depth, deep_temperature)
        middle = unknown_speed(below, self.speed, unknown_water_speed()[1])
        return (
            np.where(self.surface_only, layers, 0.0),
            np.where(self.skipped, assumed_speed(below, assumed), 0.0),
            np.where(self.unknown, middle, 0.0),
        )

    def recorded(self, assumed: float) -> dict:
        """Return what ``corrections`` hold of the sound speed."""
        rounded, which = np.unique(
            np.round(np.where(self.skipped, -1.0, self.speed), 1), return_inverse=True
        )
        change = ["not corrected" if v < 0 else f"{assumed:g}->{v:.1f}" for v in rounded]
        spread = f"{unknown_water_speed()[1]:.2f}"
        return {
            "sound_speed": np.array(change, dtype=object)[which],
            SPEED_ERROR: np.where(self.unknown, spread, None),
            SPEED_FROM: np.where(self.measured, MEASURED, None),
        }


def _smooth_temperature(name, time, logged):
    """Return the running median of one visit's temperature, its gaps filled."""
    known = np.isfinite(logged)
    low, high = LAKE_TEMPERATURES
    usable = known & (logged >= low) & (logged <= high)
    if not known.any():
        return np.full(len(logged), np.nan)
    if usable.sum() < 0.5 * known.sum():
        value = np.median(logged[known])
        raise LakefloorError(
            f"Visit '{name}': most logged water temperatures are outside {written(low, 'g')} to "
            f"{written(high, 'g')} °C (median {written(value, 'g')}). If the log is in degrees "
            "Fahrenheit, choose that in Read logs. Or enter a water temperature."
        )
    seconds = seconds_since_first(time)
    at = seconds if np.isfinite(seconds).all() else np.arange(len(logged), dtype=float)
    order = np.argsort(at[usable], kind="stable")
    # SciPy 1.15 returns zeros where the window is much longer than the data.
    size = min(_TEMPERATURE_WINDOW, 2 * ((order.size - 1) // 2) + 1)
    smooth = median_filter(logged[usable][order], size=size, mode="reflect")
    return np.interp(at, at[usable][order], smooth)
