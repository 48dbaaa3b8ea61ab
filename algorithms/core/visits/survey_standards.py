"""Published tolerances for the uncertainty of soundings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..errors import LakefloorError
from ..units import FOOT


@dataclass(frozen=True)
class Order:
    """One order of hydrographic survey: a fixed term ``a`` (m), and ``b``, a share of depth."""

    label: str
    a: float
    b: float


#: Orders of IHO S-44, strictest first.
ORDERS = {
    "exclusive": Order("Exclusive", 0.15, 0.0075),
    "special": Order("Special", 0.25, 0.0075),
    "1a": Order("1a", 0.5, 0.013),
    "1b": Order("1b", 0.5, 0.013),
    "2": Order("2", 1.0, 0.023),
}

#: Depth tolerance (95%, ft) by class of survey: shallower than 15 ft, to 40 ft, deeper.
_USACE_FEET = {
    "navigation, hard bottom": (0.5, 1.0, 1.0),
    "navigation, soft bottom": (0.5, 1.0, 2.0),
    "other general surveys": (1.0, 2.0, 2.0),
}
USACE_CLASSES = tuple(_USACE_FEET)


def tvu(order: str, depth: npt.ArrayLike) -> np.ndarray:
    """Return the greatest total vertical uncertainty (95%) that an S-44 order allows, m.

    Parameters
    ----------
    order : str
        A key of :data:`ORDERS`.
    depth : array
        m.

    Raises
    ------
    LakefloorError
        If the order is unknown.

    Notes
    -----
    ``sqrt(a**2 + (b * depth)**2)``

    References
    ----------
    International Hydrographic Organization, S-44, Standards for Hydrographic Surveys, edition 6.
    The terms were taken from software that implements the standard, not from its own table 1.

    Examples
    --------
    >>> round(float(tvu("1b", 10.0)), 3)
    0.517
    """
    if order not in ORDERS:
        raise LakefloorError(f"S-44 order '{order}' is unknown. Choose one of {', '.join(ORDERS)}.")
    terms = ORDERS[order]
    return np.hypot(terms.a, terms.b * np.asarray(depth, float))


def usace_tolerance(survey: str, depth: npt.ArrayLike) -> np.ndarray:
    """Return the depth tolerance (95%) of a class of survey of the U.S. Army engineers, m.

    Parameters
    ----------
    survey : str
        One of :data:`USACE_CLASSES`, for acoustic soundings.
    depth : array
        m.

    Raises
    ------
    LakefloorError
        If the class is unknown.

    References
    ----------
    U.S. Army Corps of Engineers (2002). Hydrographic Surveying, EM 1110-2-1003, table 3-1.
    """
    if survey not in _USACE_FEET:
        raise LakefloorError(
            f"Survey class '{survey}' is unknown. Choose one of {', '.join(USACE_CLASSES)}."
        )
    feet = np.asarray(depth, float) / FOOT
    shallow, middle, deep = _USACE_FEET[survey]
    return FOOT * np.where(feet < 15.0, shallow, np.where(feet <= 40.0, middle, deep))
