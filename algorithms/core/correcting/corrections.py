"""Corrections of depth and position for the sounder's own settings: latency, sound speed, draft."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from ..errors import LakefloorError
from ..number_text import written
from ..progress import Progress, silent
from ..soundings import (
    Soundings,
    distinct,
    each_visit,
    parse_corrections,
    visit_list,
    with_corrections,
)
from .sound_speed import LAKE_TEMPERATURES, fresh_water_sound_speed, unknown_water_speed
from .vertical_uncertainty import assumed_speed, combine, instrument, layering, unknown_speed

_OWN_KEYS = ("time_offset_s", "draft_m", "sound_speed")
#: Standard uncertainty, m/s, of a sound speed for which there was no temperature.
SPEED_ERROR = "sound_speed_sd"

_LATER_KEYS = ("datum", "level_offset_m")

#: Pings in the running median of a surface probe, which flickers by some tenths of a degree.
_TEMPERATURE_WINDOW = 61

#: A pause in the track that a boat's velocity is not carried across, s.
_PAUSE_S = 10.0

#: Fixes of one instant that lie farther apart than this, m, show a stopped clock.
_FROZEN_M = 50.0


@dataclass(frozen=True)
class Corrected:
    """Corrected soundings and what was done to them.

    Attributes
    ----------
    soundings : Soundings
    summary : dict
        ``mean_correction_m``, ``min_correction_m``, ``max_correction_m`` (new depth less the
        depth before, accepted soundings), ``mean_sound_speed_ms``, ``mean_shift_m``,
        ``mean_uncertainty_m``; ``dropped``, the steps undone by starting again from raw depths;
        ``uncorrected``, the visits left at the assumed sound speed; ``no_temperature``, those
        corrected with the middle of fresh water's sound speeds; ``visits``, for each visit its
        ``soundings``, ``temperature_c``, ``sound_speed_ms`` and ``correction_m``; and
        ``measured_from``, the soundings by where their logged depth counts from (``transducer``,
        ``surface``, ``keel`` or ``unknown``, which is taken to be the transducer).
    """

    soundings: Soundings
    summary: dict


def correct_depths(
    soundings: Soundings,
    *,
    draft_m: float = 0.3,
    assumed_speed_ms: float = 1500.0,
    real_speed_ms: float | None = None,
    temperature_c: float | None = None,
    instrument_offset_m: float | None = None,
    skip_without_temperature: bool = False,
    time_offset_s: float = 0.0,
    uncert_fixed_m: float = 0.05,
    uncert_share: float = 0.01,
    mixed_depth_m: float = 6.0,
    deep_temperature_c: float = 7.0,
    from_raw: bool = False,
    progress: Progress = silent,
) -> Corrected:
    """Correct soundings for latency, sound speed and draft, and state their uncertainty.

    Every sounding is corrected, the rejected ones too: they keep their status.

    Parameters
    ----------
    soundings : Soundings
        As read or cleaned; not yet corrected, not yet reduced to a datum.
    draft_m : float
        Height of the waterline above the point from which the logged depth counts, m: the
        transducer, or the keel where the log says that depth is from the keel.
    assumed_speed_ms : float
        Sound speed that the instrument computes with, m/s.
    real_speed_ms : float, optional
        Mean sound speed of the water for all soundings, m/s.
    temperature_c : float, optional
        Water temperature for all soundings, degrees Celsius. With neither this nor
        ``real_speed_ms`` the logged temperature is used; visits without one take the speed of
        :func:`.sound_speed.unknown_water_speed`.
    instrument_offset_m : float, optional
        Offset that the instrument had already added to get depth from the surface, m, where the
        log does not state it.
    skip_without_temperature : bool
        Leave visits without logged temperature at the assumed sound speed instead.
    time_offset_s : float
        By how much the logged position is older than the depth beside it, s.
    uncert_fixed_m, uncert_share : float
        Standard uncertainty of the sounder and its set-up: a fixed part, m, and a share of depth.
    mixed_depth_m, deep_temperature_c : float
        Where only the temperature of the surface is known: down to which depth, m, the water
        surely has it, and how cold, degrees Celsius, the water may be below.
    from_raw : bool
        Start again from the raw depths; steps done since reading, a datum among them, are undone.
    progress : callable

    Returns
    -------
    Corrected

    Raises
    ------
    LakefloorError
        If the soundings were corrected or reduced before, a parameter is out of its range, or a
        time offset meets soundings without running times.

    Notes
    -----
    ``depth = (logged - offset) * real / assumed + offset + draft``. The offset is what the
    instrument added itself; sound did not travel it, so it is never scaled. An offset stated in
    the log (``offset_m`` in ``corrections``) that is positive leads to the water surface, so
    draft is then 0; a negative one leads to the keel. Where depth is from the surface
    (``from=surface``) by an unknown amount, the draft is taken to be the offset. An offset
    given as parameter is replaced by the draft.

    Latency: the position at time t is the track's at t + time offset, linear between the fixes
    of the visit, and at the ends of the track with the velocity of its last moments.

    ``uncert = sqrt(fixed^2 + (share depth)^2 + (layering / sqrt 3)^2)``, where layering is how
    much too deep the depth is if all water below ``mixed_depth_m`` is as cold as stated; the
    truth is taken as equally likely anywhere between none and all of it. There is no such term
    where the mean sound speed itself is given; where no temperature is known, a term of half the
    range of fresh water's sound speeds takes its place. What position, draft and water level add
    is for :func:`.uncertainty_budget.uncertainty_budget`, once depths are reduced.

    References
    ----------
    U.S. Army Corps of Engineers (2002). Hydrographic Surveying, EM 1110-2-1003 (velocity, draft
    and latency calibration of single-beam sounders).
    JCGM 100:2008. Guide to the expression of uncertainty in measurement, 4.3.7 and 5.1.2.
    """
    if len(soundings) == 0:
        raise LakefloorError("There are no soundings to correct. Choose a layer that has some.")
    _check_parameters(
        draft_m, assumed_speed_ms, real_speed_ms, temperature_c, instrument_offset_m,
        time_offset_s, uncert_fixed_m, uncert_share, mixed_depth_m,
    )
    texts, group = distinct(soundings.corrections)
    pairs = [parse_corrections(text) for text in texts]
    dropped = []
    earlier = soundings.depth
    earlier_shift = np.zeros(len(soundings))
    if from_raw:
        shifts = [float(p.get("time_offset_s", 0.0)) for p in pairs]
        earlier_shift = np.array(shifts)[group]
        earlier = soundings.raw_depth + np.array([_added_in_reading(p) for p in pairs])[group]
        kept = [_as_read(p) for p in pairs]
        dropped = sorted({key for p, k in zip(pairs, kept) for key in p if key not in k})
        texts = [";".join(f"{k}={v}" for k, v in p.items()) for p in kept]
        pairs = kept
    else:
        _refuse_corrected(soundings.visit, pairs, group)

    x, y = _move_along_track(soundings, time_offset_s - earlier_shift, progress)
    temperature, speed, surface_only, skipped, unknown = _sound_speed(
        soundings, assumed_speed_ms, real_speed_ms, temperature_c, skip_without_temperature
    )
    progress(0.8)
    references = [_reference(p, draft_m, instrument_offset_m) for p in pairs]
    offset, height = np.array(references, dtype=float)[group].T
    below = (earlier - offset) * speed / assumed_speed_ms
    depth = below + height
    uncert = combine(
        instrument(depth, uncert_fixed_m, uncert_share),
        np.where(surface_only, layering(below, speed, mixed_depth_m, deep_temperature_c), 0.0),
        np.where(skipped, assumed_speed(below, assumed_speed_ms), 0.0),
        np.where(unknown, unknown_speed(below, speed, unknown_water_speed()[1]), 0.0),
    )
    progress(0.9)
    rounded, which = np.unique(np.round(np.where(skipped, -1.0, speed), 1), return_inverse=True)
    change = [
        "not corrected" if value < 0 else f"{assumed_speed_ms:g}->{value:.1f}" for value in rounded
    ]
    drafts = np.array([f"{h:g}" for _, h in references], dtype=object)
    corrections = with_corrections(
        np.array(texts, dtype=object)[group],
        time_offset_s=f"{time_offset_s:g}",
        draft_m=drafts[group],
        sound_speed=np.array(change, dtype=object)[which],
        **{SPEED_ERROR: np.where(unknown, f"{unknown_water_speed()[1]:.2f}", None)},
    )
    corrected = soundings.replace(x=x, y=y, depth=depth, uncert=uncert, corrections=corrections)
    progress(1.0)
    summary = _summary(soundings, corrected, earlier, temperature, speed, skipped)
    counts = np.bincount(group)
    measured_from = {}
    for p, count in zip(pairs, counts):
        origin = p.get("from", "unknown")
        measured_from[origin] = measured_from.get(origin, 0) + int(count)
    summary.update(
        dropped=dropped, measured_from=measured_from,
        no_temperature=sorted({str(v) for v in soundings.visit[unknown]}),
    )
    return Corrected(corrected, summary)


def _check_parameters(
    draft, assumed, real, temperature, offset, time_offset, fixed, share, mixed
):
    if not 0.0 <= draft <= 10.0:
        hint = (
            f" If it is in inches, enter {written(draft * 0.0254, '.2f')}."
            if 10.0 < draft <= 100.0
            else " Enter it in meters."
        )
        raise LakefloorError(f"The draft of {written(draft, 'g')} m is outside 0 to 10 m.{hint}")
    if offset is not None and not abs(offset) <= 10.0:
        raise LakefloorError(
            f"The offset added by the sounder, {written(offset, 'g')} m, is outside -10 to 10 m. "
            "Enter it in meters."
        )
    for name, speed in (("assumed", assumed), ("actual", real)):
        if speed is not None and not 1350.0 <= speed <= 1650.0:
            hint = (
                f" If it is in feet per second, enter {written(speed * 0.3048, '.2f')}."
                if 4430.0 <= speed <= 5413.0
                else " Enter it in meters per second."
            )
            raise LakefloorError(
                f"The {name} sound speed of {written(speed, 'g')} m/s is outside 1350 to 1650 "
                f"m/s.{hint}"
            )
    if real is not None and temperature is not None:
        raise LakefloorError(
            "A sound speed and a water temperature are both given. Give one of them, not both."
        )
    if not abs(time_offset) <= 60.0:
        raise LakefloorError(
            f"The time offset of {written(time_offset, 'g')} s is outside -60 to 60 s. Enter it in "
            "seconds."
        )
    if not (fixed >= 0.0 and 0.0 <= share <= 1.0 and fixed + share > 0.0):
        raise LakefloorError(
            f"The uncertainty has a fixed part of {written(fixed, 'g')} m and "
            f"{written(100.0 * share, 'g')}% of depth. Enter at least 0 m and 0 to 100%, not "
            "both 0."
        )
    if not mixed >= 0.0:
        raise LakefloorError(
            f"The depth of the mixed water is {written(mixed, 'g')} m. Enter at least 0 m."
        )


def _as_read(pairs: dict) -> dict:
    """Return the pairs that stood before the first correction."""
    kept = {}
    for key, value in pairs.items():
        if key in _OWN_KEYS or key in _LATER_KEYS:
            break
        kept[key] = value
    return kept


def _refuse_corrected(visit, pairs, group):
    done = np.array([any(key in p for key in _OWN_KEYS) for p in pairs])[group]
    if done.any():
        raise LakefloorError(
            f"Depths of visit {visit_list(visit[done])} were corrected before ({done.sum()} "
            "soundings). Use the soundings as they were before, or start again from raw depths."
        )
    reduced = np.array([any(key in p for key in _LATER_KEYS) for p in pairs])[group]
    if reduced.any():
        raise LakefloorError(
            f"Visit {visit_list(visit[reduced])} is already reduced to a lake datum "
            f"or adjusted ({reduced.sum()} soundings). Correct depths before that, or start again "
            "from raw depths."
        )


def _added_in_reading(pairs: dict) -> float:
    """Return the offset that the raw depth lacks: one that the log states beside its depth."""
    return float(pairs.get("offset_m", 0.0)) if pairs.get("from") == "transducer" else 0.0


def _reference(pairs: dict, draft: float, instrument_offset: float | None) -> tuple:
    """Return the offset inside the logged depth, and the transducer's depth in its place."""
    if "offset_m" in pairs:
        stated = float(pairs["offset_m"])
        return stated, stated + (draft if stated <= 0.0 else 0.0)
    if pairs.get("from") == "keel":
        return 0.0, draft
    if instrument_offset is not None:
        return instrument_offset, draft
    return (draft if pairs.get("from") == "surface" else 0.0), draft


