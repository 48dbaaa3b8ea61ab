"""From how far tracks of visits are compared, so that each visit meets others often enough."""

from __future__ import annotations

from collections import Counter

from ..number_text import counted, written
from ..progress import Progress, silent, span
from ..soundings import Soundings, distinct
from .crossings import Crossings, join_crossings
from .overlaps import find_overlaps

#: Distances of tracks side by side, m, that are tried until each visit meets others so many times:
#: the standard error of its offset is then about a fifth of that of one difference.
REACHES, ENOUGH = (5.0, 10.0, 20.0, 40.0, 80.0), 25


def with_overlaps(
    soundings: Soundings,
    crossings: Crossings,
    reach_m: float | None,
    max_gap_m: float,
    progress: Progress = silent,
) -> tuple:
    """Return crossings joined with overlaps, and notes where tracks are compared from afar.

    Parameters
    ----------
    soundings : Soundings
    crossings : Crossings
        Of the same soundings.
    reach_m : float or None
        Greatest distance of tracks side by side, m. If None, the least of :data:`REACHES` at which
        each visit meets others :data:`ENOUGH` times.
    max_gap_m : float
        As for :func:`.overlaps.find_overlaps`.
    progress : callable
    """
    reaches = REACHES if reach_m is None else (reach_m,)
    for k, reach in enumerate(reaches):
        part = span(progress, k / len(reaches), (k + 1) / len(reaches))
        overlaps = find_overlaps(
            soundings, crossings, max_gap_m=max_gap_m, reach_m=reach, progress=part
        )
        found = join_crossings([crossings, overlaps])
        meetings = _meetings_of_visits(soundings, found)
        if min(meetings.values(), default=ENOUGH) >= ENOUGH:
            break
    if reach_m is not None or reach == REACHES[0]:
        return found, []
    few = min(meetings, key=lambda name: meetings[name])
    return found, [
        f"Tracks up to {written(reach, 'g')} m apart are compared, so that visits meet often "
        f"enough. Visit '{few}' meets others {counted(meetings[few], 'time')}."
    ]


def _meetings_of_visits(soundings, crossings) -> dict:
    """Return how often each visit meets another; one visit alone meets none."""
    between = crossings.between
    names = [str(name) for name in distinct(soundings.visit[soundings.accepted])[0]]
    if len(names) < 2:
        return {}
    met = Counter([*crossings.visit_a[between].tolist(), *crossings.visit_b[between].tolist()])
    return {name: met[name] for name in names}
