"""Export waypoints and tracks."""

import numpy as np
from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
    QgsProcessingParameterFileDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.layer_crs import wgs84
from .._io.layer_kinds import require_kind
from .._io.staging import write_file
from .._io.values import numbers_or_nan, texts
from ..core.errors import LakefloorError
from ..core.exchange.device_names import SYMBOLS
from ..core.exchange.device_waypoints import (
    DeviceRules,
    Places,
    contour_names,
    device_routes,
    device_tracks,
    device_waypoints,
)
from ..core.progress import rising, span

#: Parameter -> fields that are taken where it is left empty and the layer has one of them.
_USUAL = {
    "NAME_FIELD": ("name",),
    "NOTE_FIELD": ("note",),
    "SYMBOL_FIELD": ("symbol",),
    "DEPTH_FIELD": ("depth_m",),
}

FORMATS = (".gpx", ".kml", ".csv")


class ExportWaypoints(LakefloorAlgorithm):
    NAME = "exportwaypoints"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Export waypoints and tracks")
    GROUP = "share"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "waypoint,waypoints,GPX,KML,CSV,route,routes,track,tracks,mark,marks,"
        "spot,spots,GPS,handheld,phone,device,chart plotter,chartplotter,"
        "fish finder,fishfinder,plotter,contour,contours,lane,lanes,export,save,"
        "transfer,upload,chartplotters",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Writes points as waypoints and lines as tracks or routes, for a GPS device, a "
        "chartplotter or another program. The file name extension sets the format: GPX, KML or "
        "CSV.\n\n"
        "Names are shortened, made unique and written in plain letters, with the depth at the end "
        "('HUMP 12FT'). Give depth contours as lines for devices that read only tracks: all "
        "contours of one depth become one track.\n\n"
        "Depth is written in the name, the comment and an extension, never as elevation, which a "
        "device would draw as a hill. Times are written only if you choose their field.\n\n"
        "Not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default", "GPX 1.1 schema, Topografix (2004); OGC 07-147r2, KML 2.2; IETF RFC 4180 (CSV)"
    )

    NUMBERS = {
        "WAYPOINTS": QT_TRANSLATE_NOOP("@default", "Waypoints written"),
        "ROUTES": QT_TRANSLATE_NOOP("@default", "Routes written"),
        "TRACKS": QT_TRANSLATE_NOOP("@default", "Tracks written"),
        "LINE_POINTS": QT_TRANSLATE_NOOP("@default", "Points in routes and tracks"),
    }
    FORM = ("INPUT", "LINES", "LINES_AS", "NAME_FIELD", "DEPTH_IN_NAME", "UNIT", "OUTPUT")

    def declare(self):
        add, kind = self.addParameter, QgsProcessing.SourceType
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    params.INPUT, tr("Waypoints"), [kind.TypeVectorPoint], optional=True
                ),
                tr(
                    "Points, such as marks, candidate spots or the ends of lanes. If empty, only the "
                    "lines are written."
                ),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    "LINES", tr("Lines"), [kind.TypeVectorLine], optional=True
                ),
                tr(
                    "Lines, such as depth contours, breaklines or survey lanes. If empty, only the "
                    "waypoints are written."
                ),
            )
        )
        add(
            params.choice(
                "LINES_AS",
                tr("Write lines as"),
                {"tracks": tr("a device draws them"), "routes": tr("a device steers along them")},
                "tracks",
                tr("Kind of line in the file."),
            )
        )
        any_field = QgsProcessingParameterField.DataType.Any
        numeric = QgsProcessingParameterField.DataType.Numeric

        def field(name, label, text, parent=params.INPUT, data=any_field, advanced=False):
            add(
                params.helped(
                    QgsProcessingParameterField(
                        name, label, None, parent, data, allowMultiple=False, optional=True
                    ),
                    text,
                    advanced,
                )
            )

        field("NAME_FIELD", tr("Name field"), tr("If empty, 'name' is used where there is one."))
        field(
            "DEPTH_FIELD",
            tr("Depth field (m, positive down)"),
            tr("If empty, 'depth_m' is used where there is one."),
            data=numeric,
        )
        field("NOTE_FIELD", tr("Note field"), tr("If empty, 'note' is used where there is one."))
        field(
            "SYMBOL_FIELD",
            tr("Symbol field"),
            tr(
                "Words that are not in the list of symbols become the symbol below. If empty, "
                "'symbol' is used where there is one."
            ),
            advanced=True,
        )
        field(
            "TIME_FIELD",
            tr("Time field (UTC)"),
            tr("If empty, no times are written."),
            advanced=True,
        )
        field(
            "LINE_NAME_FIELD",
            tr("Line name field"),
            tr(
                "If empty, contours are named by their depth, and other lines by 'name' or 'label'."
            ),
            parent="LINES",
            advanced=True,
        )
        add(
            params.number(
                "MAX_NAME_LENGTH",
                tr("Maximum name length (characters)"),
                10,
                tr("10 suits older GPS devices; newer ones accept 30 or more."),
                minimum=4,
                maximum=255,
                integer=True,
            )
        )
        add(
            params.helped(
                QgsProcessingParameterBoolean(
                    "DEPTH_IN_NAME", tr("Depth at the end of names"), True
                ),
                tr("For points that have a depth."),
            )
        )
        add(
            params.depth_unit(
                tr("Depth unit of names and comments"), tr("In names, comments and tables.")
            )
        )
        add(
            params.helped(
                QgsProcessingParameterBoolean("PLAIN_LETTERS", tr("Plain letters only"), True),
                tr("Names have letters without accents; other scripts are left out."),
                advanced=True,
            )
        )
        add(
            params.helped(
                QgsProcessingParameterEnum(
                    "SYMBOL",
                    tr("Symbol"),
                    options=list(SYMBOLS),
                    defaultValue=SYMBOLS[0],
                    usesStaticStrings=True,
                ),
                tr("For waypoints without a symbol."),
                advanced=True,
            )
        )
        add(
            params.number(
                "DATUM_ELEVATION",
                tr("Elevation of the lake datum (m)"),
                None,
                tr(
                    "The elevation of the bottom (datum minus depth) is written beside the depth. If "
                    "empty, no elevation is written."
                ),
                optional=True,
                advanced=True,
            )
        )
        add(
            params.number(
                "MAX_TRACK_POINTS",
                tr("Maximum points in a track"),
                None,
                tr("Longer tracks are cut into several. If empty, none is cut."),
                minimum=2,
                optional=True,
                advanced=True,
                integer=True,
            )
        )
        add(
            QgsProcessingParameterFileDestination(
                params.OUTPUT,
                tr("Waypoints and tracks"),
                tr("GPX files (*.gpx);;KML files (*.kml);;CSV files (*.csv)"),
            )
        )

    def check(self, inputs):
        if not (inputs.given(params.INPUT) or inputs.given("LINES")):
            raise LakefloorError(tr("There is nothing to write. Choose waypoints, lines, or both."))
        path = inputs.destination(params.OUTPUT)
        if not path.lower().endswith(FORMATS):
            raise LakefloorError(
                tr("The file name sets the format. Choose a name that ends in .gpx, .kml or .csv.")
            )

    def compute(self, inputs, outputs):
        progress = inputs.progress
        rules = self._rules(inputs)
        waypoints = self._waypoints(inputs, rules, rising(span(progress, 0.0, 0.4)))
        progress(0.4)
        routes, tracks = self._lines(inputs, rules)
        progress(0.8)
        data = self._document(
            inputs, (waypoints, routes, tracks), rules.depth_unit, span(progress, 0.8, 1.0)
        )
        write_file(outputs.file(params.OUTPUT), data)
        progress(1.0)
        line_points = sum(len(r.points) for r in routes)
        line_points += sum(len(s) for t in tracks for s in t.segments)
        times = sum(not np.isnat(p.time) for p in waypoints)
        inputs.say(
            tr(
                "Waypoints: {}. Routes: {}. Tracks: {}. Points in routes and tracks: {}. Times: {}."
            ).format(len(waypoints), len(routes), len(tracks), line_points, times)
        )
        return {
            "WAYPOINTS": len(waypoints),
            "ROUTES": len(routes),
            "TRACKS": len(tracks),
            "LINE_POINTS": line_points,
        }

    def _rules(self, inputs):
        return DeviceRules(
            inputs.integer("MAX_NAME_LENGTH"),
            inputs.flag("PLAIN_LETTERS"),
            inputs.flag("DEPTH_IN_NAME"),
            inputs.unit(),
            inputs.choice("SYMBOL"),
            inputs.integer("MAX_TRACK_POINTS"),
        )

    def _document(self, inputs, content, unit, progress):
        from ..core.exchange.csv_file import csv_document
        from ..core.exchange.gpx_file import gpx_document
        from ..core.exchange.kml_file import kml_document

        path = inputs.destination(params.OUTPUT).lower()
        if path.endswith(".gpx"):
            return gpx_document(*content, depth_unit=unit, progress=progress)
        if path.endswith(".kml"):
            return kml_document(*content, progress=progress)
        return csv_document(*content, depth_unit=unit, progress=progress)

    def _waypoints(self, inputs, rules, progress):
        source = inputs.source(params.INPUT)
        if source is None:
            return []
        require_kind(source, "point", inputs.feedback)
        present = source.fields().names()

        def field(name):
            usual = [f for f in _USUAL.get(name, ()) if f in present]
            return inputs.text(name) or next(iter(usual), None)

        fields = {name: field(name) for name in (*_USUAL, "TIME_FIELD")}
        wanted = sorted(set(filter(None, fields.values())))
        lon, lat, _, columns, _ = inputs.points(source, wgs84(), wanted)
        placed = np.isfinite(lon) & np.isfinite(lat)
        if not placed.all():
            inputs.warn(
                tr("Layer '{}': features without a position were left out ({}).").format(
                    source.sourceName(), int((~placed).sum())
                )
            )

        def column(name):
            return columns[fields[name]] if fields[name] else [None] * len(lon)

        def text(name):
            return [value for value, here in zip(texts(column(name)), placed.tolist()) if here]

        points, notes = device_waypoints(
            Places(
                lon[placed],
                lat[placed],
                numbers_or_nan(column("DEPTH_FIELD"))[placed],
                text("NAME_FIELD"),
                text("NOTE_FIELD"),
                text("SYMBOL_FIELD"),
                text("TIME_FIELD"),
            ),
            rules,
            inputs.number("DATUM_ELEVATION"),
            span(progress, 0.3, 1.0),
        )
        for note in notes:
            inputs.warn(note)
        return points

    def _lines(self, inputs, rules):
        """Return the lines as routes and as tracks, one of the two empty."""
        source = inputs.source("LINES")
        if source is None:
            return [], []
        require_kind(source, "line", inputs.feedback)
        present = source.fields().names()
        wanted = [f for f in ("depth", "unit", "depth_m", "name", "label") if f in present]
        given = inputs.text("LINE_NAME_FIELD")
        lines, columns = inputs.line_rows(source, wgs84(), sorted({*wanted, given} - {""}))
        if given:
            names = texts(columns[given])
        elif "depth" in present and "unit" in present:
            names = contour_names(numbers_or_nan(columns["depth"]), texts(columns["unit"]))
        else:
            usual = next((f for f in ("name", "label") if f in present), None)
            names = texts(columns[usual]) if usual else [""] * len(lines)
        names = [name or tr("LINE") for name in names]
        if inputs.choice("LINES_AS") == "routes":
            return device_routes(lines, names, rules), []
        depths = numbers_or_nan(columns.get("depth_m", [None] * len(lines)))
        return [], device_tracks(lines, names, depths, rules)
