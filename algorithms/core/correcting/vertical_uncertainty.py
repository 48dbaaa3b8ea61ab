"""Terms of the standard uncertainty of a sounding's depth, one function each, and their sum."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from .sound_speed import LAKE_TEMPERATURES, fresh_water_sound_speed

#: The coldest water that a lake's depth is likely to hold in the open season: densest at 4 °C.
_COLDEST_C = 4.0


def combine(*terms) -> np.ndarray:
    """Return the root of the sum of squares of independent standard uncertainties.

    References
    ----------
    JCGM 100:2008. Guide to the expression of uncertainty in measurement, 5.1.2.
    """
    return np.sqrt(sum(np.square(term) for term in terms))


def instrument(depth: np.ndarray, fixed_m: float, share: float) -> np.ndarray:
    """Return the sounder's uncertainty, m: a fixed part, and a share of depth (m)."""
    return np.hypot(fixed_m, share * np.asarray(depth, dtype=float))


def temperature(below: np.ndarray, speed: np.ndarray, error_c: float) -> np.ndarray:
    """Return what an error of the water's temperature does to depth, m: ``below dc / c``.

    Parameters
    ----------
    below : array, shape (n,)
        Depth below the transducer, m.
    speed : array, shape (n,)
        Sound speed of the water, m/s.
    error_c : float
        Standard uncertainty of its temperature, degrees Celsius.
    """
    degrees = np.linspace(*LAKE_TEMPERATURES, 401)
    speeds = fresh_water_sound_speed(degrees)
    change = np.interp(speed, speeds, np.gradient(speeds, degrees))
    return np.abs(below * change * error_c / speed)


def layering(
    below: np.ndarray, speed: np.ndarray, mixed_depth_m: float, deep_temperature_c: float
) -> np.ndarray:
    """Return the uncertainty, m, where only the temperature of the surface is known.

    Parameters
    ----------
    below : array, shape (n,)
        Depth below the transducer, m.
    speed : array, shape (n,)
        Sound speed of the water at the surface, m/s.
    mixed_depth_m, deep_temperature_c : float
        Down to which depth, m, the water surely is as warm as the surface, and how cold, degrees
        Celsius, it may be below.

    Notes
    -----
    If all water below the mixed depth is that cold, the depth is too great by the part below it
    times ``|1 - c_deep / c|``. The truth is equally likely anywhere between none and all of it:
    a third of the square.

    References
    ----------
    JCGM 100:2008. Guide to the expression of uncertainty in measurement, 4.3.7.
    """
    deep = fresh_water_sound_speed(deep_temperature_c)
    return np.maximum(below - mixed_depth_m, 0.0) * np.abs(1.0 - deep / speed) / np.sqrt(3.0)


def assumed_speed(below: npt.ArrayLike, assumed_ms: npt.ArrayLike) -> np.ndarray:
    """Return the uncertainty, m, of depth left at the instrument's assumed sound speed (m/s).

    As :func:`layering`, between the assumed speed and water at its densest, 4 degrees Celsius.
    """
    coldest = fresh_water_sound_speed(_COLDEST_C)
    return below * np.abs(1.0 - coldest / assumed_ms) / np.sqrt(3.0)


def unknown_speed(below: np.ndarray, speed: np.ndarray, error_ms: npt.ArrayLike) -> np.ndarray:
    """Return what an uncertain sound speed (m/s) does to the depth below the transducer, m."""
    return np.asarray(below, dtype=float) * error_ms / speed


def on_slope(distance_m: npt.ArrayLike, slope: np.ndarray) -> np.ndarray:
    """Return what an uncertain place does to depth on a slope (m per m), m."""
    return np.asarray(distance_m, dtype=float) * slope
