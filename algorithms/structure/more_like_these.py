"""More like these."""

import numpy as np
from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterRasterDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._outputs import Outputs
from ..core.number_text import written
from ..core.structure.marks import LEAST_GROUPS, RANDOM_SETS, more_like_these
from ..core.structure.spots import TOLERANCE_M
from ._ground import (
    add_layers,
    lon_lat,
    marks,
    name_field,
    read_ground,
    tolerance,
    unit,
    write_points,
)
from .describe_marks import read_marks

_NUMBERS = {
    "AUC": ("auc", QT_TRANSLATE_NOOP(
        "@default", "Chance that a mark left out is more like the others than a random place")),
    "AUC_SD": ("sd", QT_TRANSLATE_NOOP("@default", "Its standard uncertainty")),
    "RANDOM_AUC": ("random_mean", QT_TRANSLATE_NOOP(
        "@default", "The same of marks placed at random, mean")),
    "RANDOM_SD": ("random_sd", QT_TRANSLATE_NOOP(
        "@default", "The same of marks placed at random, standard deviation")),
    "P_VALUE": ("p_value", QT_TRANSLATE_NOOP(
        "@default", "Share of random placements that do as well")),
    "GROUPS": ("groups", QT_TRANSLATE_NOOP("@default", "Groups of marks that were tested")),
}  # fmt: skip


