"""Corrections of depth and position for the sounder's own settings: latency, sound speed, draft."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..correction_keys import BEAM, VISIT_OFFSET
from ..errors import LakefloorError
from ..number_text import counted, written
from ..progress import Progress, silent
from ..soundings import (
    Soundings,
    distinct,
    each_visit,
    of_visits,
    parse_corrections,
    with_corrections,
)
from .latency import moved_along_track
from .vertical_uncertainty import combine, instrument
from .water_column import CrossedWater, TemperatureProfile

_OWN_KEYS = ("time_offset_s", "draft_m", "sound_speed")
_LATER_KEYS = ("datum", VISIT_OFFSET)


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
        ``soundings``, ``temperature_c``, ``sound_speed_ms`` and ``correction_m``; ``layered_m``,
        for each visit by how much cold water below a warm surface may make its deepest depth too
        deep; and
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
    beam_deg: float | None = None,
    profiles: Mapping[str, TemperatureProfile] | None = None,
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
        Height of the waterline above the transducer, or the keel where depth is from the keel, m.
    assumed_speed_ms : float
        Sound speed that the instrument computes with, m/s.
    real_speed_ms : float, optional
        Mean sound speed of the water for all soundings, m/s.
    temperature_c : float, optional
        Water temperature for all soundings, degrees Celsius. With neither this nor
        ``real_speed_ms`` the logged one is used, or :func:`.sound_speed.unknown_water_speed`.
    instrument_offset_m : float, optional
        What the instrument had added to get depth from the surface, m, where no log states it.
    skip_without_temperature : bool
        Leave visits without logged temperature at the assumed sound speed instead.
    time_offset_s : float
        By how much the logged position is older than the depth beside it, s.
    uncert_fixed_m, uncert_share : float
        Standard uncertainty of the sounder and its set-up: a fixed part, m, and a share of depth.
    mixed_depth_m, deep_temperature_c : float
        Where only the surface's temperature is known: down to which depth, m, the water has it,
        and how cold, degrees Celsius, it may be below.
    beam_deg : float, optional
        Full width of the beam, degrees, noted for gridding; no depth changes by it.
    profiles : mapping of str to TemperatureProfile, optional
        Temperature by depth at a visit; that of the name '' is for all visits that have none.
    from_raw : bool
        Start again from raw depths; steps done since reading, a datum among them, are undone.
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

    Examples
    --------
    >>> log = Soundings.build([0.0], [0.0], [6.0], water_temp=10.0, visit="May")
    >>> done = correct_depths(log, draft_m=0.3).soundings
    >>> round(float(done.depth[0]), 3)  # 6 m x 1447.3 / 1500 + 0.3 m
    6.089
    >>> done.corrections[0]
    'time_offset_s=0;draft_m=0.3;sound_speed=1500->1447.3'
    """
    if len(soundings) == 0:
        raise LakefloorError("There are no soundings to correct. Choose a layer that has some.")
    _check_parameters(
        draft_m,
        assumed_speed_ms,
        real_speed_ms,
        temperature_c,
        instrument_offset_m,
        time_offset_s,
        uncert_fixed_m,
        uncert_share,
        mixed_depth_m,
    )
    before = _Before.raw(soundings) if from_raw else _Before.given(soundings)
    x, y = moved_along_track(soundings, time_offset_s - before.shift, progress)
    water = CrossedWater.of(
        soundings, assumed_speed_ms, real_speed_ms, temperature_c, skip_without_temperature
    )
    progress(0.8)
    references = [transducer_depth(p, draft_m, instrument_offset_m) for p in before.pairs]
    offset, height = np.array(references, dtype=float)[before.group].T
    logged = before.depth - offset
    if profiles:
        water = water.along(profiles, soundings.visit, logged / assumed_speed_ms, height)
    below = logged * water.speed / assumed_speed_ms
    depth = below + height
    layers, *others = water.uncertainties(
        below, assumed_speed_ms, mixed_depth_m, deep_temperature_c
    )
    uncert = combine(instrument(depth, uncert_fixed_m, uncert_share), layers, *others)
    progress(0.9)
    corrections = with_corrections(
        before.corrections,
        time_offset_s=f"{time_offset_s:g}",
        draft_m=np.array([f"{h:g}" for _, h in references], dtype=object)[before.group],
        **water.recorded(assumed_speed_ms),
        **({} if beam_deg is None else {BEAM: f"{beam_deg:g}"}),
    )
    corrected = soundings.replace(x=x, y=y, depth=depth, uncert=uncert, corrections=corrections)
    progress(1.0)
    return Corrected(corrected, _summary(soundings, corrected, before, water, layers))


