"""A curve of the lake by depth as it is drawn, whatever draws it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..number_text import written
from ..units import LENGTH
from .amounts import AREA_UNITS, WITHIN_95
from .page_layout import ticks


@dataclass(frozen=True)
class CurveDrawing:
    """A quantity against depth, depth downward. All places are fractions of the frame.

    Attributes
    ----------
    title : str
    body : array, shape (n, 2)
        Corners of the area between the depth axis and the curve, across and down.
    band : array, shape (m, 2), or None
        Corners of the 95% uncertainty around the curve.
    across, down : list of (float, str)
        Marks of the quantity along the upper edge, and of depth along the left edge.
    extent : (float, float)
        How far the marks' lines reach, across and down.
    """

    title: str
    body: np.ndarray
    band: np.ndarray | None
    across: list
    down: list
    extent: tuple


def curve_drawing(
    title: str, depth: np.ndarray, value: np.ndarray, sd: np.ndarray | None = None
) -> CurveDrawing:
    """Return the drawing of a quantity against depth.

    Parameters
    ----------
    title : str
        What is drawn, with its units.
    depth, value : array, shape (n,)
        In the units that are read; depth rises from 0.
    sd : array, shape (n,), optional
        Standard uncertainty of ``value``.

    Examples
    --------
    >>> drawing = curve_drawing("Area (ha)", np.array([0.0, 5.0, 10.0]), np.array([4.0, 3.0, 0.0]))
    >>> drawing.body.tolist()
    [[0.0, 0.0], [1.0, 0.0], [0.75, 0.5], [0.0, 1.0], [0.0, 1.0]]
    >>> [text for _, text in drawing.across], [text for _, text in drawing.down]
    (['0', '1', '2', '3', '4'], ['0', '2', '4', '6', '8', '10'])
    """
    depth, value = np.asarray(depth, dtype=float), np.asarray(value, dtype=float)
    half = np.zeros(len(value)) if sd is None else WITHIN_95 * np.asarray(sd, dtype=float)
    widest, deepest = float((value + half).max()), float(depth.max())
    size = np.array([max(widest, 1e-9), max(deepest, 1e-9)])
    body = np.vstack([[0.0, 0.0], np.column_stack([value, depth]), [0.0, depth[-1]]]) / size
    band = None
    if sd is not None:
        edges = (np.maximum(value - half, 0.0), depth), ((value + half)[::-1], depth[::-1])
        band = np.vstack([np.column_stack(edge) for edge in edges]) / size

    def marks(most, scale):
        return [(float(at / scale), written(at, "g")) for at in ticks(most)]

    return CurveDrawing(
        title,
        body,
        band,
        marks(widest, size[0]),
        marks(deepest, size[1]),
        (widest / size[0], deepest / size[1]),
    )


def hypsographic_drawing(curve: tuple, unit: str) -> CurveDrawing:
    """Return the drawing of the hypsographic curve of a lake.

    Parameters
    ----------
    curve : tuple of array, shape (n,)
        Depth, m, and area at that depth or deeper, m2.
    unit : str
        ``ft`` (areas in acres) or ``m`` (ha).
    """
    size, name = AREA_UNITS[unit]
    return curve_drawing(
        f"Area ({name}) at each depth ({unit}) or deeper", curve[0] / LENGTH[unit], curve[1] / size
    )
