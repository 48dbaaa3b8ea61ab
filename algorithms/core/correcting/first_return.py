"""What a sounder reports over a sloping bottom: the nearest ground within its beam."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import map_coordinates

from ..correction_keys import BEAM
from ..errors import LakefloorError
from ..grid import Grid
from ..number_text import written
from ..soundings import Soundings, distinct, each_visit, parse_corrections, with_corrections

#: Widest beam that is a beam, degrees.
MOST_DEG = 90.0
# Directions around a ping and shares of the way to the edge of the beam that are looked at.
_DIRECTIONS, _SHARES, _ROUNDS = 16, (0.25, 0.5, 0.75, 1.0), 3
# Of places computed to lie on the edge of the beam, those so little outside it count.
_TOLERANCE = 1.01
_AT_ONCE = 20_000


def check_beam(beam_deg: float) -> None:
    """Raise a LakefloorError unless a width is one of a beam, in degrees."""
    if not 0.0 <= beam_deg < MOST_DEG:
        raise LakefloorError(
            f"The beam width is {written(beam_deg, 'g')} degrees. Enter a value from 0 to "
            f"{written(MOST_DEG, 'g')}."
        )


def plane_first_return(depth: ArrayLike, slope: ArrayLike, beam_deg: ArrayLike) -> np.ndarray:
    """Return the least slant range to a plane within an upright beam, m.

    Parameters
    ----------
    depth : array, shape (n,)
        Below the transducer, m.
    slope : array, shape (n,)
        m per m.
    beam_deg : array, shape (n,)
        Full width of the beam, degrees.

    Notes
    -----
    ``d cos b`` where the slope ``b`` is at most half the width ``a``, the foot of the
    perpendicular; else ``d / (cos(a / 2) + sin(a / 2) tan b)``, the uphill edge of the beam
    (geometry; U.S. Army Corps of Engineers 2002 asks for narrow beams on slopes because of it).

    References
    ----------
    U.S. Army Corps of Engineers (2002). Hydrographic Surveying, EM 1110-2-1003.

    Examples
    --------
    >>> slope = np.tan(np.radians([10.0, 30.0]))
    >>> (plane_first_return(20.0, slope, 20.0) - 20.0).round(3).tolist()
    [-0.304, -1.568]
    """
    half, tilt = np.radians(beam_deg) / 2.0, np.arctan(slope)
    edge = np.cos(half) + np.sin(half) * np.tan(np.maximum(tilt, half))
    return np.asarray(depth) * np.where(tilt <= half, np.cos(tilt), 1.0 / edge)


@dataclass(frozen=True)
class Beams:
    """How the echoes of n soundings were heard.

    Attributes
    ----------
    width : array, shape (n,)
        Full width of the beam, degrees; NaN where nothing states it.
    lift : array, shape (n,)
        Height of the transducer above the zero of the depths, m: the lake level less its draft.
    """

    width: np.ndarray
    lift: np.ndarray

    @property
    def half_tangent(self) -> np.ndarray:
        """Tangent of half the width."""
        return np.tan(np.radians(self.width) / 2.0)

    @classmethod
    def of(cls, soundings: Soundings) -> Beams:
        """Return what the ``corrections`` of soundings say of their beams."""
        texts, group = distinct(soundings.corrections)
        known = np.array([_of_pairs(parse_corrections(text)) for text in texts], dtype=float)
        return cls(*known.reshape(-1, 2)[group].T)


def states_beam(soundings: Soundings) -> bool:
    """Say whether a width above 0 is stated for any of the soundings."""
    return bool((Beams.of(soundings).width > 0.0).any())


def with_beams(soundings: Soundings, widths: Mapping[str, float]) -> Soundings:
    """Return soundings that state the beam widths, degrees, of those visits that are named.

    >>> s = with_beams(Soundings.build([0.0], [0.0], [3.0], visit="May"), {"May": 20.0})
    >>> str(s.corrections[0])
    'beam_deg=20'
    """
    for visit, rows in each_visit(soundings):
        if visit in widths:
            corrections = soundings.corrections.copy()
            text = f"{widths[visit]:g}"
            corrections[rows] = with_corrections(corrections[rows], **{BEAM: text})
            soundings = soundings.replace(corrections=corrections)
    return soundings


def _of_pairs(pairs: dict) -> tuple:
    width, draft, level = (_number(pairs.get(key)) for key in (BEAM, "draft_m", "level_m"))
    return width, np.nan_to_num(level) - np.nan_to_num(draft)


def _number(text) -> float:
    try:
        return float(text)
    except (TypeError, ValueError):
        return np.nan


def first_returns(
    depth: Grid, x: ArrayLike, y: ArrayLike, lift: ArrayLike, half_tangent: ArrayLike
) -> np.ndarray:
    """Return the least slant range from transducers to the bottom within their beams, m.

    Parameters
    ----------
    depth : Grid
        Depth of the bottom, m, with a value in every cell.
    x, y : array, shape (n,)
        Positions of the transducers, m.
    lift : array, shape (n,)
        Their height above the zero of the depths, m.
    half_tangent : array, shape (n,)
        Tangent of half the width of the beams.

    Returns
    -------
    array, shape (n,)
        NaN off the grid.

    Notes
    -----
    A place is within an upright cone if its horizontal distance is at most its own depth below
    the transducer times the tangent of half the width (geometry). The bottom is taken as bilinear
    between cells and looked at in 16 directions, one of them straight uphill, from the middle to
    the edge of the beam: much finer than a cell in shallow water.
    """
    x, y, lift, half_tangent = np.broadcast_arrays(
        *(np.asarray(a, dtype=float) for a in (x, y, lift, half_tangent))
    )
    row, col = depth.rows_cols(x, y)
    off = (row < -0.5) | (row >= depth.shape[0] - 0.5)
    off |= (col < -0.5) | (col >= depth.shape[1] - 0.5)
    out = np.full(len(x), np.nan)
    rows = np.flatnonzero(~off)
    for start in range(0, len(rows), _AT_ONCE):
        some = rows[start : start + _AT_ONCE]
        out[some] = _least_ranges(depth, row[some], col[some], lift[some], half_tangent[some])
    return out


def _least_ranges(depth, row, col, lift, half_tangent) -> np.ndarray:
    def below(south, east):
        at = np.stack([row + south / depth.dy, col + east / depth.dx])
        return np.maximum(
            map_coordinates(depth.values, at, order=1, mode="nearest", prefilter=False) + lift, 0.0
        )

    beneath = least = below(0.0, 0.0)
    reach = np.maximum(beneath * half_tangent, 0.1 * depth.dx)
    north = below(reach, 0.0) - below(-reach, 0.0)
    uphill = np.arctan2(north, below(0.0, -reach) - below(0.0, reach))
    for number in range(_DIRECTIONS):
        angle = uphill + 2.0 * np.pi * number / _DIRECTIONS
        south, east = -np.sin(angle), np.cos(angle)
        edge = beneath * half_tangent
        for _ in range(_ROUNDS):
            edge = below(edge * south, edge * east) * half_tangent
        for share in _SHARES:
            away = share * edge
            z = below(away * south, away * east)
            heard = away <= _TOLERANCE * z * half_tangent
            least = np.where(heard, np.minimum(least, np.hypot(away, z)), least)
    return least
