"""Soundings from point layer."""

from dataclasses import replace

import numpy as np
from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.layer_crs import metric_crs, srs_wkt
from .._io.values import as_numbers
from ..core.days import longitude
from ..core.errors import LakefloorError, excerpt
from ..core.track import in_logged_order, track_notes
from ..core.units import LENGTH_NAMES, SPEED, TEMPERATURE_UNITS, unit_in_name

#: Value of POSITIVE -> what :func:`soundings_from_points` is given.
_POSITIVE = {"downward": "down", "upward": "up"}


class ReadPointLayer(LakefloorAlgorithm):
    NAME = "readpointlayer"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Soundings from point layer")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "import,convert,points,point layer,field,fields,depth,depths,spot depth,spot depths,"
        "sounding,soundings,bathymetry,XYZ,elevation,Z,shapefile,survey,log",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Turns any point layer with depths into a soundings layer, which the other algorithms can "
        "use. Use it for points that another program made; for logs, use Read logs.\n\n"
        "Depth comes from a field, or from the Z of the geometry, and becomes meters, positive "
        "down. Points without geometry or depth are left out and counted. A layer in degrees is "
        "projected to its UTM zone. The points keep their order and their other fields.\n\n"
        "Choose a time field if there is one: it gives the order along the track. Without times, "
        "the order in the layer is used.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Units: NIST SP 811 (2008), appendix B; lanes: Douglas and Peucker (1973), Cartographica "
        "10(2), 112-122",
    )

    NUMBERS = {
        "SOUNDINGS": QT_TRANSLATE_NOOP("@default", "Soundings read"),
        "VISITS": QT_TRANSLATE_NOOP("@default", "Visits"),
        "LEFT_OUT": QT_TRANSLATE_NOOP("@default", "Points left out"),
    }
    FORM = ("INPUT", "DEPTH_FIELD", "DEPTH_UNIT", "POSITIVE", "TIME_FIELD", "TIME_ZONE", "OUTPUT")

    def declare(self):
        kinds = QgsProcessingParameterField.DataType

        def field(name, label, text, kind=kinds.Numeric, advanced=True):
            self.addParameter(
                params.helped(
                    QgsProcessingParameterField(
                        name, label, None, params.INPUT, kind, optional=True
                    ),
                    text,
                    advanced,
                )
            )

        self.addParameter(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    params.INPUT, tr("Points"), [QgsProcessing.SourceType.TypeVectorPoint]
                ),
                tr("Points or multipoints in any coordinate reference system."),
            )
        )
        field(
            "DEPTH_FIELD",
            tr("Depth field"),
            tr("If empty, the Z of the geometry is used."),
            advanced=False,
        )
        self.addParameter(
            params.choice(
                "DEPTH_UNIT",
                tr("Depth unit"),
                ["meters", "feet", "US survey feet", "fathoms"],
                "meters",
                tr("For the depth field or Z."),
            )
        )
        self.addParameter(
            params.choice(
                "POSITIVE",
                tr("Values increase"),
                {
                    "downward": tr("depths below the water surface"),
                    "upward": tr("elevations from the water surface, negative at the bottom"),
                },
                "downward",
                tr("For the depth field or Z."),
                former={"down": "downward", "up": "upward"},
            )
        )
        field(
            "TIME_FIELD",
            tr("Time field"),
            tr("Date and time, or ISO 8601 text. If empty, the soundings have no times."),
            kinds.Any,
            advanced=False,
        )
        self.addParameter(params.time_zone("TIME_ZONE", tr("Time zone")))
        field(
            "VISIT_FIELD",
            tr("Visit field"),
            tr("Name of the visit. If empty, it is the local date on which the visit began."),
            kinds.Any,
            advanced=False,
        )
        field(
            "HARDNESS_FIELD",
            tr("Hardness field"),
            tr("Relative bottom hardness from 0 to 1. If empty, there is none."),
        )
        field(
            "TEMPERATURE_FIELD",
            tr("Water temperature field"),
            tr("Temperature as logged. If empty, there is none."),
        )
        self.addParameter(
            params.choice(
                "TEMPERATURE_UNIT",
                tr("Water temperature unit"),
                list(TEMPERATURE_UNITS),
                "Celsius",
                tr("For the water temperature field."),
                advanced=True,
            )
        )
        field(
            "SPEED_FIELD",
            tr("Speed field"),
            tr("Speed over ground as logged. If empty, there is none."),
        )
        self.addParameter(
            params.choice(
                "SPEED_UNIT",
                tr("Speed unit"),
                list(SPEED),
                "m/s",
                tr("For the speed field."),
                advanced=True,
            )
        )
        field(
            "COURSE_FIELD",
            tr("Course field"),
            tr("Course over ground in degrees clockwise from true north. If empty, there is none."),
        )
        self.addParameter(params.week_rollovers())
        self.addParameter(params.soundings_output(tr("Soundings")))

    def check(self, inputs):
        inputs.time_zone("TIME_ZONE")

    def compute(self, inputs, outputs):
        from ..core.reading.point_table import soundings_from_points

        points = inputs.source()
        crs = metric_crs(
            points.sourceCrs(), points.sourceExtent(), points.sourceName(), inputs.feedback
        )
        columns, given = self._columns(points, crs, inputs)
        soundings, kept, left_out, notes = soundings_from_points(
            columns, self._units(columns, crs, inputs), inputs.progress
        )
        for note in notes:
            inputs.say(note)
        for note in track_notes(in_logged_order(soundings)):
            inputs.warn(note)
        for reason, count in left_out.items():
            inputs.say(tr("Left out, {}: {}").format(reason, count))
        visits = list(dict.fromkeys(soundings.visit))
        inputs.say(tr("Soundings: {}. Visits: {}.").format(len(soundings), ", ".join(visits)))
        given = replace(given, order=given.order[kept])
        outputs.soundings(params.OUTPUT, soundings, crs, given=given)
        return {
            "SOUNDINGS": len(soundings),
            "VISITS": len(visits),
            "LEFT_OUT": sum(left_out.values()),
        }

    def _columns(self, points, crs, inputs):
        """Return the columns that were chosen, and the layer's own fields and order."""
        from ..core.reading.point_table import PointColumns

        fields = {
            role: inputs.text(f"{role}_FIELD")
            for role in ("DEPTH", "TIME", "VISIT", "HARDNESS", "TEMPERATURE", "SPEED", "COURSE")
        }
        names = sorted({name for name in fields.values() if name})
        x, y, z, columns, given = inputs.points(params.INPUT, crs, names)
        if len(z) and np.isnan(z).all() and not fields["DEPTH"]:
            present = ", ".join(f"'{excerpt(name)}'" for name in points.fields().names())
            raise LakefloorError(
                tr("The points of layer '{}' have no Z. Choose the depth field from: {}.").format(
                    points.sourceName(), present or tr("none")
                )
            )

        def numbers(role):
            name = fields[role]
            return as_numbers(points, name, columns[name]) if name else None

        def texts(role):
            if not fields[role]:
                return None
            return ["" if v is None else str(v) for v in columns[fields[role]]]

        return PointColumns(
            x,
            y,
            numbers("DEPTH") or z,
            texts("TIME"),
            texts("VISIT"),
            numbers("HARDNESS"),
            numbers("TEMPERATURE"),
            numbers("SPEED"),
            numbers("COURSE"),
        ), given

    def _units(self, columns, crs, inputs):
        """Return the units that were chosen; warn where the name of the field suggests another."""
        from ..core.reading.point_table import PointUnits

        unit = inputs.unit("DEPTH_UNIT")
        field = inputs.text("DEPTH_FIELD")
        stated = unit_in_name(field)
        if stated and stated != unit:
            inputs.warn(
                tr(
                    "The name of field '{}' suggests {}, but the depth unit is {}. Choose the right "
                    "one."
                ).format(field, LENGTH_NAMES[stated], LENGTH_NAMES[unit])
            )
        return PointUnits(
            unit,
            _POSITIVE[inputs.choice("POSITIVE")],
            TEMPERATURE_UNITS[inputs.choice("TEMPERATURE_UNIT")],
            inputs.choice("SPEED_UNIT"),
            inputs.time_zone("TIME_ZONE"),
            longitude(columns.x, columns.y, srs_wkt(crs)),
            inputs.integer("WEEK_ROLLOVERS") or 0,
        )
