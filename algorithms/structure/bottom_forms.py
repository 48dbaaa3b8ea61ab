"""Bottom forms."""

from qgis.core import (
    QgsProcessingOutputNumber,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterRasterDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import read_raster
from .._outputs import Outputs
from ..core.errors import LakefloorError
from ..core.structure.bottom_forms import ATTRIBUTES, FORMS, bottom_forms

FIELDS = [
    (name, {"form": "text", "name": "text", "number": "int"}.get(name, "double"))
    for name in ATTRIBUTES
]
BANDS = ("bottom form (code)", "position, fine (m)", "position, broad (m)")


class BottomForms(LakefloorAlgorithm):
    NAME = "bottomforms"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Bottom forms")
    GROUP = "structure"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "point,inside turn,hump,hole,saddle,flat,steep break,basin,structure,landform,"
        "position index,BPI,TPI",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Finds the forms of the bottom and names them as the trade does. A point runs out from "
        "the shore or a flat into deeper water; an inside turn is where deeper water turns in. A "
        "hump is closed by deeper water all round, a hole by shallower; a saddle is the pass over "
        "a neck to a hump, or between two holes. Steep breaks, flats and basins go by slope: a "
        "basin's rim rises all round, a flat's does not.\n\n"
        "Fields: form, number (1 has the greatest relief, of flats and basins the greatest area), "
        "name; top_depth_m and bottom_depth_m, the least and the greatest depth; saddle_depth_m, "
        "the depth to which a hump or a hole is closed; relief_m; area_m2; length_m and "
        "orientation_deg of the long axis, from north clockwise, of points and inside turns the "
        "direction towards deep water; slope_pct, the mean slope; confidence 0 to 1, from the "
        "relief against the uncertainty of the surface and from how much of the rim lies at gaps "
        "in the data; spot_x and spot_y, the spot to go to. Forms may overlap: a steep break runs "
        "on around a point. The raster has one code a cell: 1 point, 2 inside turn, 3 hump, "
        "4 hole, 5 saddle, 6 flat, 7 steep break, 8 basin, 0 none; its other bands are the "
        "bathymetric position at the fine and the broad radius, positive on rises.\n\n"
        "What the surface's uncertainty does not support is not drawn: relief must be twice the "
        "standard deviation of the difference of the depths that make it, about three times that "
        "of one depth (points and inside turns 2.5 times). Nor is anything narrower than about the "
        "lane spacing, nor a point that runs out less than about half of it. At the edge of the "
        "data a rise counts as no hump and a hollow as no hole, for nobody has seen them closed. "
        "Depth must be in metres. Not for navigation: rocks may stand higher than any hump "
        "drawn.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "prominence after Edelsbrunner, Letscher and Zomorodian (2002), Discrete and "
        "Computational Geometry 28(4), 511-533; top-hats after Rodriguez et al. (2002), "
        "Geophysical Research Letters 29(6), 1085, by chords after Soille and Talbot (2001), IEEE "
        "Transactions on Pattern Analysis and Machine Intelligence 23(11), 1313-1329; bathymetric "
        "position after Lundblad et al. (2006), Marine Geodesy 29(2), 89-111",
    )

    def initAlgorithm(self, configuration=None):
        self.addParameter(params.surface())
        self.addParameter(
            params.number(
                "MIN_RELIEF", tr("Least relief (m)"), 0.3,
                tr("How far a form stands out at least; 0.3 m is about 1 foot. What the surface's "
                   "uncertainty does not support is left out in any case."),
                minimum=0.001,
            )
        )
        self.addParameter(params.depth_unit())
        self.addParameter(
            params.distance(
                "FINE", tr("Fine radius (m)"), None,
                tr("What is narrower than about this is not told from noise. Left empty, it is "
                   "the greatest of the lane spacing (known from a Lakefloor surface), five cells "
                   "and 10 m."),
                optional=True, advanced=True, minimum=0.01,
            )
        )
        self.addParameter(
            params.distance(
                "BROAD", tr("Broad radius (m)"), None,
                tr("Depth contours of points and inside turns bend more sharply than a circle of "
                   "this radius, and holes are narrower than twice it; what is wider is the lie "
                   "of the lake. Left empty, it is five fine radii, at least 100 m, but no more "
                   "than 0.4 of the greatest distance from the edge."),
                optional=True, advanced=True, minimum=0.01,
            )
        )
        for name, label, default, text in (
            ("STEEP", tr("Slope of a steep break (%)"), 10.0,
             tr("A steep break is at least this steep; 100 % is 45 degrees.")),
            ("FLAT", tr("Slope of a flat (%)"), 3.0,
             tr("Flats and the floors of basins are no steeper; 3 % is 3 feet in 100.")),
        ):  # fmt: skip
            self.addParameter(
                params.number(name, label, default, text, minimum=0.01, advanced=True)
            )
        self.addParameter(QgsProcessingParameterFeatureSink(params.OUTPUT, tr("Bottom forms")))
        self.addParameter(
            QgsProcessingParameterRasterDestination(
                "OUTPUT_RASTER", tr("Bottom forms (raster)"), optional=True,
                createByDefault=True,
            )
        )
        for form in FORMS:
            self.addOutput(
                QgsProcessingOutputNumber(_count(form), tr("Number: {}").format(form))
            )
        self.addOutput(QgsProcessingOutputNumber("FINE_M", tr("Fine radius used (m)")))
        self.addOutput(QgsProcessingOutputNumber("BROAD_M", tr("Broad radius used (m)")))

    def check(self, parameters, context):
        fine, broad = (
            params.optional_number(self, parameters, name, context) for name in ("FINE", "BROAD")
        )
        if fine and broad and broad <= fine:
            raise LakefloorError(tr("The broad radius must be above the fine radius."))

    def compute(self, parameters, context, feedback):
        layer = self.parameterAsRasterLayer(parameters, params.INPUT, context)
        surface, crs, metadata = read_raster(layer, feedback)
        areas, codes, fine, broad, radii = bottom_forms(
            surface.depth,
            uncertainty=surface.uncertainty,
            distance=surface.distance,
            spacing=surface.spacing,
            fine_m=params.optional_number(self, parameters, "FINE", context),
            broad_m=params.optional_number(self, parameters, "BROAD", context),
            min_relief_m=self.parameterAsDouble(parameters, "MIN_RELIEF", context),
            steep_percent=self.parameterAsDouble(parameters, "STEEP", context),
            flat_percent=self.parameterAsDouble(parameters, "FLAT", context),
            progress=self.progress(feedback),
        )
        found = areas.attributes["form"]
        counts = {form: found.count(form) for form in FORMS}
        feedback.pushInfo(
            tr("Fine radius {:.0f} m, broad radius {:.0f} m.").format(*radii)
            + " " + ", ".join(f"{form}: {n}" for form, n in counts.items()) + "."
        )
        if not len(areas):
            feedback.pushInfo(
                tr("No form stands out as far as asked and as far as the surface's uncertainty "
                   "supports.")
            )
        if surface.uncertainty is None:
            feedback.pushInfo(
                tr("The raster has no band of uncertainty: its own roughness is taken for it.")
            )
        unit = self.parameterAsEnumString(parameters, "UNIT", context)
        legend = {f"FORM_{i}": form for i, form in enumerate(FORMS, start=1)}
        with Outputs(self, parameters, context, feedback) as out:
            out.raster(
                "OUTPUT_RASTER", [codes, fine, broad], BANDS, crs, {**metadata, **legend},
                style="bottom_form_codes",
            )
            out.areas(params.OUTPUT, areas, FIELDS, crs, style="bottom_forms", unit=unit)
            out.results.update({_count(form): n for form, n in counts.items()})
            out.results.update(
                FINE_M=radii[0] if radii[0] == radii[0] else None,
                BROAD_M=radii[1] if radii[1] == radii[1] else None,
            )
        return out.results


def _count(form: str) -> str:
    """Return the name of the output with the number of a form, e.g. INSIDE_TURNS."""
    return f"{form}s".upper().replace(" ", "_")
