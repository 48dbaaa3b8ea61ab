"""What a visit added."""

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterRasterDestination,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.rasters import CHANGE_BANDS
from .._reports.added_page import added_html, added_sentences
from ..core.errors import LakefloorError
from ..core.number_text import counted
from ..core.progress import span
from ..core.soundings import concatenate, of_visits
from ._lake_database import store_parameter, store_path, visit_names

_NUMBERS = {
    "SOUNDINGS": QT_TRANSLATE_NOOP("@default", "Accepted soundings added"),
    "TRACK_M": QT_TRANSLATE_NOOP("@default", "Length of the tracks (m)"),
    "NEW_AREA_M2": QT_TRANSLATE_NOOP("@default", "Bottom newly covered (m²)"),
    "SUPERSEDED": QT_TRANSLATE_NOOP("@default", "Older soundings superseded"),
    "DEEPER_M2": QT_TRANSLATE_NOOP("@default", "Area significantly deeper (m²)"),
    "SHALLOWER_M2": QT_TRANSLATE_NOOP("@default", "Area significantly shallower (m²)"),
    "CELL_SIZE_USED": QT_TRANSLATE_NOOP("@default", "Cell size used (m)"),
}
#: Output numbers of each of the two maps.
_OF_MAPS = {
    "AREA_BEFORE_M2": QT_TRANSLATE_NOOP("@default", "Area with depth before (m²)"),
    "AREA_AFTER_M2": QT_TRANSLATE_NOOP("@default", "Area with depth after (m²)"),
    "SUPPORTED_BEFORE": QT_TRANSLATE_NOOP("@default", "Supported contours before (%)"),
    "SUPPORTED_AFTER": QT_TRANSLATE_NOOP("@default", "Supported contours after (%)"),
    "UNCERTAINTY_BEFORE": QT_TRANSLATE_NOOP("@default", "Median uncertainty before (m)"),
    "UNCERTAINTY_AFTER": QT_TRANSLATE_NOOP("@default", "Median uncertainty after (m)"),
    "VOLUME_BEFORE_M3": QT_TRANSLATE_NOOP("@default", "Volume before (m³)"),
    "VOLUME_AFTER_M3": QT_TRANSLATE_NOOP("@default", "Volume after (m³)"),
    "VOLUME_BEFORE_SD_M3": QT_TRANSLATE_NOOP("@default", "Uncertainty of volume before (m³)"),
    "VOLUME_AFTER_SD_M3": QT_TRANSLATE_NOOP("@default", "Uncertainty of volume after (m³)"),
}


class WhatVisitAdded(LakefloorAlgorithm):
    NAME = "whatvisitadded"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "What a visit added")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "before and after,year,season,years,what changed,what is new,changes,progress,coverage,"
        "compare visits,yearly report,annual report,season report,report,lake database,store,"
        "html,web page,uncertainty,volume",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Writes a page on what visits, or all visits of a year, added to the map of the lake. Use "
        "it after a day on the water, or at the end of a season.\n\n"
        "It draws the map with these visits and without them, and shows both:\n"
        "- soundings, tracks and bottom newly covered\n"
        "- supported contours and uncertainty of depth\n"
        "- volume and maximum depth\n"
        "- where the depth differs, and where the bottom has changed\n\n"
        "Visits that came later do not count. Both maps are drawn with the same settings as smooth "
        "surfaces.\n\n"
        "The page shows the tracks of the boat. Not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Lane, Westaway and Hicks (2003), Earth Surface Processes and Landforms 28(3), 249-271; "
        "U.S. Bureau of the Budget (1947), United States National Map Accuracy Standards",
    )

    NUMBERS = {**_NUMBERS, **_OF_MAPS}
    FORM = ("DATABASE", "VISITS", "YEAR", "SHORELINE", "INTERVAL", "UNIT", "REPORT")

    def declare(self):
        add = self.addParameter
        add(store_parameter(tr("GeoPackage made by 'Add visit to lake database'.")))
        add(
            params.helped(
                QgsProcessingParameterString("VISITS", tr("Visits"), optional=True),
                tr(
                    "Names, separated by semicolons. Table 'visits' of the database lists them. If "
                    "empty, the visits of the year count."
                ),
            )
        )
        add(
            params.number(
                "YEAR",
                tr("Year"),
                None,
                tr(
                    "All visits of this calendar year, in place of names. Days are those of the sun "
                    "at the lake's longitude. If empty, the named visits count."
                ),
                minimum=1,
                maximum=9999,
                optional=True,
                integer=True,
            )
        )
        add(params.shoreline(optional=False))
        add(params.cell_size())
        add(
            params.number(
                "INTERVAL",
                tr("Contour interval (depth unit)"),
                1.0,
                tr("The page says how much of the contours at this interval the data support."),
                minimum=0.0,
            )
        )
        add(params.depth_unit(text=tr("Used on the page. The numbers are in meters.")))
        add(
            QgsProcessingParameterFileDestination(
                "REPORT", tr("Page on what was added"), "HTML (*.html)"
            )
        )
        add(
            QgsProcessingParameterRasterDestination(
                "DIFFERENCE", tr("Change of depth"), optional=True, createByDefault=False
            )
        )

    def check(self, inputs):
        named = bool(visit_names(inputs.text("VISITS")))
        if named == inputs.given("YEAR"):
            raise LakefloorError(
                tr("Give either the names of visits or a year. One of them says what counts.")
            )

    def compute(self, inputs, outputs):
        from .. import _store as lake_store
        from .._store.visits import visit_named
        from ..core.figures.map_figures import Scale
        from ..core.figures.what_was_added import what_was_added
        from ..core.visits.as_of import of_visits_added, of_year
        from ..core.wording.sheet_facts import datum_of_soundings

        path = store_path(inputs)
        held = lake_store.contents(path)
        crs = QgsCoordinateReferenceSystem(held.crs)
        scale = Scale(
            inputs.polygon(params.SHORELINE, crs),
            inputs.number("INTERVAL"),
            inputs.unit(),
            held.crs,
        )
        year = inputs.integer("YEAR")
        if year is not None:
            earlier, last, _ = of_year(held.visits, held.crs, year, held.marks)
            title, known = _of_a_year(year)
        else:
            names = visit_names(inputs.text("VISITS"), [v.name for v in held.visits])
            for name in names:
                visit_named(held.visits, name, path)
            earlier, last, _ = of_visits_added(held.visits, held.crs, names, held.marks)
            title, known = _of_named(names, last)
        soundings = concatenate(
            lake_store.read(path, as_of=last, progress=span(inputs.progress, 0.0, 0.1))
        )
        added = what_was_added(
            soundings,
            earlier,
            scale,
            cell=inputs.number(params.CELL_SIZE),
            progress=span(inputs.progress, 0.1, 1.0),
        )
        for note in added.notes:
            inputs.warn(note)
        for line in (known, *added_sentences(added, scale)):
            inputs.say(line)
        datum = datum_of_soundings(soundings)
        notes = _notes(held.visits, datum, scale.unit)
        outputs.text("REPORT", lambda: added_html(added, scale, title, known, notes))
        _write_difference(inputs, outputs, added, crs, datum)
        return _numbers(added)


