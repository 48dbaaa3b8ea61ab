"""IDW surface."""

from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._i18n import tr
from . import _gridding


class IdwSurface(_gridding.GriddingAlgorithm):
    NAME = "idwsurface"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "IDW surface")
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "idw,inverse distance,shepard,interpolate,grid,depth,bathymetry"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Depth surface of distance-weighted means of the soundings around each cell, with its "
        "standard uncertainty and the distance to the nearest sounding as bands 2 and 3. Smoother "
        "than a TIN where soundings are noisy or scattered; it rounds off humps and drop-offs "
        "between lanes, where a TIN errs less.\n\n"
        "An equal share of the neighbours is taken from each quarter of the compass, so that the "
        "many pings of one lane do not shut out the next lane. Soundings are first averaged "
        "within squares of a quarter of the lane spacing. The shoreline counts as zero depth and "
        "as the edge of the lake. Cells farther than the maximum gap from every sounding stay "
        "empty.",
    ) + "\n\n" + _gridding.UNCERTAINTY_HELP
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Shepard (1968), Proceedings of the 23rd ACM National Conference, 517-524; Roberts et al. "
        "(2017), Ecography 40(8), 913-929",
    )

    METHOD = "idw"
    LABEL = QT_TRANSLATE_NOOP("@default", "Depth surface (IDW)")

    def own_parameters(self):
        return [
            params.number(
                "POWER", tr("Power"), 2.0,
                tr("Weight of a sounding is its distance to the power of minus this. Larger "
                   "values let the nearest sounding rule."),
                minimum=0.1, maximum=20.0, advanced=True,
            ),
            params.number(
                "NEIGHBOURS", tr("Neighbours"), 12,
                tr("Most soundings used for a cell, a quarter of them from each quarter of the "
                   "compass."),
                minimum=4, maximum=64, advanced=True, integer=True,
            ),
        ]  # fmt: skip

    def options(self, parameters, context):
        return {
            "power": self.parameterAsDouble(parameters, "POWER", context),
            "neighbours": self.parameterAsInt(parameters, "NEIGHBOURS", context),
        }
