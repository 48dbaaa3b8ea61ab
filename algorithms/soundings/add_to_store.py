"""Add visit to the lake's store."""

import math
from pathlib import Path

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingOutputFile,
    QgsProcessingOutputNumber,
    QgsProcessingParameterFeatureSink,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .. import _store as lake_store
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import metric_crs, read_soundings, source, srs_wkt
from .._outputs import Outputs
from ..core.correcting.lake_level import land_notes
from ..core.grid import Areas
from ..core.progress import span
from ..core.soundings import concatenate
from ..core.visits.unknown_level import Fitted, fit_to_stored, needs_fit
from ._offsets import say_offsets
from ._store_file import UPDATED, store_parameter, warn_of_neighbors

_FIELDS = [
    ("older", "text"), ("newer", "text"), ("change_m", "double"), ("uncert_m", "double"),
    ("slope_deg", "double"), ("n_older", "int"), ("n_newer", "int"),
]

#: What the store holds so far around the new soundings is read to fit their level, m.
_AROUND_M = 50.0

_NUMBERS = {
    "ADDED": QT_TRANSLATE_NOOP("@default", "Soundings added"),
    "ALREADY_THERE": QT_TRANSLATE_NOOP("@default", "Soundings already there"),
    "REPLACED": QT_TRANSLATE_NOOP("@default", "Soundings taken out to be replaced"),
    "CHANGED_BLOCKS": QT_TRANSLATE_NOOP("@default", "Blocks where the bottom changed"),
    "SUPERSEDED": QT_TRANSLATE_NOOP("@default", "Older soundings superseded"),
    "LEVEL_OFFSET": QT_TRANSLATE_NOOP("@default", "Largest offset of a visit fitted (m)"),
    "OFFSET_UNCERTAINTY": QT_TRANSLATE_NOOP(
        "@default", "Standard uncertainty of that offset (m)"),
}


