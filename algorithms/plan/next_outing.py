"""Gaps and next outing."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import optional_source, read_lines, read_raster
from .._outputs import Outputs
from ..core.plan.next_outing import GAP_ATTRIBUTES, LINE_ATTRIBUTES, next_outing
from ..core.units import ACRE, FOOT
from ._inputs import (
    add_boat,
    add_figures,
    cautions,
    check_raster_place,
    clock,
    fields,
    gpx_file,
    interval_m,
    launch,
    optional_polygon,
    read_boat,
    read_launch,
    way,
    write_gpx,
)


class NextOuting(LakefloorAlgorithm):
    NAME = "nextouting"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Gaps and next outing")
    GROUP = "plan"
    TAGS = QT_TRANSLATE_NOOP("@default", "gap,uncertainty,lane,plan,outing,route,GPX,launch")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Shows where the surface is too uncertain for the contour interval that you want, ranked "
        "by what a lane would gain there, and plans lanes for the time that you have, from the "
        "launch point and back.\n\n"
        "An interval is supported where nine depths in ten are right within half of it: for "
        "contours every foot, a standard uncertainty of up to 0.30 ft. No outing lowers the "
        "uncertainty below that at the soundings themselves; where that is above what the "
        "interval allows, the log says so.\n\n"
        "The gain of a lane is the standard uncertainty that it takes away, times the area, in "
        "m3. It is expected from how the uncertainty of this surface grows with the distance to a "
        "sounding. A bottom of 10 percent slope or more counts double, and so does one that a "
        "break-line or transition runs through, if you give such lines.\n\n"
        "Gaps: rank, area_m2, uncert_m and uncert_max_m (standard uncertainty), distance_max_m to "
        "a sounding, slope_pct, gain_m3 of the best lane, lanes_m of this outing within it, "
        "after_m (standard uncertainty expected after it), why in words. Gaps smaller than two "
        "lane spacings squared are only counted in the log. Lanes: as of Survey lanes, with "
        "gain_m3; the sounder is taken to run on the ways between them too.\n\n"
        "Needs the bands of uncertainty and distance of a Lakefloor surface. With a shoreline, "
        "water that the surface does not cover is a gap as well.\n\n"
        "A plan knows nothing of the day: weather, cold water, shallows and rocks that no map "
        "shows, other boats and local rules come first, and whether to go is yours to judge. "
        "Clean, drain and dry the boat between lakes, against invasive species. Not for "
        "navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Golden, Levy and Vohra (1987), Naval Research Logistics 34(3), 307-318; Nemhauser, Wolsey "
        "and Fisher (1978), Mathematical Programming 14, 265-294; United States National Map "
        "Accuracy Standards (1947)",
    )

    def initAlgorithm(self, configuration=None):
        add, kind = self.addParameter, QgsProcessing.SourceType
        add(params.surface())
        add(params.number(
            "INTERVAL", tr("Contour interval wanted (unit of the map)"), 1.0,
            tr("Difference of depth from one line to the next."), minimum=0.001,
        ))
        add(params.depth_unit())
        add(launch(optional=False))
        add(params.number(
            "TIME", tr("Time on the water (min)"), 60.0,
            tr("From the launch and back, turns included."), minimum=1.0,
        ))
        add(params.shoreline())
        for name, label in (("BREAK_LINES", tr("Break-lines")),
                            ("TRANSITIONS", tr("Transitions"))):
            add(params.helped(
                QgsProcessingParameterFeatureSource(
                    name, label, [kind.TypeVectorLine], optional=True),
                tr("Places within a lane spacing of these lines count double."),
            ))
        add(params.distance(
            "SPACING", tr("Lane spacing (m)"), None,
            tr("Of this outing. Left empty, half of that of the lanes so far, as the surface "
               "shows it."),
            optional=True, minimum=0.1,
        ))
        add(params.number(
            "MIN_DEPTH", tr("Minimum depth (m)"), 0.6,
            tr("Cells that are shallower are not entered; many sounders read nothing in less than "
               "1 m."),
            minimum=0.0,
        ))
        add_boat(self)
        add(QgsProcessingParameterFeatureSink(params.OUTPUT, tr("Lanes of the next outing"),
                                              kind.TypeVectorLine))
        add(QgsProcessingParameterFeatureSink("GAPS", tr("Gaps"), kind.TypeVectorPolygon))
        add(gpx_file())
        add_figures(self, (
            ("GAPS_COUNT", tr("Number of gaps")),
            ("GAP_AREA", tr("Area of the gaps (m2)")),
            ("GAP_AREA_AFTER", tr("Area of the gaps expected after the outing (m2)")),
            ("MEAN_UNCERTAINTY", tr("Mean standard uncertainty (m)")),
            ("MEAN_UNCERTAINTY_AFTER",
             tr("Mean standard uncertainty expected after the outing (m)")),
            ("ALLOWED_UNCERTAINTY", tr("Standard uncertainty that the interval allows (m)")),
            ("LANES", tr("Number of lanes")),
            ("LANE_M", tr("Length of the lanes (m)")),
            ("TOTAL_M", tr("Length of the whole path (m)")),
            ("MINUTES", tr("Time on the water (min)")),
            ("SPACING_M", tr("Lane spacing (m)")),
        ))

    def compute(self, parameters, context, feedback):
        layer = self.parameterAsRasterLayer(parameters, params.INPUT, context)
        check_raster_place(layer, context)
        surface, crs, _ = read_raster(layer, feedback)
        structure = []
        for name in ("BREAK_LINES", "TRANSITIONS"):
            lines = optional_source(self, parameters, name, context)
            structure += read_lines(lines, crs, context, feedback) if lines else []
        plan = next_outing(
            surface,
            interval_m=interval_m(self, parameters, context),
            launch=read_launch(self, parameters, context, crs),
            minutes=self.parameterAsDouble(parameters, "TIME", context),
            lake=optional_polygon(self, parameters, params.SHORELINE, crs, context, feedback),
            spacing=params.optional_number(self, parameters, "SPACING", context),
            structure=structure,
            unit=self.parameterAsEnumString(parameters, "UNIT", context),
            progress=self.progress(feedback),
            **read_boat(self, parameters, context),
        )
        self._report(plan, feedback)
        with Outputs(self, parameters, context, feedback) as out:
            out.areas("GAPS", plan.gaps, fields(GAP_ATTRIBUTES), crs, style="gaps")
            out.lines(params.OUTPUT, plan.lines, fields(LINE_ATTRIBUTES), crs,
                      style="planned_lanes")
            write_gpx(out, plan.lines, crs, tr("Next outing"))
            out.results.update(
                GAPS_COUNT=len(plan.gaps), GAP_AREA=plan.gap_before, GAP_AREA_AFTER=plan.gap_after,
                MEAN_UNCERTAINTY=plan.mean_before, MEAN_UNCERTAINTY_AFTER=plan.mean_after,
                ALLOWED_UNCERTAINTY=plan.limit, LANES=plan.lanes, LANE_M=plan.lane_m,
                TOTAL_M=plan.lane_m + plan.transit_m, MINUTES=plan.minutes,
                SPACING_M=plan.spacing,
            )
        return out.results

    @staticmethod
    def _report(plan, feedback):
        say = feedback.pushInfo
        say(tr("The interval allows a standard uncertainty of {:.2f} m ({:.2f} ft).").format(
            plan.limit, plan.limit / FOOT))
        if plan.noise > plan.limit:
            feedback.pushWarning(
                tr("At the soundings themselves it is {:.2f} m ({:.2f} ft): no number of lanes "
                   "supports this interval. Gaps are shown where more than that is missing; see "
                   "Uncertainty budget for what could be better.").format(
                    plan.noise, plan.noise / FOOT))
        if not plan.gap_before > 0:
            say(tr("No gaps. No outing is needed for this interval, or none would help it."))
            return
        say(tr("{:.1f} ha ({:.1f} acres) of gaps, of which {} are listed; {} are too small or too "
               "near the shore for a lane.").format(
            plan.gap_before / 1e4, plan.gap_before / ACRE, len(plan.gaps), plan.left_over))
        if not plan.lanes:
            say(tr("None of them is wide enough, and far enough from the shore, for a lane."))
            return
        say(tr("{} lanes {}, ways between them {}; {} on the water.").format(
            plan.lanes, way(plan.lane_m), way(plan.transit_m), clock(plan.minutes)))
        say(tr("Expected mean standard uncertainty: {:.3f} m ({:.2f} ft) now, {:.3f} m ({:.2f} ft) "
               "after it.").format(plan.mean_before, plan.mean_before / FOOT, plan.mean_after,
                                   plan.mean_after / FOOT))
        say(cautions())
