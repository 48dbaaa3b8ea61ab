"""A first look at visits before they enter a store: what may be wrong with them, in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from shapely.geometry.base import BaseGeometry

from ..correcting.datums import datum_words, datums_of, one_datum
from ..correction_keys import LEVEL, UNKNOWN
from ..errors import excerpt
from ..number_text import counted, written
from ..progress import Progress, silent, span
from ..soundings import Soundings, concatenate, distinct, each_visit, parse_corrections
from .findings import Finding, error_text, open_findings
from .fitted_level import doubtful_fit
from .hardness_ratio import hardness_ratio
from .near_pairs import pairs_of, places_of
from .store_content import Known, Logged, find_known
from .store_visits import Visit, box_of, order_of_entering, twin_of
from .unknown_level import Offset
from .visit_dates import doubtful_dates
from .visit_likeness import likeness_of
from .visit_place import doubtful_place

#: A gain of hardness is noted from here on; a map of bottom type finds it where visits overlap.
_NOTED_GAIN = 0.1


@dataclass(frozen=True)
class Looked:
    """What a first look found of one visit.

    Attributes
    ----------
    visit : str
    soundings, known, compared, contradicted : int
        All; those that the store holds; new ones near earlier ones; those of them that contradict.
    offset, offset_sd : float
        Of the new soundings against earlier ones, deeper is positive, m; NaN where not found.
    hardness_gain, hardness_gain_sd : float
        Factor to the hardness of earlier ones; NaN where not found.
    findings : tuple of Finding
    """

    visit: str
    soundings: int
    known: int = 0
    compared: int = 0
    contradicted: int = 0
    offset: float = np.nan
    offset_sd: float = np.nan
    hardness_gain: float = np.nan
    hardness_gain_sd: float = np.nan
    findings: tuple = ()


def first_look(
    incoming: Soundings,
    stored: Sequence[Visit],
    around: Soundings,
    *,
    now: np.datetime64,
    replaces: bool = False,
    unleveled: bool = False,
    newer_wins: bool = False,
    fits: Sequence[Offset] = (),
    shoreline: BaseGeometry | None = None,
    progress: Progress = silent,
) -> list[Looked]:
    """Look at visits before they enter a store, each against the store and those before it.

    Parameters
    ----------
    incoming : Soundings
        One visit or several, as they are to enter.
    stored : sequence of Visit
        All visits of the store; none for a new one.
    around : Soundings
        What the store holds within 100 m of them, in the same CRS.
    now : datetime64
        UTC.
    replaces : bool
        Visits of the store whose soundings come again are exchanged, and are not compared with.
    unleveled : bool
        The visits are not at the datum of the store yet, since their level could not be fitted:
        what this changes is not looked at.
    newer_wins : bool
        Newer soundings supersede earlier ones where the bottom has changed.
    fits : sequence of Offset
        What fits of a level took off the visits.
    shoreline : shapely Polygon or MultiPolygon, optional
        Outline of the lake.
    progress : callable

    Returns
    -------
    list of Looked
        In the order in which the visits enter.

    Notes
    -----
    Only what is new is compared: a log that comes again, or half of one, finds itself. A visit
    with an open finding is no measure for those after it.
    """
    lake = _Lake(list(stored), around, replaces, unleveled, newer_wins)
    visits = sorted(each_visit(incoming), key=lambda v: order_of_entering(incoming.time[v[1]]))
    found = []
    for k, (name, rows) in enumerate(visits):
        step = span(progress, k / len(visits), (k + 1) / len(visits))
        looked, fresh = _look_at(name, incoming.select(rows), lake, now, shoreline, step)
        found.append(looked)
        if not open_findings(looked.findings):
            lake.take_in(fresh)
    progress(1.0)
    return _with_fits(found, fits)


def _with_fits(found, fits):
    """Add what is found of the fits; that of several visits at one level stands with the first."""
    names = [looked.visit for looked in found]
    for row in fits:
        k = names.index(row.visit) if row.visit in names else 0
        if {f.code for f in found[k].findings} & {"unit", "lake"}:
            continue  # which explains what does not fit
        findings = (*doubtful_fit(row), *found[k].findings)
        found[k] = replace(found[k], findings=findings)
    return found


class _Lake:
    """What visits are looked at against: it grows with those that are in order."""

    def __init__(self, stored, around, replaces, unleveled, newer_wins):
        self.stored, self.around = stored, around
        self.replaces, self.unleveled, self.newer_wins = replaces, unleveled, newer_wins
        self.earlier: list = []

    def take_in(self, visit):
        """Take up a visit as one of those that the next are looked at against."""
        if len(visit):
            self.around = concatenate([self.around, visit])
            self.earlier.append(visit)

    def known(self, visit) -> Known:
        """Find the soundings that are there already; ``visit`` is the row in ``around``."""
        a, rows = self.around, np.arange(len(self.around))
        outing = distinct(a.visit)[1]
        return find_known(visit, [Logged(rows, a.x, a.y, a.time, a.raw_depth, a.depth, outing)])

    def beside(self, visit, known) -> tuple:
        """Return what a visit is compared with, and the visits of the store that stay."""
        if not self.replaces:
            return self.around, self.stored
        again = distinct(self.around.visit[known.visit[known.there]])[0]
        # Read with another time zone or week it is known by its depths alone.
        twin = twin_of(self.stored, visit)
        again += [] if twin is None else [twin.name]
        if not again:
            return self.around, self.stored
        stays = ~np.isin(self.around.visit.astype(str), again)
        return self.around.select(stays), [v for v in self.stored if v.name not in again]

    def times_and_boxes(self, stored) -> tuple:
        """Return a time and the box of each other visit."""
        times = [v.start for v in stored] + [_first(v.time) for v in self.earlier]
        boxes = [v.box for v in stored] + [box_of(v) for v in self.earlier]
        return times, [box for box in boxes if box]


def _first(time):
    time = time[~np.isnat(time)]
    return time.min() if time.size else np.datetime64("NaT")


def _look_at(name, visit, lake, now, shoreline, progress):
    """Return what is found of one visit, and those of its soundings that are new."""
    looked = Looked(name, len(visit))
    name = excerpt(name) or "unnamed"
    known = lake.known(visit)
    around, stored = lake.beside(visit, known)
    progress(0.3)
    fresh = visit if lake.replaces else visit.select(~known.there)
    looked = replace(looked, known=int(known.there.sum()))
    if not len(fresh):
        return _told(looked, name), fresh
    times, boxes = lake.times_and_boxes(stored)
    findings = [] if lake.unleveled else _other_datum(name, fresh, stored)
    if not lake.replaces and not known.there.any():
        findings += _twin(name, fresh, stored)
    findings += doubtful_place(fresh, name, boxes, shoreline)
    findings += doubtful_dates(name, fresh.time, times, now)
    looked = replace(looked, findings=tuple(findings))
    if times and not {f.code for f in findings} & {"datum", "twin", "lake"}:
        fitted = lake.unleveled or _level_fitted(fresh)
        looked = _compared(looked, name, around, fresh, fitted, lake.newer_wins)
    progress(1.0)
    return _told(looked, name), fresh


def _compared(looked, name, around, fresh, fitted, newer_wins):
    """Add what the depths and the hardness of near soundings show."""
    pairs = pairs_of(around, fresh)
    places = places_of(around, fresh, pairs)
    like = likeness_of(around, fresh, pairs, places, name, fitted, newer_wins)
    gain, error = hardness_ratio(
        fresh.x[pairs.newer],
        fresh.y[pairs.newer],
        around.hardness[pairs.older],
        fresh.hardness[pairs.newer],
    )
    return replace(
        looked,
        compared=like.compared,
        contradicted=like.contradicted,
        offset=like.offset,
        offset_sd=like.offset_sd,
        hardness_gain=gain,
        hardness_gain_sd=error,
        findings=(*looked.findings, *like.findings, *_hardness(name, gain, error)),
    )


def _level_fitted(visit):
    texts = distinct(visit.corrections)[0]
    return any(parse_corrections(text).get(LEVEL) == UNKNOWN for text in texts)


def _other_datum(name, visit, stored):
    """Return a finding if a visit is not at the datum of the store, which adding refuses."""
    if not stored:
        return []
    held = stored[0].datum
    wrong = [
        own
        for own in datums_of(visit)[0]
        if own is not held and not one_datum(own, held) and not (own is None and held is None)
    ]
    if not wrong:
        return []
    return [
        Finding(
            name,
            "datum",
            True,
            f"Visit '{name}' {_from_datum(wrong[0])}, but the lake database {_from_datum(held)}. "
            "Reduce the visit to the datum of the database, or choose 'fit to the lake'.",
        )
    ]


def _from_datum(datum):
    if datum is None:
        return "is not reduced to a datum"
    return f"counts depths from {datum_words(datum)}"


def _twin(name, visit, stored):
    """Return a finding if a visit has the depths of another one, which adding refuses."""
    twin = twin_of(stored, visit)
    if twin is None:
        return []
    return [
        Finding(
            name,
            "twin",
            True,
            f"Visit '{name}' has the depths of visit '{excerpt(twin.name)}' of the lake database, at "
            "other times or places. The log was probably read with another time zone or CRS. To "
            "take the new reading, choose 'replace' in 'Add visit to lake database'.",
        )
    ]


def _hardness(name, gain, error):
    """Return a note if hardness was logged with another gain: a map of bottom type adjusts it."""
    if not (abs(gain - 1.0) > max(_NOTED_GAIN, 3.0 * error)):
        return []
    return [
        Finding(
            name,
            "hardness",
            False,
            f"The hardness of visit '{name}' changes {written(gain, '.2f')} times as much as that of "
            f"earlier soundings (standard error {error_text(error)}). Bottom type adjusts visits "
            "where they overlap, so the visit can enter.",
            gain,
            error,
        )
    ]


def _told(looked, name):
    """Add the sentence about what is new, known and contradicted."""
    known = 100.0 * looked.known / looked.soundings
    text = (
        f"Visit '{name}': {written(100.0 - known, '.0f')}% of its soundings are new, "
        f"{written(known, '.0f')}% are in the database."
    )
    if looked.compared:
        text += (
            f" Of {counted(looked.compared, 'new sounding')} near earlier ones, "
            f"{written(100.0 * looked.contradicted / looked.compared, '.0f')}% contradict them."
        )
    share = Finding(name, "share", False, text, 100.0 - known, unit="%")
    return replace(looked, findings=(*looked.findings, share))
