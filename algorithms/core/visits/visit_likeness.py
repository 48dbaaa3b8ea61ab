"""How the depths of a visit fit those of a store: unit, offset, trend, and what contradicts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..correction_keys import VISIT_OFFSET
from ..number_text import counted, written
from ..soundings import Soundings, distinct, parse_corrections, stated_uncertainty
from .findings import Finding, open_findings
from .near_pairs import NearPairs, NearPlaces
from .visit_offset import FEWEST_PLACES, VisitFit, depth_ratio, fit_visit

#: An offset harms from here on, m: a gauge is read to 0.1 ft (0.03 m) on each of two days, 0.042 m
#: together, of which this is 2.6 times as much; and it moves a 1 ft contour by a third of the way.
_HARMFUL_M = 0.11

#: A trend harms from this share of the depth on: a sound speed taken from the temperature at the
#: surface is wrong by 1 to 2% in a layered lake, and no one can do better from a boat's log.
_HARMFUL_TREND = 0.02

#: With a trend certainly below this, m per m, an offset is said to be the same at all depths.
_NO_TREND = 0.03

#: Share of the compared soundings from which a visit counts as contradicted: weeds and fish make
#: some tenth of them (common practice), a wrong place or another bottom most.
_CONTRADICTED, _FEWEST_COMPARED = 1.0 / 3.0, 30

#: A sounding contradicts from so many standard uncertainties on, and from so many m.
_BEYOND, _LEAST_CONTRADICTION_M = 3.0, 0.3

#: Standard uncertainty of a depth that does not state its own, and of a position, m.
_DEPTH_SD_M, _POSITION_SD_M = 0.15, 2.0

#: Ratios of depths in wrong units: what they are, and what they were read as.
_RATIOS = (
    (1.0 / 0.3048, "feet", "meters"),
    (0.3048, "meters", "feet"),
    (1.8288, "meters", "fathoms"),
    (1.0 / 1.8288, "fathoms", "meters"),
    (6.0, "feet", "fathoms"),
    (1.0 / 6.0, "fathoms", "feet"),
)

#: A ratio is one of these within so much, since draft and level were added in meters, and fits at
#: least twice as well as equal depths do.
_NEAR_RATIO, _BETTER = 0.15, 0.5

#: On a flat bottom the ratio of single depths tells the unit, if they differ by more than levels, m.
_MORE_THAN_LEVELS_M = 1.0

#: No error of the sound speed in fresh water makes depths differ more than by this part.
_MOST_OF_SPEED = 0.15
_OF_SPEED = (
    "Check the sound speed or the water temperature, then correct its depths again from the raw "
    "depths."
)
_OF_COLUMN = "Check the column, the unit and the sign of its depths, then read its logs again."


@dataclass(frozen=True)
class Likeness:
    """How a visit fits: numbers as in :class:`.first_look.Looked`, and what was found."""

    compared: int = 0
    contradicted: int = 0
    offset: float = np.nan
    offset_sd: float = np.nan
    findings: tuple = ()


def likeness_of(
    older: Soundings,
    newer: Soundings,
    pairs: NearPairs,
    places: NearPlaces,
    name: str,
    fitted: bool = False,
) -> Likeness:
    """Compare the depths of a visit with those of a store.

    Parameters
    ----------
    older, newer : Soundings
    pairs, places
        Of the two, see :mod:`.near_pairs`.
    name : str
        Of the visit.
    fitted : bool
        Whether the visit's level was fitted to the store: an offset is none of its errors then.
    """
    if len(places) < FEWEST_PLACES:
        return Likeness(findings=(_unmet(name, len(places)),))
    unit = _unit(name, places, _taken_off(newer))
    if unit is not None:
        return Likeness(findings=(unit,))
    fit = fit_visit(places)
    findings = _of_fit(name, fit, fitted)
    contradicts = _contradicts(older, newer, pairs, fit)
    share = float(contradicts.mean())
    if share > _CONTRADICTED and len(pairs) >= _FEWEST_COMPARED and not open_findings(findings):
        findings.append(_contradicted(name, share))
    return Likeness(len(pairs), int(contradicts.sum()), fit.offset, fit.offset_sd, tuple(findings))


def _unmet(name, places):
    return Finding(
        name,
        "unmet",
        False,
        f"Visit '{name}' comes near earlier soundings in {places} place{'' if places == 1 else 's'}, "
        "too few to compare depths. Its lake level and depth unit were not checked.",
        float(places),
    )


def _taken_off(newer) -> float:
    """Return the largest offset that a fit of the level took off, m: a wrong unit hides in it."""
    texts = distinct(newer.corrections)[0]
    offsets = [float(parse_corrections(text).get(VISIT_OFFSET, 0.0)) for text in texts]
    return max(offsets, key=abs, default=0.0)


def _unit(name, places, taken_off):
    """Return a finding if depths and those of the store are in the ratio of two units."""
    old, new = places.depth, places.newer_depth
    slope, low, high = depth_ratio(places)
    told = np.isfinite(slope) and not low <= 1.0 <= high
    logged, deep = new + taken_off, old > _MORE_THAN_LEVELS_M
    single = np.nan
    if deep.sum() >= FEWEST_PLACES and np.median(np.abs(logged - old)) > _MORE_THAN_LEVELS_M:
        single = float(np.median(logged[deep] / old[deep]))
    for ratio, actual, taken in _RATIOS:
        by_slope = (
            told
            and abs(slope / ratio - 1.0) < _NEAR_RATIO
            and _scatter(new - ratio * old) < _BETTER * _scatter(new - old)
        )
        # A level that is far off makes single depths half or twice as large, but not thrice.
        by_depths = (
            max(ratio, 1.0 / ratio) > 3.0
            and abs(single / ratio - 1.0) < _NEAR_RATIO
            and not (told and abs(np.log(max(slope, 1e-3) / ratio)) > abs(np.log(max(slope, 1e-3))))
        )
        if not by_slope and not by_depths:
            continue
        value = slope if by_slope else single
        return Finding(
            name,
            "unit",
            True,
            f"The depths of visit '{name}' are {written(value, '.2f')} times those of earlier "
            f"soundings at the same places: probably {actual} were read as {taken}. Read its logs "
            f"again with the depth unit {actual}, unless the earlier ones are wrong.",
            value,
        )
    return None


def _scatter(values) -> float:
    return float(np.median(np.abs(values - np.median(values))))


def _of_fit(name, fit: VisitFit, fitted) -> list:
    """Return what is found of the offset and its trend with depth."""
    trend = (
        fit.trend_certain
        and abs(fit.trend) > _HARMFUL_TREND
        and abs(fit.trend) * fit.deepest > _HARMFUL_M
    )
    if trend:
        findings = [_trend(name, fit)]
        offset, error, certain = fit.surface, fit.surface_sd, fit.surface_certain
    else:
        findings, offset, error, certain = [], fit.offset, fit.offset_sd, fit.offset_certain
    if certain and abs(offset) > _HARMFUL_M and not fitted:
        findings.append(_offset(name, offset, error, fit, trend))
    elif abs(offset) > _HARMFUL_M and not trend and not fitted:
        findings.append(_uncertain(name, offset, error, fit))
    return findings


def _uncertain(name, offset, error, fit):
    """Return a note on an offset that would harm, if it were not chance."""
    return Finding(
        name,
        "offset",
        False,
        f"Visit '{name}' reads {written(abs(offset), '.2f')} m {_way(offset)} than earlier "
        f"soundings, which may be chance (standard error {written(error, '.2f')} m, "
        f"{counted(fit.places, 'place')}). A cross-line over earlier tracks would show it.",
        offset,
        error,
        "m",
    )


def _offset(name, offset, error, fit, trend):
    if trend:
        where = " at the surface"
    elif abs(fit.trend) + 2.0 * fit.trend_sd < _NO_TREND:
        where = " in shallow and deep water alike"
    else:
        where = ", maybe more in deeper water"
    return Finding(
        name,
        "offset",
        True,
        f"Visit '{name}' reads {written(abs(offset), '.2f')} m {_way(offset)} than earlier "
        f"soundings{where} (standard error {written(error, '.2f')} m, "
        f"{counted(fit.places, 'place')}). Check its lake level, the draft and the sounder's own "
        "offset, which look alike here, or choose 'fit to the lake'.",
        offset,
        error,
        "m",
    )


def _trend(name, fit):
    percent, error = 100.0 * fit.trend, 100.0 * fit.trend_sd
    return Finding(
        name,
        "trend",
        True,
        f"Visit '{name}' reads {_way(fit.trend)} than earlier soundings by "
        f"{written(abs(percent), '.1f')}% of the depth (standard error {written(error, '.1f')}%). "
        f"{_OF_SPEED if abs(fit.trend) < _MOST_OF_SPEED else _OF_COLUMN}",
        percent,
        error,
        "%",
    )


def _way(value):
    return "deeper" if value > 0.0 else "shallower"


def _contradicts(older, newer, pairs, fit):
    """Mark the pairs that differ by more than their uncertainty, after what fits as a whole."""
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
    limit = _BEYOND * np.sqrt(sum(squares))
    return np.abs(pairs.difference - expected) > np.maximum(limit, _LEAST_CONTRADICTION_M)


def _contradicted(name, share):
    return Finding(
        name,
        "contradicted",
        True,
        f"{written(100.0 * share, '.0f')}% of the new soundings of visit '{name}' that lie near "
        "earlier ones contradict them. Check the CRS and the positions of the logs. If the bottom "
        "has changed, let newer soundings win and enter all the same.",
        100.0 * share,
        unit="%",
    )
