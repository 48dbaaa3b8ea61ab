"""Hard-soft transitions."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterRasterLayer,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.rasters import require_content
from ..core.hardness.hardness_map import HardnessMap
from ..core.hardness.hardness_names import TRANSITION_ATTRIBUTES
from .bottom_type import BANDS, THRESHOLD_ITEM

FIELDS = [
    (
        name,
        {"width_from": "text", "hard_side": "text", "crossings": "int", "supported": "int"}.get(
            name, "double"
        ),
    )
    for name in TRANSITION_ATTRIBUTES
]


class HardSoftTransitions(LakefloorAlgorithm):
    NAME = "hardsofttransitions"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Hard-soft transitions")
    GROUP = "structure"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "transition,transitions,hard,soft,hard-soft,hardness,edge,edges,bottom,bottom change,"
        "gravel,rock,sand,muck,mud,weed line,boundary,structure",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Draws the lines where hard bottom changes to soft bottom. The harder side is on the left "
        "of each line. Use it with the bottom type, and with the soundings for the position and "
        "width along the tracks.\n\n"
        "Fields: contrast (difference of hardness), width_m, width_from (soundings or surface), "
        "hard_side, depths, confidence (0 to 1), position_sd_m, crossings, supported (1 or 0), "
        "length_m.\n\n"
        "A line is not supported where the contrast or position is too uncertain, or the "
        "soundings are too far away. The sounder's time offset and footprint may shift a line. "
        "Hard and soft are relative without bottom samples.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Lorensen and Cline (1987), Computer Graphics 21(4), 163-169. Hinkley (1970), Biometrika "
        "57(1), 1-17. Otsu (1979), IEEE Transactions on Systems, Man, and Cybernetics 9(1), 62-66",
    )

    NUMBERS = {
        "TRANSITIONS": QT_TRANSLATE_NOOP("@default", "Number of lines"),
        "SUPPORTED_M": QT_TRANSLATE_NOOP("@default", "Supported length (m)"),
        "UNSUPPORTED_M": QT_TRANSLATE_NOOP("@default", "Unsupported length (m)"),
    }

    def declare(self):
        add = self.addParameter
        add(
            params.helped(
                QgsProcessingParameterRasterLayer(params.INPUT, tr("Bottom type")),
                tr(
                    "Raster from Bottom type. In any other raster, band 1 must be relative hardness, 0 "
                    "to 1."
                ),
            )
        )
        add(
            params.helped(
                params.surface("SURFACE", optional=True),
                tr("Depth raster in meters, positive down. If empty, the lines have no depths."),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    "SOUNDINGS",
                    tr("Soundings"),
                    [QgsProcessing.SourceType.TypeVectorPoint],
                    optional=True,
                ),
                tr(
                    "Soundings with hardness from which the bottom type was made. They show how sharp "
                    "each transition is. If empty, the width comes from the surface."
                ),
            )
        )
        add(
            params.number(
                "THRESHOLD",
                tr("Hardness threshold (0 to 1)"),
                None,
                tr(
                    "Hardness between soft and hard. If empty, the thresholds of Bottom type are used. "
                    "For another raster, the best threshold is found (Otsu's method)."
                ),
                minimum=0.001,
                maximum=0.999,
                optional=True,
                advanced=True,
            )
        )
        add(
            params.number(
                "MIN_CONTRAST",
                tr("Minimum contrast (0 to 1)"),
                0.1,
                tr("Difference of hardness across a line. Fainter transitions are left out."),
                minimum=0.001,
                maximum=1.0,
            )
        )
        add(
            params.distance(
                "MIN_LENGTH",
                tr("Minimum length (m)"),
                10.0,
                tr("Shorter lines are left out."),
                minimum=0.1,
            )
        )
        add(
            QgsProcessingParameterFeatureSink(
                params.OUTPUT, tr("Hard-soft transitions"), QgsProcessing.SourceType.TypeVectorLine
            )
        )

    def compute(self, inputs, outputs):
        from ..core.hardness.transitions import hard_soft_transitions

        layer = inputs.raster()
        require_content(layer, "hardness")
        surface, crs, metadata = inputs.surface(of_depth=False)
        ours = [layer.bandName(i + 1) for i in range(layer.bandCount())]
        ours = all(any(band in name for name in ours) for band in BANDS)
        if ours:
            bands = inputs.bands(params.INPUT, crs)
            mapped = HardnessMap(bands[0], bands[1], bands[4], surface.spacing)
        else:
            mapped = HardnessMap(surface.depth, spacing=surface.spacing)
        thresholds = _thresholds(inputs, metadata)
        found = hard_soft_transitions(
            mapped,
            thresholds,
            depth=_depth(inputs, crs),
            soundings=_soundings(inputs, crs),
            min_contrast=inputs.number("MIN_CONTRAST"),
            min_length_m=inputs.number("MIN_LENGTH"),
            progress=inputs.progress,
        )
        if thresholds is None:
            inputs.say(tr("Threshold of hardness (Otsu): {:.3f}.").format(*found.thresholds))
        inputs.say(
            tr("Lines: {}. Supported by the data: {:.0f} m. Not supported: {:.0f} m.").format(
                len(found.lines), found.supported_m, found.unsupported_m
            )
        )
        if not ours:
            inputs.warn(
                tr("The raster has no uncertainty band, so every line counts as supported.")
            )
        if metadata.get("HARDNESS", "relative") == "relative":
            inputs.warn(
                tr(
                    "Hardness is relative to this sounder and its settings. Add bottom samples to "
                    "Bottom type to learn what soft and hard mean."
                )
            )
        outputs.lines(params.OUTPUT, found.lines, FIELDS, crs, style="transitions")
        return {
            "TRANSITIONS": len(found.lines),
            "SUPPORTED_M": found.supported_m,
            "UNSUPPORTED_M": found.unsupported_m,
        }


def _depth(inputs, crs):
    """Return the depths as a grid in ``crs``, or None where no surface was given."""
    layer = inputs.raster("SURFACE")
    if layer is None:
        return None
    require_content(layer, "depth")
    return inputs.bands("SURFACE", crs)[0]


def _soundings(inputs, crs):
    """Return the soundings in ``crs``, or None where none were given."""
    if not inputs.given("SOUNDINGS"):
        return None
    return inputs.soundings("SOUNDINGS", crs, ("depth", "hardness", "visit", "status"))[0]


def _thresholds(inputs, metadata):
    """Return the thresholds given, or those that the raster states, or None."""
    from ..core.hardness.bottom_type_map import read_thresholds

    threshold = inputs.number("THRESHOLD")
    if threshold is not None:
        return [threshold]
    if THRESHOLD_ITEM not in metadata:
        return None
    found = read_thresholds(metadata[THRESHOLD_ITEM])
    if not found:
        inputs.warn(
            tr(
                "The bottom type has a single class of hardness, so there is no transition to "
                "draw. Enter a hardness threshold to draw one anyway."
            )
        )
    return found