class AddToStore(LakefloorAlgorithm):
    NAME = "addtostore"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Add visit to the lake's store")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "GeoPackage,archive,database,append,bottom change,replace visit"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Adds soundings to the lake's store: one GeoPackage in which visits add up over years. "
        "Add them cleaned, corrected and reduced: a store holds one datum. A store that does not "
        "exist yet is made, in the CRS of the first soundings; later ones are projected to it.\n\n"
        "A visit without a known lake level is fitted to the store by the places where its tracks "
        "meet those of the store, and the log gives the offset with its uncertainty. Where these "
        "places do not suffice, the run is refused. The first visit of a new store then makes the "
        "water of its day the datum.\n\n"
        "Soundings are recognised by what was logged (time, raw depth, place), whatever the name "
        "of file or visit and however they were cleaned or corrected. Adding a log again changes "
        "nothing; of a longer log only the new soundings enter. To take new corrections of a "
        "visit that is there: read it with Soundings from the lake's store, run Correct depths "
        "from raw depths and Reduce to lake datum, and add it with 'replace'.\n\n"
        "Change of the bottom: where the new visit passes close to older ones, the depths are "
        "compared in square blocks, freed of distance and slope; a block is reported where they "
        "differ by more than their joint uncertainty. With 'newer_wins' the older soundings of "
        "such blocks get the status 'superseded by' the visit and are no longer used for mapping; "
        "none is deleted, and removing the newer visit brings them back. Weed tops, soft mud and "
        "a wrong lake level look like a change too: judge before newer wins.\n\n"
        "The store changes as a whole or not at all, even if the computer fails. Keep it on a "
        "disk of the computer rather than on a network drive, and keep backups.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "OGC 12-128r18, GeoPackage Encoding Standard 1.3; Draper & Smith (1998), Applied "
        "Regression Analysis, chapter 14; Huber (1981), Robust Statistics; JCGM 100:2008",
    )

    def initAlgorithm(self, configuration=None):
        add = self.addParameter
        add(params.soundings())
        add(store_parameter(tr("GeoPackage (.gpkg). Type a new name to make a store.")))
        add(params.choice(
            "MODE", tr("Visits that are there already"),
            {"add": tr("stay as they are, only new soundings enter"),
             "replace": tr("are exchanged for these")},
            "add", tr("What happens to visits of the store whose soundings come again."),
        ))
        add(params.choice(
            "CHANGE", tr("Where the bottom has changed"),
            {"report": tr("report it only"),
             "newer_wins": tr("older soundings get the status 'superseded by' the newer visit")},
            "report", tr("Report, or let the newer soundings win."),
        ))
        add(params.distance(
            "BLOCK_SIZE", tr("Block size (m)"), 20.0,
            tr("Side of the blocks in which depths are compared."), advanced=True, minimum=1.0,
        ))
        add(params.distance(
            "REACH", tr("Reach (m)"), 5.0,
            tr("Soundings with none of the other visit within this distance are not compared."),
            advanced=True, minimum=0.1,
        ))
        add(params.number(
            "MIN_SOUNDINGS", tr("Fewest soundings in a block"), 5,
            tr("Of each visit; a block with fewer is not compared."), minimum=3, integer=True,
            advanced=True,
        ))
        add(params.number(
            "MIN_CHANGE", tr("Smallest change (m)"), 0.2,
            tr("Smaller changes are not reported, however sure."), minimum=0.0, advanced=True,
        ))
        add(params.number(
            "POSITION_UNCERT", tr("Uncertainty of position (m)"), 1.0,
            tr("One standard deviation of a visit's positions; on a slope it is an uncertainty of "
               "depth."),
            minimum=0.0, advanced=True,
        ))
        add(params.number(
            "CONFIDENCE", tr("Confidence (%)"), 95.0,
            tr("Probability that a block without change is not reported."),
            minimum=50.0, maximum=99.99, advanced=True,
        ))
        add(QgsProcessingParameterFeatureSink(
            "CHANGED", tr("Change of the bottom"), QgsProcessing.SourceType.TypeVectorPolygon,
            optional=True, createByDefault=False,
        ))
        self.addOutput(QgsProcessingOutputFile(UPDATED, tr("The lake's store")))
        for name, label in _NUMBERS.items():
            self.addOutput(QgsProcessingOutputNumber(name, tr(label)))

    def compute(self, parameters, context, feedback):
        def number(name):
            return self.parameterAsDouble(parameters, name, context)

        path = self.parameterAsFile(parameters, "STORE", context)
        warn_of_neighbors(path, feedback)
        incoming = source(self, parameters, params.INPUT, context)
        crs = _store_crs(path, incoming, feedback)
        soundings, crs = read_soundings(incoming, context, feedback, crs)
        mode = self.parameterAsEnumString(parameters, "MODE", context)
        change = self.parameterAsEnumString(parameters, "CHANGE", context)
        progress = self.progress(feedback)
        fitted = _fitted(path, soundings, srs_wkt(crs), mode, span(progress, 0.0, 0.3))
        options = {
            "block_m": number("BLOCK_SIZE"),
            "reach_m": number("REACH"),
            "min_soundings": self.parameterAsInt(parameters, "MIN_SOUNDINGS", context),
            "min_change_m": number("MIN_CHANGE"),
            "position_m": number("POSITION_UNCERT"),
            "confidence": number("CONFIDENCE") / 100.0,
        }
        with Outputs(self, parameters, context, feedback) as out:
            _say_level(fitted, feedback)
            done = lake_store.add(
                path, fitted.soundings,
                crs.authid() if crs.authid().startswith("EPSG:") else crs.toWkt(),
                mode=mode, newer_wins=change == "newer_wins", change=options,
                parameters={"input": incoming.sourceName(), "mode": mode, "change": change,
                            **options, **_level_parameters(fitted)},
                before_commit=lambda done: _write_changes(out, done.changes, crs),
                progress=span(progress, 0.3, 1.0),
            )
            _report(done, feedback)
            changed = sum(int(found.changed.sum()) for _, _, found in done.changes)
            largest = fitted.largest
            numbers = (done.added, done.already_there, done.removed, changed, done.superseded,
                       largest and largest.offset, largest and largest.std_error)
            out.results.update(zip(_NUMBERS, numbers))
            out.results[UPDATED] = path
        return out.results


