"""Hard-soft transitions."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterRasterLayer,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import (
    optional_source,
    read_bands,
    read_raster,
    read_soundings,
    require_content,
)
from .._outputs import Outputs
from ..core.structure.transitions import ATTRIBUTES, hard_soft_transitions
from .bottom_type import BANDS, THRESHOLD_ITEM

FIELDS = [
    (name, {"width_from": "text", "hard_side": "text", "crossings": "int", "supported": "int"}
     .get(name, "double")) for name in ATTRIBUTES
]


class HardSoftTransitions(LakefloorAlgorithm):
    NAME = "hardsofttransitions"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Hard-soft transitions")
    GROUP = "structure"
    TAGS = QT_TRANSLATE_NOOP("@default", "hardness,edge,bottom,transition,gravel,muck,structure")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Draws the lines where hard bottom gives way to soft. The harder side is on the left of "
        "each line. A line is cut where the data stop supporting it: where the difference of "
        "hardness is within its own uncertainty, the position is less sure than half a lane "
        "spacing, or the soundings are too far.\n\n"
        "Fields: contrast, the difference of hardness between both sides; width_m, within which "
        "10 to 90 percent of it happen, in metres; width_from: soundings (what suits the "
        "tracks that cross the line best) or surface (an upper bound, since a surface blurs what "
        "lies between lanes); hard_side, always left; depth_m, depth_from_m and depth_to_m, mean, "
        "least and greatest depth; confidence, 0 to 1; position_sd_m, standard uncertainty of the "
        "position across the line; crossings, the tracks that show the step; supported, 1 or 0; "
        "length_m.\n\n"
        "With the soundings the width is that along the tracks, and a line that the tracks do not "
        "show is not supported. The log's time offset and the sounder's footprint shift a line "
        "by as much again. Hard and soft are relative unless bottom samples say so.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Lorensen and Cline (1987), Computer Graphics 21(4), 163-169; Hinkley (1970), Biometrika "
        "57(1), 1-17; Otsu (1979), IEEE Transactions on Systems, Man, and Cybernetics 9(1), 62-66",
    )

    def initAlgorithm(self, configuration=None):
        add = self.addParameter
        add(params.helped(
            QgsProcessingParameterRasterLayer(params.INPUT, tr("Bottom type")),
            tr("Raster of Bottom type. Of any other raster band 1 is taken as relative hardness, "
               "0 to 1."),
        ))
        add(params.surface("DEPTH", optional=True))
        add(params.helped(
            QgsProcessingParameterFeatureSource(
                "SOUNDINGS", tr("Soundings"), [QgsProcessing.SourceType.TypeVectorPoint],
                optional=True,
            ),
            tr("The soundings with hardness from which the bottom type was drawn: they tell how "
               "sharp a transition is along the tracks, and whether it is there."),
        ))
        add(params.number(
            "THRESHOLD", tr("Hardness that parts soft from hard (0 to 1)"), None,
            tr("Left empty, the thresholds of Bottom type, or for another raster the one that "
               "parts its values best (Otsu's)."),
            minimum=0.001, maximum=0.999, optional=True, advanced=True,
        ))
        add(params.number(
            "MIN_CONTRAST", tr("Least difference of hardness (0 to 1)"), 0.1,
            tr("Fainter transitions are left out."), minimum=0.001, maximum=1.0,
        ))
        add(params.distance(
            "MIN_LENGTH", tr("Smallest length (m)"), 10.0, tr("Shorter pieces are left out."),
            minimum=0.1,
        ))
        add(QgsProcessingParameterFeatureSink(
            params.OUTPUT, tr("Hard-soft transitions"), QgsProcessing.SourceType.TypeVectorLine
        ))
        for name, label in (
            ("TRANSITIONS", tr("Number of lines")),
            ("SUPPORTED_M", tr("Length supported by the data (m)")),
            ("UNSUPPORTED_M", tr("Length not supported by the data (m)")),
        ):
            self.addOutput(QgsProcessingOutputNumber(name, label))

    def compute(self, parameters, context, feedback):
        layer = self.parameterAsRasterLayer(parameters, params.INPUT, context)
        require_content(layer, "hardness")
        surface, crs, metadata = read_raster(layer, feedback, of_depth=False)
        ours = [layer.bandName(i + 1) for i in range(layer.bandCount())]
        ours = all(any(band in name for name in ours) for band in BANDS)
        hardness, uncertainty, distance = surface.depth, None, None
        if ours:
            bands = read_bands(layer, crs, feedback)
            hardness, uncertainty, distance = bands[0], bands[1], bands[4]
        thresholds = self._thresholds(parameters, context, metadata, feedback)
        depth = self.parameterAsRasterLayer(parameters, "DEPTH", context)
        if depth is not None:
            require_content(depth, "depth")
        soundings = optional_source(self, parameters, "SOUNDINGS", context)
        found = hard_soft_transitions(
            hardness, thresholds,
            uncertainty=uncertainty,
            distance=distance,
            depth=read_bands(depth, crs, feedback)[0] if depth else None,
            soundings=read_soundings(
                soundings, context, feedback, crs, ("depth", "hardness", "visit", "status")
            )[0] if soundings else None,
            spacing=surface.spacing,
            min_contrast=self.parameterAsDouble(parameters, "MIN_CONTRAST", context),
            min_length_m=self.parameterAsDouble(parameters, "MIN_LENGTH", context),
            progress=self.progress(feedback),
        )
        if thresholds is None:
            feedback.pushInfo(
                tr("Threshold of hardness (Otsu): {:.3f}.").format(*found.thresholds))
        feedback.pushInfo(
            tr("{} lines: {:.0f} m supported by the data, {:.0f} m not.").format(
                len(found.lines), found.supported_m, found.unsupported_m
            )
        )
        if not ours:
            feedback.pushWarning(
                tr("The raster tells no uncertainty: every line counts as supported.")
            )
        if metadata.get("HARDNESS", "relative") == "relative":
            feedback.pushWarning(
                tr("Hardness is relative: soft and hard are no names of bottoms until samples say "
                   "so.")
            )
        with Outputs(self, parameters, context, feedback) as out:
            out.lines(params.OUTPUT, found.lines, FIELDS, crs, style="transitions")
            out.results.update(
                TRANSITIONS=len(found.lines), SUPPORTED_M=found.supported_m,
                UNSUPPORTED_M=found.unsupported_m,
            )
        return out.results

    def _thresholds(self, parameters, context, metadata, feedback):
        """Return the thresholds given, or those that the raster states, or None."""
        threshold = params.optional_number(self, parameters, "THRESHOLD", context)
        if threshold is not None:
            return [threshold]
        if THRESHOLD_ITEM not in metadata:
            return None
        text = metadata[THRESHOLD_ITEM]
        found = [] if text == "none" else [float(t) for t in text.split(";")]
        if not found:
            feedback.pushWarning(
                tr("The bottom type shows a single class of hardness, so there is no "
                   "transition to draw. Give a threshold to draw one all the same.")
            )
        return found
