"""TIN surface."""

from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._i18n import tr
from . import _gridding


class TinSurface(_gridding.GriddingAlgorithm):
    NAME = "tinsurface"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "TIN surface")
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "triangulation,TIN,triangulated irregular network,Delaunay,"
        "linear interpolation,interpolate,gridding,grid,raster,depth map,"
        "depth surface,lake map,lake bottom,bathymetry,bathymetric,DEM,triangles,"
        "breaklines,break-lines,break lines,shoreline,digital elevation model",
    )
    HELP = (
        QT_TRANSLATE_NOOP(
            "@default",
            "Makes a depth surface that runs straight from sounding to sounding over triangles. It is "
            "never deeper or shallower than the soundings. Use it as the first choice for parallel "
            "lanes.\n\n"
            "The shoreline has zero depth and is the edge of the lake. Breaklines keep crests and toes "
            "sharp between lanes. Cells farther than the search distance from every sounding stay "
            "empty, and so do bays without soundings.",
        )
        + "\n\n"
        + _gridding.UNCERTAINTY_HELP
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Barber, Dobkin and Huhdanpaa (1996), ACM Transactions on Mathematical Software 22(4), "
        "469-483; Roberts et al. (2017), Ecography 40(8), 913-929",
    )

    METHOD = "tin"
    LABEL = QT_TRANSLATE_NOOP("@default", "Depth surface (TIN)")

    def own_parameters(self):
        return [
            _gridding.breaklines(
                tr("Lines that no triangle crosses, such as the crest of a drop-off.")
            )
        ]
