"""Log-book of lake database."""

from qgis.core import QgsProcessing, QgsProcessingParameterFeatureSink
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ._lake_database import store_parameter, store_path

_FIELDS = [
    ("visit", "text"),
    ("date", "text"),
    ("days", "int"),
    ("soundings", "int"),
    ("accepted", "int"),
    ("held_back", "int"),
    ("superseded", "int"),
    ("rejected", "int"),
    ("files", "text"),
    ("owner", "text"),
    ("sounder", "text"),
    ("beam_deg", "double"),
    ("draft_m", "double"),
    ("datum", "text"),
    ("datum_elev_m", "double"),
    ("level_m", "double"),
    ("level_from", "text"),
    ("offset_m", "double"),
    ("offset_sd_m", "double"),
    ("hardness_gain", "double"),
    ("remark", "text"),
    ("added", "text"),
]

_HISTORY = [
    ("time", "text"),
    ("action", "text"),
    ("visit", "text"),
    ("soundings", "int"),
    ("parameters", "text"),
]


class LogBook(LakefloorAlgorithm):
    NAME = "logbook"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Log-book of lake database")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "lake database,store,log-book,logbook,log book,list visits,visits,table of visits,history,"
        "owner,sounder,draft,draught,lake level,years,seasons,CSV,export table,what is in it",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Lists the visits of the lake database as a table, one row a visit. Use it to see what the "
        "map rests on, or save it as CSV.\n"
        "- date, days: first day at the lake, and the number of days\n"
        "- accepted, held_back, superseded, rejected: soundings by status\n"
        "- level_m, level_from: mean lake level, and how it was obtained\n"
        "- offset_m, offset_sd_m: offset from the rest when the visit entered, and its standard "
        "uncertainty\n"
        "- added: when it entered, in UTC\n\n"
        "Soundings older than a marked change of the bottom count as superseded. A value that "
        "nobody gave is empty. 'Edit log-book of lake database' corrects it.",
    )
    SOURCE = QT_TRANSLATE_NOOP("@default", "OGC 12-128r18, GeoPackage Encoding Standard 1.3")

    NUMBERS = {
        "VISIT_COUNT": QT_TRANSLATE_NOOP("@default", "Visits"),
        "SOUNDINGS": QT_TRANSLATE_NOOP("@default", "Soundings"),
    }

    def declare(self):
        self.addParameter(store_parameter(tr("GeoPackage made by 'Add visit to lake database'.")))
        self.addParameter(
            QgsProcessingParameterFeatureSink(
                params.OUTPUT, tr("Log-book"), QgsProcessing.SourceType.TypeVector
            )
        )
        self.addParameter(
            QgsProcessingParameterFeatureSink(
                "HISTORY",
                tr("History"),
                QgsProcessing.SourceType.TypeVector,
                optional=True,
                createByDefault=False,
            )
        )

    def compute(self, inputs, outputs):
        from .. import _store as lake_store

        path = store_path(inputs)
        entries = lake_store.log_book(path, inputs.progress)
        outputs.table(params.OUTPUT, _FIELDS, [_row(entry) for entry in entries])
        outputs.table(
            "HISTORY",
            _HISTORY,
            (
                [time, action, visit, count, words]
                for time, action, visit, count, _, words in lake_store.history(path)
            ),
        )
        for entry in entries:
            inputs.say(
                tr("Visit '{}': {}, soundings: {}, accepted: {}.").format(
                    entry.visit.name,
                    entry.days[0] if entry.days else tr("no date"),
                    entry.visit.soundings,
                    entry.counts["accepted"],
                )
            )
        return {
            "VISIT_COUNT": len(entries),
            "SOUNDINGS": sum(entry.visit.soundings for entry in entries),
        }


def _row(entry):
    """Return a visit's values in the order of the fields."""
    visit = entry.visit
    name, elevation = visit.datum or (None, None)
    files, *facts = entry.facts.columns()
    owner, sounder, beam, draft, level, level_from, offset, spread, gain, remark = facts
    return [
        visit.name,
        entry.days[0] if entry.days else None,
        len(entry.days) or None,
        visit.soundings,
        *entry.counts.values(),
        files,
        owner,
        sounder,
        beam,
        draft,
        name,
        elevation,
        level,
        level_from,
        _rounded(offset, 3),
        _rounded(spread, 3),
        _rounded(gain, 2),
        remark,
        entry.added,
    ]


def _rounded(value, digits):
    return None if value is None else round(value, digits)
