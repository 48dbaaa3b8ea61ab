"""Soundings from the lake's store."""

from itertools import chain

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterDateTime,
    QgsProcessingParameterExtent,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP, Qt

from .. import _params as params
from .. import _store as lake_store
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._outputs import Outputs
from ..core.days import longitude, solar_offset_h
from ..core.errors import LakefloorError
from ._store_file import store_parameter, visit_names, warn_of_neighbors


class ReadStore(LakefloorAlgorithm):
    NAME = "readstore"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Soundings from the lake's store")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP("@default", "GeoPackage,archive,database,export,extract visit")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Reads soundings of the lake's store as a layer: all of them, or those of some visits, "
        "within an extent, or of some time. Depth is in metres, positive down; raw depths and "
        "rejected soundings come with their status, so that every other algorithm can go on from "
        "here.\n\n"
        "To correct a visit anew: read that visit, run Correct depths with 'start again from raw "
        "depths' and Reduce to lake datum, then Add visit to the lake's store with 'replace'.\n\n"
        "Soundings with the status 'superseded by' a newer visit are read too, but not used for "
        "mapping. The layer 'soundings' of the store can also be used as it is, wherever "
        "soundings are asked for.",
    )
    SOURCE = QT_TRANSLATE_NOOP("@default", "OGC 12-128r18, GeoPackage Encoding Standard 1.3")

    def initAlgorithm(self, configuration=None):
        add = self.addParameter
        add(store_parameter(tr("GeoPackage that Add visit to the lake's store has made.")))
        add(params.helped(
            QgsProcessingParameterString("VISITS", tr("Visits"), optional=True),
            tr("Names, separated by semicolons. If empty, all visits. The store's table 'visits' "
               "lists them."),
        ))
        add(params.helped(
            QgsProcessingParameterExtent("EXTENT", tr("Extent"), optional=True),
            tr("Empty for the whole lake."),
        ))
        for name, label in (("FROM", tr("First day")), ("TO", tr("Last day"))):
            add(params.helped(
                QgsProcessingParameterDateTime(
                    name, label, QgsProcessingParameterDateTime.Type.Date, optional=True
                ),
                tr("Inclusive, by the sun at the lake's longitude. With a first or a last day, "
                   "soundings without time are left out."),
            ))
        add(QgsProcessingParameterFeatureSink(
            params.OUTPUT, tr("Soundings"), QgsProcessing.SourceType.TypeVectorPoint
        ))
        self.addOutput(QgsProcessingOutputNumber("SOUNDINGS", tr("Soundings read")))
        self.addOutput(QgsProcessingOutputNumber("VISIT_COUNT", tr("Visits read")))

    def compute(self, parameters, context, feedback):
        path = self.parameterAsFile(parameters, "STORE", context)
        warn_of_neighbors(path, feedback)
        held = lake_store.contents(path)
        crs = QgsCoordinateReferenceSystem(held.crs)
        extent = self.parameterAsExtent(parameters, "EXTENT", context, crs)
        days = [self._day(parameters, name, context) for name in ("FROM", "TO")]
        if None not in days and days[0] > days[1]:
            raise LakefloorError(tr("The first day, {}, is after the last, {}.").format(*days))
        names = visit_names(
            self.parameterAsString(parameters, "VISITS", context), [v.name for v in held.visits])
        corners = np.array([v.box for v in held.visits if v.box], dtype=float).reshape(-1, 4)
        lon = longitude(corners[:, ::2].ravel(), corners[:, 1::2].ravel(), held.crs)
        hours = solar_offset_h(lon)
        local = np.timedelta64(round(float(hours) * 3600), "s").astype("timedelta64[ms]")
        parts = lake_store.read(
            path,
            visits=names or None,
            box=None if extent.isNull() else (
                extent.xMinimum(), extent.yMinimum(), extent.xMaximum(), extent.yMaximum()),
            start=None if days[0] is None else days[0] - local,
            stop=None if days[1] is None else days[1] + np.timedelta64(1, "D") - local,
            progress=self.progress(feedback),
        )
        first = next(parts, None)
        if first is None:
            raise LakefloorError(
                tr("The store holds no soundings of these visits, extent and days.")
            )
        count, visits = 0, set()

        def counted():
            nonlocal count
            for part in chain([first], parts):
                count += len(part)
                visits.update(part.visit)
                yield part

        with Outputs(self, parameters, context, feedback) as out:
            out.soundings(params.OUTPUT, counted(), crs)
            feedback.pushInfo(tr("{} soundings of {} visits").format(count, len(visits)))
            out.results["SOUNDINGS"] = count
            out.results["VISIT_COUNT"] = len(visits)
        return out.results

    def _day(self, parameters, name, context):
        if not params.given(self, parameters, name, context):
            return None
        day = self.parameterAsDateTime(parameters, name, context).date()
        if not day.isValid():
            raise LakefloorError(
                tr("'{}' is no date; write it as 2026-05-14.").format(parameters[name])
            )
        return np.datetime64(day.toString(Qt.DateFormat.ISODate), "D")
