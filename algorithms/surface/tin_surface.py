"""TIN surface."""

from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from . import _gridding


class TinSurface(LakefloorAlgorithm):
    NAME = "tinsurface"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "TIN surface")
    GROUP = "surface"
    TAGS = ("tin", "triangulation", "delaunay", "interpolate", "grid", "depth", "bathymetry")
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
        "Soundings are first averaged within squares of a quarter of the lane spacing. "
        "The uncertainty is learnt from lanes that run across the others, left out and predicted "
        "(without such cross-lines, from pieces and from every third lane, which errs on the safe "
        "side): two standard deviations hold about 95 % of the errors, near lanes and between. At "
        "least half is kept of what the soundings state (uncert_m) beyond their scatter, since an "
        "error that they share, as of level, does not show there. Depths in metres, positive "
        "down.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Barber, Dobkin and Huhdanpaa (1996), ACM Transactions on Mathematical Software 22(4), "
        "469-483; Roberts et al. (2017), Ecography 40(8), 913-929",
    )

    def initAlgorithm(self, configuration=None):
        _gridding.add_inputs(self)
        self.addParameter(_gridding.break_lines())
        _gridding.add_outputs(self, tr("Depth surface (TIN)"))

    def compute(self, parameters, context, feedback):
        results, _ = _gridding.grid(
            self, parameters, context, feedback, "tin", {}, with_break_lines=True
        )
        return results
