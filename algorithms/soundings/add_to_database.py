"""Add visit to lake database."""

import math

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingOutputFile,
    QgsProcessingParameterFeatureSink,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.layer_crs import require_crs, srs_wkt
from ..core.correcting.lake_level import land_notes
from ..core.grid import Areas
from ..core.progress import span
from ._lake_database import UPDATED, store_parameter, store_path
from ._offsets import say_offsets

_FIELDS = [
    ("older", "text"),
    ("newer", "text"),
    ("change_m", "double"),
    ("uncert_m", "double"),
    ("slope_deg", "double"),
    ("n_older", "int"),
    ("n_newer", "int"),
]

_PATCH_FIELDS = [
    ("newer", "text"),
    ("change_m", "double"),
    ("uncert_m", "double"),
    ("area_m2", "double"),
]

#: The log lists so many patches of a visit; the layer has them all.
_LISTED = 10

#: As the drop-down shows it.
NEWER_WINS = "newer wins"


class AddToDatabase(LakefloorAlgorithm):
    NAME = "addtodatabase"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Add visit to lake database")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "GeoPackage,archive,store,lake database,multi-year,multiyear,years,season,"
        "append,add soundings,day,outing,trip,log,logbook,duplicate,"
        "bottom change,replace visit,surveys,days",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Adds soundings to the lake database: one GeoPackage in which the visits of many years add "
        "up. Use it when the soundings are cleaned, corrected and reduced to the lake datum. A "
        "lake database that does not exist yet is made.\n\n"
        "Soundings that are already there are recognized by time, raw depth and place, so adding "
        "a log again changes nothing. A visit without a known lake level is adjusted where its "
        "tracks meet those of the database. If they meet too rarely, the run stops. The log shows "
        "the visit offset.\n\n"
        "Weeds, soft mud and a wrong lake level look like a changed bottom. Check them before "
        "newer soundings win. Keep the file on a local disk with backups.",
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
        "PATCH_COUNT": QT_TRANSLATE_NOOP("@default", "Number of changed patches"),
        "TREND_M_PER_YEAR": QT_TRANSLATE_NOOP("@default", "Slow change (m per year)"),
        "TREND_SD": QT_TRANSLATE_NOOP("@default", "Uncertainty of slow change (m/year)"),
    }

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
                "CHANGE",
                tr("Where the bottom has changed"),
                {
                    "report": tr("the change is only reported"),
                    NEWER_WINS: tr(
                        "older soundings get the status 'superseded by' the newer visit"
                    ),
                },
                "report",
                tr(
                    "Superseded soundings are not mapped. They are accepted again when the newer visit "
                    "is removed."
                ),
                former={"newer_wins": NEWER_WINS},
            )
        )
        add(
            params.distance(
                "BLOCK_SIZE",
                tr("Block size (m)"),
                20.0,
                tr("Side of the square blocks in which depths of two visits are compared."),
                advanced=True,
                minimum=1.0,
            )
        )
        add(
            params.distance(
                "MAX_DISTANCE",
                tr("Maximum distance compared (m)"),
                5.0,
                tr("Soundings are only compared with those of another visit within this distance."),
                advanced=True,
                minimum=0.1,
            )
        )
        add(
            params.number(
                "MIN_SOUNDINGS",
                tr("Minimum soundings in a block"),
                5,
                tr("Of each visit. A block with fewer is not compared."),
                minimum=3,
                integer=True,
                advanced=True,
            )
        )
        add(
            params.number(
                "MIN_CHANGE",
                tr("Minimum change (m)"),
                0.2,
                tr("Smaller changes are not reported, even if they are certain."),
                minimum=0.0,
                advanced=True,
            )
        )
        add(
            params.number(
                "POSITION_UNCERTAINTY",
                tr("Position uncertainty (m)"),
                1.0,
                tr(
                    "Standard uncertainty of the positions of a visit. On a slope it makes depths "
                    "uncertain."
                ),
                minimum=0.0,
                advanced=True,
            )
        )
        add(
            params.number(
                "CONFIDENCE",
                tr("Confidence (%)"),
                95.0,
                tr("Probability that a block without change is not reported."),
                minimum=50.0,
                maximum=99.99,
                advanced=True,
            )
        )
        add(
            QgsProcessingParameterFeatureSink(
                "CHANGED",
                tr("Changed bottom"),
                QgsProcessing.SourceType.TypeVectorPolygon,
                optional=True,
                createByDefault=False,
            )
        )
        add(
            QgsProcessingParameterFeatureSink(
                "CHANGED_PATCHES",
                tr("Changed patches"),
                QgsProcessing.SourceType.TypeVectorPolygon,
                optional=True,
                createByDefault=False,
            )
        )
        self.addOutput(QgsProcessingOutputFile(UPDATED, tr("Lake database")))

    def compute(self, inputs, outputs):
        from .. import _store as lake_store
        from ..core.visits.bottom_change import ChangeTest

        path = store_path(inputs)
        incoming = inputs.source()
        soundings, crs = inputs.soundings(crs=_store_crs(path, incoming, inputs))
        mode, change = inputs.choice("MODE"), inputs.choice("CHANGE")
        fitted = lake_store.fit_to_store(
            path, soundings, srs_wkt(crs), mode, span(inputs.progress, 0.0, 0.3)
        )
        _say_level(fitted, inputs)
        options = self._change_options(inputs)
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
                "change": change,
                **options,
                **lake_store.offsets_to_keep(fitted),
            },
            before_commit=lambda done: _write_changes(outputs, done, crs),
            progress=span(inputs.progress, 0.3, 1.0),
        )
        _report(done, inputs)
        return {
            UPDATED: str(path),
            "ADDED": done.added,
            "ALREADY_THERE": done.already_there,
            "REPLACED": done.removed,
            "CHANGED_BLOCKS": sum(int(found.changed.sum()) for _, _, found in done.changes),
            "SUPERSEDED": done.superseded,
            "VISIT_OFFSET": fitted.largest and fitted.largest.offset,
            "OFFSET_UNCERTAINTY": fitted.largest and fitted.largest.std_error,
            "PATCH_COUNT": sum(len(patches) for _, patches in done.patches),
            "TREND_M_PER_YEAR": done.trends[-1][1].rate if done.trends else None,
            "TREND_SD": done.trends[-1][1].rate_sd if done.trends else None,
        }

    def _change_options(self, inputs):
        """Return what decides on a changed bottom, as the history of the store keeps it."""
        return {
            "block_m": inputs.number("BLOCK_SIZE"),
            "reach_m": inputs.number("MAX_DISTANCE"),
            "min_soundings": inputs.integer("MIN_SOUNDINGS"),
            "min_change_m": inputs.number("MIN_CHANGE"),
            "position_m": inputs.number("POSITION_UNCERTAINTY"),
            "confidence": inputs.number("CONFIDENCE") / 100.0,
        }