class MoreLikeThese(LakefloorAlgorithm):
    NAME = "morelikethese"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "More like these")
    GROUP = "structure"
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "similar places,waypoints,marks,signature,similarity,AUC,pattern"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Other places on the lake with the signature of your marks, most alike first: what was "
        "learned at one spot is carried to the rest of the lake. Give marks of one sort for a "
        "clear answer, at best all that you have of it; a single mark works too, untested.\n\n"
        "Compared are depth, slope and rise above the surroundings, and with the layers given "
        "hardness, the distances to crest, toe and transition, and the form. Two places differ in "
        "a thing by the share of the lake that lies between them; the similarity, 0 to 1, is one "
        "less the mean difference, to the mark that a place is most like. The score is the "
        "similarity times the probability that depth is known within the tolerance. To leave a "
        "thing out of the comparison, leave out its layer.\n\n"
        "With five marks or more, far enough apart, a fair test is made: each mark (with its "
        "neighbours within the spacing) is left out and ranked among random places of the lake by "
        "its similarity to the others. AUC is the mean rank: 1 is perfect, 0.5 is chance. The "
        "same is done with marks placed at random. Below about 0.5 the marks are of several "
        "sorts, and each leads only to places like itself. Marks stand where somebody has been, "
        "so the test cannot tell liking a place from having been there.\n\n"
        "Fields: name, note (compared with the mark, in words), rank, score, similarity, mark "
        "(the one most like), depth_m, uncert_m, longitude and latitude.\n\n"
        "Alike is alike on the map; it is no promise of fish. Not for navigation. Ice is never "
        "guaranteed safe. Cold water kills: wear a life jacket. Local rules come first.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Gower (1971), Biometrics 27(4), 857-871; Carpenter, Gillison and Winter (1993), "
        "Biodiversity and Conservation 2(6), 667-680; Hanley and McNeil (1982), Radiology 143(1), "
        "29-36; Roberts et al. (2017), Ecography 40(8), 913-929",
    )

    def initAlgorithm(self, configuration=None):
        self.addParameter(marks())
        self.addParameter(name_field())
        add_layers(self)
        self.addParameter(unit())
        self.addParameter(params.number(
            "NUMBER", tr("Number of places"), 15, tr("At most so many places."), minimum=1,
            integer=True,
        ))
        self.addParameter(params.distance(
            "SPACING", tr("Distance between places (m)"), 40.0,
            tr("No two places are nearer to each other, nor to a mark. Marks nearer to each other "
               "are left out of the test together."), minimum=0.1,
        ))
        self.addParameter(tolerance())
        self.addParameter(QgsProcessingParameterFeatureSink(
            params.OUTPUT, tr("Places like the marks"), QgsProcessing.SourceType.TypeVectorPoint
        ))
        self.addParameter(QgsProcessingParameterRasterDestination(
            "SIMILARITY", tr("Similarity everywhere"), optional=True, createByDefault=False
        ))
        self.addOutput(QgsProcessingOutputNumber("PLACES", tr("Number of places found")))
        for name, (_, label) in _NUMBERS.items():
            self.addOutput(QgsProcessingOutputNumber(name, tr(label)))

    def compute(self, parameters, context, feedback):
        ground, crs = read_ground(self, parameters, context, feedback)
        x, y, names, _ = read_marks(self, parameters, crs, context, feedback)
        places = more_like_these(
            ground,
            x,
            y,
            names,
            number=self.parameterAsInt(parameters, "NUMBER", context),
            spacing_m=self.parameterAsDouble(parameters, "SPACING", context),
            tolerance_m=(
                params.optional_depth(self, parameters, "TOLERANCE", context) or TOLERANCE_M
            ),
            unit=self.parameterAsEnumString(parameters, "UNIT", context),
            progress=self.progress(feedback),
        )
        if len(places.left_out):
            feedback.pushWarning(tr("Off the mapped bottom and left out: {}.").format(
                ", ".join(names[i] for i in places.left_out)))
        feedback.pushInfo(tr("Compared: {}.").format(", ".join(places.words)))
        for name, likeness, reason in zip(places.names, places.likeness, places.reasons):
            feedback.pushInfo(f"{name}: {written(likeness, '.2f')} {reason}")
        for line in _sentences(places.test, names):
            feedback.pushInfo(line)
        lon, lat = lon_lat(places.x, places.y, ground)
        columns = {
            "name": places.names, "note": places.reasons,
            "rank": np.arange(1, len(places) + 1), "score": places.score,
            "similarity": places.likeness, "mark": [names[i] for i in places.mark],
            "depth_m": places.depth, "uncert_m": places.uncertainty, "lon": lon, "lat": lat,
        }  # fmt: skip
        kinds = {"name": "text", "note": "text", "rank": "int", "mark": "text"}
        with Outputs(self, parameters, context, feedback) as out:
            write_points(out, params.OUTPUT, columns, kinds, crs, places.x, places.y, "places")
            out.raster("SIMILARITY", [places.likeness_grid], ("similarity (0 to 1)",), crs,
                       style="score")
            out.results["PLACES"] = len(places)
            for name, (key, _) in _NUMBERS.items():
                value = getattr(places.test, key)
                out.results[name] = value if np.isfinite(value) else None
        return out.results


def _sentences(test, names):
    """Say what the fair test found."""
    if not np.isfinite(test.auc):
        yield tr("Not tested: the marks stand in {} groups, and a fair test needs {}. The places "
                 "are alike; whether that means anything is not known.").format(
                     test.groups, LEAST_GROUPS)
        return
    yield tr("Fair test: a mark left out is more like the others than {:.0f}% of random places "
             "(AUC {:.2f} \u00b1 {:.2f}, {} groups); marks placed at random give {:.2f} \u00b1 "
             "{:.2f}, and {:.1f}% of {} random placements do as well.").format(
                 100 * test.auc, test.auc, test.sd, test.groups, test.random_mean, test.random_sd,
                 100 * test.p_value, RANDOM_SETS)
    if test.p_value <= 0.05:
        yield tr("The signature carries: these marks lead to each other.")
    else:
        yield tr("No better than chance: the marks are of several sorts, or what they have in "
                 "common is not in these layers. Each place is like one mark only.")
    for name, share in zip(names, test.by_mark):
        if np.isfinite(share):
            yield tr("{}: more like the other marks than {:.0f}% of the lake.").format(
                name, 100 * share)
