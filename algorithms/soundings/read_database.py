"""Soundings from lake database."""

from itertools import chain

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessingParameterDateTime,
    QgsProcessingParameterExtent,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.errors import LakefloorError
from ..core.soundings import of_visits
from ..core.visits.store_visits import times_of_days
from ._lake_database import store_parameter, store_path, visit_names


class ReadDatabase(LakefloorAlgorithm):
    NAME = "readdatabase"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Soundings from lake database")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "GeoPackage,archive,store,lake database,read,load,open,export,extract visit,season,year,"
        "as of,as of day,earlier year,past,history of the map,correct again,reprocess,re-process",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Reads soundings of the lake database as a layer: all of them, or those of some visits, of "
        "an extent or of some days. Raw depths and rejected soundings are included, so that every "
        "other algorithm can continue from here.\n\n"
        "To map the lake of an earlier year, choose the last day of that year in 'As of day', "
        "then make a surface.\n\n"
        "To correct a visit again, read it. Then run 'Correct depths' from raw depths, 'Reduce to "
        "lake datum', and 'Add visit to lake database' with 'replace'.\n\n"
        "Soundings that a newer visit has superseded are read too, but they are not used for "
        "mapping. The layer 'soundings' of the database can also be used directly.",
    )
    SOURCE = QT_TRANSLATE_NOOP("@default", "OGC 12-128r18, GeoPackage Encoding Standard 1.3")

    NUMBERS = {
        "SOUNDINGS": QT_TRANSLATE_NOOP("@default", "Soundings read"),
        "VISIT_COUNT": QT_TRANSLATE_NOOP("@default", "Visits read"),
    }

    def declare(self):
        add = self.addParameter
        add(store_parameter(tr("GeoPackage made by 'Add visit to lake database'.")))
        add(
            params.helped(
                QgsProcessingParameterString("VISITS", tr("Visits"), optional=True),
                tr(
                    "Names, separated by semicolons. Table 'visits' of the database lists them. If "
                    "empty, all visits are read."
                ),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterExtent("EXTENT", tr("Extent"), optional=True),
                tr("Only soundings within it are read. If empty, those of the whole lake."),
            )
        )
        for name, label in (("FROM", tr("First day")), ("TO", tr("Last day"))):
            add(
                params.helped(
                    QgsProcessingParameterDateTime(
                        name, label, QgsProcessingParameterDateTime.Type.Date, optional=True
                    ),
                    tr(
                        "This day is included. Days are those of the sun at the lake's longitude. With "
                        "a first or a last day, soundings without time are left out. If empty, there is "
                        "no limit."
                    ),
                )
            )
        add(
            params.helped(
                QgsProcessingParameterDateTime(
                    "AS_OF",
                    tr("As of day"),
                    QgsProcessingParameterDateTime.Type.Date,
                    optional=True,
                ),
                tr(
                    "The lake as it was known at the end of this day. Later soundings are left out, "
                    "and soundings that later visits superseded are accepted again. Visits without "
                    "times are older than all others and are kept. If empty, the lake as it is "
                    "known now."
                ),
            )
        )
        add(params.soundings_output(tr("Soundings")))

    def compute(self, inputs, outputs):
        from .. import _store as lake_store
        from ..core.correcting.first_return import with_beams

        path = store_path(inputs)
        held = lake_store.contents(path)
        crs = QgsCoordinateReferenceSystem(held.crs)
        extent = inputs.extent("EXTENT", crs)
        days, as_of = [inputs.day(name) for name in ("FROM", "TO")], inputs.day("AS_OF")
        _check_days(*days, as_of)
        names = visit_names(inputs.text("VISITS"), [v.name for v in held.visits])
        start, stop = times_of_days(held.visits, held.crs, *days)
        if as_of is not None:
            _say_as_of(inputs, as_of, [v for v in held.visits if not names or v.name in names])
        parts = lake_store.read(
            path,
            visits=names or None,
            box=None
            if extent.isNull()
            else (extent.xMinimum(), extent.yMinimum(), extent.xMaximum(), extent.yMaximum()),
            start=start,
            stop=stop,
            as_of=as_of,
            progress=inputs.progress,
        )
        first = next(parts, None)
        if first is None:
            raise LakefloorError(
                tr(
                    "The lake database has no soundings of these visits, extent and days. Choose "
                    "other ones."
                )
            )
        count, visits, widths = 0, set(), lake_store.beam_widths(path)

        def counted():
            nonlocal count
            for part in chain([first], parts):
                count += len(part)
                visits.update(part.visit)
                yield with_beams(part, widths)

        outputs.soundings(params.OUTPUT, counted(), crs)
        inputs.say(tr("Soundings read: {}, of visits: {}.").format(count, len(visits)))
        return {"SOUNDINGS": count, "VISIT_COUNT": len(visits)}


def _check_days(first, last, as_of):
    if None not in (first, last) and first > last:
        raise LakefloorError(
            tr("The first day, {}, is after the last, {}. Choose an earlier first day.").format(
                first, last
            )
        )
    if None not in (first, as_of) and first > as_of:
        raise LakefloorError(
            tr(
                "The first day, {}, is after the day as of which the lake is read, {}. Choose an "
                "earlier first day."
            ).format(first, as_of)
        )


def _say_as_of(inputs, day, visits):
    from ..core.visits.as_of import without_times

    inputs.say(
        tr(
            "The lake is read as it was known at the end of {}. Soundings that later visits "
            "superseded are accepted again."
        ).format(day)
    )
    unknown = without_times(visits)
    if unknown:
        inputs.warn(
            tr(
                "No sounding of {} has a time, so the day is not known. These soundings are taken "
                "as older than all others. To leave them out, name the other visits."
            ).format(of_visits(unknown))
        )
