"""Find time offset."""

from html import escape

import numpy as np
from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFileDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import read_soundings, source
from .._outputs import Outputs
from .._reports import html_page, plots
from ..core.correcting.time_offset import find_time_offset
from ..core.number_text import written

_FIELDS = [
    ("visit", "text"), ("offset_s", "double"), ("uncert_s", "double"), ("pairs", "int"),
    ("verdict", "text"),
]

#: Curves in the picture beside that of all visits; more cannot be told apart.
_MOST_CURVES = 5


class FindTimeOffset(LakefloorAlgorithm):
    NAME = "findtimeoffset"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Find time offset")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP("@default", "latency,patch test,time offset,lag,calibration,zigzag")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Finds from the soundings themselves by how many seconds the logged position is older "
        "than the depth beside it, with its uncertainty: the number that Correct depths takes as "
        "time offset. A wrong offset draws contours in zigzag from lane to lane and puts a "
        "drop-off in two places.\n\n"
        "Wherever two tracks of one visit meet at different velocity over a sloping bottom, in "
        "opposite directions or crossing, their depths differ by offset x difference of velocity "
        "x slope. All such places are compared; the more there are and the steeper the bottom, "
        "the surer the result. Best is one line over a drop-off, run several times to and fro. "
        "Clean the soundings first; they may be corrected and reduced or not, and an offset that "
        "was corrected before counts in.\n\n"
        "Where the data cannot tell, the verdict says 'not determinable' and why, and the number "
        "stays empty. An antenna ahead of the transducer looks like a smaller offset: at one "
        "speed the two cannot be told apart, so measure the distance and mount the antenna above "
        "the transducer if you can.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "U.S. Army Corps of Engineers (2002), Hydrographic Surveying, EM 1110-2-1003 (latency "
        "test); Huber (1964), Annals of Mathematical Statistics 35(1), 73-101; Cameron, Gelbach "
        "and Miller (2011), Journal of Business and Economic Statistics 29(2), 238-249",
    )

    def initAlgorithm(self, configuration=None):
        add = self.addParameter
        add(params.soundings())
        add(params.number(
            "SEARCH", tr("Search up to (s)"), 5.0,
            tr("The time offset is looked for between minus this and plus this many seconds."),
            minimum=0.5, maximum=60.0,
        ))
        add(params.distance(
            "MAX_DISTANCE", tr("Maximum distance between tracks (m)"), 5.0,
            tr("How near two tracks must come to be compared: a few metres, about the accuracy of "
               "the position."),
            minimum=0.1,
        ))
        add(params.distance(
            "POSITION", tr("Uncertainty of position (m)"), 1.0,
            tr("One standard deviation in one direction, for the uncertainty of the result; with "
               "many pairs of tracks their own scatter takes its place."),
            minimum=0.01, advanced=True,
        ))
        add(params.number(
            "LARGEST_UNCERTAINTY", tr("Largest uncertainty (s)"), 0.5,
            tr("A time offset less certain than this is called not determinable."),
            minimum=0.001, advanced=True,
        ))
        add(QgsProcessingParameterFeatureSink(
            "TABLE", tr("Time offsets by visit"), QgsProcessing.SourceType.TypeVector
        ))
        add(QgsProcessingParameterFileDestination(
            "REPORT", tr("Report of the time offset"), "HTML (*.html)", optional=True
        ))
        for name, label in (
            ("OFFSET", tr("Time offset (s)")),
            ("UNCERTAINTY", tr("Standard uncertainty of the time offset (s)")),
            ("DETERMINABLE", tr("Determinable: 1, not determinable: 0")),
        ):
            self.addOutput(QgsProcessingOutputNumber(name, label))

    def compute(self, parameters, context, feedback):
        soundings, _ = read_soundings(
            source(self, parameters, params.INPUT, context), context, feedback
        )
        search = self.parameterAsDouble(parameters, "SEARCH", context)
        found = find_time_offset(
            soundings,
            search=(-search, search),
            max_distance_m=self.parameterAsDouble(parameters, "MAX_DISTANCE", context),
            position_m=self.parameterAsDouble(parameters, "POSITION", context),
            largest_uncert_s=self.parameterAsDouble(parameters, "LARGEST_UNCERTAINTY", context),
            progress=self.progress(feedback),
        )
        rows = [*found.visits, found]
        for row in rows:
            feedback.pushInfo(f"{_name(row)}: {_shown(row)}")
        for note in found.notes:
            feedback.pushInfo(note)
        if found.determinable:
            feedback.pushInfo(
                tr("Enter {:.2f} s as time offset in Correct depths.").format(found.offset_s)
            )
        with Outputs(self, parameters, context, feedback) as out:
            out.table("TABLE", _FIELDS, (
                [_name(r), _number(r.offset_s), _number(r.uncert_s), r.pairs, r.verdict]
                for r in rows
            ))
            out.text("REPORT", lambda: _html_report(found))
            out.results["OFFSET"] = _number(found.offset_s)
            out.results["UNCERTAINTY"] = _number(found.uncert_s)
            out.results["DETERMINABLE"] = int(found.determinable)
        return out.results


def _name(row):
    return row.name or tr("all visits")


def _number(value):
    return float(value) if np.isfinite(value) else None


def _shown(row):
    if not row.determinable:
        return row.verdict
    return tr("{:.2f} s, standard uncertainty {:.2f} s, from {} pairs of tracks").format(
        row.offset_s, row.uncert_s, row.pairs
    )


def _html_report(found):
    rows = [
        [escape(_name(r)), "&ndash;" if not r.determinable else written(r.offset_s, "+.2f"),
         "&ndash;" if not np.isfinite(r.uncert_s) else written(r.uncert_s, ".2f"), r.pairs,
         r.meetings, escape(r.verdict)]
        for r in (*found.visits, found)
    ]
    head = [tr("visit"), tr("time offset (s)"), tr("standard uncertainty (s)"),
            tr("pairs of tracks"), tr("places"), tr("verdict")]
    notes = "".join(f"<li>{escape(note)}</li>" for note in found.notes)
    parts = [html_page.table(head, rows), f"<ul>{notes}</ul>" if notes else ""]
    scans = [
        (_name(r), r.scan_s, r.misfit_m)
        for r in (found, *found.visits[:_MOST_CURVES]) if r.scan_s.size
    ]
    if len(found.visits) == 1:
        scans = scans[:1]
    if scans and plots.available():
        title = tr("Difference of depth between tracks, by the time offset tried")
        parts += [
            f"<h2>{title}</h2>",
            html_page.image(title, plots.offset_scan(scans, found.offset_s, found.uncert_s)),
        ]
    elif scans:
        parts.append(html_page.no_pictures())
    parts.append(html_page.remark(tr(
        "The time offset is by how much the logged position is older than the depth beside it. "
        "The least difference marks it; what is left there is noise of sounder and position."
    )))
    return html_page.page(tr("Time offset between sounder and GPS"), parts)
