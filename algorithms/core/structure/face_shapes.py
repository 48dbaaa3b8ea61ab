"""Half widths of faces whose slope was blurred: from even ramps to faces that round off all along.

Of the slope across a face, where it has fallen to two shares of its greatest value tells how wide
the face is and how sharp its edges are, once the blur is known.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.special import ndtr

#: Shares of the greatest slope, above that of the ground beyond, at which a half width is measured.
RIM_SHARE, FOOT_SHARE = 2.0 / 3.0, 1.0 / 3.0
# Rounding of the shoulders of a ramp, standard deviation over half width: from an even ramp to
# nearly a normal law, so that ratios of the widths lie evenly.
_ROUNDINGS = (0.0, 0.06, 0.118, 0.172, 0.224, 0.273, 0.321, 0.369, 0.42, 0.478)
# Half widths that are tabulated, in units of the standard deviation of the blur, and the share of
# a half width that is left at least.
_SIZES, _LEAST = np.geomspace(0.02, 60.0, 200), 0.4
# Least standard deviation of a ratio of widths, from profiles read at cells of a quarter of a blur.
_RATIO_SD = 0.02


def half_widths(
    at_rim: np.ndarray, at_foot: np.ndarray | None, blur: np.ndarray, alike: float = 1.0
) -> tuple:
    """Return half widths from the steepest line to the edge, m, and the factor of the slope.

    Parameters
    ----------
    at_rim, at_foot : array, shape (n,)
        Half widths of the blurred slope at :data:`RIM_SHARE` and :data:`FOOT_SHARE` of its
        maximum, m; the latter None where it is not known.
    blur : array, shape (n,)
        Standard deviation of the blur, m.
    alike : float
        Number of neighboring profiles that tell no more than one.

    Returns
    -------
    half : array, shape (n,)
        To where the face bends most without the blur: the edge of an even ramp, ``0.658 w`` of
        ``tanh(x / w)``.
    sharpened : array, shape (n,)
        By how much the greatest slope was larger before the blur.

    Notes
    -----
    The slope of a ramp of half width ``h``, its shoulders rounded by a Gaussian ``r`` and blurred
    by ``s``, is in proportion to ``Phi((h - x) / t) + Phi((h + x) / t) - 1``, ``t^2 = r^2 + s^2``: at
    two thirds of the maximum of a wide one, ``x = h - 0.43 t``, which lies inwards of the edge. That
    of ``tanh(x / w)`` is ``sech^2`` and has two thirds of its maximum at ``0.658 w`` without a blur.
    Ratios of the widths at one and two thirds are 1 for a ramp, 1.65 for a normal law or the blur
    alone, and 1.74 for ``sech^2``. Which of them a drop-off is follows from its ratio. On a face
    narrower than the blur all ratios are alike; the half width is therefore the posterior mean over
    shapes whose ratios lie evenly, each as likely as another beforehand.

    Examples
    --------
    A ramp of 20 m, blurred by 5 m.

    >>> from scipy.special import ndtr
    >>> x = np.linspace(0.0, 30.0, 3001)
    >>> slope = ndtr((10.0 - x) / 5.0) + ndtr((10.0 + x) / 5.0) - 1.0
    >>> seen = [np.array([np.interp(-p * slope[0], -slope, x)]) for p in (2 / 3, 1 / 3)]
    >>> half, sharpened = half_widths(*seen, np.array([5.0]))
    >>> bool(abs(half[0] - 10.0) < 0.3), bool(abs(sharpened[0] - 1.05) < 0.05)
    (True, True)
    """
    blur = np.maximum(blur, 1e-6)
    size = at_rim / blur
    ratio, edge, factor = np.array(
        [[np.interp(size, seen, column) for column in columns] for seen, *columns in _shapes()]
    ).transpose(1, 0, 2)
    # With a rim or without one, all ratios of the former: none is likelier beforehand.
    likely = np.append(np.full(len(_ROUNDINGS), 1.0 / len(_ROUNDINGS)), 1.0)
    if at_foot is not None:
        # One shape for a drop-off: a single profile hardly tells it.
        seen = at_foot / at_rim
        scatter = 1.4826 * np.median(np.abs(seen - np.median(seen)))
        # Of a median: 1.25 times that of a mean.
        sd = np.hypot(1.25 * scatter / np.sqrt(max(len(seen) / alike, 1.0)), _RATIO_SD)
        off = np.median(seen - ratio, axis=1) / sd
        likely *= np.exp(0.5 * (np.min(off**2) - off**2))
    likely /= likely.sum()
    return np.maximum(likely @ edge * blur, _LEAST * at_rim), likely @ factor


@lru_cache(maxsize=1)
def _shapes() -> tuple:
    """Return for each shape, blurred by 1: seen half width, its ratio, true one, factor of slope."""
    return (*(_ramp(rounding) for rounding in _ROUNDINGS), _tanh())


def _ramp(rounding: float) -> tuple:
    """Tabulate a ramp whose shoulders are rounded."""
    u = np.linspace(0.0, 1.0, 2001)
    bend = _bend(rounding)
    rows = []
    for half in _SIZES:
        sd = np.hypot(1.0, rounding * half)
        x = (half + 5.0 * sd) * u
        slope = ndtr((half - x) / sd) + ndtr((half + x) / sd) - 1.0
        # The greatest slope of the unblurred one is that of its own rounding.
        before = 2.0 * ndtr(1.0 / rounding) - 1.0 if rounding else 1.0
        rows.append((*_widths(x, slope), bend * half, before / slope[0]))
    return tuple(np.array(rows).T)


def _bend(rounding: float) -> float:
    """Return where a ramp of half width 1 bends most."""
    if not rounding:
        return 1.0
    x = np.linspace(0.0, 2.0 + 2.0 * rounding, 20001)
    near, far = (np.exp(-0.5 * ((x + way) / rounding) ** 2) for way in (-1.0, 1.0))
    return float(x[np.argmax(near - far)])


def _tanh() -> tuple:
    """Tabulate a face ``tanh``."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(61)
    weights = weights / weights.sum()
    rows = []
    for width in _SIZES:
        x = np.linspace(0.0, 4.0 + 3.0 * width, 2001)
        if width < 0.5:
            # A narrow face is the blur itself, a little wider.
            spread = np.sqrt(1.0 + np.pi**2 * width**2 / 12.0)
            slope = np.exp(-0.5 * (x / spread) ** 2)
            # Of sech^2, whose area is 2 w, the blur leaves 2 w times the density of a normal law.
            factor = spread * np.sqrt(2.0 * np.pi) / (2.0 * width)
        else:
            slope = (weights / np.cosh((x[:, None] - nodes) / width) ** 2).sum(axis=1)
            factor = 1.0 / slope[0]
        bend = np.arctanh(np.sqrt(1.0 / 3.0)) * width
        rows.append((*_widths(x, slope), bend, factor))
    return tuple(np.array(rows).T)


def _widths(x, slope) -> tuple:
    """Return the half width at two thirds of the maximum, and that at one third over it."""
    two, one = (np.interp(-share * slope[0], -slope, x) for share in (RIM_SHARE, FOOT_SHARE))
    return two, one / two
