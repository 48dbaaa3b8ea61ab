"""The line across today's lanes that checks them: whether it was driven, else where it is best."""

from __future__ import annotations

import numpy as np
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

#: A cross-line meets lanes at this angle or more, degrees.
_ACROSS = 45.0
#: Lanes that are worth a cross-line, and how far it reaches beyond them, m.
_FEWEST, _BEYOND_M = 3, 15.0
#: Places along the lanes at which a cross-line is tried.
_PLACES = 31


def crossed(line: np.ndarray, lanes: np.ndarray) -> np.ndarray:
    """Tell which lanes a line crosses at 45 degrees or more, shape (n,).

    Parameters
    ----------
    line : array, shape (2, 2)
        Ends, m.
    lanes : array, shape (n, 2, 2)

    Examples
    --------
    >>> lanes = np.array([[[0, 0], [9, 0]], [[0, 2], [9, 2]], [[0, 8], [9, 8]], [[4, 0], [5, 4]]])
    >>> crossed(np.array([[4, -1], [4, 3]]), lanes).tolist()
    [True, True, False, False]
    """
    lanes = np.asarray(lanes, dtype=float).reshape(-1, 2, 2)
    along, other = line[1] - line[0], lanes[:, 1] - lanes[:, 0]
    long = np.hypot(*along) * np.hypot(*other.T)
    turned = np.abs(other @ along) <= np.cos(np.radians(_ACROSS)) * long * (1.0 + 1e-9)
    apart = _side(line[0], along, lanes[:, 0]) * _side(line[0], along, lanes[:, 1]) > 0.0
    passed = _side(lanes[:, 0], other, line[0]) * _side(lanes[:, 0], other, line[1]) > 0.0
    return turned & (long > 0.0) & ~apart & ~passed


def has_cross_line(lanes: np.ndarray) -> bool:
    """Tell whether one of the lanes, shape (n, 2, 2), crosses at least half of the others."""
    lanes = np.asarray(lanes, dtype=float).reshape(-1, 2, 2)
    least = max(0.5 * (len(lanes) - 1), 1.0)
    return any(crossed(line, lanes).sum() >= least for line in lanes)


def best_cross_line(
    lanes: np.ndarray, water: BaseGeometry | None = None
) -> tuple[np.ndarray, int] | None:
    """Return the line that crosses most of today's lanes, and how many; None of too few lanes.

    It is square to the common direction of the lanes, and of several that cross as many the one
    nearest to their middle.

    Parameters
    ----------
    lanes : array, shape (n, 2, 2)
        Ends, m.
    water : Polygon or MultiPolygon, optional
        Where the boat may go, m.
    """
    lanes = np.asarray(lanes, dtype=float).reshape(-1, 2, 2)
    if len(lanes) < _FEWEST:
        return None
    along, aside = _axes(lanes)
    u, v = lanes @ along, lanes @ aside
    middle = np.median(u)
    at = np.linspace(*np.quantile(u, [0.05, 0.95]), _PLACES)
    best, most = None, _FEWEST - 1
    for place in sorted(at, key=lambda each: abs(each - middle)):
        whole = np.stack([place * along + end * aside for end in (v.min(), v.max())])
        for piece in _in_water(_longer(whole), water):
            count = int(crossed(piece, lanes).sum())
            if count > most:
                best, most = piece, count
    return None if best is None else (_trimmed(best, lanes), most)


def _axes(lanes) -> tuple:
    """Return the common direction of lanes, weighted by length, and the one square to it."""
    step = lanes[:, 1] - lanes[:, 0]
    # The angle is doubled, so that lanes to and fro are of one direction.
    double = ((step @ [1.0, 1.0j]) ** 2 / np.maximum(np.hypot(*step.T), 1e-9)).sum()
    angle = 0.5 * np.angle(double)
    along = np.array([np.cos(angle), np.sin(angle)])
    return along, np.array([-along[1], along[0]])


def _in_water(line, water) -> list:
    if water is None:
        return [line]
    found = LineString(line).intersection(water)
    parts = [part for part in getattr(found, "geoms", [found]) if part.length > 0.0]
    return [np.asarray(part.coords)[[0, -1]] for part in parts]


def _longer(line):
    ahead = (line[1] - line[0]) / max(np.hypot(*(line[1] - line[0])), 1e-9)
    return line + _BEYOND_M * np.stack([-ahead, ahead])


def _trimmed(line, lanes):
    """Cut a line off a little beyond the first and the last lane that it crosses."""
    ahead = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    met = lanes[crossed(line, lanes)]
    other = met[:, 1] - met[:, 0]
    off = met[:, 0] - line[0]
    far = (off[:, 0] * other[:, 1] - off[:, 1] * other[:, 0]) / (
        ahead[0] * other[:, 1] - ahead[1] * other[:, 0]
    )
    length = np.hypot(*(line[1] - line[0]))
    ends = np.clip([far.min() - _BEYOND_M, far.max() + _BEYOND_M], 0.0, length)
    return line[0] + ends[:, None] * ahead


def _side(start, along, places):
    off = places - start
    return along[..., 0] * off[..., 1] - along[..., 1] * off[..., 0]
