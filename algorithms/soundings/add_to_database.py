"""Add visit to lake database."""

import math
from dataclasses import replace

from qgis.core import QgsProcessingOutputFile
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.layer_crs import srs_wkt
from .._io.layer_of import file_name_of
from ..core.correcting.lake_level import land_notes
from ..core.errors import LakefloorError
from ..core.progress import span
from ..core.soundings import each_visit
from ._changes import (
    CHANGE_NUMBERS,
    NEWER_WINS,
    ask_for_changes,
    ask_how_to_compare,
    numbers_of_change,
    options_of_change,
    say_changes,
    write_changes,
)
from ._first_look import (
    LOOK_NUMBERS,
    ask_how_to_look,
    findings_to_keep,
    first_look,
    numbers_of_look,
    refuse_open,
    with_findings,
)
from ._lake_database import (
    UPDATED,
    facts_given,
    log_book_parameters,
    store_crs,
    store_parameter,
    store_path,
)
from ._offsets import AS_REDUCED, FIT_TO_LAKE, say_offsets


class AddToDatabase(LakefloorAlgorithm):
    NAME = "addtodatabase"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Add visit to lake database")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "GeoPackage,archive,store,lake database,multi-year,multiyear,years,season,"
        "append,add soundings,day,outing,trip,log,logbook,duplicate,"
        "bottom change,replace visit,surveys,days,dry run,preview,plausibility,wrong unit,feet,"
        "another lake,week rollover,check before adding",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Adds soundings to the lake database: one GeoPackage in which the visits of many years add "
        "up. Use it when the soundings are cleaned, corrected and reduced to the lake datum. A "
        "lake database that does not exist yet is made.\n\n"
        "Each visit is looked at first: its offset, depth unit, dates and place against the "
        "database. While something is open, nothing enters unless you say so.\n\n"
        "Soundings that are already there are recognized, so adding a log again changes nothing. "
        "A visit without a known lake level is adjusted where its tracks meet those of the "
        "database.\n\n"
        "Weeds and soft mud look like a changed bottom. Check them before newer soundings win. "
        "Keep backups of the file.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "OGC 12-128r18, GeoPackage Encoding Standard 1.3. Draper & Smith (1998), Applied "
        "Regression Analysis, chapter 14. Huber (1981), Robust Statistics. JCGM 100:2008",
    )

    NUMBERS = {
        "ADDED": QT_TRANSLATE_NOOP("@default", "Soundings added"),
        "ALREADY_THERE": QT_TRANSLATE_NOOP("@default", "Soundings already there"),
        "REPLACED": QT_TRANSLATE_NOOP("@default", "Soundings that were replaced"),
        "CHANGED_BLOCKS": QT_TRANSLATE_NOOP("@default", "Blocks with changed bottom"),
        "SUPERSEDED": QT_TRANSLATE_NOOP("@default", "Older soundings superseded"),
        "VISIT_OFFSET": QT_TRANSLATE_NOOP("@default", "Maximum visit offset (m)"),
        "OFFSET_UNCERTAINTY": QT_TRANSLATE_NOOP("@default", "Standard uncertainty of offset (m)"),
        **LOOK_NUMBERS,
        **CHANGE_NUMBERS,
    }
    FORM = ("INPUT", "DATABASE", "SHORELINE", "MODE", "LEVEL", "FINDINGS", "CHANGED")

    def declare(self):
        add = self.addParameter
        add(params.soundings())
        add(store_parameter(tr("GeoPackage (.gpkg). Type a new name to make a lake database.")))
        add(
            params.choice(
                "MODE",
                tr("Visits that are already there"),
                {
                    "add": tr("they stay, and only new soundings enter"),
                    "replace": tr("these soundings replace them"),
                },
                "add",
                tr("What happens to a visit of the database whose soundings come again."),
            )
        )
        add(
            params.choice(
                "LEVEL",
                tr("Level of the visits"),
                {
                    AS_REDUCED: tr("depths enter as they are, those without a level are fitted"),
                    FIT_TO_LAKE: tr("visits are moved to fit where tracks meet those of the lake"),
                },
                AS_REDUCED,
                tr(
                    "Choose 'fit to the lake' if the lake level was wrong, doubtful or of another gauge."
                ),
            )
        )
        ask_how_to_compare(self)
        ask_how_to_look(self)
        for parameter in log_book_parameters(tr("If empty, nothing is said."), advanced=True):
            add(parameter)
        ask_for_changes(self)
        self.addOutput(QgsProcessingOutputFile(UPDATED, tr("Lake database")))

    def compute(self, inputs, outputs):
        from .. import _store as lake_store
        from ..core.visits.bottom_change import ChangeTest

        path = store_path(inputs)
        incoming = inputs.source()
        soundings, crs = inputs.soundings(crs=store_crs(path, incoming, inputs))
        mode, change = inputs.choice("MODE"), inputs.choice("CHANGE")
        try:
            fitted = lake_store.fit_to_store(
                path,
                soundings,
                srs_wkt(crs),
                mode,
                span(inputs.progress, 0.0, 0.2),
                fit=inputs.choice("LEVEL") == FIT_TO_LAKE,
            )
        except LakefloorError as error:
            raise with_findings(error, path, soundings, crs, inputs) from error
        _say_level(fitted, inputs)
        looked = first_look(path, fitted, crs, inputs, outputs)
        if inputs.flag("DRY_RUN"):
            return self._looked_only(path, fitted, looked, crs, inputs, outputs)
        refuse_open(looked, inputs)
        options = options_of_change(inputs)
        done = lake_store.add(
            path,
            fitted.soundings,
            crs.authid() if crs.authid().startswith("EPSG:") else crs.toWkt(),
            mode=mode,
            newer_wins=change == NEWER_WINS,
            change=ChangeTest(**options),
            parameters={
                "input": incoming.sourceName(),
                "mode": mode,
                "level": inputs.choice("LEVEL"),
                "change": change,
                **options,
                **lake_store.offsets_to_keep(fitted),
                **findings_to_keep(looked),
            },
            facts=_facts(inputs, incoming, fitted, looked),
            before_commit=lambda done: write_changes(outputs, done, crs),
            progress=span(inputs.progress, 0.4, 1.0),
        )
        _report(done, inputs)
        return {
            UPDATED: str(path),
            "ADDED": done.added,
            "ALREADY_THERE": done.already_there,
            "REPLACED": done.removed,
            "CHANGED_BLOCKS": sum(int(found.changed.sum()) for _, _, found in done.changes),
            "SUPERSEDED": done.superseded,
            **_numbers_of_fit(fitted),
            **numbers_of_look(looked),
            **numbers_of_change(done),
        }

    def _looked_only(self, path, fitted, looked, crs, inputs, outputs):
        """Return the numbers of a run that writes nothing."""
        write_changes(outputs, None, crs)
        inputs.say(tr("This was a look only. Nothing was written."))
        return {
            UPDATED: str(path),
            **dict.fromkeys(("ADDED", "REPLACED", "CHANGED_BLOCKS", "SUPERSEDED"), 0),
            "ALREADY_THERE": sum(each.known for each in looked),
            **_numbers_of_fit(fitted),
            **numbers_of_look(looked),
        }


