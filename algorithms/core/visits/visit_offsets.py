"""Offsets of visits taken off their depths, and what ``corrections`` keep of it."""

from __future__ import annotations

import numpy as np

from ..correcting.datums import datum_values, elevation_text
from ..correcting.lake_level import millimeter_texts
from ..correction_keys import (
    BY_FIRST_VISIT,
    FIT,
    GIVEN_DATUM,
    GIVEN_ELEVATION,
    GIVEN_LEVEL,
    LEVEL_ERROR,
    LEVEL_FROM,
    VISIT_OFFSET,
    VISIT_OFFSET_ERROR,
)
from ..soundings import Soundings, distinct, parse_corrections, with_corrections


def take_off(
    soundings: Soundings,
    offset: np.ndarray,
    std_error: np.ndarray,
    datum: tuple | None = None,
    anew: np.ndarray | bool = True,
) -> Soundings:
    """Return soundings with offsets taken off their depths, at the datum that this brings them to.

    Parameters
    ----------
    soundings : Soundings
    offset : array, shape (n,)
        How much too deep each sounding is, m.
    std_error : array, shape (n,)
        Standard error of that, m; NaN where it is not known.
    datum : tuple, optional
        Name and elevation, m, of the datum that depths count from then; by default as before.
    anew : bool array, shape (n,)
        Whether the offset says all of the level, so that its error takes the place of the error of
        a level or offset before; otherwise the errors add.

    Notes
    -----
    ``level_offset_m`` is the sum of all offsets that were taken off. ``level_m`` is the level that
    depths are reduced by, ``given_level_m`` and ``given_datum`` keep what was given at first.
    """
    texts, group = distinct(soundings.corrections)
    pairs = [parse_corrections(text) for text in texts]

    def value(key, missing=0.0):
        return np.array([float(p.get(key, missing)) for p in pairs])[group]

    total, error = value(VISIT_OFFSET) + offset, np.nan_to_num(std_error)
    before = np.hypot(value(VISIT_OFFSET_ERROR), value(LEVEL_ERROR))
    # What was taken for the error of the level is in the uncertainty of the depth already.
    own = soundings.uncert**2 - np.where(anew, before**2, 0.0)
    uncert = np.sqrt(np.maximum(own, 0.0) + error**2)
    error = np.where(anew, error, np.hypot(value(VISIT_OFFSET_ERROR), error))
    errors = _texts(error)
    errors[np.isnan(std_error)] = None
    values = {
        **({} if datum is None else datum_values(datum)),
        VISIT_OFFSET: _texts(total),
        VISIT_OFFSET_ERROR: errors,
        LEVEL_FROM: FIT,
        LEVEL_ERROR: None,
        BY_FIRST_VISIT: None,
        **_given(pairs, group, datum),
        **_level(value, offset, pairs, group, datum),
    }
    return soundings.replace(
        depth=soundings.depth - offset,
        uncert=uncert,
        corrections=with_corrections(soundings.corrections, **values),
    )


def _given(pairs, group, datum) -> dict:
    """Return what was given at first, to be kept: the level, and its datum where that changes."""
    level, name, elevation = (np.full(len(pairs), None, object) for _ in range(3))
    for k, p in enumerate(pairs):
        level[k] = p.get(GIVEN_LEVEL, p.get("level_m"))
        name[k], elevation[k] = p.get(GIVEN_DATUM), p.get(GIVEN_ELEVATION)
        known = "level_m" in p and "datum_elev_m" in p and name[k] is None
        if known and datum is not None and (p["datum"], p["datum_elev_m"]) != _words(datum):
            name[k], elevation[k] = p["datum"], p["datum_elev_m"]
    return {GIVEN_LEVEL: level[group], GIVEN_DATUM: name[group], GIVEN_ELEVATION: elevation[group]}


def _level(value, offset, pairs, group, datum) -> dict:
    """Return the level that depths are reduced by, on the scale of the datum."""
    known = np.array(["level_m" in p and "datum_elev_m" in p for p in pairs], bool)[group]
    if not known.any() or (datum is not None and datum[1] is None):
        return {}
    before = value("datum_elev_m", np.nan)
    now = before if datum is None else np.full(len(before), float(datum[1]))
    levels = np.full(len(before), None, object)
    levels[known] = millimeter_texts((value("level_m", np.nan) - before + now + offset)[known])
    return {"level_m": levels}


def _words(datum):
    return datum[0], None if datum[1] is None else elevation_text(datum[1])


def _texts(values):
    """Return m as texts with four decimals, shape (n,)."""
    found, which = np.unique(np.round(values, 4), return_inverse=True)
    return np.array([f"{value + 0.0:.4f}" for value in found], dtype=object)[which]
