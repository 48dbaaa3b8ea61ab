"""The one place where Lakefloor comes in: from files to a lake database and what is done with it.

:func:`look_and_add` does what *Add visit to lake database* does with soundings, in its order, and
:func:`merge_in` and :func:`merge_database` what *Merge lake databases* does.
"""

import math
from dataclasses import dataclass, field

import numpy as np

from lakefloor.algorithms import _store
from lakefloor.algorithms.core.cleaning.cleaning import clean
from lakefloor.algorithms.core.correcting.corrections import correct_depths
from lakefloor.algorithms.core.correcting.gauge import level_record
from lakefloor.algorithms.core.correcting.lake_level import reduce_to_datum
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.reading.logs import read_logs
from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.visits.by_hand import ACCEPT, HOLD_BACK, MARK_CHANGED, VisitPart
from lakefloor.algorithms.core.visits.findings import open_findings
from lakefloor.algorithms.core.visits.log_book import VisitFacts
from lakefloor.algorithms.core.visits.merging import merge_soundings
from lakefloor.algorithms.core.visits.unknown_level import water_of_the_day

DATUM = "summer level"

FIT = "fit to the lake"

__all__ = ["ACCEPT", "HOLD_BACK", "MARK_CHANGED", "LakefloorError"]


@dataclass(frozen=True)
class Handling:
    """What a person types beside the log.

    Attributes
    ----------
    gauge : tuple of array, float or None
        Readings as times and levels, m; one level, m; or none.
    draft : float
        m.
    unit : str, optional
        Of depths in a log that does not state it.
    columns : dict, optional
        As for ``read_logs``.
    level : str
        "as reduced" or :data:`FIT`.
    newer_wins : bool
    datum, datum_up : str and float
        Name of the lake datum, and how far above that of the lake it is, m.
    owner : str, optional
        Whose soundings they are, for the log-book.
    weeks : int
        Roll-overs of GPS weeks to add.
    """

    gauge: object = None
    draft: float = 0.3
    unit: str = None
    columns: dict = None
    level: str = "as reduced"
    newer_wins: bool = False
    datum: str = DATUM
    datum_up: float = 0.0
    owner: str = None
    weeks: int = 0


@dataclass
class Outcome:
    """What became of an addition.

    Attributes
    ----------
    entered : bool
    refusal : str
        The error, empty where there was none.
    findings : list of str
        What the first look found and left open; with a refusal they are why.
    codes : list of str
        Those of the open findings.
    notes : list of str
        What was said beside it.
    offsets : dict
        Visit to the offset taken off, m, and its standard error.
    gains : dict
        Visit to the gain of hardness that was found, and its standard error.
    visits : list of str
        Under which soundings entered.
    patches : list of (str, ChangedPatches)
    trends : list of (str, SlowTrend)
    added, already_there, superseded : int
    """

    entered: bool = False
    refusal: str = ""
    findings: list = field(default_factory=list)
    codes: list = field(default_factory=list)
    notes: list = field(default_factory=list)
    offsets: dict = field(default_factory=dict)
    gains: dict = field(default_factory=dict)
    visits: list = field(default_factory=list)
    patches: list = field(default_factory=list)
    trends: list = field(default_factory=list)
    added: int = 0
    already_there: int = 0
    superseded: int = 0

    @property
    def refused(self):
        """Whether nothing entered since something is wrong."""
        return bool(self.refusal or self.findings) and not self.entered


def read(files, lake, handling):
    """Return the soundings of log files in the lake's zone."""
    return read_logs(
        files,
        depth_unit=handling.unit,
        columns=handling.columns,
        target_epsg=lake.epsg,
        week_rollovers=handling.weeks,
    ).soundings


def corrected(soundings, lake, handling):
    """Return soundings cleaned, corrected and, where there is a gauge, reduced to the datum.

    Raises
    ------
    LakefloorError
        As the steps do.
    """
    done = clean(soundings).soundings
    done = correct_depths(done, draft_m=handling.draft).soundings
    code = f"EPSG:{lake.epsg}"
    if handling.gauge is None:
        return water_of_the_day(done, each=True, code=code).soundings
    levels = handling.gauge
    if isinstance(levels, tuple):
        levels = level_record(*levels)
    return reduce_to_datum(
        done,
        levels,
        datum_elevation_m=lake.gauge_at_datum + handling.datum_up,
        datum_name=handling.datum,
        code=code,
    ).soundings


