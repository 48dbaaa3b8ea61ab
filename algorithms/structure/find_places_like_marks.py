"""Find places like my marks."""

import numpy as np
from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterRasterDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.number_text import written
from ._ground import (
    add_layers,
    lon_lat,
    marks,
    name_field,
    read_ground,
    read_marks,
    read_ranking,
    tolerance,
    unit,
    write_points,
)

_NUMBERS = {
    "AUC": ("auc", QT_TRANSLATE_NOOP("@default", "AUC of the marks")),
    "AUC_SD": ("sd", QT_TRANSLATE_NOOP("@default", "AUC of the marks, uncertainty")),
    "RANDOM_AUC": ("random_mean", QT_TRANSLATE_NOOP("@default", "AUC of random places, mean")),
    "RANDOM_SD": ("random_sd", QT_TRANSLATE_NOOP("@default", "AUC of random places, spread")),
    "P_VALUE": ("p_value", QT_TRANSLATE_NOOP("@default", "Probability of chance (0 to 1)")),
    "GROUPS": ("groups", QT_TRANSLATE_NOOP("@default", "Groups of marks tested")),
}


class FindPlacesLikeMarks(LakefloorAlgorithm):
    NAME = "findplaceslikemarks"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Find places like my marks")
    GROUP = "structure"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "similar places,similar,similarity,alike,like these,more like these,mark,marks,"
        "waypoint,waypoints,spot,spots,find more,pattern,look alike,lookalike,AUC,fishing",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Finds other places on the lake that are like your marks, the most similar first. Use it "
        "with marks of one kind. Depth, slope and rise are compared, and what the optional layers "
        "add.\n\n"
        "With five separate marks or more, a test leaves out each mark and ranks it among random "
        "places. An AUC of 1 is perfect, 0.5 is chance.\n\n"
        "Fields: name, note (comparison with the mark), rank, score, similarity, mark, depth_m, "
        "uncert_m, lon, lat.\n\n"
        "Similar on the map does not promise fish. Not for navigation. Ice is never guaranteed "
        "safe. Cold water kills: wear a life jacket. Follow local rules.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Gower (1971), Biometrics 27(4), 857-871. Carpenter, Gillison and Winter (1993), "
        "Biodiversity and Conservation 2(6), 667-680. Hanley and McNeil (1982), Radiology 143(1), "
        "29-36. Roberts et al. (2017), Ecography 40(8), 913-929",
    )

    NUMBERS = {
        "PLACES": QT_TRANSLATE_NOOP("@default", "Number of places found"),
        **{name: label for name, (_, label) in _NUMBERS.items()},
    }
    FORM = ("MARKS", "INPUT", "BREAKLINES", "TRANSITIONS", "BOTTOM_FORMS", "BOTTOM_TYPE", "OUTPUT")

    def declare(self):
        self.addParameter(marks())
        self.addParameter(name_field())
        add_layers(self)
        self.addParameter(unit())
        self.addParameter(
            params.number(
                "MAX_PLACES",
                tr("Maximum number of places"),
                15,
                tr("Only the best places are kept."),
                minimum=1,
                integer=True,
            )
        )
        self.addParameter(
            params.distance(
                "MIN_DISTANCE",
                tr("Minimum distance between places (m)"),
                40.0,
                tr(
                    "No two places are closer to each other or to a mark. Marks that are closer to each "
                    "other count as one group in the test."
                ),
                minimum=0.1,
            )
        )
        self.addParameter(tolerance())
        self.addParameter(
            QgsProcessingParameterFeatureSink(
                params.OUTPUT, tr("Places like the marks"), QgsProcessing.SourceType.TypeVectorPoint
            )
        )
        self.addParameter(
            QgsProcessingParameterRasterDestination(
                "SIMILARITY", tr("Similarity everywhere"), optional=True, createByDefault=False
            )
        )

    def compute(self, inputs, outputs):
        from ..core.places.similar_places import find_similar_places

        ground, crs = read_ground(inputs)
        x, y, names, _ = read_marks(inputs, crs)
        places = find_similar_places(
            ground,
            x,
            y,
            names,
            read_ranking(inputs, "MAX_PLACES"),
            unit=inputs.unit(),
            progress=inputs.progress,
        )
        if len(places.left_out):
            inputs.warn(
                tr("Marks off the mapped bottom, left out: {}.").format(
                    ", ".join(names[i] for i in places.left_out)
                )
            )
        inputs.say(tr("Compared: {}.").format(", ".join(places.words)))
        for name, likeness, reason in zip(places.names, places.likeness, places.reasons):
            inputs.say(f"{name}: {written(likeness, '.2f')} {reason}")
        for line in _sentences(places.test, names):
            inputs.say(line)
        lon, lat = lon_lat(places.x, places.y, ground)
        columns = {
            "name": places.names, "note": places.reasons,
            "rank": np.arange(1, len(places) + 1), "score": places.score,
            "similarity": places.likeness, "mark": [names[i] for i in places.mark],
            "depth_m": places.depth, "uncert_m": places.uncertainty, "lon": lon, "lat": lat,
        }  # fmt: skip
        kinds = {"name": "text", "note": "text", "rank": "int", "mark": "text"}
        write_points(outputs, params.OUTPUT, columns, kinds, crs, places.x, places.y, "places")
        outputs.raster(
            "SIMILARITY", [places.likeness_grid], ("similarity (0 to 1)",), crs, style="score"
        )
        tested = {name: getattr(places.test, key) for name, (key, _) in _NUMBERS.items()}
        return {
            "PLACES": len(places),
            **{name: value if np.isfinite(value) else None for name, value in tested.items()},
        }


def _sentences(test, names):
    """Say what the fair test found."""
    from ..core.places.fair_test import MIN_GROUPS, RANDOM_SETS

    if not np.isfinite(test.auc):
        yield tr(
            "Not tested: a fair test needs {} separate groups of marks, not {}. Add marks to "
            "learn whether the similarity means anything."
        ).format(MIN_GROUPS, test.groups)
        return
    yield tr(
        "Fair test: a mark left out is more like the others than {:.0f}% of random places. "
        "AUC {:.2f} \u00b1 {:.2f} of {} groups of marks, {:.2f} \u00b1 {:.2f} of random "
        "places. By chance, {:.1f}% of {} random sets do as well."
    ).format(
        100 * test.auc,
        test.auc,
        test.sd,
        test.groups,
        test.random_mean,
        test.random_sd,
        100 * test.p_value,
        RANDOM_SETS,
    )
    if test.p_value <= 0.05:
        yield tr("The marks have something in common: these marks lead to each other.")
    else:
        yield tr(
            "No better than chance: the marks are of several kinds, or these layers do not "
            "show what they have in common. Each place is like one mark only."
        )
    for name, share in zip(names, test.by_mark):
        if np.isfinite(share):
            yield tr("{}: more like the other marks than {:.0f}% of the lake.").format(
                name, 100 * share
            )
