"""Level table."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterFeatureSink,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import common_share, srs_wkt
from .._outputs import Outputs
from ..core.correcting.datums import is_water_of_a_day
from ..core.share.lake_statistics import UNITS
from ..core.share.level_table import level_report
from ..core.units import LENGTH
from . import _inputs as inputs
from ._lake_report import setting, text, to_unit

FIELDS = [
    ("level", "double"), ("unit", "text"), ("area", "double"), ("area_unit", "text"),
    ("area_pct", "double"), ("volume", "double"), ("volume_unit", "text"),
    ("volume_pct", "double"), ("level_m", "double"), ("area_m2", "double"),
    ("area_sd_m2", "double"), ("volume_m3", "double"), ("volume_sd_m3", "double"),
    ("shoreline_m", "double"), ("uncovered_m2", "double"),
]

UNCOVERED_FIELDS = [
    ("drawdown", "double"), ("unit", "text"), ("area", "double"), ("area_unit", "text"),
    ("drawdown_m", "double"), ("area_m2", "double"),
]

#: Step where none is given, in the unit of depth.
_STEP = {"ft": 0.1, "m": 0.01}


class LevelTable(LakefloorAlgorithm):
    NAME = "leveltable"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Level table")
    GROUP = "share"
    TAGS = QT_TRANSLATE_NOOP("@default", "stage,area,volume,storage,capacity,draw-down,water level")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Area and volume of the lake against its water level, in steps of a tenth of a foot or a "
        "centimetre, and the bottom that a draw-down uncovers, as a polygon.\n\n"
        "Below the datum the bottom is the depth surface. Levels above the datum are listed as "
        "far as the raster holds the land that the water would reach, as negative depths; land "
        "that is lower but not joined to the lake stays dry.\n\n"
        "Fields: level above the datum in the unit of depth; area and volume with their units, "
        "and in percent of those at the datum; the same in metres with standard uncertainties "
        "(_sd); shoreline_m, length of the water's edge; uncovered_m2, bottom that is dry at "
        "that level. Areas are on the ellipsoid and cover what has depth: gaps of the surface "
        "are left out, and their share is told.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Hutchinson (1957), A Treatise on Limnology 1, 164-177; geodesic areas: Karney (2013), "
        "Journal of Geodesy 87(1), 43-55",
    )

    def initAlgorithm(self, configuration=None):
        add = self.addParameter
        for parameter in inputs.figures():
            add(parameter)
        add(params.number(
            "STEP", tr("Step of the levels (unit of depth)"), None,
            tr("Left empty, 0.1 ft or 0.01 m."), minimum=0.0, optional=True,
        ))
        add(params.number(
            "LOWEST", tr("Lowest level above the datum (unit of depth)"), None,
            tr("Below 0. Left empty, the deepest point."), optional=True,
        ))
        add(params.number(
            "HIGHEST", tr("Highest level above the datum (unit of depth)"), 0.0,
            tr("Above 0 where the raster holds the land around the lake as negative depths."),
        ))
        add(params.number(
            "DRAWDOWN", tr("Draw-down (unit of depth)"), 1.0,
            tr("Fall of the water below the datum, for the polygon of uncovered bottom."),
            minimum=0.0,
        ))
        add(inputs.datum_uncertainty())
        add(QgsProcessingParameterFeatureSink(
            params.OUTPUT, tr("Level table"), QgsProcessing.SourceType.TypeVector
        ))
        add(QgsProcessingParameterFeatureSink(
            "UNCOVERED", tr("Uncovered bottom"), QgsProcessing.SourceType.TypeVectorPolygon,
            optional=True, createByDefault=True
        ))
        for name, label in (
            ("COUNT", tr("Number of levels")),
            ("HIGHEST_M", tr("Highest level of the table (m)")),
            ("MAPPED_PERCENT", tr("Share of the lake that has depth (%)")),
            ("UNCOVERED_M2", tr("Bottom uncovered by the draw-down (m²)")),
            ("UNCOVERED_PERCENT", tr("Bottom uncovered, share of the lake (%)")),
        ):
            self.addOutput(QgsProcessingOutputNumber(name, label))

    def compute(self, parameters, context, feedback):
        unit = self.parameterAsEnumString(parameters, "UNIT", context)
        surface, shoreline, crs, metadata = inputs.surface_and_shoreline(
            self, parameters, context, feedback)
        step = params.optional_depth(self, parameters, "STEP", context)
        drawdown = self.parameterAsDouble(parameters, "DRAWDOWN", context) * LENGTH[unit]
        report = level_report(
            surface, shoreline,
            step=_STEP[unit] * LENGTH[unit] if step is None else step,
            drawdown=drawdown,
            crs=srs_wkt(crs),
            lowest=params.optional_depth(self, parameters, "LOWEST", context),
            highest=self.parameterAsDouble(parameters, "HIGHEST", context) * LENGTH[unit],
            datum_sd=self.parameterAsDouble(parameters, "DATUM_UNCERTAINTY", context),
            scale_sd=common_share(metadata),
            progress=self.progress(feedback),
        )
        table, bare = report.table, report.uncovered
        dry, share, mapped = (
            report.uncovered_area, report.uncovered_percent, table.mapped_percent)
        feedback.pushInfo(
            tr("A draw-down of {} uncovers {}, {:.1f}% of the lake.").format(
                setting(drawdown, unit), text(dry, "area", unit), share)
        )
        datum = metadata.get("DATUM_NAME", "")
        if is_water_of_a_day(datum):
            feedback.pushWarning(
                tr("Levels count from the {}. No gauge was read: how high the lake stood then is "
                   "not known.").format(datum)
            )
        if table.cut_short:
            feedback.pushWarning(
                tr("The table ends at {} above the datum: the raster does not hold the land "
                   "that higher water would reach.").format(
                    setting(table.level[-1], unit))
            )
        if mapped < 99.95:
            feedback.pushWarning(
                tr("{:.1f}% of the lake has no depth; the table covers the rest.").format(
                    100.0 - mapped)
            )
        with Outputs(self, parameters, context, feedback) as out:
            out.table(params.OUTPUT, FIELDS, _rows(table, unit))
            bare.attributes.update(
                drawdown=[to_unit(v, "length", unit) for v in bare.attributes["drawdown_m"]],
                area=[to_unit(v, "area", unit) for v in bare.attributes["area_m2"]],
                unit=[unit] * len(bare), area_unit=[UNITS["area"][unit][1]] * len(bare),
            )
            out.areas("UNCOVERED", bare, UNCOVERED_FIELDS, crs, style="uncovered")
            out.results.update(
                COUNT=len(table.level), HIGHEST_M=float(table.level[-1]),
                MAPPED_PERCENT=mapped, UNCOVERED_M2=dry, UNCOVERED_PERCENT=share,
            )
        return out.results


def _rows(table, unit):
    area_unit, volume_unit = (UNITS[kind][unit][1] for kind in ("area", "volume"))
    whole, full = table.datum_area, table.datum_volume
    for level, area, area_sd, volume, volume_sd, shoreline, dry in zip(*(v.tolist() for v in (
            table.level, table.area, table.area_sd, table.volume, table.volume_sd,
            table.shoreline, table.uncovered_area))):
        yield [
            round(to_unit(level, "length", unit), 6), unit, to_unit(area, "area", unit),
            area_unit, 100.0 * area / whole, to_unit(volume, "volume", unit), volume_unit,
            100.0 * volume / full, level, area, area_sd, volume, volume_sd, shoreline,
            dry,
        ]
