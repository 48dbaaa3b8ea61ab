"""Smooth surface."""

import math

from qgis.core import QgsProcessingOutputNumber
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._i18n import tr
from . import _gridding

SMOOTHING = "SMOOTHING"


class SmoothSurface(_gridding.GriddingAlgorithm):
    NAME = "smoothsurface"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Smooth surface")
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "spline,thin plate,minimum curvature,interpolate,grid,depth,bathymetry"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Depth surface that bends as little as the soundings and their noise allow, with its "
        "standard uncertainty and the distance to the nearest sounding as bands 2 and 3. The most "
        "accurate choice for lanes over humps, holes and drop-offs; on a very rough bottom it is "
        "about as good as a TIN.\n\n"
        "Each sounding counts by its uncertainty (uncert_m). The surface is stiffer along the "
        "strike of the bottom than across it, so that a drop-off seen on two lanes runs straight "
        "from one to the other. How smooth and how stiff is chosen by leaving out every third lane "
        "and predicting it. The misfit there is reported: it is the error to expect if lanes were "
        "twice as far apart, and holds the noise of the soundings, so that the surface itself is "
        "better.\n\n"
        "The shoreline counts as zero depth and as the edge of the lake; nothing is carried across "
        "land. Across break-lines the surface may bend freely. Cells farther than the maximum gap "
        "from every sounding stay empty. The surface is never deeper than the deepest sounding, "
        "nor above the shore or the shoalest sounding.",
    ) + "\n\n" + _gridding.UNCERTAINTY_HELP
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Briggs (1974), Geophysics 39(1), 39-48; Wahba (1990), Spline Models for Observational "
        "Data, SIAM; Bornemann and Deuflhard (1996), Numerische Mathematik 75, 135-152; Roberts et "
        "al. (2017), Ecography 40(8), 913-929",
    )

    METHOD = "smooth"
    LABEL = QT_TRANSLATE_NOOP("@default", "Depth surface (smooth)")

    def own_parameters(self):
        return [
            _gridding.break_lines(
                tr("Lines across which the surface may bend freely, such as the crest of a "
                   "drop-off.")
            ),
            params.distance(
                SMOOTHING, tr("Smoothing (m)"), None,
                tr("Length of forms along the lanes whose height is halved: longer ones are kept, "
                   "shorter ones are taken for noise. 0 draws the surface through the soundings. "
                   "Left empty, it is chosen from the data."),
                optional=True,
            ),
        ]  # fmt: skip

    def initAlgorithm(self, configuration=None):
        super().initAlgorithm(configuration)
        for name, text in (
            ("SMOOTHING_USED", tr("Smoothing used (m)")),
            ("ALONG_STRIKE", tr("Extra stiffness along strike")),
            ("LANE_OUT_RMSE", tr("Misfit of lanes left out, root mean square (m)")),
        ):
            self.addOutput(QgsProcessingOutputNumber(name, text))

    def options(self, parameters, context):
        return {"smoothing": params.optional_number(self, parameters, SMOOTHING, context)}

    def told(self, learned, feedback):
        fit = learned.fit
        results = {"SMOOTHING_USED": fit.smoothing, "ALONG_STRIKE": fit.along}
        if math.isnan(fit.lane_out_rmse):
            feedback.pushWarning(
                tr("Too few lanes to leave any out: smoothing and uncertainty are common-practice "
                   "values, not learnt from this survey.")
            )
        else:
            results["LANE_OUT_RMSE"] = fit.lane_out_rmse
            feedback.pushInfo(
                tr("Smoothing {:.1f} m; {:g} times stiffer along the strike of the bottom. Every "
                   "third lane left out is predicted to {:.2f} m (root mean square): the error to "
                   "expect at twice the lane spacing, with the noise of the soundings.").format(
                    fit.smoothing, 1.0 + fit.along, fit.lane_out_rmse
                )
            )
        return results
