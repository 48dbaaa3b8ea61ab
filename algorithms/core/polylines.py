"""Lines of vertices: their length, and vertices at even distances."""

from __future__ import annotations

import numpy as np


def planar_length(line: np.ndarray, closed: bool = False) -> float:
    """Return the length of a line, shape (k, 2), m; a ring does not repeat its first vertex.

    >>> square = np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 4.0], [0.0, 4.0]])
    >>> planar_length(square), planar_length(square, closed=True)
    (10.0, 14.0)
    """
    if closed:
        line = np.vstack([line, line[:1]])
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def distances_along(line: np.ndarray) -> np.ndarray:
    """Return the distance of each vertex from the first along the line, m."""
    return np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))))


def evenly_spaced(line: np.ndarray, closed: bool, step: float) -> np.ndarray:
    """Return the line with vertices about ``step`` apart; a ring does not repeat its first.

    >>> evenly_spaced(np.array([[0.0, 0.0], [10.0, 0.0]]), False, 2.5)[:, 0].tolist()
    [0.0, 2.5, 5.0, 7.5, 10.0]
    """
    if closed:
        line = np.vstack((line, line[:1]))
    s = distances_along(line)
    n = max(round(float(s[-1]) / step), 4)
    at = np.linspace(0.0, s[-1], n + 1)[: n if closed else n + 1]
    return np.column_stack((np.interp(at, s, line[:, 0]), np.interp(at, s, line[:, 1])))