def _seconds(time) -> np.ndarray:
    """Return seconds since the first time, NaN for NaT."""
    known = ~np.isnat(time)
    out = np.full(len(time), np.nan)
    if known.any():
        out[known] = (time[known] - time[known].min()) / np.timedelta64(1, "s")
    return out


def _move_along_track(soundings, tau, progress):
    x, y = soundings.x.copy(), soundings.y.copy()
    if not np.any(tau):
        return x, y
    accepted = soundings.accepted
    late = accepted & np.isnat(soundings.time) & (tau != 0)
    if late.any():
        raise LakefloorError(
            f"A time offset needs the time of every sounding. Of visit "
            f"{visit_list(soundings.visit[late])}, {late.sum()} have none. Set the time offset to "
            "0, or read the logs again with their times."
        )
    for name, rows in each_visit(soundings):
        seconds = _seconds(soundings.time[rows])
        timed = np.isfinite(seconds)
        fix = accepted[rows] & timed & np.isfinite(x[rows]) & np.isfinite(y[rows])
        if not fix.any():
            continue
        track = visit_track(name, seconds[fix], x[rows][fix], y[rows][fix])
        # Steps of one visit differ only where its files were corrected apart.
        for step in np.unique(tau[rows]):
            if step == 0.0:
                continue
            here = timed & (tau[rows] == step)
            dx, dy = shift_along(track, seconds[here], step)
            x[rows[here]] += dx
            y[rows[here]] += dy
        progress(0.6 * rows.size / len(soundings))
    return x, y


