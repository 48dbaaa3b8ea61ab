"""Whether visits reduced by lake levels that were read meet where their tracks cross."""

from __future__ import annotations

from ..correcting.lake_level import visits_in_time
from ..errors import LakefloorError
from ..number_text import written
from ..progress import Progress, silent
from ..soundings import Soundings
from .level_network import level_survey
from .unknown_level import FEWEST_MEETINGS

#: Visits at known levels differ where tracks cross from so many m on, and so many standard errors.
_UNLIKE_M, _UNLIKE_ERRORS = 0.15, 4.0


def unlike_levels(soundings: Soundings, progress: Progress = silent) -> list:
    """Return a sentence if visits reduced by their lake levels do not meet where tracks cross.

    Parameters
    ----------
    soundings : Soundings
        Reduced to one datum by levels that were read.
    progress : callable

    Notes
    -----
    Levels in a wrong unit, or one level for days on which the lake stood differently, leave
    visits apart. Where tracks do not meet in :data:`FEWEST_MEETINGS` places, nothing can be said.
    """
    days = [name for name, rows in visits_in_time(soundings) if soundings.accepted[rows].any()]
    if len(days) < 2:
        return []
    try:
        _, found = level_survey(soundings, held=days[:1], progress=progress)
    except LakefloorError:
        return []
    apart = [
        (str(name), float(offset))
        for name, offset, error, places, held in zip(
            found.visit, found.offset, found.std_error, found.observations, found.held
        )
        if not held
        and places >= FEWEST_MEETINGS
        and abs(offset) > max(_UNLIKE_M, _UNLIKE_ERRORS * error)
    ]
    if not apart:
        return []
    each = ", ".join(f"'{name}' by {written(offset, '+.2f')} m" for name, offset in apart)
    return [
        f"Visits at known lake levels still differ from '{days[0]}' where tracks cross: {each}. "
        "Check the level unit and the days of the lake levels."
    ]