def _store_crs(path, incoming, inputs):
    """Return the CRS of the store, or None where it is yet to be made."""
    from .. import _store as lake_store

    if not path.exists():
        return None
    crs = QgsCoordinateReferenceSystem(lake_store.contents(path).crs)
    require_crs(incoming.sourceCrs(), incoming.sourceName())
    if incoming.sourceCrs() != crs:
        inputs.say(
            tr("Layer '{}' ({}) is projected to the CRS of the lake database, {}.").format(
                incoming.sourceName(),
                incoming.sourceCrs().authid() or tr("custom CRS"),
                crs.authid() or tr("custom CRS"),
            )
        )
    return crs


def _say_level(fitted, inputs):
    if fitted.route:
        inputs.warn(fitted.route)
    say_offsets(fitted, inputs)
    if fitted.offsets:
        for note in land_notes(fitted.soundings):
            inputs.warn(note)


def _write_changes(outputs, done, crs):
    _write_blocks(outputs, done.changes, crs)
    outlines, columns = [], {name: [] for name, _ in _PATCH_FIELDS}
    for newer, patches in done.patches:
        outlines += patches.outlines
        columns["newer"] += [newer] * len(patches)
        for name, values in patches.areas().attributes.items():
            columns[{"change": "change_m", "uncert": "uncert_m", "area": "area_m2"}[name]] += list(
                values
            )
    outputs.areas(
        "CHANGED_PATCHES", Areas(outlines, columns), _PATCH_FIELDS, crs, style="bottom_change"
    )
    # The store counts only once this is in place, and the other way round.
    outputs.place()


def _write_blocks(outputs, changes, crs):
    squares, columns = [], {name: [] for name, _ in _FIELDS}
    for older, newer, found in changes:
        areas = found.areas()
        squares += areas.polygons
        values = areas.attributes
        for name, column in (
            ("older", [older] * len(areas)),
            ("newer", [newer] * len(areas)),
            ("change_m", values["change"]),
            ("uncert_m", values["uncert"]),
            ("slope_deg", [math.degrees(math.atan(s)) for s in values["slope"]]),
            ("n_older", values["n_older"]),
            ("n_newer", values["n_newer"]),
        ):
            columns[name] += list(column)
    outputs.areas("CHANGED", Areas(squares, columns), _FIELDS, crs, style="bottom_change")


def _report(done, inputs):
    for name in done.visits:
        inputs.say(tr("Visit '{}' is now in the lake database.").format(name))
    for note in done.notes:
        inputs.warn(note)
    inputs.say(tr("Soundings added: {}, already there: {}.").format(done.added, done.already_there))
    for older, newer, found in done.changes:
        change = found.change[found.changed]
        inputs.say(
            tr(
                "The bottom changed between '{}' and '{}' in {} of {} blocks, by {:+.2f} to "
                "{:+.2f} m. Positive means deeper now."
            ).format(older, newer, len(change), len(found), change.min(), change.max())
        )
    _report_patches(done, inputs)
    if done.superseded:
        inputs.say(tr("Older soundings superseded: {}.").format(done.superseded))
    if done.restored:
        inputs.say(
            tr(
                "Soundings accepted again, since the visit that superseded them was replaced: {}."
            ).format(done.restored)
        )


def _report_patches(done, inputs):
    for newer, patches in done.patches:
        for k in range(min(len(patches), _LISTED)):
            middle = patches.outlines[k].representative_point()
            inputs.say(
                tr(
                    "Changed patch by '{}' at {:.0f}, {:.0f}: {:+.2f} ± {:.2f} m over {:,.0f} m². "
                    "Positive means deeper now."
                ).format(
                    newer, middle.x, middle.y, patches.change[k], patches.uncert[k], patches.area[k]
                )
            )
        if len(patches) > _LISTED:
            inputs.say(tr("Smaller patches: {}.").format(len(patches) - _LISTED))
    for newer, trend in done.trends:
        inputs.say(
            tr(
                "The bottom becomes slowly {} over {:,.0f} m²: by {:.3f} ± {:.3f} m a year, in {} "
                "visits over {:.1f} years up to '{}'. Blocks that follow this trend are not "
                "reported, and their soundings are not superseded."
            ).format(
                tr("deeper") if trend.rate > 0 else tr("shallower"),
                trend.area,
                abs(trend.rate),
                trend.rate_sd,
                trend.visits,
                trend.years,
                newer,
            )
        )
        inputs.say(
            tr(
                "This holds if the bottom shallower than {:.1f} m has not changed. A change of all "
                "of the lake would look the same as an error of the lake levels."
            ).format(trend.depth)
        )
