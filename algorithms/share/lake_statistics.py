"""Lake statistics."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFileDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.layer_crs import srs_wkt
from .._io.rasters import common_share
from .._reports.statistics_page import sentences, statistics_csv, statistics_html
from .._sheets import sheet_inputs
from ..core.figures.figure import UNITS
from ..core.units import LENGTH
from ..core.wording.figure_text import to_unit

FIELDS = [
    ("depth_from", "double"),
    ("depth_to", "double"),
    ("unit", "text"),
    ("area", "double"),
    ("area_top", "double"),
    ("area_unit", "text"),
    ("volume", "double"),
    ("volume_below", "double"),
    ("volume_unit", "text"),
    ("area_m2", "double"),
    ("area_top_m2", "double"),
    ("area_top_sd_m2", "double"),
    ("volume_m3", "double"),
    ("volume_sd_m3", "double"),
    ("volume_below_m3", "double"),
]

_NUMBERS = {
    "AREA_M2": ("area", QT_TRANSLATE_NOOP("@default", "Area of water (m²)")),
    "VOLUME_M3": ("volume", QT_TRANSLATE_NOOP("@default", "Volume (m³)")),
    "MAX_DEPTH_M": ("max_depth", QT_TRANSLATE_NOOP("@default", "Maximum depth (m)")),
    "MEAN_DEPTH_M": ("mean_depth", QT_TRANSLATE_NOOP("@default", "Mean depth (m)")),
    "SHORELINE_M": ("shoreline", QT_TRANSLATE_NOOP("@default", "Shoreline without islands (m)")),
    "ISLAND_SHORELINE_M": (
        "island_shoreline",
        QT_TRANSLATE_NOOP("@default", "Shoreline of islands (m)"),
    ),
    "DEVELOPMENT": ("development", QT_TRANSLATE_NOOP("@default", "Shoreline development")),
    "RELATIVE_DEPTH": ("relative_depth", QT_TRANSLATE_NOOP("@default", "Relative depth (%)")),
    "VOLUME_DEVELOPMENT": (
        "volume_development",
        QT_TRANSLATE_NOOP("@default", "Volume development"),
    ),
    "MEAN_SLOPE": ("mean_slope", QT_TRANSLATE_NOOP("@default", "Mean slope (%)")),
    "LITTORAL_PERCENT": (
        "littoral_share",
        QT_TRANSLATE_NOOP("@default", "Littoral percentage (%)"),
    ),
    "MAPPED_PERCENT": ("mapped_share", QT_TRANSLATE_NOOP("@default", "Percentage with depth (%)")),
}

_UNCERTAIN = {
    "AREA_SD_M2": ("area", QT_TRANSLATE_NOOP("@default", "Area, standard uncertainty (m²)")),
    "VOLUME_SD_M3": ("volume", QT_TRANSLATE_NOOP("@default", "Volume, standard uncertainty (m³)")),
    "SHORELINE_SD_M": (
        "shoreline",
        QT_TRANSLATE_NOOP("@default", "Shoreline, std. uncertainty (m)"),
    ),
    "MEAN_DEPTH_SD_M": (
        "mean_depth",
        QT_TRANSLATE_NOOP("@default", "Mean depth, std. uncertainty (m)"),
    ),
}


class LakeStatistics(LakefloorAlgorithm):
    NAME = "lakestatistics"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Lake statistics")
    GROUP = "share"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "morphometry,bathymetry,lake size,surface area,acreage,acres,hectares,"
        "volume,acre-feet,acre-foot,capacity,storage,mean depth,average depth,"
        "maximum depth,max depth,hypsographic curve,hypsometric curve,hypsography,"
        "depth-area curve,littoral,littoral zone,shoreline development,"
        "shoreline length,statistics,numbers,figures,report",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Computes how large and how deep a lake is, and how much water it holds, each with its "
        "uncertainty. Use it for a lake association, a management plan or a permit.\n\n"
        "Results:\n"
        "- area, volume, maximum and mean depth, shoreline length\n"
        "- shoreline and volume development, relative depth, mean slope, littoral percentage\n"
        "- area and volume by depth layer\n"
        "- a report with the hypsographic curve and the volume curve\n\n"
        "They hold for the datum or for any other lake level. Areas and lengths are on the "
        "ellipsoid. Parts without depth are left out of the volume, and their percentage is "
        "given.\n\n"
        "A level above the datum needs a raster in which land has negative depths. Not for "
        "navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Hutchinson (1957), A Treatise on Limnology 1, 164-177. Wetzel and Likens (2000), "
        "Limnological Analyses. Geodesic areas: Karney (2013), Journal of Geodesy 87(1), 43-55. "
        "Error of an area from its points: Chrisman and Yandell (1988), Surveying and Mapping "
        "48(4), 241-246.",
    )

    NUMBERS = {name: label for name, (_, label) in {**_NUMBERS, **_UNCERTAIN}.items()}
    FORM = ("INPUT", "SHORELINE", "UNIT", "LAKE_LEVEL", "CSV", "LAYERS", "REPORT")

    def declare(self):
        add = self.addParameter
        for parameter in sheet_inputs.figures():
            add(parameter)
        add(
            params.number(
                "LAKE_LEVEL",
                tr("Lake level (depth unit)"),
                0.0,
                tr("In the depth unit. 0 is the datum, and negative values are lower levels."),
            )
        )
        add(
            params.number(
                "LITTORAL_DEPTH",
                tr("Littoral depth limit (depth unit)"),
                None,
                tr(
                    "In the depth unit, below the lake level. If empty, 15 ft (4.57 m), the limit of "
                    "the Minnesota Department of Natural Resources."
                ),
                minimum=0.0,
                optional=True,
            )
        )
        add(
            params.number(
                "LAYER_THICKNESS",
                tr("Layer thickness (depth unit)"),
                None,
                tr("In the depth unit. If empty, 5 ft or 1 m."),
                minimum=0.0,
                optional=True,
            )
        )
        add(sheet_inputs.datum_uncertainty())
        add(sheet_inputs.shoreline_uncertainty())
        add(
            QgsProcessingParameterFileDestination(
                "CSV", tr("Lake statistics"), "CSV (*.csv)", optional=True, createByDefault=True
            )
        )
        add(
            QgsProcessingParameterFeatureSink(
                "LAYERS",
                tr("Area and volume by depth layer"),
                QgsProcessing.SourceType.TypeVector,
                optional=True,
                createByDefault=False,
            )
        )
        add(
            QgsProcessingParameterFileDestination(
                "REPORT", tr("Lake statistics report"), "HTML (*.html)", optional=True
            )
        )

    def compute(self, inputs, outputs):
        from ..core.figures.lake_statistics import LAYER, LITTORAL_DEPTH, lake_statistics
        from ..core.wording.statistics_notes import statistics_notes

        unit = inputs.unit()
        surface, shoreline, crs, metadata = sheet_inputs.surface_and_shoreline(inputs)
        cut = inputs.cut_edge(crs=crs)
        littoral = inputs.depth("LITTORAL_DEPTH")
        littoral = LITTORAL_DEPTH if littoral is None else littoral
        layer = inputs.depth("LAYER_THICKNESS")
        statistics = lake_statistics(
            surface,
            shoreline,
            crs=srs_wkt(crs),
            level=inputs.number("LAKE_LEVEL") * LENGTH[unit],
            littoral_depth=littoral,
            layer=LAYER[unit] if layer is None else layer,
            datum_sd=inputs.number("DATUM_UNCERTAINTY"),
            scale_sd=common_share(metadata),
            shoreline_sd=inputs.number("SHORELINE_UNCERTAINTY"),
            cut=cut,
            progress=inputs.progress,
        )
        notes = statistics_notes(statistics, surface, shoreline, srs_wkt(crs), cut)
        for line in (*sentences(statistics, unit, littoral), *notes):
            inputs.say(line)
        datum = metadata.get("DATUM_NAME") or tr("the datum")
        outputs.text("CSV", lambda: statistics_csv(statistics, unit))
        outputs.text("REPORT", lambda: statistics_html(statistics, unit, littoral, datum, notes))
        outputs.table("LAYERS", FIELDS, _rows(statistics.layers, unit))
        figures = statistics.figures
        return {
            **{
                name: figures[key].value if key in figures else None
                for name, (key, _) in _NUMBERS.items()
            },
            **{name: figures[key].sd for name, (key, _) in _UNCERTAIN.items()},
        }


def _rows(layers, unit):
    for top, bottom, area, area_top, area_sd, volume, volume_sd, below in zip(
        layers.top,
        layers.bottom,
        layers.area,
        layers.area_top,
        layers.area_top_sd,
        layers.volume,
        layers.volume_sd,
        layers.volume_below,
    ):
        row = [
            to_unit(top, "length", unit),
            to_unit(bottom, "length", unit),
            unit,
            to_unit(area, "area", unit),
            to_unit(area_top, "area", unit),
            UNITS["area"][unit][1],
            to_unit(volume, "volume", unit),
            to_unit(below, "volume", unit),
            UNITS["volume"][unit][1],
            area,
            area_top,
            area_sd,
            volume,
            volume_sd,
            below,
        ]
        yield [float(v) if not isinstance(v, str) else v for v in row]
