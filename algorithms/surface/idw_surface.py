"""IDW surface."""

from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._i18n import tr
from .._io import params
from . import _gridding


class IdwSurface(_gridding.GriddingAlgorithm):
    NAME = "idwsurface"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "IDW surface")
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "inverse distance weighting,IDW,inverse-distance,Shepard,neighbors,"
        "neighbours,interpolation,interpolate,gridding,grid,raster,depth map,"
        "depth surface,lake map,lake bottom,bathymetry,bathymetric,DEM,"
        "digital elevation model",
    )
    HELP = (
        QT_TRANSLATE_NOOP(
            "@default",
            "Makes a depth surface of means of the soundings around each cell, weighted by distance. "
            "Use it where soundings are noisy or scattered. Between lanes it rounds off humps and "
            "drop-offs, so that a TIN is better there.\n\n"
            "The shoreline has zero depth and is the edge of the lake. Cells farther than the search "
            "distance from every sounding stay empty.",
        )
        + "\n\n"
        + _gridding.UNCERTAINTY_HELP
    )
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
                "POWER",
                tr("Power"),
                2.0,
                tr(
                    "The weight of a sounding falls with this power of its distance. With larger "
                    "values the nearest sounding counts more."
                ),
                minimum=0.1,
                maximum=20.0,
                advanced=True,
            ),
            params.number(
                "NEIGHBORS",
                tr("Maximum number of neighbors"),
                12,
                tr(
                    "Maximum number of soundings used for a cell. A quarter of them comes from each "
                    "quarter of the compass, so that one lane does not shut out the next."
                ),
                minimum=4,
                maximum=64,
                advanced=True,
                integer=True,
            ),
        ]

    def options(self, inputs):
        return {"power": inputs.number("POWER"), "neighbours": inputs.integer("NEIGHBORS")}
