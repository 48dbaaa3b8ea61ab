"""Read logs."""

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingOutputString,
    QgsProcessingParameterCrs,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFile,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._outputs import Outputs
from ..core.errors import LakefloorError
from ..core.reading.delimited import parse_columns
from ..core.reading.logs import read_logs

FOLDER = "FOLDER"
_UNREAD_FIELDS = [("file", "text"), ("line", "int"), ("reason", "text"), ("text", "text")]


class ReadLogs(LakefloorAlgorithm):
    NAME = "readlogs"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Read logs")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP("@default", "nmea,gpx,csv,sounder,track,import,depth,log")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Reads the logs of a boat's echo sounder and GPS into one layer of soundings: NMEA 0183, "
        "GPX tracks with depth, and delimited text. What a file is, is told by its content, not "
        "by its name. Give files, or a folder to be searched with its subfolders.\n\n"
        "NMEA 0183: depth from DBT, DPT, DBS or DBK (never mixed; the offset of DPT to the "
        "waterline is added), position from RMC, GGA or GLL, date from RMC or ZDA, speed and "
        "course from RMC or VTG, water temperature from MTW. A sentence with a wrong checksum is "
        "not used. Each depth gets its position by interpolating in time between fixes.\n\n"
        "Text: separator, columns and units are guessed from the header and shown in the log; "
        "where there is no header, name the columns. Soundings that the logger flagged as void "
        "are kept with the status 'flagged by the logger'.\n\n"
        "Depths are metres, positive down; times are UTC; positions are projected to the UTM zone "
        "of the lake. Straight runs are numbered as lanes. What could not be read is counted by "
        "reason in the log; the table of unread lines holds the first 20 of each reason.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "NMEA 0183 (IEC 61162-1); GPX 1.1 schema, Topografix; lanes: Douglas and Peucker (1973), "
        "Cartographica 10(2), 112-122",
    )

    def initAlgorithm(self, configuration=None):
        self.addParameter(params.helped(
            QgsProcessingParameterMultipleLayers(
                params.INPUT, tr("Logs"), QgsProcessing.SourceType.TypeFile, optional=True
            ),
            tr("Files. A file given twice is read once."),
        ))
        self.addParameter(params.helped(
            QgsProcessingParameterFile(
                FOLDER, tr("Folder of logs"), QgsProcessingParameterFile.Behavior.Folder,
                optional=True,
            ),
            tr("All logs in it and in its subfolders; instead of single files, or with them."),
        ))
        self.addParameter(params.choice(
            "DEPTH_UNIT", tr("Unit of depth"),
            {
                "stated": tr("as the file states, else metres"), "m": tr("metres"),
                "ft": tr("feet"), "us-ft": tr("US survey feet"), "fathom": tr("fathoms"),
            },
            "stated",
            tr("For text and GPX files that do not state it; NMEA 0183 always does."),
        ))
        self.addParameter(params.choice(
            "DEPTH_FROM", tr("Depth in the logs counts from"),
            {
                "stated": tr("as the file states, else the transducer"),
                "transducer": tr("the transducer"), "surface": tr("the water surface"),
            },
            "stated",
            tr("For text and GPX files that do not state it. Depth from the transducer gets the "
               "draft added by Correct depths."),
        ))
        self.addParameter(params.time_zone(
            "TIME_ZONE", tr("Time zone of the logs"),
            tr("NMEA 0183 and GPX are in UTC. The dates of visits are those of this zone too; "
               "with UTC, those of the sun at the lake's longitude."),
        ))
        self.addParameter(params.helped(
            QgsProcessingParameterString(
                "COLUMNS", tr("Columns of text files"), optional=True
            ),
            tr("Empty to guess. Otherwise role=column, by name or number: lon=3, lat=4, "
               "depth=depth_m. Roles: lon, lat, x, y, depth, time, date, epoch, year, month, day, "
               "hour, minute, second, hardness, water_temp, speed, course, visit, depth_flag, "
               "position_flag. Also: depth_unit=ft, speed_unit=mph, water_temp_unit=F, "
               "date_order=mdy, depth_sign=up."),
        ))
        self.addParameter(params.helped(
            QgsProcessingParameterCrs("CRS", tr("CRS of x and y columns"), optional=True),
            tr("For text files with x and y instead of longitude and latitude. Empty for degrees "
               "in WGS 84."),
        ))
        self.addParameter(params.helped(
            QgsProcessingParameterString("VISIT", tr("Name of the visit"), optional=True),
            tr("One name for all soundings; 'file' for the name of each file; 'date' for the date. "
               "Empty for a visit column where there is one, else the local date on which the "
               "outing began; a break of more than 6 hours starts another."),
        ))
        self.addParameter(params.number(
            "MAX_FIX_GAP", tr("Maximum gap between fixes (s)"), 10.0,
            tr("NMEA 0183: a depth between fixes farther apart than this gets no position and is "
               "counted as unread."),
            minimum=0.1, advanced=True,
        ))
        self.addParameter(QgsProcessingParameterFeatureSink(
            params.OUTPUT, tr("Soundings"), QgsProcessing.SourceType.TypeVectorPoint
        ))
        self.addParameter(QgsProcessingParameterFeatureSink(
            "UNREAD", tr("Unread lines"), QgsProcessing.SourceType.TypeVector,
            optional=True, createByDefault=False,
        ))
        self.addOutput(QgsProcessingOutputNumber("SOUNDINGS", tr("Soundings read")))
        self.addOutput(QgsProcessingOutputNumber("VISITS", tr("Visits")))
        self.addOutput(QgsProcessingOutputNumber("UNREAD_COUNT", tr("Lines and files not read")))
        self.addOutput(QgsProcessingOutputString("ASSUMED", tr("What had to be assumed")))

    def check(self, parameters, context):
        parse_columns(self.parameterAsString(parameters, "COLUMNS", context))
        params.check_zone(self, parameters, "TIME_ZONE", context)
        if not self._paths(parameters, context):
            raise LakefloorError(tr("Give the logs: files, or the folder that holds them."))

    def _paths(self, parameters, context) -> list:
        files = self.parameterAsFileList(parameters, params.INPUT, context)
        folder = self.parameterAsFile(parameters, FOLDER, context)
        return [path for path in (*files, folder) if path]

    def compute(self, parameters, context, feedback):
        unit = self.parameterAsEnumString(parameters, "DEPTH_UNIT", context)
        depth_from = self.parameterAsEnumString(parameters, "DEPTH_FROM", context)
        crs = self.parameterAsCrs(parameters, "CRS", context)
        reading = read_logs(
            self._paths(parameters, context),
            depth_unit=None if unit == "stated" else unit,
            depth_from=None if depth_from == "stated" else depth_from,
            time_zone=params.zone_given(self, parameters, "TIME_ZONE", context),
            columns=parse_columns(self.parameterAsString(parameters, "COLUMNS", context)),
            source_epsg=(crs.authid() or crs.toWkt()) if crs.isValid() else None,
            max_fix_gap_s=self.parameterAsDouble(parameters, "MAX_FIX_GAP", context),
            visit=self.parameterAsString(parameters, "VISIT", context).strip() or None,
            progress=self.progress(feedback),
        )
        for sentence in reading.assumptions():
            feedback.pushWarning(sentence)
        for line in reading.describe():
            feedback.pushInfo(line)
        for report in reading.files:
            if report.kind == "not read":
                feedback.pushWarning(f"{report.name}: {report.notes[0]}")
        for warning in reading.warnings:
            feedback.pushWarning(warning)
        utm = QgsCoordinateReferenceSystem(f"EPSG:{reading.epsg}")
        feedback.pushInfo(tr("Positions in {} ({}).").format(utm.authid(), utm.description()))
        with Outputs(self, parameters, context, feedback) as out:
            out.soundings(params.OUTPUT, reading.soundings, utm)
            out.table(
                "UNREAD", _UNREAD_FIELDS,
                ((u.file, u.line, u.reason, u.text) for u in reading.unread),
            )
            out.results["SOUNDINGS"] = len(reading.soundings)
            out.results["VISITS"] = len(reading.visits)
            out.results["UNREAD_COUNT"] = reading.unread_count
            out.results["ASSUMED"] = " ".join(reading.assumptions())
        return out.results