def visit_track(name, seconds, x, y) -> tuple:
    """Return one visit's distinct times in order, s, with the mean position of each, m.

    Parameters
    ----------
    name : str
        Of the visit, for messages.
    seconds, x, y : array, shape (n,)
        Time and position of each sounding, s and m; in any order.

    Raises
    ------
    LakefloorError
        If there are fewer than two times, or positions far apart share one.
    """
    times, which, count = np.unique(seconds, return_inverse=True, return_counts=True)
    mean_x = np.bincount(which, x) / count
    mean_y = np.bincount(which, y) / count
    spread = np.hypot(x - mean_x[which], y - mean_y[which]).max()
    if spread > _FROZEN_M or (times.size < 2 and seconds.size > 1):
        raise LakefloorError(
            f"Visit '{name}': the clock stands still while the boat moves, so positions cannot "
            "be moved by a time offset. Set the time offset to 0, or leave out the log with the "
            "stopped clock."
        )
    if times.size < 2:
        raise LakefloorError(
            f"Visit '{name}' is a single sounding without a track, so a time offset cannot move "
            "it. Set the time offset to 0, or leave that visit out."
        )
    return times, mean_x, mean_y


def shift_along(track, seconds, tau: float) -> list:
    """Return how far the boat moves from each time to ``tau`` seconds later, east and north, m.

    Parameters
    ----------
    track : tuple
        From :func:`visit_track`.
    seconds : array, shape (n,)
        On the same clock.
    tau : float
        s; below 0 for earlier.
    """
    times, x, y = track
    reach = abs(tau)
    step = np.diff(times)
    pause = np.flatnonzero(step > max(_PAUSE_S, 5.0 * np.median(step), 3.0 * reach))
    first = np.concatenate([[0], pause + 1])
    last = np.concatenate([pause, [times.size - 1]])
    # Each run of fixes is carried on at both ends with its mean velocity over one reach.
    back = np.maximum(times[last] - reach, times[first])
    ahead = np.minimum(times[first] + reach, times[last])
    with np.errstate(invalid="ignore", divide="ignore"):
        share_last = np.nan_to_num(reach / (times[last] - back), posinf=0.0)
        share_first = np.nan_to_num(reach / (ahead - times[first]), posinf=0.0)
    knots = np.concatenate([times, times[last] + reach, times[first] - reach])
    order = np.argsort(knots, kind="stable")
    moved = []
    for p in (x, y):
        beyond = p[last] + (p[last] - np.interp(back, times, p)) * share_last
        before = p[first] + (p[first] - np.interp(ahead, times, p)) * share_first
        values = np.concatenate([p, beyond, before])[order]
        later = np.interp(seconds + tau, knots[order], values)
        moved.append(later - np.interp(seconds, knots[order], values))
    return moved


