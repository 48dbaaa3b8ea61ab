"""Survey lanes."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import metric_crs, optional_source, read_lines, read_polygon, read_raster, source
from .._outputs import Outputs
from ..core.plan.survey_lanes import ATTRIBUTES, survey_lanes
from ..core.units import FOOT
from ._inputs import (
    add_boat,
    add_figures,
    cautions,
    check_polygon_place,
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


class SurveyLanes(LakefloorAlgorithm):
    NAME = "surveylanes"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Survey lanes")
    GROUP = "plan"
    TAGS = QT_TRANSLATE_NOOP("@default", "lane,transect,survey line,cross-line,plan,route,GPX,fuel")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Plans parallel lanes and cross-lines over a lake or a part of it, in an order that saves "
        "fuel, with the ways between them round islands and headlands.\n\n"
        "The spacing follows from the smallest hump or hollow to be found and the contour "
        "interval: no such thing lies between two lanes, and straight lines between lanes are "
        "wrong on it by no more than half an interval. Lanes run across the contours of an older "
        "map or depth surface if you give one, else along the area's longer axis. Cross-lines, "
        "which check the soundings, run at right angles.\n\n"
        "Fields: leg (driving order), kind (lane, cross-line, transit), lane (its number in "
        "driving order), heading_deg (degrees from grid north), length_m, minutes, elapsed_min "
        "since the start.\n\n"
        "Lanes keep the shore buffer off the shore and out of cells that the depth surface shows "
        "as too shallow; where it shows nothing, nothing is known. The log compares the path with "
        "a lower bound that no order of these lanes can fall short of.\n\n"
        "A plan knows nothing of the day: weather, cold water, shallows and rocks that no map "
        "shows, other boats and local rules come first, and whether to go is yours to judge. "
        "Clean, drain and dry the boat between lakes, against invasive species. Not for "
        "navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Choset (2001), Annals of Mathematics and Artificial Intelligence 31, 113-126; Or (1976), "
        "Ph.D. thesis, Northwestern University; Lozano-Perez and Wesley (1979), Communications of "
        "the ACM 22(10), 560-570; spacing: Davis (1975), Interpolation and Approximation, theorem "
        "3.1.1",
    )

    def initAlgorithm(self, configuration=None):
        add, kind = self.addParameter, QgsProcessing.SourceType
        add(params.helped(
            QgsProcessingParameterFeatureSource(
                params.INPUT, tr("Area to survey"), [kind.TypeVectorPolygon]),
            tr("The lake or a part of it, islands as holes."),
        ))
        add(params.helped(
            QgsProcessingParameterFeatureSource(
                params.SHORELINE, tr("Shoreline"), [kind.TypeVectorPolygon], optional=True),
            tr("The water in which lanes and the ways between them stay. Left empty, the area "
               "itself."),
        ))
        add(params.distance(
            "WIDTH", tr("Width of the smallest thing to be found (m)"), 40.0,
            tr("A hump or hollow, from foot to foot."), minimum=0.1,
        ))
        add(params.distance(
            "HEIGHT", tr("Height of the smallest thing to be found (m)"), 1.0,
            tr("From its foot to its top; 1 m is about 3 feet."), minimum=0.01,
        ))
        add(params.number(
            "INTERVAL", tr("Contour interval (unit of the map)"), 1.0,
            tr("Of the map to be drawn."), minimum=0.001,
        ))
        add(params.depth_unit())
        add(params.distance(
            "SPACING", tr("Lane spacing (m)"), None,
            tr("Left empty, it follows from the smallest thing and the contour interval."),
            optional=True, minimum=0.1,
        ))
        add(params.number(
            "HEADING", tr("Heading of the lanes (degrees)"), None,
            tr("Clockwise from grid north. Left empty, across the contours of the older map, else "
               "across those of the depth surface, else along the longer axis of the area."),
            minimum=0.0, maximum=360.0, optional=True,
        ))
        add(params.helped(
            QgsProcessingParameterFeatureSource(
                "CONTOURS", tr("Contours of an older map"), [kind.TypeVectorLine], optional=True),
            tr("They only set the heading."),
        ))
        add(params.surface("DEPTH", tr("Older depth surface"), optional=True))
        add(params.number(
            "MIN_DEPTH", tr("Minimum depth (m)"), 0.6,
            tr("Cells of the older depth surface that are shallower are not entered; many sounders "
               "read nothing in less than 1 m."),
            minimum=0.0,
        ))
        add(params.number(
            "CROSS_LINES", tr("Cross-lines (percent of the lanes' length)"), 10.0,
            tr("5 to 10 percent are common practice; 0 for none."), minimum=0.0, maximum=100.0,
        ))
        add(launch(optional=True))
        add_boat(self)
        add(QgsProcessingParameterFeatureSink(params.OUTPUT, tr("Survey lanes"),
                                              kind.TypeVectorLine))
        add(gpx_file())
        add_figures(self, (
            ("SPACING_M", tr("Lane spacing (m)")),
            ("HEADING_DEG", tr("Heading of the lanes (degrees)")),
            ("LANES", tr("Number of lanes")),
            ("CROSS_LINES_COUNT", tr("Number of cross-lines")),
            ("LANE_M", tr("Length of the lanes (m)")),
            ("CROSS_M", tr("Length of the cross-lines (m)")),
            ("TRANSIT_M", tr("Length of the ways between them (m)")),
            ("TOTAL_M", tr("Length of the whole path (m)")),
            ("LEAST_M", tr("Length that no order of these lanes can fall short of (m)")),
            ("MINUTES", tr("Time on the water (min)")),
        ))

    def compute(self, parameters, context, feedback):
        area_source = source(self, parameters, params.INPUT, context)
        check_polygon_place(area_source, context, feedback)
        layer = self.parameterAsRasterLayer(parameters, "DEPTH", context)
        if layer is not None:
            surface, crs, _ = read_raster(layer, feedback)
            depth = surface.depth
        else:
            depth, crs = None, metric_crs(
                area_source.sourceCrs(), area_source.sourceExtent(), area_source.sourceName(),
                feedback,
            )
        contours = optional_source(self, parameters, "CONTOURS", context)
        lines = read_lines(contours, crs, context, feedback) if contours else ()
        plan = survey_lanes(
            read_polygon(area_source, crs, context, feedback, of_lake=False),
            spacing=params.optional_number(self, parameters, "SPACING", context),
            to_find=(
                self.parameterAsDouble(parameters, "WIDTH", context),
                self.parameterAsDouble(parameters, "HEIGHT", context),
                interval_m(self, parameters, context),
            ),
            heading=params.optional_number(self, parameters, "HEADING", context),
            lake=optional_polygon(self, parameters, params.SHORELINE, crs, context, feedback),
            contours=lines,
            depth=depth,
            cross_share=self.parameterAsDouble(parameters, "CROSS_LINES", context) / 100.0,
            launch=read_launch(self, parameters, context, crs),
            progress=self.progress(feedback),
            **read_boat(self, parameters, context),
        )
        self._report(plan, feedback)
        with Outputs(self, parameters, context, feedback) as out:
            out.lines(params.OUTPUT, plan.lines, fields(ATTRIBUTES), crs, style="planned_lanes")
            write_gpx(out, plan.lines, crs, tr("Survey lanes"))
            out.results.update(
                SPACING_M=plan.spacing, HEADING_DEG=plan.heading, LANES=plan.lanes,
                CROSS_LINES_COUNT=plan.cross_lines, LANE_M=plan.lane_m, CROSS_M=plan.cross_m,
                TRANSIT_M=plan.transit_m, TOTAL_M=plan.total_m, LEAST_M=plan.least_m,
                MINUTES=plan.minutes,
            )
        return out.results

    @staticmethod
    def _report(plan, feedback):
        say = feedback.pushInfo
        say(tr("Lanes {:.1f} m ({:.0f} ft) apart, heading {:.0f} or {:.0f} degrees.").format(
            plan.spacing, plan.spacing / FOOT, plan.heading, plan.heading + 180.0))
        say(tr("{} lanes, {}; {} cross-lines, {}; ways between them {}.").format(
            plan.lanes, way(plan.lane_m), plan.cross_lines, way(plan.cross_m),
            way(plan.transit_m)))
        say(tr("In all {}, {} on the water. No order of these lanes is shorter than {}; this one "
               "is {:.1f}% above that.").format(
            way(plan.total_m), clock(plan.minutes), way(plan.least_m),
            100.0 * (plan.total_m / plan.least_m - 1.0)))
        if plan.dropped:
            say(tr("{} pieces shorter than half the spacing are left out, {:.0f} m in all.").format(
                plan.dropped, plan.dropped_m))
        if plan.unreached:
            feedback.pushWarning(
                tr("{} lanes, {}, lie in water that cannot be reached from the rest without "
                   "entering the shore buffer or shallows; they are left out.").format(
                    plan.unreached, way(plan.unreached_m)))
        say(cautions())
