"""Clean soundings."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputString,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSink,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.number_text import written
from ..core.soundings import ACCEPTED
from ..core.track import track_notes

COUNTS = "COUNTS"


class CleanSoundings(LakefloorAlgorithm):
    NAME = "cleansoundings"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Clean soundings")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "clean,filter,despike,spike,spikes,outlier,outliers,bad depths,"
        "false bottom,double echo,weeds,fish,hampel,gps jump,position jump,"
        "bad gps,edit,quality control,noise,double echoes,clean data",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Marks the soundings that cannot be right and writes the reason into the field 'status'. "
        "Run it on the logs as read, before you correct depths. No sounding is deleted and no "
        "depth is changed; the next algorithms use the 'accepted' soundings.\n\n"
        "It finds missing positions and depths, repeated rows, position jumps, wrong speeds and "
        "soundings far from all others. It also finds spikes, double echoes, weed tops and tracks "
        "that other lanes contradict.\n\n"
        "A steep drop-off is kept unless only one ping shows it. Check the rejected soundings on "
        "the map before you go on. Soundings of a single or outermost lane have few neighbors to "
        "compare with. A deepest depth helps there, if you know it.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Hampel (1974), Journal of the American Statistical Association 69, 383-393; Davies and "
        "Gather (1993), Journal of the American Statistical Association 88, 782-792",
    )

    NUMBERS = {
        "TOTAL": QT_TRANSLATE_NOOP("@default", "Soundings"),
        "ACCEPTED": QT_TRANSLATE_NOOP("@default", "Accepted soundings"),
        "REJECTED": QT_TRANSLATE_NOOP("@default", "Rejected soundings"),
    }
    FORM = ("INPUT", "MIN_DEPTH", "MAX_DEPTH", "MAX_SPEED", "FORGET_EARLIER", "OUTPUT", "COUNTS")

    def declare(self):
        add = self.addParameter
        add(params.soundings())
        add(
            params.number(
                "MIN_DEPTH",
                tr("Shallowest depth (m)"),
                0.0,
                tr("Shallower soundings are rejected. Zero is always rejected."),
                minimum=0.0,
            )
        )
        add(
            params.number(
                "MAX_DEPTH",
                tr("Deepest depth (m)"),
                None,
                tr("Deeper soundings are rejected. If empty, there is no limit."),
                minimum=0.0,
                optional=True,
            )
        )
        add(
            params.number(
                "MAX_SPEED",
                tr("Maximum speed (m/s)"),
                6.0,
                tr(
                    "At higher speed many transducers lose the bottom. 6 m/s is 13 mph. If empty, "
                    "there is no limit."
                ),
                minimum=0.0,
                optional=True,
            )
        )
        add(
            params.number(
                "MIN_SPEED",
                tr("Minimum speed (m/s)"),
                None,
                tr(
                    "Rejects soundings of a drifting or anchored boat. If empty, there is no limit."
                ),
                minimum=0.0,
                optional=True,
            )
        )
        add(
            params.helped(
                QgsProcessingParameterBoolean(
                    "FORGET_EARLIER", tr("Forget an earlier cleaning"), False
                ),
                tr(
                    "Tests the soundings that an earlier cleaning rejected again. Otherwise they stay "
                    "rejected. Reasons that you entered yourself always stay."
                ),
            )
        )
        add(
            params.number(
                "MIN_NOISE",
                tr("Minimum noise of a depth (m)"),
                0.09,
                tr(
                    "Standard uncertainty that every depth has. 0.09 m (0.3 ft) suits depths logged in "
                    "tenths of a foot."
                ),
                minimum=0.001,
                advanced=True,
            )
        )
        add(
            params.number(
                "OUTLIER_LIMIT",
                tr("Outlier limit (standard deviations)"),
                3.0,
                tr(
                    "A depth that differs by more than this many standard deviations is an outlier."
                ),
                minimum=1.0,
                advanced=True,
            )
        )
        add(
            params.number(
                "HALF_WINDOW",
                tr("Half window (pings)"),
                3,
                tr(
                    "Number of pings before and after that each ping is compared with. Spikes of up to "
                    "this many pings are found."
                ),
                minimum=1,
                maximum=50,
                advanced=True,
                integer=True,
            )
        )
        add(
            params.number(
                "MAX_SLOPE",
                tr("Maximum slope between pings (°)"),
                25.0,
                tr(
                    "Steeper steps are tested further. A steep step alone is never a reason to reject."
                ),
                minimum=1.0,
                maximum=89.0,
                advanced=True,
            )
        )
        add(
            params.distance(
                "MAX_BURST",
                tr("Maximum length of a burst (m)"),
                60.0,
                tr(
                    "Length along the track of a run of outliers, such as a double echo. Longer runs "
                    "are only compared with other lanes."
                ),
                advanced=True,
            )
        )
        add(
            params.distance(
                "NEIGHBOR_RADIUS",
                tr("Search radius for neighbors (m)"),
                None,
                tr(
                    "Soundings of other lanes within it are compared. If empty, it is 1.5 times the "
                    "lane spacing. Zero turns this test off."
                ),
                optional=True,
                advanced=True,
            )
        )
        add(
            params.number(
                "MAX_BOAT_SPEED",
                tr("Maximum possible boat speed (m/s)"),
                15.0,
                tr("A position that the boat could only reach faster than this is a jump."),
                minimum=0.1,
                advanced=True,
            )
        )
        add(params.soundings_output(tr("Cleaned soundings")))
        add(
            params.helped(
                QgsProcessingParameterFeatureSink(
                    COUNTS,
                    tr("Counts by reason"),
                    QgsProcessing.SourceType.TypeVector,
                    createByDefault=False,
                    optional=True,
                ),
                tr("Table with the number and percentage of soundings for each reason."),
            )
        )
        self.addOutput(QgsProcessingOutputString("REASONS", tr("Reasons of rejected soundings")))

    def compute(self, inputs, outputs):
        from ..core.cleaning.cleaning import clean

        soundings, crs, given = inputs.given_soundings()
        cleaned = clean(
            soundings,
            min_depth=inputs.number("MIN_DEPTH"),
            max_depth=inputs.number("MAX_DEPTH"),
            max_speed=inputs.number("MAX_SPEED"),
            min_speed=inputs.number("MIN_SPEED"),
            max_jump_speed=inputs.number("MAX_BOAT_SPEED"),
            half_window=inputs.integer("HALF_WINDOW"),
            n_sigma=inputs.number("OUTLIER_LIMIT"),
            noise_floor=inputs.number("MIN_NOISE"),
            max_slope=inputs.number("MAX_SLOPE"),
            max_burst=inputs.number("MAX_BURST"),
            radius=inputs.number("NEIGHBOR_RADIUS"),
            anew=inputs.flag("FORGET_EARLIER"),
            progress=inputs.progress,
        )
        counts = dict(cleaned.counts)
        total = counts.pop("total")
        shares = [[reason, n, 100.0 * n / total] for reason, n in counts.items()]
        for note in track_notes(soundings):
            inputs.warn(note)
        for warning in cleaned.warnings:
            inputs.warn(warning)
        for note in cleaned.notes:
            inputs.say(note)
        for reason, n, share in shares:
            if n:
                inputs.say(f"{reason}: {n} ({written(share, '.2f')}%)")
        if not counts[ACCEPTED]:
            inputs.warn(
                tr(
                    "No sounding was accepted. Look at the reasons above, and check that the limits "
                    "are in meters."
                )
            )
        outputs.soundings(params.OUTPUT, cleaned.soundings, crs, given=given)
        outputs.table(
            COUNTS, [("reason", "text"), ("soundings", "int"), ("share_percent", "double")], shares
        )
        accepted = counts[ACCEPTED]
        return {
            "TOTAL": total,
            "ACCEPTED": accepted,
            "REJECTED": total - accepted,
            "REASONS": ", ".join(
                f"{reason}: {n}" for reason, n, _ in shares if n and reason != ACCEPTED
            ),
        }
