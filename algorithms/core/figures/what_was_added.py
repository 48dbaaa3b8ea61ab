"""What visits added to the map of a lake: the map with them beside the map without them."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from ..correction_keys import VISIT_OFFSET, VISIT_OFFSET_ERROR
from ..days import survey_days
from ..errors import LakefloorError
from ..number_text import finite_number
from ..progress import Progress, silent, span
from ..soundings import Soundings, distinct, parse_corrections, rows_by_text
from ..spacing import usable
from ..strays import without_strays
from ..surface.surface_difference import Difference, surface_difference
from ..visits.as_of import Knowledge
from ..visits.joining import join_levels
from ..visits.store_visits import SUPERSEDED
from ..visits.survey_tracks import SurveyTracks
from .map_figures import MapFigures, Scale, draw_before_and_after, map_figures

#: Soundings farther apart than this, m, are not of one run of the boat.
_MAX_GAP_M = 50.0
_STOP_RADIUS_M = 5.0


@dataclass(frozen=True)
class VisitAdded:
    """What one visit brought.

    Attributes
    ----------
    name : str
    days : list of str
        ISO texts, days at the lake.
    soundings, rejected : int
        Accepted, and all others.
    track_m : float
        Length of the boat's track, m; 0 where soundings have no track.
    shallowest, deepest : float
        Of its accepted soundings, m; NaN without any.
    offset, offset_sd : float
        By how much it reads deeper than the earlier visits where they meet, and the standard
        error of that, m; NaN where too few places tell.
    places : int
        Where they meet.
    removed, removed_sd : float
        The visit offset that was taken off before it entered, and its standard error, m; 0 where
        none was.
    """

    name: str
    days: list
    soundings: int
    rejected: int
    track_m: float
    shallowest: float
    deepest: float
    offset: float
    offset_sd: float
    places: int
    removed: float
    removed_sd: float


@dataclass(frozen=True)
class Superseded:
    """Older soundings that hold no longer: visit, what superseded them, count, middle and change.

    ``change`` is the median of the new depth of the map less theirs, m, positive where it is deeper
    now; NaN where the map has no depth.
    """

    older: str
    by: str
    soundings: int
    x: float
    y: float
    change: float


@dataclass(frozen=True)
class WhatWasAdded:
    """What visits added.

    Attributes
    ----------
    before : MapFigures or None
        None where nothing was known before that makes a map.
    after : MapFigures
    visits : list of VisitAdded
    superseded : list of Superseded
    track : array, shape (k, 2)
        Of the boat, m; NaN where it is interrupted.
    changed_places : array, shape (k, 2)
        Places of the superseded soundings, m.
    new_area : float
        With a depth after, but not before, m2.
    common : tuple of float
        Median standard uncertainty before and after, m, where both have a depth; NaN without.
    difference : Difference or None
        Of depth, after less before; None where no cell has both.
    notes : list of str
    """

    before: MapFigures | None
    after: MapFigures
    visits: list
    superseded: list
    track: np.ndarray
    changed_places: np.ndarray
    new_area: float
    common: tuple
    difference: Difference | None
    notes: list

    def total(self, name: str) -> float:
        """Return the sum of a figure over all visits."""
        return sum(getattr(v, name) for v in self.visits)


def what_was_added(
    known: Soundings,
    earlier: Knowledge,
    scale: Scale,
    *,
    cell: float | None = None,
    progress: Progress = silent,
) -> WhatWasAdded:
    """Return what visits added to the map of a lake.

    Parameters
    ----------
    known : Soundings
        All that is known with these visits.
    earlier : Knowledge
        What of it was known without them.
    scale : Scale
        Shoreline, contour interval and CRS.
    cell : float, optional
        Cell size of both maps, m; by default it follows from the lane spacing.
    progress : callable

    Raises
    ------
    LakefloorError
        If there is nothing to draw a map from, as :func:`.frame.frame` and
        :func:`.lake_statistics.lake_statistics`.

    Notes
    -----
    Both maps are drawn alike, see :func:`.map_figures.draw_before_and_after`, so that they differ
    by the soundings alone. The depth has changed where the difference exceeds 1.96 times its
    standard uncertainty, see :func:`.surface_difference.surface_difference`; errors that both maps
    have in common make this cautious.
    """
    known, notes = without_strays(known, scale.shoreline)
    added = ~earlier.counts(known)
    new, before = known.select(added), earlier.of_soundings(known)
    drawable, note = _drawable(before)
    surface_before, surface = draw_before_and_after(
        drawable, known, scale.shoreline, cell, span(progress, 0.0, 0.5)
    )
    figures_before = None
    if surface_before is not None:
        figures_before = map_figures(surface_before, before, scale, span(progress, 0.5, 0.65))
    figures = map_figures(surface, known, scale, span(progress, 0.65, 0.8))
    track, lengths = _tracks(new)
    # Where the bottom has changed since, older depths say nothing of the level of a visit.
    offsets = _offsets(known.select(~added), new, span(progress, 0.8, 0.95))
    visits = [
        _visit(name, new.select(rows), lengths, offsets, scale) for name, rows in _by_time(new)
    ]
    superseded, places = _superseded(known.select(~added), before, surface)
    new_area, common = _covered(surface_before, surface, scale)
    progress(1.0)
    return WhatWasAdded(
        figures_before,
        figures,
        visits,
        superseded,
        track,
        places,
        new_area,
        common,
        _difference(surface_before, surface, scale),
        notes + note,
    )


def _drawable(before) -> tuple:
    """Return soundings as far as a map can be drawn from them, else None and why not."""
    if not before.accepted.any():
        return None, []
    try:
        return usable(before), []
    except LakefloorError as error:
        return None, [f"There is no map before. {error}"]


def _by_time(soundings):
    """Yield names and rows of the visits, in order of time; those without time come first."""
    found = list(rows_by_text(soundings.visit))

    def first(item):
        timed = soundings.time[item[1]]
        timed = timed[~np.isnat(timed)]
        return timed.min().astype(np.int64) if timed.size else -np.inf

    return sorted(found, key=first)


def _tracks(new) -> tuple:
    """Return the track as one line with interruptions, and its length by visit, m."""
    if np.count_nonzero(new.accepted) < 2:
        return np.empty((0, 2)), {}
    tracks = SurveyTracks.of(new, _MAX_GAP_M, _STOP_RADIUS_M)
    joined = np.zeros(len(tracks.x), dtype=bool)
    joined[tracks.piece] = True
    lengths = np.bincount(tracks.visit[tracks.piece], tracks.step[tracks.piece], len(tracks.names))
    xy = np.column_stack([tracks.x, tracks.y])
    ends = np.flatnonzero(~joined) + 1
    return np.insert(xy, ends, np.nan, axis=0), dict(zip(tracks.names, lengths.tolist()))


def _offsets(before, new, progress) -> dict:
    """Return offset, standard error and number of places of each visit, by its name."""
    with suppress(LakefloorError):  # too few soundings to cross
        joint = join_levels(before, new, unit="visit", progress=progress)
        return {
            name: (float(offset), float(error), int(count))
            for name, offset, error, count in zip(
                joint.visit, joint.offset, joint.std_error, joint.observations
            )
        }
    return {}


def _visit(name, part, lengths, offsets, scale) -> VisitAdded:
    good = part.accepted
    depth = part.depth[good]
    texts, _ = distinct(part.corrections)
    pairs = [parse_corrections(text) for text in texts]
    removed = [
        next((v for p in pairs if np.isfinite(v := finite_number(p.get(key)))), 0.0)
        for key in (VISIT_OFFSET, VISIT_OFFSET_ERROR)
    ]
    return VisitAdded(
        name,
        survey_days(part, scale.crs),
        int(good.sum()),
        int((~good).sum()),
        lengths.get(name, 0.0),
        float(depth.min()) if depth.size else np.nan,
        float(depth.max()) if depth.size else np.nan,
        *offsets.get(name, (np.nan, np.nan, 0)),
        *removed,
    )


def _superseded(now, before, surface) -> tuple:
    """Return what was superseded, by visit and by what did it, and the places of all of it."""
    gone = before.accepted & ~now.accepted
    lost = now.select(gone)
    change = surface.depth.sample(lost.x, lost.y) - lost.depth
    found = []
    for older, rows in rows_by_text(lost.visit):
        for status, part in rows_by_text(lost.status[rows]):
            at = rows[part]
            known = change[at][np.isfinite(change[at])]
            found.append(
                Superseded(
                    older,
                    status[len(SUPERSEDED) :] if status.startswith(SUPERSEDED) else status,
                    len(at),
                    float(np.median(lost.x[at])),
                    float(np.median(lost.y[at])),
                    float(np.median(known)) if known.size else np.nan,
                )
            )
    return found, np.column_stack([lost.x, lost.y])


def _covered(before, after, scale) -> tuple:
    """Return the area newly covered, m2, and the uncertainty of both where both have a depth."""
    known = np.isfinite(after.depth.values)
    if before is None:
        return scale.area(known, after.depth), (np.nan, np.nan)
    earlier = np.isfinite(before.depth.values)
    both = known & earlier
    common = (np.nan, np.nan)
    if both.any():
        common = (
            float(np.median(before.uncertainty.values[both])),
            float(np.median(after.uncertainty.values[both])),
        )
    return scale.area(known & ~earlier, after.depth), common


def _difference(before, after, scale) -> Difference | None:
    if before is None:
        return None
    with suppress(LakefloorError):  # no cell has a depth in both
        return surface_difference(after, before, crs=scale.crs)
    return None
