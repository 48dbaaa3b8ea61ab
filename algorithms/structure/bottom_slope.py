"""Bottom slope."""

import numpy as np
from qgis.core import QgsProcessingParameterRasterDestination
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params

EIGHT, FOUR = "eight neighbors", "four neighbors"
#: Formula of :func:`..core.terrain.slope` by what the user chooses.
FORMULAS = {EIGHT: "horn", FOUR: "zevenbergen"}


class BottomSlope(LakefloorAlgorithm):
    NAME = "bottomslope"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Bottom slope")
    GROUP = "structure"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "slope,slopes,gradient,grade,steepness,steep,incline,drop-off,drop off,dropoff,shelf,"
        "depth,relief,terrain",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Calculates how steep the bottom is in every cell of a depth surface. Use it to find "
        "shelves and drop-offs at a glance. Band 1 is the slope in degrees, band 2 in percent "
        "(100% is 45 degrees).\n\n"
        "Depth must be in meters on a metric grid. The outer ring of cells has no slope, because "
        "a slope needs all eight neighbors.\n\n"
        "A sounder's beam and the gaps between lanes round off steep faces. The real bottom is at "
        "least as steep as shown.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Horn (1981), Proceedings of the IEEE 69(1), 14-47. Zevenbergen and Thorne (1987), Earth "
        "Surface Processes and Landforms 12(1), 47-56",
    )

    NUMBERS = {
        "MAX_SLOPE": QT_TRANSLATE_NOOP("@default", "Maximum slope (%)"),
        "MEAN_SLOPE": QT_TRANSLATE_NOOP("@default", "Mean slope (%)"),
    }

    def declare(self):
        self.addParameter(params.surface())
        self.addParameter(
            params.choice(
                "METHOD",
                tr("Method"),
                {EIGHT: tr("smoother, for noisy surfaces"), FOUR: tr("sharper edges")},
                EIGHT,
                tr("Cells around each cell from which its slope is calculated."),
                former={"horn": EIGHT, "zevenbergen": FOUR},
                advanced=True,
            )
        )
        self.addParameter(
            QgsProcessingParameterRasterDestination(params.OUTPUT, tr("Bottom slope"))
        )

    def compute(self, inputs, outputs):
        from ..core.terrain import slope

        surface, crs, metadata = inputs.surface()
        formula = FORMULAS[inputs.choice("METHOD")]
        degrees, percent = slope(surface.depth, formula, inputs.progress)
        known = percent.values[np.isfinite(percent.values)]
        outputs.raster(
            params.OUTPUT,
            [degrees, percent],
            ("slope (degrees)", "slope (percent)"),
            crs,
            metadata,
            style="slope",
        )
        return {
            "MAX_SLOPE": float(known.max()) if known.size else None,
            "MEAN_SLOPE": float(known.mean()) if known.size else None,
        }
