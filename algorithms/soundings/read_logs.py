"""Read logs."""

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingOutputString,
    QgsProcessingParameterCrs,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFile,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.errors import LakefloorError
from ..core.reading.column_roles import parse_columns
from ..core.reading.log_report import NOT_READ

FOLDER = "FOLDER"
_UNREAD_FIELDS = [("file", "text"), ("line", "int"), ("reason", "text"), ("text", "text")]

#: What a file says of its own depths, whatever that is.
AS_STATED = "as stated"
#: Shown words -> what depths of core count from.
_DEPTH_FROM = {"transducer": "transducer", "water surface": "surface"}


class ReadLogs(LakefloorAlgorithm):
    NAME = "readlogs"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Read logs")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "nmea,NMEA 0183,gpx,csv,txt,text,delimited,table,sounder,echo sounder,"
        "echosounder,fish finder,fishfinder,sonar,chart plotter,chartplotter,GPS,"
        "track,tracks,log,logs,sonar log,data logger,import,load,open,convert,"
        "depth,depths,sounding,soundings,bathymetry,visit,outing,trip,fish-"
        "finder,echo-sounder,log files,xyz",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Reads the logs of a sounder and GPS receiver into one layer of soundings. Use it first, "
        "with all logs of the lake.\n\n"
        "It reads NMEA 0183, GPX tracks with depth, and delimited text, and recognizes files by "
        "their content. For text it guesses separator, columns and units from the header, and "
        "shows them in the log; without a header, give the columns.\n\n"
        "Depths become meters, positive down, and times UTC. Positions are projected to the UTM "
        "zone of the lake. Straight runs are numbered as lanes.\n\n"
        "Check the messages: they list what was assumed, and count what was not read by reason.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "NMEA 0183 (IEC 61162-1); GPX 1.1 schema, Topografix; lanes: Douglas and Peucker (1973), "
        "Cartographica 10(2), 112-122",
    )

    NUMBERS = {
        "SOUNDINGS": QT_TRANSLATE_NOOP("@default", "Soundings read"),
        "VISITS": QT_TRANSLATE_NOOP("@default", "Visits"),
        "UNREAD_COUNT": QT_TRANSLATE_NOOP("@default", "Unread lines and files"),
    }
    FORM = ("INPUT", "FOLDER", "DEPTH_UNIT", "DEPTH_FROM", "TIME_ZONE", "VISIT", "OUTPUT")

    def declare(self):
        self.addParameter(
            params.helped(
                QgsProcessingParameterMultipleLayers(
                    params.INPUT, tr("Logs"), QgsProcessing.SourceType.TypeFile, optional=True
                ),
                tr(
                    "Log files; a file given twice is read once. If empty, only the folder is read."
                ),
            )
        )
        self.addParameter(
            params.helped(
                QgsProcessingParameterFile(
                    FOLDER,
                    tr("Folder of logs"),
                    QgsProcessingParameterFile.Behavior.Folder,
                    optional=True,
                ),
                tr(
                    "All logs in the folder and its subfolders are read. If empty, only the files are "
                    "read."
                ),
            )
        )
        self.addParameter(
            params.choice(
                "DEPTH_UNIT",
                tr("Depth unit of the logs"),
                [AS_STATED, "meters", "feet", "US survey feet", "fathoms"],
                AS_STATED,
                tr(
                    "For text and GPX files that do not state their unit. NMEA 0183 always "
                    "does. Without a statement, 'as stated' takes meters and warns."
                ),
            )
        )
        self.addParameter(
            params.choice(
                "DEPTH_FROM",
                tr("Depths are measured from"),
                [AS_STATED, *_DEPTH_FROM],
                AS_STATED,
                tr(
                    "For text and GPX files that do not state it. Without a statement, 'as "
                    "stated' takes the transducer and warns. Correct depths adds the draft to "
                    "depths below the transducer."
                ),
                former={"surface": "water surface"},
            )
        )
        self.addParameter(
            params.time_zone(
                "TIME_ZONE",
                tr("Time zone of the logs"),
                tr(
                    "NMEA 0183 and GPX are in UTC. The dates of visits follow this zone; with UTC, they "
                    "follow the sun at the longitude of the lake."
                ),
            )
        )
        self.addParameter(
            params.helped(
                QgsProcessingParameterString("COLUMNS", tr("Columns of text files"), optional=True),
                tr(
                    "Columns by name or number, for example: lon=3, lat=4, depth=depth_m. If empty, "
                    "they are guessed.\n"
                    "Columns: lon, lat, x, y, depth, time, date, epoch, year, month, day, hour, minute, "
                    "second, hardness, water_temp, speed, course, visit, depth_flag, position_flag.\n"
                    "Options: depth_unit=ft, speed_unit=mph, water_temp_unit=F, date_order=mdy, "
                    "depth_sign=up."
                ),
            )
        )
        self.addParameter(
            params.helped(
                QgsProcessingParameterCrs("CRS", tr("CRS of x and y columns"), optional=True),
                tr(
                    "For text files with x and y instead of longitude and latitude. If empty, they are "
                    "degrees in WGS 84."
                ),
            )
        )
        self.addParameter(
            params.helped(
                QgsProcessingParameterString("VISIT", tr("Name of the visit"), optional=True),
                tr(
                    "One name for all soundings, or 'file' for the name of each file, or 'date' for the "
                    "local date on which the visit began. If empty, the visit column is used, else the "
                    "date. A break of more than 6 hours starts another visit."
                ),
            )
        )
        self.addParameter(
            params.number(
                "MAX_FIX_GAP",
                tr("Maximum time between fixes (s)"),
                10.0,
                tr(
                    "For NMEA 0183. A depth between fixes farther apart gets no position and counts as "
                    "unread."
                ),
                minimum=0.1,
                advanced=True,
            )
        )
        self.addParameter(params.week_rollovers())
        self.addParameter(params.soundings_output(tr("Soundings")))
        self.addParameter(
            QgsProcessingParameterFeatureSink(
                "UNREAD",
                tr("Unread lines"),
                QgsProcessing.SourceType.TypeVector,
                optional=True,
                createByDefault=False,
            )
        )
        self.addOutput(QgsProcessingOutputString("ASSUMED", tr("Assumptions")))

    def check(self, inputs):
        parse_columns(inputs.text("COLUMNS"))
        inputs.time_zone("TIME_ZONE")
        if not self._paths(inputs):
            raise LakefloorError(tr("There are no logs. Give files, or the folder that has them."))

    def compute(self, inputs, outputs):
        from ..core.reading.logs import read_logs

        unit = inputs.unit("DEPTH_UNIT")
        depth_from = inputs.choice("DEPTH_FROM")
        crs = inputs.crs("CRS")
        reading = read_logs(
            self._paths(inputs),
            depth_unit=None if unit == AS_STATED else unit,
            depth_from=_DEPTH_FROM.get(depth_from),
            time_zone=inputs.time_zone("TIME_ZONE"),
            columns=parse_columns(inputs.text("COLUMNS")),
            source_epsg=(crs.authid() or crs.toWkt()) if crs.isValid() else None,
            max_fix_gap_s=inputs.number("MAX_FIX_GAP"),
            visit=inputs.text("VISIT").strip() or None,
            week_rollovers=inputs.integer("WEEK_ROLLOVERS") or 0,
            progress=inputs.progress,
        )
        assumed = reading.assumptions()
        for line in reading.describe():
            if line not in assumed:
                inputs.say(line)
        for report in reading.files:
            if report.kind == NOT_READ:
                inputs.warn(f"{report.name}: {report.notes[0]}")
        for warning in reading.warnings:
            inputs.warn(warning)
        utm = QgsCoordinateReferenceSystem(f"EPSG:{reading.epsg}")
        inputs.say(tr("Positions are in {} ({}).").format(utm.authid(), utm.description()))
        for sentence in assumed:
            inputs.warn(sentence)
        outputs.soundings(params.OUTPUT, reading.soundings, utm)
        outputs.table(
            "UNREAD", _UNREAD_FIELDS, ((u.file, u.line, u.reason, u.text) for u in reading.unread)
        )
        return {
            "SOUNDINGS": len(reading.soundings),
            "VISITS": len(reading.visits),
            "UNREAD_COUNT": reading.unread_count,
            "ASSUMED": " ".join(assumed),
        }

    def _paths(self, inputs) -> list:
        files = inputs.files(params.INPUT)
        folder = inputs.file(FOLDER)
        return [path for path in (*files, folder) if path]
