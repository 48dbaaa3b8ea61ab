"""Survey gaps and next outing."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.units import ACRE, FOOT
from ._planning import (
    add_boat,
    cautions,
    check_raster_place,
    clock,
    fields,
    gpx_file,
    launch,
    read_boat,
    way,
    write_gpx,
)


class NextOuting(LakefloorAlgorithm):
    NAME = "nextouting"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Survey gaps and next outing")
    GROUP = "plan"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "survey gaps,data gaps,missing data,holidays,coverage,uncertainty,survey plan,"
        "survey planning,lanes,transects,trips,outings,routes,GPX,launch,boat ramp",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Shows where the surface is too uncertain for the contour interval that you want. It plans "
        "lanes that lower the uncertainty most in the time that you have, from the launch point "
        "and back.\n\n"
        "Survey gaps have the fields rank, area_m2, uncert_m, uncert_max_m, distance_max_m, slope_pct, "
        "gain_m3, lanes_m, after_m and why. Lanes have the fields of 'Survey lanes', and gain_m3. "
        "A gain is the standard uncertainty that a lane takes away, times the area. Places that "
        "are steep, or on a breakline or transition, count double.\n\n"
        "The surface needs an uncertainty band and a distance band. Weather, rocks, other boats "
        "and local rules come first. Plans are not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Golden, Levy and Vohra (1987), Naval Research Logistics 34(3), 307-318; Nemhauser, Wolsey "
        "and Fisher (1978), Mathematical Programming 14, 265-294; United States National Map "
        "Accuracy Standards (1947)",
    )

    NUMBERS = {
        "GAPS_COUNT": QT_TRANSLATE_NOOP("@default", "Number of gaps"),
        "GAP_AREA": QT_TRANSLATE_NOOP("@default", "Gap area (m²)"),
        "GAP_AREA_AFTER": QT_TRANSLATE_NOOP("@default", "Expected gap area (m²)"),
        "MEAN_UNCERTAINTY": QT_TRANSLATE_NOOP("@default", "Mean standard uncertainty (m)"),
        "MEAN_UNCERTAINTY_AFTER": QT_TRANSLATE_NOOP("@default", "Expected mean uncertainty (m)"),
        "ALLOWED_UNCERTAINTY": QT_TRANSLATE_NOOP("@default", "Allowed standard uncertainty (m)"),
        "LANES": QT_TRANSLATE_NOOP("@default", "Number of lanes"),
        "LANE_M": QT_TRANSLATE_NOOP("@default", "Length of the lanes (m)"),
        "TOTAL_M": QT_TRANSLATE_NOOP("@default", "Length of the whole path (m)"),
        "MINUTES": QT_TRANSLATE_NOOP("@default", "Time on the water (min)"),
        "LANE_SPACING_USED": QT_TRANSLATE_NOOP("@default", "Lane spacing (m)"),
    }
    FORM = ("INPUT", "SHORELINE", "LAUNCH", "TIME", "OUTPUT", "GAPS", "GPX")

    def declare(self):
        add, kind = self.addParameter, QgsProcessing.SourceType
        add(params.surface())
        add(
            params.number(
                "INTERVAL",
                tr("Contour interval (depth unit)"),
                1.0,
                tr("Contour interval that you want the map to support."),
                minimum=0.001,
            )
        )
        add(params.depth_unit())
        add(launch(optional=False))
        add(
            params.number(
                "TIME",
                tr("Time on the water (min)"),
                60.0,
                tr("Time from the launch point and back, with turns."),
                minimum=1.0,
            )
        )
        add(
            params.helped(
                params.shoreline(),
                tr(
                    "Polygon of the lake at the lake datum, with islands as holes. Water that the "
                    "surface does not cover is a gap. If empty, the outline of the surface is the "
                    "shore."
                ),
            )
        )
        for name, label in (
            ("BREAKLINES", tr("Breaklines")),
            ("TRANSITIONS", tr("Hard-soft transitions")),
        ):
            add(
                params.helped(
                    QgsProcessingParameterFeatureSource(
                        name, label, [kind.TypeVectorLine], optional=True
                    ),
                    tr(
                        "Places within a lane spacing of these lines count double. If empty, only steep "
                        "places do."
                    ),
                )
            )
        add(
            params.distance(
                "LANE_SPACING",
                tr("Lane spacing (m)"),
                None,
                tr("Lane spacing of this outing. If empty, it is half that of the surface."),
                optional=True,
                minimum=0.1,
            )
        )
        add(
            params.number(
                "MIN_DEPTH",
                tr("Shallowest depth (m)"),
                0.6,
                tr(
                    "Water that the surface shows as shallower is not entered. Many sounders read "
                    "nothing in less than 1 m."
                ),
                minimum=0.0,
            )
        )
        add_boat(self)
        add(
            QgsProcessingParameterFeatureSink(
                params.OUTPUT, tr("Lanes of the next outing"), kind.TypeVectorLine
            )
        )
        add(QgsProcessingParameterFeatureSink("GAPS", tr("Survey gaps"), kind.TypeVectorPolygon))
        add(gpx_file())

    def compute(self, inputs, outputs):
        from ..core.plan.next_outing import LINE_ATTRIBUTES, next_outing
        from ..core.plan.survey_gaps import GAP_ATTRIBUTES

        check_raster_place(inputs)
        surface, crs, _ = inputs.surface()
        plan = next_outing(
            surface,
            interval_m=inputs.depth("INTERVAL"),
            launch=inputs.point("LAUNCH", crs),
            minutes=inputs.number("TIME"),
            lake=inputs.polygon(crs=crs),
            spacing=inputs.number("LANE_SPACING"),
            structure=inputs.lines("BREAKLINES", crs) + inputs.lines("TRANSITIONS", crs),
            unit=inputs.unit(),
            progress=inputs.progress,
            boat=read_boat(inputs),
        )
        _report(inputs, plan)
        outputs.areas("GAPS", plan.gaps, fields(GAP_ATTRIBUTES), crs, style="gaps")
        outputs.lines(
            params.OUTPUT, plan.lines, fields(LINE_ATTRIBUTES), crs, style="planned_lanes"
        )
        write_gpx(outputs, plan.lines, crs, tr("Next outing"))
        return {
            "GAPS_COUNT": len(plan.gaps),
            "GAP_AREA": plan.gap_before,
            "GAP_AREA_AFTER": plan.gap_after,
            "MEAN_UNCERTAINTY": plan.mean_before,
            "MEAN_UNCERTAINTY_AFTER": plan.mean_after,
            "ALLOWED_UNCERTAINTY": plan.limit,
            "LANES": plan.lanes,
            "LANE_M": plan.lane_m,
            "TOTAL_M": plan.lane_m + plan.transit_m,
            "MINUTES": plan.minutes,
            "LANE_SPACING_USED": plan.spacing,
        }


def _report(inputs, plan):
    inputs.say(
        tr("The contour interval allows a standard uncertainty of {:.2f} m ({:.2f} ft).").format(
            plan.limit, plan.limit / FOOT
        )
    )
    if plan.noise > plan.limit:
        inputs.warn(
            tr(
                "At the soundings it is {:.2f} m ({:.2f} ft), so no number of lanes supports "
                "this interval. Gaps are shown where it is clearly more than that. Run "
                "'Uncertainty budget' to see what can be improved."
            ).format(plan.noise, plan.noise / FOOT)
        )
    if not plan.gap_before > 0:
        inputs.say(
            tr("There are no gaps. No outing is needed for this interval, or none would help.")
        )
        return
    for line in (
        tr("Gap area: {:.1f} ha ({:.1f} acres).").format(
            plan.gap_before / 1e4, plan.gap_before / ACRE
        ),
        tr("Gaps listed: {}.").format(len(plan.gaps)),
        tr("Gaps too small or too near the shore for a lane: {}.").format(plan.left_over),
    ):
        inputs.say(line)
    if not plan.lanes:
        inputs.say(tr("No gap is wide enough, and far enough from the shore, for a lane."))
        return
    for line in (
        tr("Lanes: {}, {}.").format(plan.lanes, way(plan.lane_m)),
        tr("Transits: {}.").format(way(plan.transit_m)),
        tr("Time on the water: {}.").format(clock(plan.minutes)),
        tr(
            "Mean standard uncertainty: {:.3f} m ({:.2f} ft) now, {:.3f} m ({:.2f} ft) expected "
            "after the outing."
        ).format(
            plan.mean_before, plan.mean_before / FOOT, plan.mean_after, plan.mean_after / FOOT
        ),
    ):
        inputs.say(line)
    inputs.say(cautions())