def _store_crs(path, incoming, feedback):
    """Return the CRS of the store, or None where it is yet to be made."""
    if not Path(path).exists():
        return None
    crs = QgsCoordinateReferenceSystem(lake_store.contents(path).crs)
    if not incoming.sourceCrs().isValid():
        metric_crs(incoming.sourceCrs(), incoming.sourceExtent(), incoming.sourceName(), feedback)
    if incoming.sourceCrs() != crs:
        feedback.pushInfo(
            tr("Layer '{}' ({}) is projected to the CRS of the store, {}.").format(
                incoming.sourceName(), incoming.sourceCrs().authid() or tr("custom CRS"),
                crs.authid() or tr("custom CRS"))
        )
    return crs


def _fitted(path, soundings, code, mode, progress):
    """Return the soundings at the datum of the store, those without a known level fitted to it."""
    stored = datum = None
    visits = lake_store.contents(path).visits if Path(path).exists() else []
    if visits:
        datums = {visit.datum for visit in visits}
        if len(datums) > 1:
            # A store holds one datum; adding says what is wrong with this one.
            return Fitted(soundings, None, "")
        (datum,) = datums
        needed = needs_fit(soundings, datum)
        parts = list(lake_store.read(path, box=_box(soundings))) if needed else []
        stored = concatenate(parts) if parts else soundings.select(slice(0, 0))
    progress(0.1)
    return fit_to_stored(
        soundings, stored, datum=datum, replaces=len(visits) if mode == "replace" else None,
        code=code, progress=span(progress, 0.1, 1.0),
    )


def _box(soundings):
    placed = np.isfinite(soundings.x) & np.isfinite(soundings.y)
    x, y = soundings.x[placed], soundings.y[placed]
    if not x.size:
        return None
    return x.min() - _AROUND_M, y.min() - _AROUND_M, x.max() + _AROUND_M, y.max() + _AROUND_M


def _level_parameters(fitted):
    if not fitted.offsets:
        return {}
    return {"level_offsets": {
        row.visit: {"offset_m": round(row.offset, 4), "std_error_m": round(row.std_error, 4),
                    "places": row.places}
        for row in fitted.offsets
    }}


def _say_level(fitted, feedback):
    if fitted.route:
        feedback.pushWarning(fitted.route)
    say_offsets(fitted, feedback)
    if fitted.offsets:
        for note in land_notes(fitted.soundings):
            feedback.pushWarning(note)


def _write_changes(out, changes, crs):
    squares, columns = [], {name: [] for name, _ in _FIELDS}
    for older, newer, found in changes:
        areas = found.areas()
        squares += areas.polygons
        values = areas.attributes
        for name, column in (
            ("older", [older] * len(areas)), ("newer", [newer] * len(areas)),
            ("change_m", values["change"]), ("uncert_m", values["uncert"]),
            ("slope_deg", [math.degrees(math.atan(s)) for s in values["slope"]]),
            ("n_older", values["n_older"]), ("n_newer", values["n_newer"]),
        ):
            columns[name] += list(column)
    out.areas("CHANGED", Areas(squares, columns), _FIELDS, crs, style="bottom_change")
    # The store counts only once this is in place, and the other way round.
    out.place()


def _report(done, feedback):
    for name in done.visits:
        feedback.pushInfo(tr("Visit '{}' entered the store.").format(name))
    for note in done.notes:
        feedback.pushWarning(note)
    feedback.pushInfo(
        tr("Soundings added: {}, already there: {}").format(done.added, done.already_there)
    )
    for older, newer, found in done.changes:
        change = found.change[found.changed]
        feedback.pushInfo(
            tr("Bottom changed between '{}' and '{}' in {} of {} blocks, by {:+.2f} to {:+.2f} m "
               "(positive: deeper now)").format(
                older, newer, len(change), len(found), change.min(), change.max())
        )
    if done.superseded:
        feedback.pushInfo(tr("Older soundings superseded: {}").format(done.superseded))
    if done.restored:
        feedback.pushInfo(
            tr("Soundings that replaced visits had superseded, accepted again: {}").format(
                done.restored)
        )
