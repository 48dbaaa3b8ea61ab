"""Bottom slope."""

import numpy as np
from qgis.core import QgsProcessingOutputNumber, QgsProcessingParameterRasterDestination
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import read_raster
from .._outputs import Outputs
from ..core.terrain import slope


class BottomSlope(LakefloorAlgorithm):
    NAME = "bottomslope"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Bottom slope")
    GROUP = "structure"
    TAGS = QT_TRANSLATE_NOOP("@default", "slope,gradient,steepness,depth,terrain")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Steepness of the bottom in every cell: band 1 in degrees, band 2 in percent (100 % is "
        "45 degrees).\n\n"
        "Depth must be in metres on a metric grid. The outer ring of cells has no slope, since a "
        "slope needs all eight neighbours. An echo sounder's beam and the gaps between lanes "
        "round off steep faces: the true bottom is at least as steep as shown.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Horn (1981), Proceedings of the IEEE 69(1), 14-47; Zevenbergen and Thorne (1987), Earth "
        "Surface Processes and Landforms 12(1), 47-56",
    )

    def initAlgorithm(self, configuration=None):
        self.addParameter(params.surface())
        self.addParameter(
            params.choice(
                "METHOD",
                tr("Method"),
                {
                    "horn": tr("eight neighbours, for noisy surfaces"),
                    "zevenbergen": tr("four neighbours, keeps edges sharper"),
                },
                "horn",
                tr("Finite-difference formula."),
                advanced=True,
            )
        )
        self.addParameter(
            QgsProcessingParameterRasterDestination(params.OUTPUT, tr("Bottom slope"))
        )
        self.addOutput(QgsProcessingOutputNumber("MAX_SLOPE", tr("Steepest slope (%)")))
        self.addOutput(QgsProcessingOutputNumber("MEAN_SLOPE", tr("Mean slope (%)")))

    def compute(self, parameters, context, feedback):
        layer = self.parameterAsRasterLayer(parameters, params.INPUT, context)
        surface, crs, metadata = read_raster(layer, feedback)
        method = self.parameterAsEnumString(parameters, "METHOD", context)
        degrees, percent = slope(surface.depth, method, self.progress(feedback))
        known = percent.values[np.isfinite(percent.values)]
        with Outputs(self, parameters, context, feedback) as out:
            out.raster(
                params.OUTPUT, [degrees, percent], ("slope (degrees)", "slope (percent)"), crs,
                metadata, style="slope",
            )
            out.results["MAX_SLOPE"] = float(known.max()) if known.size else None
            out.results["MEAN_SLOPE"] = float(known.mean()) if known.size else None
        return out.results
