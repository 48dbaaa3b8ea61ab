"""Area and volume by lake level."""

from qgis.core import QgsProcessing, QgsProcessingParameterFeatureSink
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.layer_crs import srs_wkt
from .._io.rasters import common_share
from .._sheets import sheet_inputs
from ..core.correcting.datums import is_water_of_a_day
from ..core.figures.figure import UNITS
from ..core.units import LENGTH
from ..core.wording.figure_text import figure_text, setting, to_unit

FIELDS = [
    ("level", "double"),
    ("unit", "text"),
    ("area", "double"),
    ("area_unit", "text"),
    ("area_pct", "double"),
    ("volume", "double"),
    ("volume_unit", "text"),
    ("volume_pct", "double"),
    ("level_m", "double"),
    ("area_m2", "double"),
    ("area_sd_m2", "double"),
    ("volume_m3", "double"),
    ("volume_sd_m3", "double"),
    ("shoreline_m", "double"),
    ("uncovered_m2", "double"),
]

UNCOVERED_FIELDS = [
    ("drawdown", "double"),
    ("unit", "text"),
    ("area", "double"),
    ("area_unit", "text"),
    ("drawdown_m", "double"),
    ("area_m2", "double"),
]


class AreaVolumeByLevel(LakefloorAlgorithm):
    NAME = "areavolumebylevel"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Area and volume by lake level")
    GROUP = "share"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "level table,stage,stage-storage,stage area volume,rating table,capacity,"
        "storage,volume,area,lake level,water level,drawdown,draw-down,draw down,"
        "low water,drought,exposed,uncovered,dry,reservoir,dam,water levels,"
        "full pool,acre-feet,acre feet",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Lists area and volume of a lake in equal steps of its lake level. It also draws the "
        "bottom that a drawdown uncovers. Use it to plan a drawdown or to follow a drought.\n\n"
        "Fields:\n"
        "- level: above the datum, in the depth unit\n"
        "- area, volume: with their units, and in percent of those at the datum (_pct)\n"
        "- area_m2, volume_m3: with standard uncertainties (_sd)\n"
        "- shoreline_m: length of the water's edge\n"
        "- uncovered_m2: bottom that is dry at that level\n\n"
        "Levels above the datum need a raster in which land has negative depths. Parts without "
        "depth are left out, and their percentage is given. Not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Hutchinson (1957), A Treatise on Limnology 1, 164-177. Geodesic areas: Karney (2013), "
        "Journal of Geodesy 87(1), 43-55.",
    )

    NUMBERS = {
        "COUNT": QT_TRANSLATE_NOOP("@default", "Number of levels"),
        "MAX_LEVEL_M": QT_TRANSLATE_NOOP("@default", "Maximum level in the table (m)"),
        "MAPPED_PERCENT": QT_TRANSLATE_NOOP("@default", "Percentage with depth (%)"),
        "UNCOVERED_M2": QT_TRANSLATE_NOOP("@default", "Uncovered bottom (m²)"),
        "UNCOVERED_PERCENT": QT_TRANSLATE_NOOP("@default", "Uncovered percentage (%)"),
    }
    FORM = ("INPUT", "SHORELINE", "UNIT", "STEP", "DRAWDOWN", "OUTPUT", "UNCOVERED")

    def declare(self):
        add = self.addParameter
        for parameter in sheet_inputs.figures():
            add(parameter)
        add(
            params.number(
                "STEP",
                tr("Step between levels (depth unit)"),
                None,
                tr("In the depth unit. If empty, 0.1 ft or 0.01 m."),
                minimum=0.0,
                optional=True,
            )
        )
        add(
            params.number(
                "MIN_LEVEL",
                tr("Minimum lake level (depth unit)"),
                None,
                tr(
                    "Above the datum, in the depth unit. Lower levels are negative. If empty, the "
                    "deepest point."
                ),
                optional=True,
            )
        )
        add(
            params.number(
                "MAX_LEVEL",
                tr("Maximum lake level (depth unit)"),
                0.0,
                tr(
                    "Above the datum, in the depth unit. Levels above 0 need a raster that holds the "
                    "land around the lake as negative depths."
                ),
            )
        )
        add(
            params.number(
                "DRAWDOWN",
                tr("Drawdown (depth unit)"),
                1.0,
                tr(
                    "Fall of the lake below the datum, in the depth unit, for the polygon of uncovered "
                    "bottom."
                ),
                minimum=0.0,
            )
        )
        add(sheet_inputs.datum_uncertainty())
        add(
            QgsProcessingParameterFeatureSink(
                params.OUTPUT,
                tr("Area and volume by lake level"),
                QgsProcessing.SourceType.TypeVector,
            )
        )
        add(
            QgsProcessingParameterFeatureSink(
                "UNCOVERED",
                tr("Uncovered bottom"),
                QgsProcessing.SourceType.TypeVectorPolygon,
                optional=True,
                createByDefault=True,
            )
        )

    def compute(self, inputs, outputs):
        from ..core.figures.level_table import STEP, level_report

        unit = inputs.unit()
        surface, shoreline, crs, metadata = sheet_inputs.surface_and_shoreline(inputs)
        if inputs.cut_edge(crs=crs):
            inputs.warn(
                tr(
                    "All figures are those of the part shared, not of the lake. In the strip of a cell "
                    "along the cut the bottom counts as if it rose to the shore."
                )
            )
        step = inputs.depth("STEP")
        drawdown = inputs.number("DRAWDOWN") * LENGTH[unit]
        report = level_report(
            surface,
            shoreline,
            step=STEP[unit] if step is None else step,
            drawdown=drawdown,
            crs=srs_wkt(crs),
            lowest=inputs.depth("MIN_LEVEL"),
            highest=inputs.number("MAX_LEVEL") * LENGTH[unit],
            datum_sd=inputs.number("DATUM_UNCERTAINTY"),
            scale_sd=common_share(metadata),
            progress=inputs.progress,
        )
        self._say(report, drawdown, unit, metadata.get("DATUM_NAME", ""), inputs)
        table, bare = report.table, report.uncovered
        outputs.table(params.OUTPUT, FIELDS, _rows(table, unit))
        bare.attributes.update(
            drawdown=[to_unit(v, "length", unit) for v in bare.attributes["drawdown_m"]],
            area=[to_unit(v, "area", unit) for v in bare.attributes["area_m2"]],
            unit=[unit] * len(bare),
            area_unit=[UNITS["area"][unit][1]] * len(bare),
        )
        outputs.areas("UNCOVERED", bare, UNCOVERED_FIELDS, crs, style="uncovered")
        return {
            "COUNT": len(table.level),
            "MAX_LEVEL_M": float(table.level[-1]),
            "MAPPED_PERCENT": table.mapped_percent,
            "UNCOVERED_M2": report.uncovered_area,
            "UNCOVERED_PERCENT": report.uncovered_percent,
        }

    @staticmethod
    def _say(report, drawdown, unit, datum, inputs):
        """Say what the drawdown uncovers, and what the table does not cover."""
        table = report.table
        inputs.say(
            tr("A drawdown of {} uncovers {} of bottom, {:.1f}% of the lake.").format(
                setting(drawdown, unit),
                figure_text(report.uncovered_area, "area", unit),
                report.uncovered_percent,
            )
        )
        if is_water_of_a_day(datum):
            inputs.warn(
                tr(
                    "Levels count from the {}. The height of the lake at that time is not known. "
                    "Reduce the visits by a lake level to know it."
                ).format(datum)
            )
        if table.cut_short:
            inputs.warn(
                tr(
                    "The table ends at {} above the datum. The raster does not hold the land that "
                    "a higher lake would reach. Use a raster with more land for more "
                    "levels."
                ).format(setting(table.level[-1], unit))
            )
        if table.mapped_percent < 99.95:
            inputs.warn(
                tr("{:.1f}% of the lake has no depth. The table covers the rest.").format(
                    100.0 - table.mapped_percent
                )
            )


def _rows(table, unit):
    area_unit, volume_unit = (UNITS[kind][unit][1] for kind in ("area", "volume"))
    whole, full = table.datum_area, table.datum_volume
    for level, area, area_sd, volume, volume_sd, shoreline, dry in zip(
        *(
            v.tolist()
            for v in (
                table.level,
                table.area,
                table.area_sd,
                table.volume,
                table.volume_sd,
                table.shoreline,
                table.uncovered_area,
            )
        )
    ):
        yield [
            round(to_unit(level, "length", unit), 6),
            unit,
            to_unit(area, "area", unit),
            area_unit,
            100.0 * area / whole,
            to_unit(volume, "volume", unit),
            volume_unit,
            100.0 * volume / full,
            level,
            area,
            area_sd,
            volume,
            volume_sd,
            shoreline,
            dry,
        ]
