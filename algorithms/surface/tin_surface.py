"""TIN surface."""

from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._i18n import tr
from . import _gridding


class TinSurface(_gridding.GriddingAlgorithm):
    NAME = "tinsurface"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "TIN surface")
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "tin,triangulation,delaunay,interpolate,grid,depth,bathymetry"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Depth surface that runs straight from sounding to sounding over a triangulated "
        "irregular network, with its standard uncertainty and the distance to the nearest "
        "sounding as bands 2 and 3. Never deeper or shoaler than the soundings. The usual choice "
        "for parallel lanes.\n\n"
        "The shoreline counts as zero depth and as the edge of the lake; without it the surface "
        "ends at the outermost soundings. Break-lines keep crests and toes sharp between lanes. "
        "Cells farther than the maximum gap from every sounding stay empty, and so do bays that "
        "nobody sounded: triangles between three points of the shore would show a shelf of no "
        "depth.\n\n"
        "Soundings are first averaged within squares of a quarter of the lane spacing.",
    ) + "\n\n" + _gridding.UNCERTAINTY_HELP
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Barber, Dobkin and Huhdanpaa (1996), ACM Transactions on Mathematical Software 22(4), "
        "469-483; Roberts et al. (2017), Ecography 40(8), 913-929",
    )

    METHOD = "tin"
    LABEL = QT_TRANSLATE_NOOP("@default", "Depth surface (TIN)")

    def own_parameters(self):
        return [
            _gridding.break_lines(
                tr("Lines that no triangle crosses, such as the crest of a drop-off.")
            )
        ]
