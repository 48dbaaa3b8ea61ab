"""How the depths of a visit fit those of a store: unit, offset, trend, and what contradicts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..correction_keys import VISIT_OFFSET
from ..number_text import counted, written
from ..soundings import Soundings, distinct, parse_corrections
from .contradictions import contradictions, doubtful_bottom, in_stretches
from .findings import Finding, error_text
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

#: No unit makes depths so small a part of those of earlier soundings.
_NO_DEPTHS = 0.1

#: No error of the sound speed in fresh water makes depths differ more than by this part.
_MOST_OF_SPEED = 0.15
_OF_SPEED = (
    "Check the water temperature and the assumed sound speed. Then correct its depths with 'Start "
    "again from raw depths', or run the model again."
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
    newer_wins: bool = False,
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
    newer_wins : bool
        Newer soundings supersede earlier ones where the bottom has changed.
    """
    if len(places) < FEWEST_PLACES:
        return Likeness(findings=(_unmet(name, len(places)),))
    unit = _unit(name, places, _taken_off(newer))
    if unit is not None:
        return Likeness(findings=(unit,))
    fit = fit_visit(places)
    findings = _of_fit(name, fit, fitted)
    sign = contradictions(older, newer, pairs, fit)
    stretch = in_stretches(newer, pairs, sign)
    findings += doubtful_bottom(name, sign, stretch, pairs.difference, newer_wins)
    return Likeness(len(pairs), int((sign != 0).sum()), fit.offset, fit.offset_sd, tuple(findings))


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
    if single < _NO_DEPTHS:
        return Finding(
            name,
            "unit",
            True,
            f"The depths of visit '{name}' are {written(single, '.2f')} times those of earlier "
            f"soundings at the same places. {_OF_COLUMN}",
            single,
        )
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
        and abs(fit.trend) * fit.typical > _HARMFUL_M
        # What a trend adds in deep water, an offset may take off: the map then hardly suffers.
        and fit.misfit > _HARMFUL_M
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
        f"soundings, which may be chance (standard error {error_text(error)} m, "
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
        f"soundings{where} (standard error {error_text(error)} m, "
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
        f"{written(abs(percent), '.1f')}% of the depth (standard error {error_text(error)}%). "
        f"{_OF_SPEED if abs(fit.trend) < _MOST_OF_SPEED else _OF_COLUMN}",
        percent,
        error,
        "%",
    )


def _way(value):
    return "deeper" if value > 0.0 else "shallower"
