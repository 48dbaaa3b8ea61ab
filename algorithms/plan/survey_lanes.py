"""Survey lanes."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.layer_crs import metric_crs
from ..core.units import FOOT
from ._planning import (
    add_boat,
    cautions,
    check_polygon_place,
    clock,
    fields,
    gpx_file,
    launch,
    read_boat,
    way,
    write_gpx,
)


class SurveyLanes(LakefloorAlgorithm):
    NAME = "surveylanes"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Survey lanes")
    GROUP = "plan"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "lanes,survey lines,tracklines,track lines,transects,cross-lines,crosslines,cross lines,"
        "lane spacing,line spacing,survey plan,survey planning,coverage,mowing the lawn,"
        "lawnmower pattern,routes,GPX,fuel,heading",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Plans parallel lanes and cross-lines over a lake or a part of it, in an order that saves "
        "fuel. Use it before you survey.\n\n"
        "If you give no lane spacing, it follows from the smallest hump or hole to find and the "
        "contour interval. Lanes run across the contours of an older map, if you give one. "
        "Otherwise they run along the longer axis of the area.\n\n"
        "Fields: leg (driving order), kind (lane, cross-line or transit), lane (its number), "
        "heading_deg (from grid north), length_m, minutes and elapsed_min (since the start).\n\n"
        "Lanes stay off the shore, and off shallows that the older depth surface shows. Weather, "
        "rocks, other boats and local rules come first. Plans are not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Choset (2001), Annals of Mathematics and Artificial Intelligence 31, 113-126; Or (1976), "
        "Ph.D. thesis, Northwestern University; Lozano-Perez and Wesley (1979), Communications of "
        "the ACM 22(10), 560-570; spacing: Davis (1975), Interpolation and Approximation, theorem "
        "3.1.1",
    )

    NUMBERS = {
        "LANE_SPACING_USED": QT_TRANSLATE_NOOP("@default", "Lane spacing (m)"),
        "HEADING_DEG": QT_TRANSLATE_NOOP("@default", "Heading of the lanes (degrees)"),
        "LANES": QT_TRANSLATE_NOOP("@default", "Number of lanes"),
        "CROSS_LINES": QT_TRANSLATE_NOOP("@default", "Number of cross-lines"),
        "LANE_M": QT_TRANSLATE_NOOP("@default", "Length of the lanes (m)"),
        "CROSS_LINE_M": QT_TRANSLATE_NOOP("@default", "Length of the cross-lines (m)"),
        "TRANSIT_M": QT_TRANSLATE_NOOP("@default", "Length of the transits (m)"),
        "TOTAL_M": QT_TRANSLATE_NOOP("@default", "Length of the whole path (m)"),
        "MIN_TOTAL_M": QT_TRANSLATE_NOOP("@default", "Minimum length of any order (m)"),
        "MINUTES": QT_TRANSLATE_NOOP("@default", "Time on the water (min)"),
    }
    FORM = ("INPUT", "SHORELINE", "MIN_WIDTH", "MIN_HEIGHT", "LAUNCH", "OUTPUT", "GPX")

    def declare(self):
        add, kind = self.addParameter, QgsProcessing.SourceType
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    params.INPUT, tr("Area to survey"), [kind.TypeVectorPolygon]
                ),
                tr("Polygon of the lake or a part of it, with islands as holes."),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    params.SHORELINE, tr("Shoreline"), [kind.TypeVectorPolygon], optional=True
                ),
                tr(
                    "Polygon of the water in which lanes and transits stay. If empty, they stay in the "
                    "area to survey."
                ),
            )
        )
        add(
            params.distance(
                "MIN_WIDTH",
                tr("Minimum width to find (m)"),
                40.0,
                tr("Width from foot to foot of the smallest hump or hole to find."),
                minimum=0.1,
            )
        )
        add(
            params.distance(
                "MIN_HEIGHT",
                tr("Minimum height to find (m)"),
                1.0,
                tr(
                    "Height from foot to top of the smallest hump or hole to find. 1 m is about "
                    "3 feet."
                ),
                minimum=0.01,
            )
        )
        add(
            params.number(
                "INTERVAL",
                tr("Contour interval (depth unit)"),
                1.0,
                tr("Contour interval of the map that you want to make."),
                minimum=0.001,
            )
        )
        add(params.depth_unit())
        add(
            params.distance(
                "LANE_SPACING",
                tr("Lane spacing (m)"),
                None,
                tr(
                    "If empty, it follows from the minimum width and height and the contour interval."
                ),
                optional=True,
                minimum=0.1,
            )
        )
        add(
            params.number(
                "HEADING",
                tr("Heading of the lanes (degrees)"),
                None,
                tr(
                    "Clockwise from grid north. If empty, lanes run across the contours of the older "
                    "map or depth surface, else along the longer axis of the area."
                ),
                minimum=0.0,
                maximum=360.0,
                optional=True,
            )
        )
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    "OLDER_CONTOURS",
                    tr("Contours of an older map"),
                    [kind.TypeVectorLine],
                    optional=True,
                ),
                tr("They only set the heading. If empty, the older depth surface sets it."),
            )
        )
        add(
            params.helped(
                params.surface("OLDER_SURFACE", tr("Older depth surface"), optional=True),
                tr(
                    "Raster whose band 1 is depth in meters, positive down. It sets the heading and "
                    "shows shallows. If empty, no shallows are known."
                ),
            )
        )
        add(
            params.number(
                "MIN_DEPTH",
                tr("Shallowest depth (m)"),
                0.6,
                tr(
                    "Water that the older depth surface shows as shallower is not entered. Many "
                    "sounders read nothing in less than 1 m."
                ),
                minimum=0.0,
            )
        )
        add(
            params.number(
                "CROSS_LINE_PERCENTAGE",
                tr("Cross-lines (% of lane length)"),
                10.0,
                tr(
                    "Length of the cross-lines in percent of that of the lanes. 5 to 10 are common "
                    "practice, 0 plans none."
                ),
                minimum=0.0,
                maximum=100.0,
            )
        )
        add(launch(optional=True))
        add_boat(self)
        add(
            QgsProcessingParameterFeatureSink(
                params.OUTPUT, tr("Survey lanes"), kind.TypeVectorLine
            )
        )
        add(gpx_file())

    def compute(self, inputs, outputs):
        from ..core.plan.driving import ATTRIBUTES
        from ..core.plan.survey_lanes import survey_lanes

        check_polygon_place(inputs)
        depth, crs = _older_depth(inputs)
        plan = survey_lanes(
            inputs.polygon(params.INPUT, crs, of_lake=False),
            spacing=inputs.number("LANE_SPACING"),
            to_find=(
                inputs.number("MIN_WIDTH"),
                inputs.number("MIN_HEIGHT"),
                inputs.depth("INTERVAL"),
            ),
            heading=inputs.number("HEADING"),
            lake=inputs.polygon(crs=crs),
            contours=inputs.lines("OLDER_CONTOURS", crs),
            depth=depth,
            cross_share=inputs.number("CROSS_LINE_PERCENTAGE") / 100.0,
            launch=inputs.point("LAUNCH", crs),
            progress=inputs.progress,
            boat=read_boat(inputs),
        )
        _report(inputs, plan)
        outputs.lines(params.OUTPUT, plan.lines, fields(ATTRIBUTES), crs, style="planned_lanes")
        write_gpx(outputs, plan.lines, crs, tr("Survey lanes"))
        return {
            "LANE_SPACING_USED": plan.spacing,
            "HEADING_DEG": plan.heading,
            "LANES": plan.lanes,
            "CROSS_LINES": plan.cross_lines,
            "LANE_M": plan.lane_m,
            "CROSS_LINE_M": plan.cross_m,
            "TRANSIT_M": plan.transit_m,
            "TOTAL_M": plan.total_m,
            "MIN_TOTAL_M": plan.least_m,
            "MINUTES": plan.minutes,
        }


def _older_depth(inputs) -> tuple:
    """Return the older depths or None, and the metric CRS to plan in."""
    if inputs.given("OLDER_SURFACE"):
        surface, crs, _ = inputs.surface("OLDER_SURFACE")
        return surface.depth, crs
    area = inputs.source()
    return None, metric_crs(
        area.sourceCrs(), area.sourceExtent(), area.sourceName(), inputs.feedback
    )


def _report(inputs, plan):
    inputs.say(
        tr("Lanes {:.1f} m ({:.0f} ft) apart, heading {:.0f} or {:.0f} degrees.").format(
            plan.spacing, plan.spacing / FOOT, plan.heading, plan.heading + 180.0
        )
    )
    inputs.say(
        tr("Lanes: {}, {}. Cross-lines: {}, {}. Transits: {}.").format(
            plan.lanes, way(plan.lane_m), plan.cross_lines, way(plan.cross_m), way(plan.transit_m)
        )
    )
    inputs.say(
        tr(
            "The whole path is {}, {} on the water. No order of these lanes is shorter than {}. "
            "This one is {:.1f}% longer than that."
        ).format(
            way(plan.total_m),
            clock(plan.minutes),
            way(plan.least_m),
            100.0 * (plan.total_m / plan.least_m - 1.0),
        )
    )
    if plan.dropped:
        inputs.say(
            tr("Pieces shorter than half the lane spacing are left out: {}, {:.0f} m.").format(
                plan.dropped, plan.dropped_m
            )
        )
    if plan.unreached:
        inputs.warn(
            tr(
                "Lanes left out because no transit to them stays off the shore and shallows: "
                "{}, {}. For these, give a smaller shore buffer or minimum depth."
            ).format(plan.unreached, way(plan.unreached_m))
        )
    inputs.say(cautions())
