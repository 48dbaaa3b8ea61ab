"""Bottom forms."""

from qgis.core import QgsProcessingParameterFeatureSink, QgsProcessingParameterRasterDestination
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.errors import LakefloorError
from ..core.structure.structure_names import FORM_ATTRIBUTES, FORMS

FIELDS = [
    (name, {"form": "text", "name": "text", "number": "int"}.get(name, "double"))
    for name in FORM_ATTRIBUTES
]
BANDS = ("bottom form (code)", "position, fine (m)", "position, broad (m)")


def _count(form: str) -> str:
    """Return the name of the output with the number of a form, e.g. INSIDE_TURNS."""
    return f"{form}s".upper().replace(" ", "_")


class BottomForms(LakefloorAlgorithm):
    NAME = "bottomforms"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Bottom forms")
    GROUP = "structure"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "point,points,inside turn,inside turns,hump,humps,hole,holes,saddle,"
        "saddles,flat,flats,steep break,basin,basins,sunken island,bar,reef,"
        "shoal,structure,landform,landforms,bottom form,bathymetric position index,"
        "BPI,TPI,depressions",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Finds the forms of the bottom and names them: points, inside turns, humps, holes, "
        "saddles, flats, steep breaks and basins. Use it to see where structure lies. Forms that "
        "the surface's uncertainty does not support are not drawn, nor anything narrower than "
        "about the lane spacing.\n\n"
        "Fields: form, number (1 is the largest), name, depths, relief_m, area_m2, length_m, "
        "orientation_deg, slope_pct, confidence (0 to 1), and the position of the spot to go to. "
        "Forms may overlap.\n\n"
        "The raster has one code per cell, from 1 (point) in the order above to 8 (basin).\n\n"
        "Depth must be in meters. Not for navigation: rocks may stand higher than any hump drawn.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Prominence after Edelsbrunner, Letscher and Zomorodian (2002), Discrete and "
        "Computational Geometry 28(4), 511-533. Top-hats after Rodriguez et al. (2002), "
        "Geophysical Research Letters 29(6), 1085. Chords after Soille and Talbot (2001), IEEE "
        "Transactions on Pattern Analysis and Machine Intelligence 23(11), 1313-1329. Bathymetric "
        "position after Lundblad et al. (2006), Marine Geodesy 29(2), 89-111",
    )

    NUMBERS = {
        **{_count(form): f"Number of {form}s" for form in FORMS},
        "FINE_RADIUS_M": QT_TRANSLATE_NOOP("@default", "Fine radius used (m)"),
        "BROAD_RADIUS_M": QT_TRANSLATE_NOOP("@default", "Broad radius used (m)"),
    }

    def declare(self):
        self.addParameter(params.surface())
        self.addParameter(
            params.number(
                "MIN_RELIEF",
                tr("Minimum relief (m)"),
                0.3,
                tr(
                    "A form stands out by at least this much. 0.3 m is about 1 foot. Forms that the "
                    "surface's uncertainty does not support are always left out."
                ),
                minimum=0.001,
            )
        )
        self.addParameter(
            params.depth_unit(
                tr("Depth unit"), tr("Unit of the labels on the map. Fields stay in meters.")
            )
        )
        self.addParameter(
            params.distance(
                "FINE_RADIUS",
                tr("Fine radius (m)"),
                None,
                tr(
                    "Anything narrower than about this counts as noise. If empty, it is the largest "
                    "of the lane spacing, five cells and 10 m. The lane spacing is known from a "
                    "Lakefloor surface."
                ),
                optional=True,
                advanced=True,
                minimum=0.01,
            )
        )
        self.addParameter(
            params.distance(
                "BROAD_RADIUS",
                tr("Broad radius (m)"),
                None,
                tr(
                    "Contours of points and inside turns bend more sharply than a circle of this "
                    "radius. Holes are narrower than twice the radius. If empty, it is five fine "
                    "radii, at least 100 m, but at most 0.4 of the largest distance from the "
                    "edge."
                ),
                optional=True,
                advanced=True,
                minimum=0.01,
            )
        )
        for name, label, default, text in (
            (
                "STEEP_SLOPE",
                tr("Minimum slope of steep breaks (%)"),
                10.0,
                tr("A steep break is at least this steep. 100% is 45 degrees."),
            ),
            (
                "FLAT_SLOPE",
                tr("Maximum slope of flats (%)"),
                3.0,
                tr("Flats and the floors of basins are not steeper. 3% is 3 feet in 100 feet."),
            ),
        ):
            self.addParameter(
                params.number(name, label, default, text, minimum=0.01, advanced=True)
            )
        self.addParameter(QgsProcessingParameterFeatureSink(params.OUTPUT, tr("Bottom forms")))
        self.addParameter(
            QgsProcessingParameterRasterDestination(
                "OUTPUT_RASTER", tr("Bottom forms (raster)"), optional=True, createByDefault=True
            )
        )

    def check(self, inputs):
        fine, broad = (inputs.number(name) for name in ("FINE_RADIUS", "BROAD_RADIUS"))
        if fine and broad and broad <= fine:
            raise LakefloorError(
                tr("The broad radius must be above the fine radius. Enlarge the broad radius.")
            )

    def compute(self, inputs, outputs):
        from ..core.structure.bottom_forms import bottom_forms

        surface, crs, metadata = inputs.surface()
        areas, codes, fine, broad, radii = bottom_forms(
            surface,
            fine_m=inputs.number("FINE_RADIUS"),
            broad_m=inputs.number("BROAD_RADIUS"),
            min_relief_m=inputs.number("MIN_RELIEF"),
            steep_percent=inputs.number("STEEP_SLOPE"),
            flat_percent=inputs.number("FLAT_SLOPE"),
            progress=inputs.progress,
        )
        found = areas.attributes["form"]
        counts = {form: found.count(form) for form in FORMS}
        inputs.say(tr("Fine radius {:.0f} m, broad radius {:.0f} m.").format(*radii))
        inputs.say(", ".join(f"{form}: {n}" for form, n in counts.items()) + ".")
        if not len(areas):
            inputs.say(
                tr(
                    "No form stands out by the minimum relief and by what the surface's uncertainty "
                    "supports. Try a smaller minimum relief."
                )
            )
        if surface.uncertainty is None:
            inputs.say(
                tr("The raster has no uncertainty band, so its own roughness is used instead.")
            )
        unit = inputs.unit()
        legend = {f"FORM_{i}": form for i, form in enumerate(FORMS, start=1)}
        outputs.raster(
            "OUTPUT_RASTER",
            [codes, fine, broad],
            BANDS,
            crs,
            {**metadata, **legend},
            style="bottom_form_codes",
        )
        outputs.areas(params.OUTPUT, areas, FIELDS, crs, style="bottom_forms", unit=unit)
        return {
            **{_count(form): n for form, n in counts.items()},
            "FINE_RADIUS_M": radii[0] if radii[0] == radii[0] else None,
            "BROAD_RADIUS_M": radii[1] if radii[1] == radii[1] else None,
        }
