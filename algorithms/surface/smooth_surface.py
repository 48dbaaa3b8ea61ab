"""Smooth surface."""

import math

from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._i18n import tr
from .._io import params
from . import _gridding

SMOOTHING = "SMOOTHING"


class SmoothSurface(_gridding.GriddingAlgorithm):
    NAME = "smoothsurface"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Smooth surface")
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "splines,thin plate,thin-plate,minimum curvature,smoothing,interpolation,"
        "interpolate,gridding,grid,raster,depth map,depth surface,lake map,"
        "lake bottom,bathymetry,bathymetric,DEM,breaklines,break-lines,break lines,"
        "digital elevation model,kriging",
    )
    HELP = (
        QT_TRANSLATE_NOOP(
            "@default",
            "Makes a depth surface that bends as little as the soundings and their noise allow. It is "
            "the best choice for lanes over humps, holes and drop-offs. On a very rough bottom a TIN "
            "is about as good.\n\n"
            "The shoreline has zero depth and is the edge of the lake. At breaklines the surface may "
            "bend freely. Cells farther than the search distance from every sounding stay empty.",
        )
        + "\n\n"
        + _gridding.UNCERTAINTY_HELP
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Briggs (1974), Geophysics 39(1), 39-48. Wahba (1990), Spline Models for Observational "
        "Data, SIAM. Bornemann and Deuflhard (1996), Numerische Mathematik 75, 135-152. Roberts et "
        "al. (2017), Ecography 40(8), 913-929",
    )

    METHOD = "smooth"
    LABEL = QT_TRANSLATE_NOOP("@default", "Depth surface (smooth)")

    NUMBERS = {
        **_gridding.GriddingAlgorithm.NUMBERS,
        "SMOOTHING_USED": QT_TRANSLATE_NOOP("@default", "Smoothing used (m)"),
        "ALONG_STRIKE": QT_TRANSLATE_NOOP("@default", "Extra stiffness along strike"),
        "LANE_OUT_RMSE": QT_TRANSLATE_NOOP("@default", "RMS error on lanes left out (m)"),
    }

    def own_parameters(self):
        return [
            _gridding.breaklines(
                tr("The surface may bend freely at these lines, such as the crest of a drop-off.")
            ),
            params.distance(
                SMOOTHING,
                tr("Smoothing (m)"),
                None,
                tr(
                    "Forms of this length along the lanes lose half of their height. Longer forms "
                    "are kept, and shorter ones are removed as noise. 0 draws the surface through "
                    "the soundings. If empty, it is chosen from the data."
                ),
                optional=True,
            ),
        ]

    def options(self, inputs):
        return {"smoothing": inputs.number(SMOOTHING)}

    def report_learned(self, inputs, learned):
        fit = learned.fit
        numbers = {"SMOOTHING_USED": fit.smoothing, "ALONG_STRIKE": fit.along}
        if math.isnan(fit.lane_out_rmse):
            inputs.warn(
                tr(
                    "There are too few lanes to leave any out. Smoothing and uncertainty are usual "
                    "values, not estimated from this survey. Survey more lanes to get better ones."
                )
            )
        else:
            numbers["LANE_OUT_RMSE"] = fit.lane_out_rmse
            for line in (
                tr("Smoothing is {:.1f} m.").format(fit.smoothing),
                tr("Stiffness along the strike of the bottom is {:g} times that across it.").format(
                    1.0 + fit.along
                ),
                tr(
                    "Lanes left out are predicted with an RMS error of {:.2f} m. Expect this error at "
                    "twice the lane spacing."
                ).format(fit.lane_out_rmse),
            ):
                inputs.say(line)
        return numbers
