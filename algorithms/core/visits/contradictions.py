"""Soundings of a visit that contradict those of a store, and where they do so for a stretch."""

from __future__ import annotations

import numpy as np

from ..number_text import written
from ..soundings import Soundings, stated_uncertainty
from .findings import Finding
from .near_pairs import NearPairs
from .visit_offset import VisitFit

#: Share of the compared soundings from which a visit counts as contradicted: weeds and fish make
#: some tenth of them (common practice), a wrong place or another bottom most.
_CONTRADICTED, _FEWEST_COMPARED = 1.0 / 3.0, 30

#: Of what contradicts, this part is in stretches of one direction where the bottom has changed.
_ONE_WAY = 0.75

#: In stretches of one direction a smaller share harms a map, beyond that of the other direction:
#: weeds that cover lanes, or a hole that was dredged. Single fish lie beside soundings that agree.
_IN_STRETCHES = 0.06

#: Fewer soundings in stretches, some tens of meters of track, may be one shift over a steep edge.
_FEWEST_IN_STRETCHES = 20

#: Around a sounding of a stretch, so far along the track, m, half of the soundings contradict alike,
#: and at least so many.
_STRETCH_M, _PART, _FEWEST_ALIKE = 10.0, 0.5, 4

#: A track does not go on over a longer gap between compared soundings, m.
_GAP_M = 20.0

#: A sounding contradicts from so many standard uncertainties on, and from so many m.
_BEYOND, _LEAST_M = 3.0, 0.3

#: Standard uncertainty of a depth that does not state its own, and of a position, m.
_DEPTH_SD_M, _POSITION_SD_M = 0.15, 2.0


def contradictions(
    older: Soundings, newer: Soundings, pairs: NearPairs, fit: VisitFit
) -> np.ndarray:
    """Return 1 for each pair whose newer sounding is too deep, -1 if too shallow, else 0.

    Parameters
    ----------
    older, newer : Soundings
    pairs : NearPairs
    fit : VisitFit
        How the visit fits as a whole, which contradicts nothing.
    """
    expected = np.nan_to_num(fit.offset)
    if fit.trend_certain:
        expected = fit.surface + fit.trend * older.depth[pairs.older]
    squares = [
        np.where(np.isfinite(u), u, _DEPTH_SD_M) ** 2
        for u in (
            stated_uncertainty(s.uncert[rows])
            for s, rows in ((older, pairs.older), (newer, pairs.newer))
        )
    ]
    slope = np.hypot(pairs.gx, pairs.gy)
    squares += [2.0 * (slope * _POSITION_SD_M) ** 2, np.nan_to_num(fit.offset_sd) ** 2]
    limit = np.maximum(_BEYOND * np.sqrt(sum(squares)), _LEAST_M)
    left = pairs.difference - expected
    return np.where(np.abs(left) > limit, np.sign(left), 0.0).astype(int)


def in_stretches(newer: Soundings, pairs: NearPairs, sign: np.ndarray) -> np.ndarray:
    """Mark the pairs that contradict in one direction along a stretch of the track.

    Parameters
    ----------
    newer : Soundings
    pairs : NearPairs
    sign : int array, shape (n,)
        Of :func:`contradictions`.
    """
    order = np.lexsort((pairs.newer, newer.time[pairs.newer]))
    x, y = newer.x[pairs.newer[order]], newer.y[pairs.newer[order]]
    step = np.hypot(np.diff(x), np.diff(y))
    far = np.concatenate([[0.0], np.cumsum(np.where(step > _GAP_M, 1e3, step))])
    first = np.searchsorted(far, far - _STRETCH_M, "left")
    last = np.searchsorted(far, far + _STRETCH_M, "right")
    found = np.zeros(len(sign), bool)
    for way in (-1, 1):
        alike = sign[order] == way
        total = np.concatenate([[0], np.cumsum(alike)])
        around = total[last] - total[first]
        enough = (around >= _FEWEST_ALIKE) & (around >= _PART * (last - first))
        found[order] |= alike & enough
    return found


def doubtful_bottom(
    name: str, sign: np.ndarray, stretch: np.ndarray, difference: np.ndarray, newer_wins: bool
) -> list[Finding]:
    """Return what is found of contradictions: of most soundings, or of stretches in one direction.

    Parameters
    ----------
    name : str
        Of the visit.
    sign, stretch
        Of :func:`contradictions` and :func:`in_stretches`.
    difference : array, shape (n,)
        Depth of the newer less that of the older, m.
    newer_wins : bool
        The person said that the bottom has changed: a change in one direction is a note then.
    """
    if len(sign) < _FEWEST_COMPARED:
        return []
    total = float(np.mean(sign != 0))
    shallow, deep = (float(np.mean(stretch & (sign == way))) for way in (-1, 1))
    share, way = max((shallow, -1), (deep, 1))
    if total > _CONTRADICTED and share < _ONE_WAY * total:
        return [_most(name, total)]
    # What positions do on slopes goes either way.
    if abs(deep - shallow) <= max(_IN_STRETCHES, _FEWEST_IN_STRETCHES / len(sign)):
        return []
    size = float(np.median(np.abs(difference[stretch & (sign == way)])))
    return [_stretches(name, share, way, size, newer_wins)]


def _most(name, share):
    return Finding(
        name,
        "contradicted",
        True,
        f"{written(100.0 * share, '.0f')}% of the new soundings of visit '{name}' that lie near "
        "earlier ones contradict them, some deeper and some shallower. Check the CRS and the "
        "positions of the logs, then read them again. If the bottom has changed that much, choose "
        "'enter all the same'.",
        100.0 * share,
        unit="%",
    )


def _stretches(name, share, way, size, newer_wins):
    read = "deeper" if way > 0 else "shallower"
    text = (
        f"{written(100.0 * share, '.0f')}% of the new soundings of visit '{name}' that lie near "
        f"earlier ones read {read} for whole stretches, by about {written(size, '.1f')} m."
    )
    if share > _CONTRADICTED and not newer_wins:
        text += " Check the positions of the logs first."
    if newer_wins:
        text += " As you chose, newer soundings win there."
    elif way > 0:
        text += (
            " If the bottom was dredged, choose 'newer wins'. If earlier visits met weeds "
            "there, reject those soundings with 'Set soundings aside', then add the visit."
        )
    else:
        text += (
            " If these are weeds, clean the logs again, or choose 'enter all the same' and reject "
            "that part with 'Set soundings aside'. If the bottom was filled, choose 'newer wins'."
        )
    return Finding(name, "contradicted", not newer_wins, text, 100.0 * share, unit="%")