@dataclass(frozen=True)
class _Before:
    """What is known of n soundings before they are corrected, from k distinct corrections texts.

    ``pairs`` are the steps of each text (k), ``group`` the text of each sounding, ``depth`` (m)
    and ``shift`` (s, already applied to positions) are those to start from, ``dropped`` the steps
    that are undone.
    """

    pairs: list
    group: np.ndarray
    depth: np.ndarray
    shift: np.ndarray
    dropped: list

    @classmethod
    def given(cls, soundings) -> _Before:
        """Start from depths that were never corrected, or raise LakefloorError."""
        texts, group = distinct(soundings.corrections)
        pairs = [parse_corrections(text) for text in texts]
        _refuse_corrected(soundings.visit, pairs, group)
        return cls(pairs, group, soundings.depth, np.zeros(len(soundings)), [])

    @classmethod
    def raw(cls, soundings) -> _Before:
        """Start again from raw depths."""
        texts, group = distinct(soundings.corrections)
        pairs = [parse_corrections(text) for text in texts]
        shift = np.array([float(p.get("time_offset_s", 0.0)) for p in pairs])[group]
        depth = soundings.raw_depth + np.array([_added_in_reading(p) for p in pairs])[group]
        kept = [_as_read(p) for p in pairs]
        dropped = sorted({key for p, k in zip(pairs, kept) for key in p if key not in k})
        return cls(kept, group, depth, shift, dropped)

    @property
    def corrections(self) -> np.ndarray:
        """Corrections texts of the soundings."""
        texts = [";".join(f"{key}={value}" for key, value in p.items()) for p in self.pairs]
        return np.array(texts, dtype=object)[self.group]

    def measured_from(self) -> dict:
        """Return the number of soundings by where their logged depth counts from."""
        counts = {}
        for p, count in zip(self.pairs, np.bincount(self.group)):
            origin = p.get("from", "unknown")
            counts[origin] = counts.get(origin, 0) + int(count)
        return counts


def _check_parameters(draft, assumed, real, temperature, offset, time_offset, fixed, share, mixed):
    if not 0.0 <= draft <= 10.0:
        hint = (
            f" If it is in inches, enter {written(draft * 0.0254, '.2f')}."
            if 10.0 < draft <= 100.0
            else " Enter it in meters."
        )
        raise LakefloorError(f"Draft {written(draft, 'g')} m is outside 0 to 10 m.{hint}")
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
            f"Time offset {written(time_offset, 'g')} s is outside -60 to 60 s. Enter it in "
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
            f"Depths of {of_visits(visit[done])} were corrected before "
            f"({counted(int(done.sum()), 'sounding')}). Use the soundings as "
            "they were before, or start again from raw depths."
        )
    reduced = np.array([any(key in p for key in _LATER_KEYS) for p in pairs])[group]
    if reduced.any():
        raise LakefloorError(
            f"Soundings of {of_visits(visit[reduced])} are already reduced to a lake datum "
            f"or adjusted ({counted(int(reduced.sum()), 'sounding')}). Correct depths "
            "before that, or start again from raw depths."
        )


def _added_in_reading(pairs: dict) -> float:
    """Return the offset that the raw depth lacks: one that the log states beside its depth."""
    return float(pairs.get("offset_m", 0.0)) if pairs.get("from") == "transducer" else 0.0


def transducer_depth(pairs: dict, draft: float, instrument_offset: float | None = None) -> tuple:
    """Return the offset inside a logged depth, and the transducer's depth in its place, m.

    Parameters
    ----------
    pairs : dict
        What ``corrections`` say of the depth: where it counts from, and what was added.
    draft : float
        m.
    instrument_offset : float, optional
        What the sounder has added, where it is known, m.
    """
    if "offset_m" in pairs:
        stated = float(pairs["offset_m"])
        return stated, stated + (draft if stated <= 0.0 else 0.0)
    if pairs.get("from") == "keel":
        return 0.0, draft
    if instrument_offset is not None:
        return instrument_offset, draft
    return (draft if pairs.get("from") == "surface" else 0.0), draft


def _summary(given, after, before, water, layers):
    use = after.accepted if after.accepted.any() else np.isfinite(after.depth)
    with np.errstate(invalid="ignore"):  # a rejected depth may be infinite
        correction = after.depth - before.depth
    moved = np.hypot(after.x - given.x, after.y - given.y)

    def mean(values):
        return float(np.nanmean(values)) if np.isfinite(values).any() else None

    visits = {
        name: {
            "soundings": rows.size,
            "temperature_c": mean(water.temperature[rows]),
            "sound_speed_ms": mean(water.speed[rows]),
            "correction_m": mean(correction[rows][use[rows]]),
        }
        for name, rows in each_visit(after)
    }
    return {
        "mean_correction_m": mean(correction[use]),
        "min_correction_m": float(correction[use].min()) if use.any() else None,
        "max_correction_m": float(correction[use].max()) if use.any() else None,
        "mean_sound_speed_ms": mean(water.speed[use]),
        "mean_shift_m": mean(moved[use]),
        "mean_uncertainty_m": mean(after.uncert[use]),
        "uncorrected": sorted({str(v) for v in given.visit[water.skipped]}),
        "no_temperature": sorted({str(v) for v in given.visit[water.unknown]}),
        "visits": visits,
        # Layers are equally likely to add anything up to this.
        "layered_m": {
            name: float(np.sqrt(3.0) * np.max(layers[rows][use[rows]], initial=0.0))
            for name, rows in each_visit(after)
        },
        "dropped": before.dropped,
        "measured_from": before.measured_from(),
    }
