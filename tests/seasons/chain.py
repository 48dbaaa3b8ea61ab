"""The one place where Lakefloor comes in: from files to a lake database, as *Add a visit* does it.

:func:`look_and_add` is what is between soundings and the database; whoever changes what *Add visit
to lake database* does changes it here too.
"""

from dataclasses import dataclass, field
from inspect import signature

import numpy as np

from lakefloor.algorithms import _store
from lakefloor.algorithms.core.cleaning.cleaning import clean
from lakefloor.algorithms.core.correcting.corrections import correct_depths
from lakefloor.algorithms.core.correcting.gauge import level_record
from lakefloor.algorithms.core.correcting.lake_level import reduce_to_datum
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.reading.logs import read_logs
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.visits.merging import merge_soundings
from lakefloor.algorithms.core.visits.unknown_level import water_of_the_day

DATUM = "summer level"

#: Refusal of what Lakefloor cannot do yet.
NOT_POSSIBLE = "not possible"

FIT = "fit to the lake"


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
    """

    gauge: object = None
    draft: float = 0.3
    unit: str = None
    columns: dict = None
    level: str = "as reduced"
    newer_wins: bool = False
    datum: str = DATUM
    datum_up: float = 0.0


@dataclass
class Outcome:
    """What became of an addition.

    Attributes
    ----------
    entered : bool
    refusal : str
        The error, empty where there was none.
    findings : list of str
        What the first look found; with a refusal they are why.
    notes : list of str
        What was said beside it.
    offsets : dict
        Visit to the offset taken off, m, and its standard error.
    gains : dict
        Visit to the gain of hardness that was found.
    added, already_there, superseded : int
    """

    entered: bool = False
    refusal: str = ""
    findings: list = field(default_factory=list)
    notes: list = field(default_factory=list)
    offsets: dict = field(default_factory=dict)
    gains: dict = field(default_factory=dict)
    added: int = 0
    already_there: int = 0
    superseded: int = 0


def read(files, lake, handling):
    """Return the soundings of log files in the lake's zone."""
    return read_logs(
        files, depth_unit=handling.unit, columns=handling.columns, target_epsg=lake.epsg
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


def look_and_add(path, soundings, lake, handling, all_the_same=False):
    """Look at soundings and enter them into a lake database; nothing is raised.

    Parameters
    ----------
    path : Path
    soundings : Soundings
    lake : Lake
    handling : Handling
    all_the_same : bool
        Enter in spite of what the look finds.

    Returns
    -------
    Outcome
    """
    crs, outcome = f"EPSG:{lake.epsg}", Outcome()
    fit = {"fit": True} if handling.level == FIT else {}
    if fit and "fit" not in signature(_store.fit_to_store).parameters:
        outcome.refusal = NOT_POSSIBLE
        return outcome
    try:
        fitted = _store.fit_to_store(path, soundings, crs, **fit)
        outcome.offsets = {row.visit: (row.offset, row.std_error) for row in fitted.offsets}
        outcome.notes += [*fitted.notes]
        _look(path, fitted, handling.newer_wins, outcome)
        if outcome.findings and not all_the_same:
            return outcome
        done = _store.add(path, fitted.soundings, crs, newer_wins=handling.newer_wins)
    except LakefloorError as error:
        outcome.refusal = str(error)
        return outcome
    outcome.notes += done.notes
    outcome.added, outcome.already_there = done.added, done.already_there
    outcome.superseded = done.superseded
    outcome.entered = done.added > 0
    return outcome


def _look(path, fitted, newer_wins, outcome):
    """Put into an outcome what the first look finds."""
    now = np.datetime64("now", "ms")
    for each in _store.look(
        path, fitted.soundings, now=now, newer_wins=newer_wins, fits=fitted.offsets
    ):
        outcome.findings += [found.sentence for found in each.findings if found.open]
        outcome.notes += [found.sentence for found in each.findings if not found.open]
        outcome.gains[each.visit] = each.hardness_gain


def merge_in(path, other, level="store", copy_name=None):
    """Merge another's soundings into a lake database, which is exchanged; nothing is raised.

    Parameters
    ----------
    path : Path
    other : Soundings
    level, copy_name
        As for ``merge_soundings``.
    """
    outcome, target = Outcome(), path.with_name("merged.gpkg")
    target.unlink(missing_ok=True)
    try:
        merged = merge_soundings(_store.read_whole(path), other, level=level, copy_name=copy_name)
        done = _store.write_merged(path, target, merged, level)
    except LakefloorError as error:
        outcome.refusal = str(error)
        return outcome
    target.replace(path)
    outcome.notes += [*merged.notes, *done.notes]
    outcome.added, outcome.entered = done.added, done.added > 0
    if merged.joint is not None:
        outcome.offsets = {
            str(name): (float(offset), float(error))
            for name, offset, error in zip(
                merged.joint.visit, merged.joint.offset, merged.joint.std_error
            )
        }
    return outcome


def remove(path, names):
    """Remove visits from a lake database."""
    _store.remove(path, names)


def undo(path):
    """Undo the last addition to a lake database; False where that cannot be asked for."""
    last = getattr(_store, "undo", None)
    if last is None:
        return False
    last(path)
    return True


def stored(path) -> Soundings:
    """Return all soundings of a lake database."""
    return _store.read_whole(path)


def visits(path):
    """Return the names of the visits of a lake database, in order of time."""
    return [visit.name for visit in _store.contents(path).visits]
