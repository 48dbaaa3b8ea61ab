"""Speed of sound in fresh water."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..errors import LakefloorError
from ..number_text import written

#: Ascending powers of temperature, Marczak (1997). Copies are in circulation whose
#: square term reads -5.779136e-2 (two digits swapped), 0.08 m/s too fast at 20 degrees.
_MARCZAK = (1402.385, 5.038813, -5.799136e-2, 3.287156e-4, -1.398845e-6, 2.787860e-9)

#: Degrees Celsius that lake water can have.
LAKE_TEMPERATURES = (0.0, 40.0)


#: Degrees Celsius that lake water has in the open season.
OPEN_SEASON_TEMPERATURES = (4.0, 25.0)


def unknown_water_speed() -> tuple:
    """Return sound speed and its standard uncertainty, m/s, where nobody measured a temperature.

    The middle of the range of fresh water in the open season, 1421.6 m/s at 4 degrees Celsius to
    1496.7 m/s at 25, and half that range. The error is one for a whole visit, so that no number
    of soundings averages it out: half the range is not divided by the root of 3.
    """
    low, high = (float(speed) for speed in fresh_water_sound_speed(OPEN_SEASON_TEMPERATURES))
    return 0.5 * (low + high), 0.5 * (high - low)


def fresh_water_sound_speed(temperature_c: npt.ArrayLike) -> np.ndarray:
    """Return the speed of sound in pure water at atmospheric pressure.

    Pressure adds 0.25 m/s at 15 m depth and 0.3 g/kg of dissolved salts about
    0.4 m/s; both are left out, being less than what 0.2 degrees change.

    Parameters
    ----------
    temperature_c : float or array
        Water temperature, degrees Celsius, 0 to 40; NaN gives NaN.

    Returns
    -------
    array, same shape
        m/s.

    Raises
    ------
    LakefloorError
        If a temperature is outside 0 to 40 degrees Celsius.

    References
    ----------
    Marczak, W. (1997). Water as a standard in the measurements of speed of
    sound in liquids. Journal of the Acoustical Society of America 102(5),
    2776-2779.

    Examples
    --------
    >>> round(float(fresh_water_sound_speed(10.0)), 1)
    1447.3
    """
    temperature = np.asarray(temperature_c, dtype=float)
    low, high = LAKE_TEMPERATURES
    outside = (temperature < low) | (temperature > high)
    if np.any(outside):
        worst = np.atleast_1d(temperature[outside])[0]
        hint = (
            f" If it is in degrees Fahrenheit, enter {written((worst - 32) / 1.8, '.1f')}."
            if high < worst <= 104
            else " Enter it in degrees Celsius."
        )
        raise LakefloorError(
            f"The water temperature of {written(worst, 'g')} °C is outside {written(low, 'g')} to "
            f"{written(high, 'g')} °C.{hint}"
        )
    return np.polynomial.polynomial.polyval(temperature, _MARCZAK)
