"""What to know of a map of bottom type, in plain words."""

from __future__ import annotations

from ..number_text import written
from .bottom_type_map import BottomTypeMap
from .observations import SATURATED, Observations


def notes_on(
    result: BottomTypeMap, adjust: bool, max_slope_deg: float, min_depth_m: float, method: str
) -> list[str]:
    """Return sentences on hardness and classes, on single visits, and on what was left out.

    Parameters
    ----------
    result : BottomTypeMap
    adjust, max_slope_deg, min_depth_m, method
        As for :func:`.bottom_type.bottom_type`.
    """
    return [
        *_on_classes(result, method),
        *_on_visits(result, adjust),
        *_on_observations(result.logged.observations, max_slope_deg, min_depth_m),
    ]


def _on_classes(result: BottomTypeMap, method: str) -> list:
    notes = []
    if result.calibration is None:
        notes.append(
            "Hardness is relative to this sounder and its settings. Take bottom samples (a pole, a "
            "grab, a camera) to learn what soft and hard mean here."
        )
    else:
        c = result.calibration
        notes.append(
            f"Calibrated with {c.used} bottom samples. {100 * c.agreement:.0f}% are classified "
            f"right (kappa {written(c.kappa, '.2f')}), each by thresholds found without it."
        )
        if c.off:
            notes.append(f"Samples off the map, not used: {c.off}.")
    if not result.classes:
        notes.append(
            "Hardness shows a single class of bottom. It only scatters about one mean, so no soft "
            "or hard bottom is drawn."
        )
    elif result.calibration is None and method == "thresholds" and len(result.mixture) == 1:
        notes.append(
            "The hardness itself shows a single class. The classes drawn come from the thresholds "
            "alone."
        )
    return notes


def _on_visits(result: BottomTypeMap, adjust: bool) -> list:
    notes, visits, gains = [], result.logged.visits, result.gains
    for visit, share in zip(visits, result.logged.saturated):
        if share > SATURATED:
            notes.append(
                f"Visit '{visit}': {100 * share:.0f}% of the pings are at the end of the scale, so "
                "the sounder was saturated. Do not trust the hardness, gain and trend of this "
                "visit. Lower the gain next time."
            )
    for visit, solved in zip(visits, gains.solved):
        if not solved:
            notes.append(
                f"Visit '{visit}' is left out, because it overlaps too little with the others. Run "
                "a cross-line over it next time. If the sounder's settings were the same, do not "
                "adjust visits."
            )
    if adjust and len(visits) > 1:
        for v, visit in enumerate(visits):
            if gains.solved[v] and v != gains.reference and not gains.gain_free[v]:
                notes.append(
                    f"Visit '{visit}': the overlap is too uniform to find its gain. Only its "
                    "offset is adjusted."
                )
    return notes


def _on_observations(obs: Observations, max_slope_deg: float, min_depth_m: float) -> list:
    notes = []
    steep = obs.slope > max_slope_deg
    if steep.mean() > 0.01:
        notes.append(
            f"{100 * steep.mean():.0f}% of the observations are left out, because the bottom is "
            f"steeper than {written(max_slope_deg, 'g')} degrees. The hardness there comes from "
            "the surroundings, with its uncertainty."
        )
    shallow = obs.depth < min_depth_m
    if shallow.mean() > 0.01:
        notes.append(
            f"{100 * shallow.mean():.0f}% of the observations are left out, because they are "
            f"shallower than {written(min_depth_m, 'g')} m, too close to the transducer."
        )
    return notes