def _sound_speed(soundings, assumed, real, temperature, skip):
    """Return temperature, speed, and masks: of the surface only, uncorrected, not known."""
    n = len(soundings)
    none = np.zeros(n, dtype=bool)
    if real is not None:
        return np.full(n, np.nan), np.full(n, float(real)), none, none, none
    if temperature is not None:
        speed = float(fresh_water_sound_speed(temperature))
        return np.full(n, float(temperature)), np.full(n, speed), ~none, none, none
    smooth = np.full(n, np.nan)
    for name, rows in each_visit(soundings):
        smooth[rows] = _smooth_temperature(
            name, soundings.time[rows], soundings.water_temp[rows]
        )
    lacking = np.isnan(smooth)
    instead = assumed if skip else unknown_water_speed()[0]
    speed = np.where(lacking, instead, fresh_water_sound_speed(smooth))
    return smooth, speed, ~lacking, lacking & skip, lacking & (not skip)


def _smooth_temperature(name, time, logged):
    """Return the running median of one visit's temperature, its gaps filled."""
    known = np.isfinite(logged)
    low, high = LAKE_TEMPERATURES
    usable = known & (logged >= low) & (logged <= high)
    if not known.any():
        return np.full(len(logged), np.nan)
    if usable.sum() < 0.5 * known.sum():
        value = np.median(logged[known])
        raise LakefloorError(
            f"Visit '{name}': most logged water temperatures are outside {written(low, 'g')} to "
            f"{written(high, 'g')} °C (median {written(value, 'g')}). If the log is in degrees "
            "Fahrenheit, choose that in Read logs. Or enter a water temperature."
        )
    seconds = _seconds(time)
    at = seconds if np.isfinite(seconds).all() else np.arange(len(logged), dtype=float)
    order = np.argsort(at[usable], kind="stable")
    # SciPy 1.15 returns zeros where the window is much longer than the data.
    size = min(_TEMPERATURE_WINDOW, 2 * ((order.size - 1) // 2) + 1)
    smooth = median_filter(logged[usable][order], size=size, mode="reflect")
    return np.interp(at, at[usable][order], smooth)


def _summary(before, after, earlier, temperature, speed, skipped):
    use = after.accepted if after.accepted.any() else np.isfinite(after.depth)
    with np.errstate(invalid="ignore"):  # a rejected depth may be infinite
        correction = after.depth - earlier
    moved = np.hypot(after.x - before.x, after.y - before.y)

    def mean(values):
        values = values[np.isfinite(values)]
        return float(values.mean()) if values.size else None

    visits = {
        name: {
            "soundings": rows.size,
            "temperature_c": mean(temperature[rows]),
            "sound_speed_ms": mean(speed[rows]),
            "correction_m": mean(correction[rows][use[rows]]),
        }
        for name, rows in each_visit(after)
    }
    return {
        "mean_correction_m": mean(correction[use]),
        "min_correction_m": float(correction[use].min()) if use.any() else None,
        "max_correction_m": float(correction[use].max()) if use.any() else None,
        "mean_sound_speed_ms": mean(speed[use]),
        "mean_shift_m": mean(moved[use]),
        "mean_uncertainty_m": mean(after.uncert[use]),
        "uncorrected": sorted({str(v) for v in before.visit[skipped]}),
        "visits": visits,
    }
