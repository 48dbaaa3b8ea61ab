"""Find time offset."""

import numpy as np
from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFileDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._reports.time_offset_page import row_name, time_offset_html

_FIELDS = [
    ("visit", "text"),
    ("offset_s", "double"),
    ("uncert_s", "double"),
    ("pairs", "int"),
    ("verdict", "text"),
]


class FindTimeOffset(LakefloorAlgorithm):
    NAME = "findtimeoffset"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Find time offset")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "latency,lag,delay,gps lag,gps delay,time offset,patch test,calibration,zigzag,"
        "zigzag contours,herringbone,staggered contours,clock",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Finds by how many seconds the logged positions are older than the depths beside them. "
        "Enter the result as time offset (latency) in Correct depths. Use it where contours "
        "zigzag from lane to lane, or where a drop-off shows in two places.\n\n"
        "It compares depths wherever two tracks of a visit meet on a slope in different "
        "directions or at different speeds. Best is one lane over a drop-off, run several "
        "times in both directions. Clean the soundings first. An offset that was "
        "corrected before is included in the result.\n\n"
        "If the data do not show the offset, the verdict says why. An antenna ahead of the "
        "transducer looks like a smaller offset, so mount it above the transducer.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "U.S. Army Corps of Engineers (2002), Hydrographic Surveying, EM 1110-2-1003 (latency "
        "test); Huber (1964), Annals of Mathematical Statistics 35(1), 73-101; Cameron, Gelbach "
        "and Miller (2011), Journal of Business and Economic Statistics 29(2), 238-249",
    )

    NUMBERS = {
        "TIME_OFFSET": QT_TRANSLATE_NOOP("@default", "Time offset (s)"),
        "UNCERTAINTY": QT_TRANSLATE_NOOP("@default", "Standard uncertainty (s)"),
        "DETERMINABLE": QT_TRANSLATE_NOOP("@default", "Determinable (1 yes, 0 no)"),
    }

    def declare(self):
        add = self.addParameter
        add(params.soundings())
        add(
            params.number(
                "MAX_TIME_OFFSET",
                tr("Maximum time offset (s)"),
                5.0,
                tr("The time offset is searched for between minus and plus this many seconds."),
                minimum=0.5,
                maximum=60.0,
            )
        )
        add(
            params.distance(
                "MAX_DISTANCE",
                tr("Maximum distance between tracks (m)"),
                5.0,
                tr(
                    "Tracks that come nearer to each other than this are compared. Use a few meters, "
                    "about the accuracy of the positions."
                ),
                minimum=0.1,
            )
        )
        add(
            params.distance(
                "POSITION_UNCERTAINTY",
                tr("Position uncertainty (m)"),
                1.0,
                tr(
                    "Standard uncertainty of a position in one direction. Where many pairs of tracks "
                    "meet, their own scatter takes its place."
                ),
                minimum=0.01,
                advanced=True,
            )
        )
        add(
            params.number(
                "MAX_UNCERTAINTY",
                tr("Maximum uncertainty (s)"),
                0.5,
                tr("A time offset with a higher standard uncertainty is called not determinable."),
                minimum=0.001,
                advanced=True,
            )
        )
        add(
            QgsProcessingParameterFeatureSink(
                "TIME_OFFSETS", tr("Time offsets by visit"), QgsProcessing.SourceType.TypeVector
            )
        )
        add(
            QgsProcessingParameterFileDestination(
                "REPORT", tr("Report of the time offset"), "HTML (*.html)", optional=True
            )
        )

    def compute(self, inputs, outputs):
        from ..core.correcting.time_offset import find_time_offset

        soundings, _ = inputs.soundings()
        search = inputs.number("MAX_TIME_OFFSET")
        found = find_time_offset(
            soundings,
            search=(-search, search),
            max_distance_m=inputs.number("MAX_DISTANCE"),
            position_m=inputs.number("POSITION_UNCERTAINTY"),
            largest_uncert_s=inputs.number("MAX_UNCERTAINTY"),
            progress=inputs.progress,
        )
        rows = [*found.visits, found]
        for row in rows:
            inputs.say(f"{row_name(row)}: {_shown(row)}")
        for note in found.notes:
            inputs.say(note)
        if found.determinable:
            inputs.say(
                tr("Enter {:.2f} s as the time offset in Correct depths.").format(found.offset_s)
            )
        outputs.table(
            "TIME_OFFSETS",
            _FIELDS,
            (
                [row_name(r), _number(r.offset_s), _number(r.uncert_s), r.pairs, r.verdict]
                for r in rows
            ),
        )
        outputs.text("REPORT", lambda: time_offset_html(found))
        return {
            "TIME_OFFSET": _number(found.offset_s),
            "UNCERTAINTY": _number(found.uncert_s),
            "DETERMINABLE": int(found.determinable),
        }


def _number(value):
    return float(value) if np.isfinite(value) else None


def _shown(row):
    if not row.determinable:
        return row.verdict
    return tr("{:.2f} s, standard uncertainty {:.2f} s, from {} pairs of tracks").format(
        row.offset_s, row.uncert_s, row.pairs
    )
