"""Candidate spots."""

import numpy as np
from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterMatrix,
    QgsProcessingParameterRasterDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.errors import LakefloorError
from ..core.number_text import written
from ..core.places.criteria import VALUES
from ..core.places.target_words import AREA_TARGETS, LINE_TARGETS
from ._ground import (
    LAYER_PARAMETERS,
    add_deep,
    add_layers,
    lon_lat,
    read_ground,
    read_ranking,
    tolerance,
    unit,
    write_points,
)

COLUMNS = 4
#: What counts, from, to, weight. The depths state their unit, so that they mean the same whichever
#: is chosen; distances are meters.
DEFAULT = [
    "transition", "0", "15", "2",
    "crest", "0", "10", "3",
    "depth", "8 ft", "16 ft", "2",
    "deep water", "0", "40", "1",
]  # fmt: skip


class CandidateSpots(LakefloorAlgorithm):
    NAME = "candidatespots"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Candidate spots")
    GROUP = "structure"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "spot,spots,candidate,candidates,fishing,fish,hot spot,hotspot,structure,"
        "waypoint,waypoints,drop-off,dropoff,transition,suitability,rank,ranking,"
        "score,where to fish,multi-criteria,multicriteria,honey hole",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Finds the places where the things that count for you come together. It ranks them and gives "
        "the reasons in words and numbers.\n\n"
        "Each row of the table is one thing that counts. Between From and To it counts in full, "
        "beyond them less. The score is the weighted mean of all rows. It is lower where the "
        "depth is uncertain.\n\n"
        "Fields: name, note (the reasons), rank, score, fit, trust, depth_m, uncert_m, the value "
        "and fit of each row, lon, lat.\n\n"
        "A spot fits your rules on the map, but does not promise fish. Not for navigation. Ice is "
        "never guaranteed safe. Cold water kills: wear a life jacket. Follow local rules.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Malczewski (2000), Transactions in GIS 4(1), 5-22 (weighted linear combination). Zadeh "
        "(1965), Information and Control 8(3), 338-353 (graded membership)",
    )

    NUMBERS = {
        "SPOTS": QT_TRANSLATE_NOOP("@default", "Number of spots found"),
        "BEST_SCORE": QT_TRANSLATE_NOOP("@default", "Score of the best spot"),
    }
    FORM = (
        "INPUT",
        "BREAKLINES",
        "TRANSITIONS",
        "BOTTOM_FORMS",
        "BOTTOM_TYPE",
        "CRITERIA",
        "OUTPUT",
    )

    def declare(self):
        add_layers(self)
        self.addParameter(
            params.helped(
                QgsProcessingParameterMatrix(
                    "CRITERIA",
                    tr("What counts"),
                    headers=[tr("What counts"), tr("From"), tr("To"), tr("Weight")],
                    defaultValue=DEFAULT,
                    # QGIS refuses a matrix that a script leaves to its default, unless it is optional.
                    optional=True,
                ),
                tr(
                    "One row for each thing that counts. Add or remove rows as you like. Depths are in "
                    "the depth unit, or in the unit written behind them, as in 8 ft. Slope is in "
                    "percent, hardness 0 to 1. All others are distances in meters."
                )
                + " "
                + tr("Values: {}.").format(", ".join(VALUES))
                + " "
                + tr("Lines: {}.").format(", ".join(LINE_TARGETS))
                + " "
                + tr("Areas: {}.").format(", ".join(AREA_TARGETS)),
            )
        )
        self.addParameter(unit())
        self.addParameter(
            params.number(
                "MAX_SPOTS",
                tr("Maximum number of spots"),
                15,
                tr("Only the best spots are kept."),
                minimum=1,
                integer=True,
            )
        )
        self.addParameter(
            params.distance(
                "MIN_DISTANCE",
                tr("Minimum distance between spots (m)"),
                40.0,
                tr("No two spots are closer to each other."),
                minimum=0.1,
            )
        )
        self.addParameter(
            params.number(
                "MIN_SCORE",
                tr("Minimum score (0 to 1)"),
                0.5,
                tr("Places with a lower score are left out."),
                minimum=0.0,
                maximum=1.0,
            )
        )
        add_deep(self)
        self.addParameter(tolerance())
        self.addParameter(
            QgsProcessingParameterFeatureSink(
                params.OUTPUT, tr("Candidate spots"), QgsProcessing.SourceType.TypeVectorPoint
            )
        )
        self.addParameter(
            QgsProcessingParameterRasterDestination(
                "SCORE", tr("Score everywhere"), optional=True, createByDefault=False
            )
        )

    def check(self, inputs):
        from ..core.places.criteria import missing_layers

        missing = missing_layers(
            _criteria(inputs), lambda layer: inputs.given(LAYER_PARAMETERS.get(layer, params.INPUT))
        )
        if missing:
            raise LakefloorError(" ".join(missing))

    def compute(self, inputs, outputs):
        from ..core.places.candidate_spots import candidate_spots

        criteria = _criteria(inputs)
        ground, crs = read_ground(inputs)
        spots = candidate_spots(
            ground,
            criteria,
            read_ranking(inputs, "MAX_SPOTS"),
            min_score=inputs.number("MIN_SCORE"),
            unit=inputs.unit(),
            progress=inputs.progress,
        )
        for note in spots.notes:
            inputs.warn(note)
        for name, score, reason in zip(spots.names, spots.score, spots.reasons):
            inputs.say(f"{name}: {written(score, '.2f')}. {reason}")
        if not len(spots):
            inputs.warn(
                tr("No place reaches the minimum score. Lower it, or widen a range in the table.")
            )
        write_points(
            outputs,
            params.OUTPUT,
            _columns(spots, criteria, ground),
            {"name": "text", "note": "text", "rank": "int"},
            crs,
            spots.x,
            spots.y,
            "spots",
        )
        outputs.raster("SCORE", [spots.score_grid], ("score (0 to 1)",), crs, style="score")
        return {"SPOTS": len(spots), "BEST_SCORE": float(spots.score[0]) if len(spots) else None}


def _criteria(inputs) -> list:
    from ..core.places.criteria import read_criteria

    flat = inputs.matrix("CRITERIA")
    if len(flat) % COLUMNS:
        raise LakefloorError(
            tr(
                "The table of what counts has {} cells, which is no whole number of rows. Give "
                "each row {} cells: what counts, from, to, weight."
            ).format(len(flat), COLUMNS)
        )
    rows = [flat[i : i + COLUMNS] for i in range(0, len(flat), COLUMNS)]
    return read_criteria(rows, inputs.unit())


def _columns(spots, criteria, ground) -> dict:
    lon, lat = lon_lat(spots.x, spots.y, ground)
    columns = {
        "name": spots.names, "note": spots.reasons, "rank": np.arange(1, len(spots) + 1),
        "score": spots.score, "fit": spots.fit, "trust": spots.trust, "depth_m": spots.depth,
        "uncert_m": spots.uncertainty,
    }  # fmt: skip
    for criterion in criteria:
        if criterion.word != "depth":
            columns[criterion.field] = spots.values[criterion.key]
        columns[f"{criterion.key}_fit"] = spots.fits[criterion.key]
    columns.update(lon=lon, lat=lat)
    return columns
