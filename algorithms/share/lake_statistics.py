"""Lake statistics."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFileDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import common_share, srs_wkt
from .._outputs import Outputs
from ..core.share.lake_statistics import LAYER, LITTORAL_DEPTH, UNITS, lake_statistics
from ..core.units import LENGTH
from . import _inputs as inputs
from ._lake_report import sentences, statistics_csv, statistics_html, to_unit

FIELDS = [
    ("depth_from", "double"), ("depth_to", "double"), ("unit", "text"), ("area", "double"),
    ("area_top", "double"), ("area_unit", "text"), ("volume", "double"),
    ("volume_below", "double"), ("volume_unit", "text"), ("area_m2", "double"),
    ("area_top_m2", "double"), ("area_top_sd_m2", "double"), ("volume_m3", "double"),
    ("volume_sd_m3", "double"), ("volume_below_m3", "double"),
]

_NUMBERS = {
    "AREA_M2": ("area", QT_TRANSLATE_NOOP("@default", "Area of water (m²)")),
    "VOLUME_M3": ("volume", QT_TRANSLATE_NOOP("@default", "Volume (m³)")),
    "MAX_DEPTH_M": ("max_depth", QT_TRANSLATE_NOOP("@default", "Maximum depth (m)")),
    "MEAN_DEPTH_M": ("mean_depth", QT_TRANSLATE_NOOP("@default", "Mean depth (m)")),
    "SHORELINE_M": ("shoreline", QT_TRANSLATE_NOOP(
        "@default", "Shoreline length, without islands (m)")),
    "ISLAND_SHORELINE_M": ("island_shoreline", QT_TRANSLATE_NOOP(
        "@default", "Shoreline length of islands (m)")),
    "DEVELOPMENT": ("development", QT_TRANSLATE_NOOP(
        "@default", "Shoreline development, without islands")),
    "RELATIVE_DEPTH": ("relative_depth", QT_TRANSLATE_NOOP(
        "@default", "Relative depth (%)")),
    "VOLUME_DEVELOPMENT": ("volume_development", QT_TRANSLATE_NOOP(
        "@default", "Volume development, 3 x mean / maximum depth")),
    "MEAN_SLOPE": ("mean_slope", QT_TRANSLATE_NOOP("@default", "Mean slope (%)")),
    "LITTORAL_PERCENT": ("littoral_share", QT_TRANSLATE_NOOP(
        "@default", "Littoral share (%)")),
    "MAPPED_PERCENT": ("mapped_share", QT_TRANSLATE_NOOP(
        "@default", "Share of the lake that has depth (%)")),
}

_UNCERTAIN = {
    "AREA_SD_M2": ("area", QT_TRANSLATE_NOOP("@default", "Standard uncertainty of area (m²)")),
    "VOLUME_SD_M3": ("volume", QT_TRANSLATE_NOOP(
        "@default", "Standard uncertainty of volume (m³)")),
    "SHORELINE_SD_M": ("shoreline", QT_TRANSLATE_NOOP(
        "@default", "Standard uncertainty of the shoreline length (m)")),
    "MEAN_DEPTH_SD_M": ("mean_depth", QT_TRANSLATE_NOOP(
        "@default", "Standard uncertainty of mean depth (m)")),
}


class LakeStatistics(LakefloorAlgorithm):
    NAME = "lakestatistics"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Lake statistics")
    GROUP = "share"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "morphometry,volume,area,mean depth,hypsographic curve,littoral,shoreline development,"
        "acre-feet",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Area, volume, maximum and mean depth, length of the shoreline and its development, "
        "relative depth, volume development, mean slope, littoral share, and area and volume by "
        "depth layer, at the datum or at any other water level, each with its standard "
        "uncertainty: as a table (CSV), a report in plain words with the hypsographic and the "
        "volume curve, and numbers for models.\n\n"
        "Area and shoreline are those of the shoreline polygon, islands taken out, on the "
        "ellipsoid. The volume is that of the depth surface, triangulated and cut exactly at "
        "each depth and at the shoreline; the strip between the last cells and the shoreline "
        "rises to depth zero, bent as the bottom next to it is. Cells without depth inside the "
        "shoreline are a gap: its share is told, and nothing is made up for it.\n\n"
        "Uncertainties: an error of the datum shifts all depths alike and does not average out; "
        "errors of the surface (band 2) average out over about the lane spacing; errors of the "
        "shoreline change area and length at the datum, not the volume.\n\n"
        "A level above the datum needs a raster in which the land around the lake has negative "
        "depths. Not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Hutchinson (1957), A Treatise on Limnology 1, 164-177; Wetzel and Likens (2000), "
        "Limnological Analyses; geodesic areas: Karney (2013), Journal of Geodesy 87(1), 43-55; "
        "error of an area from its points: Chrisman and Yandell (1988), Surveying and Mapping "
        "48(4), 241-246",
    )

    def initAlgorithm(self, configuration=None):
        add = self.addParameter
        for parameter in inputs.figures():
            add(parameter)
        add(params.number(
            "LEVEL", tr("Water level above the datum (unit of depth)"), 0.0,
            tr("0 is the datum; below 0 a lower level."),
        ))
        add(params.number(
            "LITTORAL_DEPTH", tr("Depth limit of the littoral area (unit of depth)"), None,
            tr("Shallower than this below the water level is littoral. Left empty, 15 ft "
               "(4.57 m), as the Minnesota Department of Natural Resources and others in the US "
               "Midwest use."),
            minimum=0.0, optional=True,
        ))
        add(params.number(
            "LAYER_INTERVAL", tr("Thickness of depth layers (unit of depth)"), None,
            tr("Left empty, 5 ft or 1 m."), minimum=0.0, optional=True,
        ))
        add(inputs.datum_uncertainty())
        add(inputs.shoreline_uncertainty())
        add(QgsProcessingParameterFileDestination(
            "CSV", tr("Figures"), "CSV (*.csv)", optional=True, createByDefault=True
        ))
        add(QgsProcessingParameterFeatureSink(
            "LAYERS", tr("Area and volume by depth layer"),
            QgsProcessing.SourceType.TypeVector, optional=True, createByDefault=False
        ))
        add(QgsProcessingParameterFileDestination(
            "REPORT", tr("Report of lake statistics"), "HTML (*.html)", optional=True
        ))
        for name, (_, label) in {**_NUMBERS, **_UNCERTAIN}.items():
            self.addOutput(QgsProcessingOutputNumber(name, tr(label)))

    def compute(self, parameters, context, feedback):
        unit = self.parameterAsEnumString(parameters, "UNIT", context)
        surface, shoreline, crs, metadata = inputs.surface_and_shoreline(
            self, parameters, context, feedback)
        littoral = params.optional_depth(self, parameters, "LITTORAL_DEPTH", context)
        littoral = LITTORAL_DEPTH if littoral is None else littoral
        layer = params.optional_depth(self, parameters, "LAYER_INTERVAL", context)
        statistics = lake_statistics(
            surface, shoreline, crs=srs_wkt(crs),
            level=self.parameterAsDouble(parameters, "LEVEL", context) * LENGTH[unit],
            littoral_depth=littoral,
            layer=LAYER[unit] if layer is None else layer,
            datum_sd=self.parameterAsDouble(parameters, "DATUM_UNCERTAINTY", context),
            scale_sd=common_share(metadata),
            shoreline_sd=self.parameterAsDouble(parameters, "SHORELINE_UNCERTAINTY", context),
            progress=self.progress(feedback),
        )
        for line in (*sentences(statistics, unit, littoral), *statistics.notes):
            feedback.pushInfo(line)
        with Outputs(self, parameters, context, feedback) as out:
            datum = metadata.get("DATUM_NAME") or tr("the datum")
            out.text("CSV", lambda: statistics_csv(statistics, unit))
            out.text("REPORT", lambda: statistics_html(statistics, unit, littoral, datum))
            out.table("LAYERS", FIELDS, _rows(statistics.layers, unit))
            for name, (key, _) in _NUMBERS.items():
                out.results[name] = statistics.figures[key].value
            for name, (key, _) in _UNCERTAIN.items():
                if statistics.figures[key].sd is not None:
                    out.results[name] = statistics.figures[key].sd
        return out.results


def _rows(layers, unit):
    for top, bottom, area, area_top, area_sd, volume, volume_sd, below in zip(
        layers.top, layers.bottom, layers.area, layers.area_top, layers.area_top_sd,
        layers.volume, layers.volume_sd, layers.volume_below,
    ):
        row = [
            to_unit(top, "length", unit), to_unit(bottom, "length", unit), unit,
            to_unit(area, "area", unit), to_unit(area_top, "area", unit), UNITS["area"][unit][1],
            to_unit(volume, "volume", unit), to_unit(below, "volume", unit),
            UNITS["volume"][unit][1], area, area_top, area_sd, volume, volume_sd, below,
        ]
        yield [float(v) if not isinstance(v, str) else v for v in row]