def look_and_add(path, soundings, lake, handling, files=(), all_the_same=False):
    """Look at soundings and enter them into a lake database; nothing is raised.

    Parameters
    ----------
    path : Path
    soundings : Soundings
    lake : Lake
    handling : Handling
    files : sequence of str
        Names of the log files.
    all_the_same : bool
        Enter in spite of what the look finds.

    Returns
    -------
    Outcome
    """
    crs, outcome = f"EPSG:{lake.epsg}", Outcome()
    try:
        fitted = _store.fit_to_store(path, soundings, crs, fit=handling.level == FIT)
    except LakefloorError as error:
        _look(path, soundings, outcome, unleveled=True)
        outcome.refusal = str(error)
        return outcome
    outcome.offsets = {row.visit: (row.offset, row.std_error) for row in fitted.offsets}
    outcome.notes += fitted.notes
    try:
        looked = _look(
            path, fitted.soundings, outcome, newer_wins=handling.newer_wins, fits=fitted.offsets
        )
        if outcome.findings and not all_the_same:
            return outcome
        done = _store.add(
            path,
            fitted.soundings,
            crs,
            newer_wins=handling.newer_wins,
            facts=_facts(looked, outcome, handling, files),
            parameters=_store.offsets_to_keep(fitted),
        )
    except LakefloorError as error:
        outcome.refusal = str(error)
        return outcome
    return _entered(outcome, done)


def _entered(outcome, done):
    outcome.visits, outcome.patches, outcome.trends = done.visits, done.patches, done.trends
    outcome.notes += done.notes
    outcome.added, outcome.already_there = done.added, done.already_there
    outcome.superseded = done.superseded
    outcome.entered = done.added > 0
    return outcome


def _look(path, soundings, outcome, **how):
    """Put into an outcome what the first look finds; return it as well."""
    looked = _store.look(path, soundings, now=np.datetime64("now", "ms"), **how)
    for each in looked:
        still_open = open_findings(each.findings)
        outcome.findings += [found.sentence for found in still_open]
        outcome.codes += [found.code for found in still_open]
        outcome.notes += [found.sentence for found in each.findings if not found.open]
        if math.isfinite(each.hardness_gain):
            outcome.gains[each.visit] = (each.hardness_gain, each.hardness_gain_sd)
    return looked


def _facts(looked, outcome, handling, files):
    """Return what the log-book is to say of each visit."""
    return {
        each.visit: VisitFacts(
            files=tuple(files),
            owner=handling.owner,
            offset_m=_known(each.offset, each.visit not in outcome.offsets),
            offset_sd_m=_known(each.offset_sd, each.visit not in outcome.offsets),
            hardness_gain=_known(each.hardness_gain),
        )
        for each in looked
    }


def _known(value, wanted=True):
    return value if wanted and math.isfinite(value) else None


def merge_in(path, other, level="store", copy_name=None, facts=None):
    """Merge another's soundings into a lake database, which is exchanged; nothing is raised.

    Parameters
    ----------
    path : Path
    other : Soundings
    level, copy_name
        As for ``merge_soundings``.
    facts : dict, optional
        What the other's log-book says.
    """
    outcome, target = Outcome(), path.with_name("merged.gpkg")
    target.unlink(missing_ok=True)
    try:
        merged = merge_soundings(_store.read_whole(path), other, level=level, copy_name=copy_name)
        done = _store.write_merged(path, target, merged, level, facts=facts)
    except LakefloorError as error:
        outcome.refusal = str(error)
        return outcome
    target.replace(path)
    outcome.notes += merged.notes
    if merged.joint is not None:
        outcome.offsets = {
            str(name): (float(offset), float(error))
            for name, offset, error in zip(
                merged.joint.visit, merged.joint.offset, merged.joint.std_error
            )
        }
    return _entered(outcome, done)


def merge_database(path, other, level="store"):
    """Merge another lake database into one, with its log-book; nothing is raised."""
    return merge_in(path, _store.read_whole(other), level, facts=_store.facts_by_visit(other))


def remove(path, names):
    """Remove visits from a lake database."""
    _store.remove(path, names)


def undo(path):
    """Undo the last change of a lake database."""
    _store.undo(path)


def set_aside(path, area, action, words="", stop=None):
    """Do something with all soundings in an area; return how many were changed.

    Parameters
    ----------
    path : Path
    area : shapely polygon
    action : str
        :data:`HOLD_BACK`, :data:`MARK_CHANGED` or :data:`ACCEPT`.
    words : str
        The reason, or the day of the change.
    stop : datetime64, optional
        Only what was logged before.
    """
    part = VisitPart(area, stop=stop, untimed=True)
    return _store.set_aside(path, part, action, words=words).changed


def stored(path) -> Soundings:
    """Return all soundings of a lake database."""
    return _store.read_whole(path)


def as_of(path, day) -> Soundings:
    """Return what a lake database says of the lake as it was known at the end of a day."""
    return concatenate(list(_store.read(path, as_of=np.datetime64(day, "D"))))


def visits(path):
    """Return the names of the visits of a lake database, in order of time."""
    return [visit.name for visit in _store.contents(path).visits]


def log_book(path):
    """Return what the log-book says, :class:`VisitFacts` by visit."""
    return {entry.visit.name: entry.facts for entry in _store.log_book(path)}