def _of_a_year(year) -> tuple:
    return (
        tr("What {} added").format(str(year)),
        tr(
            "Before is the lake as it was known at the end of {}, and after as it was known at the "
            "end of {}."
        ).format(str(year - 1), str(year)),
    )


def _of_named(names, last) -> tuple:
    one = tr("What visit '{}' added").format(names[0])
    title = one if len(names) == 1 else tr("What {} added").format(counted(len(names), tr("visit")))
    when = "" if last is None else tr(", at the end of {}").format(last)
    return title, tr(
        "Before is the lake without {0}, and after with {0}{1}. Later visits do not count."
    ).format(of_visits(names), when)


def _notes(visits, datum, unit) -> list:
    from ..core.visits.as_of import without_times
    from ..core.wording.sheet_text import datum_statement

    notes = []
    if datum is not None:
        notes.append(
            datum_statement(
                unit, datum.name, datum.elevation, datum.levels, level_known=datum.level_known
            )
        )
    unknown = without_times(visits)
    if unknown:
        notes.append(
            tr("No sounding of {} has a time. They are taken as older than all others.").format(
                of_visits(unknown)
            )
        )
    return notes


def _write_difference(inputs, outputs, added, crs, datum):
    difference = added.difference
    if difference is None:
        if outputs.wanted("DIFFERENCE"):
            inputs.warn(
                tr(
                    "There is no map before, so no change of depth is written. Choose a later visit "
                    "or year for it."
                )
            )
        return
    items = {"CHANGE_POSITIVE": "deeper"}
    if datum is not None and datum.name:
        items["DATUM_NAME"] = datum.name
        if datum.elevation is not None:
            items["DATUM_ELEVATION_M"] = datum.elevation
    outputs.raster(
        "DIFFERENCE",
        [difference.change, difference.uncertainty, difference.significance],
        CHANGE_BANDS,
        crs,
        items,
        style="difference",
    )


def _numbers(added) -> dict:
    found = {
        "SOUNDINGS": added.total("soundings"),
        "TRACK_M": added.total("track_m"),
        "NEW_AREA_M2": added.new_area,
        "SUPERSEDED": sum(s.soundings for s in added.superseded),
        "CELL_SIZE_USED": added.after.surface.depth.dx,
    }
    if added.difference is not None:
        found["DEEPER_M2"] = added.difference.area_deeper
        found["SHALLOWER_M2"] = added.difference.area_shallower
    for when, figures in (("BEFORE", added.before), ("AFTER", added.after)):
        if figures is None:
            continue
        volume = figures.statistics.figures["volume"]
        found[f"AREA_{when}_M2"] = figures.area
        found[f"UNCERTAINTY_{when}"] = figures.uncertainty
        found[f"VOLUME_{when}_M3"] = volume.value
        found[f"VOLUME_{when}_SD_M3"] = volume.sd
        if figures.supported_share is not None:
            found[f"SUPPORTED_{when}"] = 100.0 * figures.supported_share
    return found