def _facts(inputs, incoming, fitted, looked):
    """Return what the log-book is to say of each visit."""
    given, found = facts_given(inputs, [file_name_of(incoming)]), {}
    # What a visit was fitted by stands with its soundings.
    leveled = {row.visit for row in fitted.offsets}
    measured = {each.visit: each for each in looked}
    for name, _ in each_visit(fitted.soundings):
        facts, each = given, measured.get(name)
        if each is not None and math.isfinite(each.offset) and name not in leveled:
            facts = replace(facts, offset_m=each.offset, offset_sd_m=each.offset_sd)
        if each is not None and math.isfinite(each.hardness_gain):
            facts = replace(facts, hardness_gain=each.hardness_gain)
        found[name] = facts
    return found


def _numbers_of_fit(fitted):
    return {
        "VISIT_OFFSET": fitted.largest and fitted.largest.offset,
        "OFFSET_UNCERTAINTY": fitted.largest and fitted.largest.std_error,
    }


def _say_level(fitted, inputs):
    if fitted.route:
        inputs.warn(fitted.route)
    say_offsets(fitted, inputs)
    if fitted.offsets:
        for note in land_notes(fitted.soundings):
            inputs.warn(note)


def _report(done, inputs):
    for name in done.visits:
        inputs.say(tr("Visit '{}' is now in the lake database.").format(name))
    for note in done.notes:
        inputs.warn(note)
    inputs.say(tr("Soundings added: {}, already there: {}.").format(done.added, done.already_there))
    say_changes(done, inputs)
    if done.superseded:
        inputs.say(tr("Older soundings superseded: {}.").format(done.superseded))
    if done.restored:
        inputs.say(
            tr(
                "Soundings accepted again, since the visit that superseded them was replaced: {}."
            ).format(done.restored)
        )
