"""Clean soundings."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSink,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import read_given, source
from .._outputs import Outputs
from ..core.cleaning.cleaning import clean
from ..core.number_text import written
from ..core.soundings import ACCEPTED
from ..core.track import track_notes

COUNTS = "COUNTS"


class CleanSoundings(LakefloorAlgorithm):
    NAME = "cleansoundings"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Clean soundings")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "despike,spikes,outliers,filter,hampel,double echo,position jump"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Marks the soundings that cannot be right, each with its reason in the field 'status'. "
        "Run it on the logs as read, before depths are corrected. All soundings are written, and "
        "no depth is changed; algorithms that follow use those that are 'accepted'. Look at the "
        "rejected ones on the map before going on.\n\n"
        "In order: no position; no bottom (missing, zero, negative, or a value that stands for "
        "it); depths outside the limits; repeated rows; position jumps and frozen positions; "
        "speed; isolated soundings far from all others, which may be on another water; a depth "
        "held after the bottom was lost; spikes along the track, after the slope is taken off; "
        "bursts such as double echoes and tops of weeds, which the track leaves and "
        "comes back from in one step each; and pieces of track cut off from the rest that the "
        "soundings of other lanes contradict.\n\n"
        "A drop-off is not a spike: it is kept however steep it is, unless a single ping alone "
        "shows it. Log at least two pings a second where the bottom is steep: with one, false "
        "depths on the edge of a drop-off cannot all be told from it. Soundings of an outermost "
        "lane, and of a single lane, can be checked against few neighbours or none; a greatest "
        "depth, where it is known, helps there. Tests that need time are left out where the clock "
        "is missing or stands still, and the log says so.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Hampel (1974), Journal of the American Statistical Association 69, 383-393; Davies and "
        "Gather (1993), Journal of the American Statistical Association 88, 782-792",
    )

    def initAlgorithm(self, configuration=None):
        add = self.addParameter
        add(params.soundings())
        add(params.number(
            "MIN_DEPTH", tr("Least depth (m)"), 0.0,
            tr("Shallower soundings are rejected; zero always is."), minimum=0.0,
        ))
        add(params.number(
            "MAX_DEPTH", tr("Greatest depth (m)"), None,
            tr("Deeper soundings are rejected. Leave it empty if the lake's depth is not known."),
            minimum=0.0, optional=True,
        ))
        add(params.number(
            "MAX_SPEED", tr("Highest speed (m/s)"), 6.0,
            tr("At higher speed many transducers lose the bottom. 6 m/s is 13 mph. Empty: no "
               "limit."),
            minimum=0.0, optional=True,
        ))
        add(params.number(
            "MIN_SPEED", tr("Lowest speed (m/s)"), None,
            tr("Rejects soundings of a drifting or anchored boat. Empty: no limit."),
            minimum=0.0, optional=True,
        ))
        add(params.helped(
            QgsProcessingParameterBoolean(
                "ANEW", tr("Forget reasons of an earlier cleaning"), False
            ),
            tr("Otherwise a sounding once rejected stays rejected. Reasons that you entered "
               "yourself always stay."),
        ))
        add(params.number(
            "NOISE_FLOOR", tr("Least noise of a depth (m)"), 0.09,
            tr("Smallest standard deviation that is believed; 0.09 m (0.3 ft) suits depths in "
               "tenths of a foot."),
            minimum=0.001, advanced=True,
        ))
        add(params.number(
            "LIMIT", tr("Limit (standard deviations)"), 3.0,
            tr("Deviations larger than this many standard deviations count."),
            minimum=1.0, advanced=True,
        ))
        add(params.number(
            "HALF_WINDOW", tr("Half window (pings)"), 3,
            tr("Pings to either side in the test along the track. Spikes of up to as many pings "
               "are found by it."),
            minimum=1, maximum=50, advanced=True, integer=True,
        ))
        add(params.number(
            "MAX_SLOPE", tr("Steepest bottom between two pings (degrees)"), 25.0,
            tr("A steeper step is looked at more closely; by itself it is no reason to reject."),
            minimum=1.0, maximum=89.0, advanced=True,
        ))
        add(params.distance(
            "MAX_BURST", tr("Longest burst of false depths (m)"), 60.0,
            tr("Along the track. Longer ones are left to the test against other lanes."),
            advanced=True,
        ))
        add(params.distance(
            "RADIUS", tr("Radius of neighbours (m)"), None,
            tr("How far away soundings of other lanes are asked. Left empty, one and a half times "
               "the lane spacing; zero leaves the test out."),
            optional=True, advanced=True,
        ))
        add(params.number(
            "MAX_JUMP_SPEED", tr("Fastest the boat can go (m/s)"), 15.0,
            tr("A position that would need a higher speed is a jump."),
            minimum=0.1, advanced=True,
        ))
        add(QgsProcessingParameterFeatureSink(
            params.OUTPUT, tr("Cleaned soundings"), QgsProcessing.SourceType.TypeVectorPoint
        ))
        add(params.helped(
            QgsProcessingParameterFeatureSink(
                COUNTS, tr("Counts by reason"), QgsProcessing.SourceType.TypeVector,
                createByDefault=False, optional=True,
            ),
            tr("Table of reasons with the number of soundings and their share in percent."),
        ))
        for name, label in (
            ("TOTAL", tr("Soundings")),
            ("ACCEPTED", tr("Accepted soundings")),
            ("REJECTED", tr("Rejected soundings")),
        ):
            self.addOutput(QgsProcessingOutputNumber(name, label))

    def compute(self, parameters, context, feedback):
        def value(name):
            return self.parameterAsDouble(parameters, name, context)

        def optional(name):
            return params.optional_number(self, parameters, name, context)

        soundings, crs, given = read_given(
            source(self, parameters, params.INPUT, context), context, feedback
        )
        cleaned = clean(
            soundings,
            min_depth=value("MIN_DEPTH"),
            max_depth=optional("MAX_DEPTH"),
            max_speed=optional("MAX_SPEED"),
            min_speed=optional("MIN_SPEED"),
            max_jump_speed=value("MAX_JUMP_SPEED"),
            half_window=self.parameterAsInt(parameters, "HALF_WINDOW", context),
            n_sigma=value("LIMIT"),
            noise_floor=value("NOISE_FLOOR"),
            max_slope=value("MAX_SLOPE"),
            max_burst=value("MAX_BURST"),
            radius=optional("RADIUS"),
            anew=self.parameterAsBool(parameters, "ANEW", context),
            progress=self.progress(feedback),
        )
        counts = dict(cleaned.counts)
        total = counts.pop("total")
        shares = [[reason, n, 100.0 * n / total] for reason, n in counts.items()]
        for note in track_notes(soundings):
            feedback.pushWarning(note)
        for warning in cleaned.warnings:
            feedback.pushWarning(warning)
        for note in cleaned.notes:
            feedback.pushInfo(note)
        for reason, n, share in shares:
            if n:
                feedback.pushInfo(f"{reason}: {n} ({written(share, '.2f')}%)")
        if not counts[ACCEPTED]:
            feedback.pushWarning(
                tr("No sounding was accepted. Look at the reasons above; the limits may be in "
                   "another unit than metres.")
            )
        with Outputs(self, parameters, context, feedback) as out:
            out.soundings(params.OUTPUT, cleaned.soundings, crs, given=given)
            out.table(
                COUNTS, [("reason", "text"), ("soundings", "int"), ("share_percent", "double")],
                shares,
            )
            out.results.update(
                TOTAL=total, ACCEPTED=counts[ACCEPTED], REJECTED=total - counts[ACCEPTED]
            )
        return out.results
