"""Import waypoints and tracks."""

from qgis.core import (
    QgsGeometry,
    QgsLineString,
    QgsMultiLineString,
    QgsPoint,
    QgsProcessing,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFile,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.layer_crs import wgs84
from .._io.values import number_or_none, to_qdatetime
from ..core.errors import LakefloorError
from ..core.progress import span

_POINT_FIELDS = [
    ("name", "text"),
    ("note", "text"),
    ("symbol", "text"),
    ("depth_m", "double"),
    ("elevation_m", "double"),
    ("time", "datetime"),
    ("route", "text"),
    ("route_no", "int"),
]
_LINE_FIELDS = [("name", "text"), ("note", "text"), ("kind", "text"), ("depth_m", "double")]


class ImportWaypoints(LakefloorAlgorithm):
    NAME = "importwaypoints"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Import waypoints and tracks")
    GROUP = "share"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "waypoint,waypoints,GPX,KML,KMZ,CSV,table,route,routes,track,tracks,mark,marks,spot,"
        "spots,GPS,handheld,phone,device,chart plotter,chartplotter,fish finder,fishfinder,"
        "plotter,import,load,open,download",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Reads waypoints, routes and tracks from GPX, KML, KMZ or a table (CSV) with columns lon "
        "and lat. Use it for marks from a GPS device, a chartplotter or a phone.\n\n"
        "The points become one layer, the lines another, both in WGS 84. The points of a route "
        "are points too, with the name of their route. Times are UTC. The field depth_m has the "
        "depth in meters, positive down, if the file states one; elevation is not depth.\n\n"
        "To map from the depths along a track, use Read logs instead.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default", "GPX 1.1 schema, Topografix (2004); OGC 07-147r2, KML 2.2; IETF RFC 4180 (CSV)"
    )

    NUMBERS = {
        "WAYPOINTS": QT_TRANSLATE_NOOP("@default", "Waypoints read"),
        "ROUTES": QT_TRANSLATE_NOOP("@default", "Routes read"),
        "TRACKS": QT_TRANSLATE_NOOP("@default", "Tracks read"),
    }

    def declare(self):
        self.addParameter(
            params.helped(
                QgsProcessingParameterFile(
                    params.INPUT,
                    tr("File"),
                    fileFilter=tr("Waypoints and tracks (*.gpx *.kml *.kmz *.csv *.txt)"),
                ),
                tr("The format is recognized by the content, not by the name."),
            )
        )
        kind = QgsProcessing.SourceType
        self.addParameter(
            QgsProcessingParameterFeatureSink(params.OUTPUT, tr("Waypoints"), kind.TypeVectorPoint)
        )
        self.addParameter(
            QgsProcessingParameterFeatureSink(
                "LINES", tr("Routes and tracks"), kind.TypeVectorLine, optional=True
            )
        )

    def compute(self, inputs, outputs):
        progress = inputs.progress
        path = inputs.file(params.INPUT)
        marks = _read(path, span(progress, 0.0, 0.5))
        progress(0.5)
        for note in marks.notes:
            inputs.warn(note)
        outputs.features(
            params.OUTPUT,
            _POINT_FIELDS,
            QgsWkbTypes.Type.Point,
            wgs84(),
            _point_rows(marks),
            style="waypoints",
        )
        outputs.features(
            "LINES",
            _LINE_FIELDS,
            QgsWkbTypes.Type.MultiLineString,
            wgs84(),
            _line_rows(marks),
            style="device_tracks",
        )
        counts = [len(part) for part in marks[:3]]
        inputs.say(tr("Waypoints: {}. Routes: {}. Tracks: {}.").format(*counts))
        progress(1.0)
        return dict(zip(("WAYPOINTS", "ROUTES", "TRACKS"), counts))


#: No file of waypoints is larger, bytes.
_LARGEST = 300_000_000


def _read(path, progress):
    from ..core.exchange.csv_file import read_csv
    from ..core.exchange.gpx_file import read_gpx
    from ..core.exchange.kml_file import is_kml, read_kml
    from ..core.reading.gpx_log import is_gpx

    try:
        if path.stat().st_size > _LARGEST:
            raise LakefloorError(
                tr(
                    "'{}' has more than {:.0f} MB, which is too much for waypoints. Choose a file "
                    "with the part that you need."
                ).format(path.name, _LARGEST / 1e6)
            )
        data = path.read_bytes()
    except OSError as error:
        raise LakefloorError(
            tr("Cannot read '{}' ({}). Choose another file.").format(path, error.strerror)
        ) from error
    if path.suffix.lower() == ".gpx" or is_gpx(data):
        read = read_gpx
    elif path.suffix.lower() in (".kml", ".kmz") or is_kml(data):
        read = read_kml
    else:
        read = read_csv
    try:
        return read(data, progress)
    except LakefloorError as error:
        raise LakefloorError(f"'{path.name}': {error}") from error


def _point_rows(marks):
    listed = [(point, None, None) for point in marks.waypoints]
    for route in marks.routes:
        listed += [(p, route.name, i) for i, p in enumerate(route.points, start=1)]
    for p, route, number in listed:
        yield (
            QgsGeometry(QgsPoint(p.lon, p.lat)),
            [
                p.name,
                p.note,
                p.symbol,
                number_or_none(p.depth),
                number_or_none(p.elevation),
                to_qdatetime(p.time),
                route,
                number,
            ],
        )


def _line_rows(marks):
    rows = [
        (r.name, r.note, "route", None, [[(p.lon, p.lat) for p in r.points]]) for r in marks.routes
    ]
    rows += [
        (t.name, t.note, "track", number_or_none(t.depth), [s.tolist() for s in t.segments])
        for t in marks.tracks
    ]
    for name, note, kind, depth, segments in rows:
        lines = QgsMultiLineString()
        for segment in segments:
            # A device may have logged a single fix, which is no line.
            if len(segment) > 1:
                x, y = zip(*segment)
                lines.addGeometry(QgsLineString(list(x), list(y)))
        if lines.numGeometries():
            yield QgsGeometry(lines), [name, note, kind, depth]
