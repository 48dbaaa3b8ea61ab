"""Find beam width."""

import numpy as np
from qgis.core import (
    QgsGeometry,
    QgsPoint,
    QgsProcessing,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.values import as_numbers
from ..core.errors import LakefloorError
from ..core.number_text import written
from ..core.progress import span
from ..core.units import LENGTH
from ._gridding import given_sizes, sizes, used_soundings

_PLACES = [
    ("name", "text"),
    ("depth_m", "double"),
    ("slope_percent", "double"),
    ("effect_m", "double"),
]
_COMPARED = [
    ("measured_m", "double"),
    ("sounded_m", "double"),
    ("undone_m", "double"),
    ("difference_m", "double"),
]
_POINT = QgsWkbTypes.Type.Point


class FindBeamWidth(LakefloorAlgorithm):
    NAME = "findbeamwidth"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Find beam width")
    GROUP = "surface"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "beam width,beamwidth,beam angle,cone,cone angle,transducer,footprint,slope,pole,lead line,"
        "leadline,sounding pole,too shallow,calibration,first return",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Finds the width of the sounder's beam from depths that you measured with a pole or a lead "
        "line on slopes. Enter the result as beam width in Correct depths. Use it where the manual "
        "does not state the width, or where drop-offs look too shallow.\n\n"
        "Run it first without measured depths: it marks the ten places where a depth says most. "
        "Three of them are on flat ground. Measure there, from a boat at rest, and run it again. "
        "Thirty depths give the width to about ten degrees.\n\n"
        "The soundings alone do not show it, because an upright beam hears the same on every "
        "course. Wear a life jacket; cold water kills.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Huber (1964), Annals of Mathematical Statistics 35(1), 73-101; Venzon and Moolgavkar "
        "(1988), Applied Statistics 37(1), 87-94; U.S. Army Corps of Engineers (2002), Hydrographic "
        "Surveying, EM 1110-2-1003",
    )

    NUMBERS = {
        "BEAM_WIDTH": QT_TRANSLATE_NOOP("@default", "Beam width (degrees)"),
        "MIN_WIDTH": QT_TRANSLATE_NOOP("@default", "Minimum at 95% confidence (degrees)"),
        "MAX_WIDTH": QT_TRANSLATE_NOOP("@default", "Maximum at 95% confidence (degrees)"),
        "COMMON_DIFFERENCE": QT_TRANSLATE_NOOP("@default", "Common difference (m)"),
        "SCATTER": QT_TRANSLATE_NOOP("@default", "RMS difference that remains (m)"),
        "MEASURED_USED": QT_TRANSLATE_NOOP("@default", "Measured depths used"),
        "DETERMINABLE": QT_TRANSLATE_NOOP("@default", "Determinable (1 yes, 0 no)"),
    }

    FORM = ("INPUT", "SHORELINE", "MEASURED", "DEPTH_FIELD", "UNIT", "LAKE_LEVEL", "PLACES")

    def declare(self):
        add = self.addParameter
        add(params.soundings())
        add(params.shoreline())
        for parameter in _measured():
            add(parameter)
        add(
            params.distance(
                "MAX_DEPTH",
                tr("Maximum depth to measure (m)"),
                10.0,
                tr("The places lie in water down to this depth, as far as your line reaches."),
                minimum=0.5,
            )
        )
        for parameter in (params.cell_size(), params.max_gap(), params.lane_spacing()):
            add(parameter)
        add(
            QgsProcessingParameterFeatureSink(
                "PLACES",
                tr("Places to measure"),
                QgsProcessing.SourceType.TypeVectorPoint,
                optional=True,
                createByDefault=True,
            )
        )
        add(
            QgsProcessingParameterFeatureSink(
                "COMPARED",
                tr("Measured depths compared"),
                QgsProcessing.SourceType.TypeVectorPoint,
                optional=True,
                createByDefault=False,
            )
        )

    def check(self, inputs):
        if inputs.given("MEASURED") and not inputs.text("DEPTH_FIELD"):
            raise LakefloorError(
                tr("Choose the field of the measured depths that holds the depth.")
            )

    def compute(self, inputs, outputs):
        from ..core.surface.beam_width import find_beam_width, telling_places
        from ..core.surface.frame import frame

        soundings, crs = inputs.soundings()
        shoreline = inputs.polygon(crs=crs)
        kept = used_soundings(inputs, soundings, shoreline)
        used = sizes(inputs, kept, given_sizes(inputs), shoreline)
        f = frame(kept, cell=used.cell, max_gap=used.gap, spacing=used.spacing, shoreline=shoreline)
        places = telling_places(
            f, deepest_m=inputs.number("MAX_DEPTH"), progress=span(inputs.progress, 0.0, 0.4)
        )
        outputs.features(
            "PLACES",
            _PLACES,
            _POINT,
            crs,
            _rows_of(places),
            style="to_measure",
            count=len(places.x),
        )
        _say_places(inputs, places)
        if not inputs.given("MEASURED"):
            return dict.fromkeys(self.NUMBERS)
        x, y, depth = _measured_depths(inputs, crs)
        level = inputs.number("LAKE_LEVEL")
        found = find_beam_width(
            f,
            x,
            y,
            depth - (level or 0.0),
            level_known=level is not None,
            measured_m=inputs.number("MEASURED_UNCERTAINTY"),
            place_m=inputs.number("POSITION_UNCERTAINTY"),
            progress=span(inputs.progress, 0.4, 1.0),
        )
        rows = _compared(found, x, y, depth - (level or 0.0))
        outputs.features("COMPARED", _COMPARED, _POINT, crs, rows, count=len(x))
        _say(inputs, found, len(depth))
        return {
            "BEAM_WIDTH": found.beam_deg,
            "MIN_WIDTH": found.low_deg,
            "MAX_WIDTH": found.high_deg if np.isfinite(found.high_deg) else None,
            "COMMON_DIFFERENCE": found.common_m,
            "SCATTER": found.scatter_m,
            "MEASURED_USED": int(found.used.sum()),
            "DETERMINABLE": int(found.determinable),
        }


