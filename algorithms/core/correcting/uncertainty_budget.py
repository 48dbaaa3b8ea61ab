"""Total vertical uncertainty of every sounding, the slope of the bottom included."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..cleaning.track_gates import boat_speed, track_of_fixes
from ..correction_keys import (
    LEVEL_ERROR,
    MEASURED,
    SPEED_ERROR,
    SPEED_FROM,
    VISIT_OFFSET,
    VISIT_OFFSET_ERROR,
)
from ..errors import LakefloorError
from ..grid import Grid
from ..number_text import written
from ..progress import Progress, silent
from ..soundings import Soundings, distinct, each_visit, parse_corrections
from . import vertical_uncertainty as vertical
from .slopes import slopes_of
from .sound_speed import unknown_water_speed

#: Where nothing tells the boat's speed: a usual sounding speed, m/s (5 mph); and one that no
#: survey has.
_USUAL_SPEED_MS, _HIGHEST_SPEED_MS = 2.2, 15.0

#: A usual sound speed of sounders, m/s, where depth was left at that and nothing says which.
_ASSUMED_SPEED_MS = 1500.0

TERMS = (
    "sounder",
    "sound speed",
    "draft",
    "lake level",
    "position on slope",
    "time offset on slope",
)


@dataclass(frozen=True)
class Budget:
    """Soundings with their uncertainty, and what it is made of.

    Attributes
    ----------
    soundings : Soundings
        ``uncert`` is the total of all terms, one standard deviation, m.
    terms : tuple of (str, float, float)
        Each of :data:`TERMS` with its root mean square over the accepted soundings, m, and its
        share of the total's square.
    summary : dict
        ``mean_m``, ``rms_m`` and ``p95_m`` of the uncertainty and ``mean_slope`` (m per m) of
        the accepted soundings; ``one_way``, the soundings whose slope is known along the track
        alone; ``no_slope``, those without neighbors or surface, which take the usual slope;
        ``not_reduced``, those without a lake datum, which have no term of water level; and
        ``visits``, for each its ``soundings`` and ``rms_m``.
    """

    soundings: Soundings
    terms: tuple
    summary: dict


def uncertainty_budget(
    soundings: Soundings,
    *,
    instrument_fixed_m: float = 0.03,
    instrument_share: float = 0.005,
    temperature_error_c: float = 1.0,
    mixed_depth_m: float = 6.0,
    deep_temperature_c: float = 7.0,
    sound_speed_measured: bool = False,
    draft_m: float = 0.03,
    level_m: float = 0.02,
    position_m: float = 1.0,
    time_offset_s: float = 0.2,
    surface: Grid | None = None,
    radius_m: float | None = None,
    progress: Progress = silent,
) -> Budget:
    """State the total vertical uncertainty of every sounding, whatever it was before.

    Parameters
    ----------
    soundings : Soundings
        Corrected and, as a rule, reduced to a lake datum; what was done is read from
        ``corrections``. Rejected soundings get their uncertainty too.
    instrument_fixed_m, instrument_share : float
        Sounder, waves and rounding: a fixed part, m, and a share of depth.
    temperature_error_c : float
        Of the water temperature that gave the sound speed, degrees Celsius.
    mixed_depth_m, deep_temperature_c : float
        Down to which depth, m, the water surely is as warm as the surface, and how cold, degrees
        Celsius, it may be below.
    sound_speed_measured : bool
        The mean sound speed of the whole water column is known, from a profile or a bar check:
        no allowance for colder water below.
    draft_m : float
        Of the transducer's depth, the boat's load and squat included, m.
    level_m : float
        Of the water level and the datum, m.
    position_m : float
        Of a sounding's place in one direction, m.
    time_offset_s : float
        Of the time offset between sounder and position, s.
    surface : Grid, optional
        Depth, m, whose slope is taken. By default, and where it has no value, the slope is that
        of a plane through the soundings around.
    radius_m : float, optional
        Radius of the plane, m. By default 8 m or four steps between pings if that is more.
    progress : callable

    All uncertainties are one standard deviation.

    Returns
    -------
    Budget

    Raises
    ------
    LakefloorError
        If there are no soundings, a value is negative, or all terms are 0.

    Notes
    -----
    ``uncert^2 = (fixed^2 + (share depth)^2) + sound speed^2 + draft^2 + level^2 +
    (position slope)^2 + (time offset speed slope)^2``, where sound speed is ``below dc / c``
    together with the allowance for layers of :func:`.vertical_uncertainty.layering`, and
    ``below`` is the water below the transducer. Where no temperature is known, sound speed is
    half the range of fresh water's, as in :func:`.corrections.correct_depths`. To level come the
    standard error of a visit's offset and what the level may have done between gauge readings,
    where ``corrections`` hold them.

    The slope is that of a plane fitted to the soundings around, block by block, with weights
    that fall with distance and with the residual. Where they lie along one track, the slope
    across is unknown and taken to be as steep as along: root 2 times the slope along.

    References
    ----------
    International Hydrographic Organization (2020). Standards for Hydrographic Surveys, S-44,
    edition 6 (total vertical uncertainty).
    U.S. Army Corps of Engineers (2002). Hydrographic Surveying, EM 1110-2-1003 (error budget of
    depth measurement).
    JCGM 100:2008. Guide to the expression of uncertainty in measurement, 5.1.2.

    Examples
    --------
    >>> side = np.arange(0.0, 41.0, 2.0)
    >>> x, y = (v.ravel() for v in np.meshgrid(side, side))
    >>> budget = uncertainty_budget(Soundings.build(x, y, 5.0 + 0.1 * x), position_m=1.0)
    >>> {name: round(rms, 3) for name, rms, _ in budget.terms}["position on slope"]
    0.1
    """
    if len(soundings) == 0:
        raise LakefloorError(
            "There are no soundings to give an uncertainty to. Choose a layer that has some."
        )
    _refuse_negative(
        {
            "Sounder uncertainty, fixed part": instrument_fixed_m,
            "Sounder uncertainty, part of depth": instrument_share,
            "Water temperature uncertainty": temperature_error_c,
            "Depth of the mixed water": mixed_depth_m,
            "Draft uncertainty": draft_m,
            "Lake level uncertainty": level_m,
            "Position uncertainty": position_m,
            "Time offset uncertainty": time_offset_s,
        }
    )
    if radius_m is not None and not radius_m > 0.0:
        raise LakefloorError(
            f"The radius for the slope is {written(radius_m, 'g')} m. Enter more than 0 m."
        )

    known = _from_corrections(soundings, sound_speed_measured)
    slope, one_way, no_slope = slopes_of(soundings, surface, radius_m, known.reduced, progress)
    layers = (
        0.0
        if sound_speed_measured
        else np.where(
            known.measured,
            0.0,
            vertical.layering(known.below, known.speed, mixed_depth_m, deep_temperature_c),
        )
    )
    terms = (
        vertical.instrument(soundings.depth, instrument_fixed_m, instrument_share),
        _of_sound_speed(known, temperature_error_c, layers),
        np.full(len(soundings), float(draft_m)),
        np.hypot(np.where(known.reduced, level_m, 0.0), known.level_error),
        vertical.on_slope(position_m, slope),
        vertical.on_slope(time_offset_s * _boat_speed(soundings), slope),
    )
    done = soundings.replace(uncert=vertical.combine(*terms))
    progress(1.0)
    return _summed_up(done, terms, slope, one_way, no_slope, known.reduced)


def _of_sound_speed(known, temperature_error_c, layers) -> np.ndarray:
    """Return the term of the sound speed, m, from what is known of it at each sounding."""
    below, speed = known.below, known.speed
    term = vertical.combine(vertical.temperature(below, speed, temperature_error_c), layers)
    term = np.where(known.left_as_is, vertical.assumed_speed(below, speed), term)
    unknown = vertical.unknown_speed(below, speed, known.speed_error)
    return np.where(known.speed_error > 0.0, unknown, term)


def _refuse_negative(values):
    for name, value in values.items():
        if not (np.isfinite(value) and value >= 0.0):
            raise LakefloorError(f"{name} is {written(value, 'g')}. Enter a number of at least 0.")


def _summed_up(done, terms, slope, one_way, no_slope, reduced) -> Budget:
    uncert = done.uncert
    use = done.accepted & np.isfinite(uncert)
    if not use.any():
        raise LakefloorError(
            f"None of the {len(done)} soundings is accepted with a depth and a position. Check "
            "their status."
        )
    if not uncert[use].max() > 0.0:
        raise LakefloorError(
            "All parts of the uncertainty are 0. Enter at least one that is above 0."
        )

    def rms(value):
        return float(np.sqrt(np.mean(np.square(value))))

    total = rms(uncert[use])
    return Budget(
        done,
        tuple(
            (name, rms(term[use]), (rms(term[use]) / total) ** 2)
            for name, term in zip(TERMS, terms)
        ),
        {
            "mean_m": float(uncert[use].mean()),
            "rms_m": total,
            "p95_m": float(np.percentile(uncert[use], 95.0)),
            "mean_slope": float(slope[use].mean()),
            "one_way": int((one_way & use).sum()),
            "no_slope": int((no_slope & use).sum()),
            "not_reduced": int((use & ~reduced).sum()),
            "visits": {
                name: {"soundings": int(use[rows].sum()), "rms_m": rms(uncert[rows][use[rows]])}
                for name, rows in each_visit(done)
                if use[rows].any()
            },
        },
    )


@dataclass(frozen=True)
class _Known:
    """What ``corrections`` tell of each sounding.

    Depth below the transducer, m; sound speed and, where no temperature was known, its standard
    uncertainty, m/s, else 0; whether it is that of a profile; whether depth was left at the
    assumed speed; whether it is reduced; standard error of the visit's offset and of a level
    between readings, m.
    """

    below: np.ndarray
    speed: np.ndarray
    speed_error: np.ndarray
    measured: np.ndarray
    left_as_is: np.ndarray
    reduced: np.ndarray
    level_error: np.ndarray


def common_share(soundings: Soundings) -> float:
    """Return the standard uncertainty that depths have in common, as a share of depth.

    It is that of a sound speed which ``corrections`` say was not known, and so the same all over
    the lake: unlike the errors of single depths it does not average out. The mean over the
    accepted soundings; 0 where the speed was known, or nothing is said of it.
    """
    texts, group = distinct(soundings.corrections[soundings.accepted])
    share = np.zeros(len(texts))
    for i, text in enumerate(texts):
        pairs = parse_corrections(text)
        change = pairs.get("sound_speed", "")
        if change == "not corrected":
            share[i] = vertical.assumed_speed(1.0, _ASSUMED_SPEED_MS)
        elif "->" in change:
            share[i] = float(pairs.get(SPEED_ERROR, 0.0)) / float(change.split("->")[1])
    return float(share[group].mean()) if group.size else 0.0


def _from_corrections(soundings, speed_measured) -> _Known:
    texts, group = distinct(soundings.corrections)
    draft, level, wrong = (np.zeros(len(texts)) for _ in range(3))
    speed, kept = np.full(len(texts), np.nan), np.zeros(len(texts), dtype=bool)
    measured = kept.copy()
    error = np.zeros(len(texts))
    reduced = np.zeros(len(texts), dtype=bool)
    for i, text in enumerate(texts):
        pairs = parse_corrections(text)
        draft[i] = float(pairs.get("draft_m", 0.0))
        reduced[i] = "datum" in pairs
        if "level_m" in pairs and "datum_elev_m" in pairs:
            level[i] = float(pairs["level_m"]) - float(pairs["datum_elev_m"])
        elif VISIT_OFFSET in pairs:
            level[i] = float(pairs[VISIT_OFFSET])
        wrong[i] = np.hypot(
            float(pairs.get(VISIT_OFFSET_ERROR, 0.0)), float(pairs.get(LEVEL_ERROR, 0.0))
        )
        error[i] = float(pairs.get(SPEED_ERROR, 0.0))
        measured[i] = pairs.get(SPEED_FROM) == MEASURED
        change = pairs.get("sound_speed", "")
        if "->" in change:
            speed[i] = float(change.split("->")[1])
        kept[i] = change == "not corrected"
    below = np.maximum(soundings.depth + level[group] - draft[group], 0.0)
    # Depths that were never corrected are those of some sound speed that nobody states.
    usual, spread = unknown_water_speed()
    error = np.where(np.isfinite(speed) | kept | speed_measured, error, spread)
    speed = np.where(np.isfinite(speed), speed, np.where(kept, _ASSUMED_SPEED_MS, usual))
    return _Known(
        below,
        speed[group],
        error[group],
        measured[group],
        kept[group],
        reduced[group],
        wrong[group],
    )


def _boat_speed(soundings):
    """Return speed, m/s: as logged, else by the fixes, else the visit's median, else a usual."""
    speed = np.where(soundings.speed >= 0.0, soundings.speed, np.nan)
    placed = np.isfinite(soundings.x) & np.isfinite(soundings.y)
    for _, rows in each_visit(soundings):
        on = rows[placed[rows] & ~np.isnat(soundings.time[rows])]
        if np.isnan(speed[rows]).any() and on.size > 2:
            on = on[np.argsort(soundings.time[on], kind="stable")]
            track = track_of_fixes(
                soundings.time[on],
                np.zeros(on.size, dtype=int),
                soundings.x[on],
                soundings.y[on],
                _HIGHEST_SPEED_MS,
            )
            # A gap or a stray position shows an impossible speed.
            found = boat_speed(track, np.full(on.size, np.nan))
            found[~(found < _HIGHEST_SPEED_MS)] = np.nan
            speed[on] = np.where(np.isnan(speed[on]), found, speed[on])
        known = speed[rows][np.isfinite(speed[rows])]
        usual = np.median(known) if known.size else _USUAL_SPEED_MS
        speed[rows] = np.where(np.isnan(speed[rows]), usual, speed[rows])
    return speed
