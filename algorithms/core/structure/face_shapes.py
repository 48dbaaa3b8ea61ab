"""Half widths of faces whose slope was blurred: even ramps, and faces that round off all along.

Of the slope across a face, where it has fallen to two shares of its greatest value tells how wide
the face is and how sharp its edges are, once the blur is known.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.special import ndtr

#: Shares of the greatest slope, above that of the ground beyond, at which a half width is measured.
RIM_SHARE, FOOT_SHARE = 2.0 / 3.0, 1.0 / 3.0
#: Where a face ``tanh(x / w)`` bends most, in units of ``w``.
TANH_RIM = float(np.arctanh(np.sqrt(1.0 / 3.0)))
# Half widths that are tabulated, in units of the standard deviation of the blur, and the share of
# a half width that is left at least.
_SIZES, _LEAST = np.geomspace(0.02, 60.0, 200), 0.4
# Difference of the two shapes' ratios below which which of them it is cannot be told.
_UNTOLD = 0.05


def half_widths(at_rim: np.ndarray, at_foot: np.ndarray | None, blur: np.ndarray) -> tuple:
    """Return half widths from the steepest line to the edge, m, and the factor of the slope.

    Parameters
    ----------
    at_rim, at_foot : array, shape (n,)
        Half widths of the blurred slope at :data:`RIM_SHARE` and :data:`FOOT_SHARE` of its
        maximum, m; the latter None where it is not known.
    blur : array, shape (n,)
        Standard deviation of the blur, m.

    Returns
    -------
    half : array, shape (n,)
        To the edge of an even ramp, to where a face ``tanh`` bends most, and in between for what
        is between them by the ratio of the two widths, in the median of all.
    sharpened : array, shape (n,)
        By how much the greatest slope was larger before the blur.

    Notes
    -----
    The slope of an even ramp of half width ``h`` after a Gaussian blur ``s`` is in proportion to
    ``Phi((h - x) / s) + Phi((h + x) / s) - 1``: at two thirds of the maximum of a wide one,
    ``x = h - 0.43 s``, which lies inwards of the edge. That of ``tanh(x / w)`` is ``sech^2`` and has
    two thirds of its maximum at ``0.658 w`` without a blur. Ratios of the widths at one and two
    thirds are 1 for a ramp, 1.74 for ``sech^2`` and 1.65 for the blur alone: a face much narrower
    than the blur is taken as the mean of both.

    Examples
    --------
    A ramp of 20 m, blurred by 5 m.

    >>> from scipy.special import ndtr
    >>> x = np.linspace(0.0, 30.0, 3001)
    >>> slope = ndtr((10.0 - x) / 5.0) + ndtr((10.0 + x) / 5.0) - 1.0
    >>> seen = [np.array([np.interp(-p * slope[0], -slope, x)]) for p in (2 / 3, 1 / 3)]
    >>> half, sharpened = half_widths(*seen, np.array([5.0]))
    >>> round(float(half[0]), 1), round(float(sharpened[0]), 2)
    (10.0, 1.05)
    """
    blur = np.maximum(blur, 1e-6)
    found = []
    for shape in (_ramp(), _tanh()):
        seen, ratio, inner, factor = shape
        size = at_rim / blur
        columns = (np.interp(size, seen, column) for column in (ratio, inner, factor))
        found.append([*columns])
    (even, edge, steep), (round_, bend, less) = found
    apart = round_ - even
    # One shape for a drop-off: a single profile hardly tells it.
    share, told = 0.5, apart > _UNTOLD
    if at_foot is not None and told.any():
        ratios = (at_foot / at_rim - even)[told] / apart[told]
        share = float(np.median(np.clip(ratios, 0.0, 1.0)))
    half = (1.0 - share) * edge * blur + share * bend * blur
    return np.maximum(half, _LEAST * at_rim), (1.0 - share) * steep + share * less


@lru_cache(maxsize=1)
def _ramp() -> tuple:
    """Seen half width, its ratio, half width and factor of the slope, all for a blur of 1."""
    x = np.linspace(0.0, 80.0, 32001)
    rows = []
    for half in _SIZES:
        rows.append(
            (
                *_widths(x, ndtr(half - x) + ndtr(half + x) - 1.0),
                half,
                1.0 / (2.0 * ndtr(half) - 1.0),
            )
        )
    return tuple(np.array(rows).T)


@lru_cache(maxsize=1)
def _tanh() -> tuple:
    """As :func:`_ramp` for a face ``tanh``; its half width is that to where it bends most."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(61)
    weights = weights / weights.sum()
    rows = []
    for width in _SIZES:
        x = np.linspace(0.0, 4.0 + 3.0 * width, 4001)
        if width < 0.5:
            # A narrow face is the blur itself, a little wider.
            spread = np.sqrt(1.0 + np.pi**2 * width**2 / 12.0)
            slope = np.exp(-0.5 * (x / spread) ** 2)
            # Of sech^2, whose area is 2 w, the blur leaves 2 w times the density of a normal law.
            factor = spread * np.sqrt(2.0 * np.pi) / (2.0 * width)
        else:
            slope = (weights / np.cosh((x[:, None] - nodes) / width) ** 2).sum(axis=1)
            factor = 1.0 / slope[0]
        rows.append((*_widths(x, slope), TANH_RIM * width, factor))
    return tuple(np.array(rows).T)


def _widths(x, slope) -> tuple:
    """Return the half width at two thirds of the maximum, and that at one third over it."""
    two, one = (np.interp(-share * slope[0], -slope, x) for share in (RIM_SHARE, FOOT_SHARE))
    return two, one / two