def _measured():
    yield params.helped(
        QgsProcessingParameterFeatureSource(
            "MEASURED",
            tr("Measured depths"),
            [QgsProcessing.SourceType.TypeVectorPoint],
            optional=True,
        ),
        tr(
            "Points where you measured the depth with a pole or a lead line. If empty, only the "
            "places to measure are found."
        ),
    )
    yield params.helped(
        QgsProcessingParameterField(
            "DEPTH_FIELD", tr("Depth field"), None, "MEASURED", optional=True
        ),
        tr("Field with the measured depth below the surface. It may be empty without them."),
    )
    yield params.depth_unit(
        tr("Unit of the measured depths"), tr("Unit of the depths in the field above.")
    )
    yield params.number(
        "LAKE_LEVEL",
        tr("Lake level on that day (m)"),
        None,
        tr(
            "Height of the lake above the lake datum when you measured. If empty, what all measured "
            "depths have in common is estimated, which takes depths on flat ground too."
        ),
        optional=True,
    )
    yield params.number(
        "MEASURED_UNCERTAINTY",
        tr("Uncertainty of a measured depth (m)"),
        0.1,
        tr("Standard uncertainty of a reading, with waves and a soft bottom."),
        minimum=0.001,
        advanced=True,
    )
    yield params.number(
        "POSITION_UNCERTAINTY",
        tr("Position uncertainty (m)"),
        1.5,
        tr("Standard uncertainty of the place of a measured depth in one direction."),
        minimum=0.0,
        advanced=True,
    )


def _measured_depths(inputs, crs):
    """Return x, y and depth in meters of the measured depths that have both."""
    layer, field = inputs.source("MEASURED"), inputs.text("DEPTH_FIELD")
    x, y, _, columns, _ = inputs.points("MEASURED", crs, [field])
    depth = np.array(as_numbers(layer, field, columns[field])) * LENGTH[inputs.unit()]
    there = np.isfinite(x) & np.isfinite(y) & np.isfinite(depth)
    below = np.flatnonzero(there & (depth < 0.0))
    if len(below):
        raise LakefloorError(
            tr(
                "Layer '{}', row {}: field '{}' holds a negative depth. Depths count downward from "
                "the surface. Correct it."
            ).format(layer.sourceName(), below[0] + 1, field)
        )
    return x[there], y[there], depth[there]


def _say_places(inputs, places):
    if len(places.x):
        inputs.say(
            tr(
                "Places to measure: {}. They differ by up to {:.2f} m between beams of 10 and "
                "30 degrees."
            ).format(len(places.x), places.effect.max())
        )
    else:
        inputs.warn(
            tr(
                "Down to {:g} m the bottom is too flat for the width to show. There it changes "
                "hardly any depth. Give a larger maximum depth if your line is longer."
            ).format(inputs.number("MAX_DEPTH"))
        )


def _rows_of(places):
    from ..core.surface.beam_width import LEAST_EFFECT

    columns = places.x, places.y, places.depth, places.slope, places.effect
    for number, (x, y, depth, slope, effect) in enumerate(zip(*columns), 1):
        name = tr("Steep {}") if effect >= LEAST_EFFECT else tr("Flat {}")
        yield _point(x, y), [name.format(number), float(depth), 100.0 * float(slope), float(effect)]


def _compared(found, x, y, depth):
    left = depth - found.undone - found.common_m
    for at, up, *values in zip(x, y, depth, found.sounded, found.undone, left):
        yield _point(at, up), [float(v) if np.isfinite(v) else None for v in values]


def _point(x, y):
    return QgsGeometry(QgsPoint(float(x), float(y)))


def _say(inputs, found, count: int):
    off = count - int(found.used.sum())
    if off:
        inputs.warn(
            tr("Measured depths where the map has no depth, left out: {} of {}.").format(off, count)
        )
    low, high = written(found.low_deg, "g"), written(found.high_deg, "g")
    if found.determinable:
        inputs.say(
            tr("The beam is {:g} degrees wide, at 95% confidence {} to {} degrees.").format(
                found.beam_deg, low, high
            )
        )
        inputs.say(
            tr("Enter {:g} degrees as the beam width in Correct depths.").format(found.beam_deg)
        )
    elif found.low_deg > 0.0:
        inputs.warn(
            tr(
                "The beam is at least {} degrees wide, most likely {:g} degrees. The ground is not "
                "steep enough to separate wide beams. Measure more depths on steeper ground."
            ).format(low, found.beam_deg)
        )
    else:
        inputs.warn(
            tr(
                "These depths do not show the width. Measure more of them at the places in the "
                "layer 'Places to measure'."
            )
        )
    if abs(found.common_m) > 0.005:
        inputs.say(
            tr(
                "All measured depths together are {:.2f} m {} than the map, as from another lake "
                "level or draft."
            ).format(abs(found.common_m), tr("deeper") if found.common_m > 0 else tr("shallower"))
        )
