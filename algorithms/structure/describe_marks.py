"""Describe marks."""

import numpy as np
from qgis.core import QgsProcessing, QgsProcessingParameterFeatureSink
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ._ground import (
    add_deep,
    add_layers,
    lon_lat,
    marks,
    name_field,
    read_ground,
    read_marks,
    unit,
    write_points,
)

#: What the nearest of is given, with distance and direction.
_NEAR = ("crest", "toe", "transition", "form", "deep_water", "hard_bottom", "soft_bottom")


class DescribeMarks(LakefloorAlgorithm):
    NAME = "describemarks"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Describe marks")
    GROUP = "structure"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "mark,marks,waypoint,waypoints,gpx,describe,spot,spots,nearest,closest,direction,"
        "bearing,distance,structure,logbook,catch,my places",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Describes your own marks by what the map shows there: depth, slope, bottom type, and the "
        "nearest crest, toe, transition and bottom form. Use it to see what your good places have "
        "in common. Then use Find places like my marks.\n\n"
        "Fields: name, note (all in words), remark (your own), depth_m, uncert_m, sounding_m, "
        "slope_pct, rise_m, hardness, bottom, bottom_prob. Each nearby thing has a distance (_m), "
        "a direction from true north (_deg) and a compass point (_dir). Unknown values are "
        "NULL.\n\n"
        "Distances are straight lines, even across land. A mark is only as accurate as the GPS "
        "receiver that recorded it. Not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Horn (1981), Proceedings of the IEEE 69(1), 14-47 (slope). Lundblad et al. (2006), "
        "Marine Geodesy 29(2), 89-111 (position above the surroundings). Snyder (1987), USGS PP "
        "1395 (true north)",
    )

    NUMBERS = {
        "MARKS_ON_MAP": QT_TRANSLATE_NOOP("@default", "Marks on mapped bottom"),
        "MARKS_OFF_MAP": QT_TRANSLATE_NOOP("@default", "Marks off the mapped bottom"),
    }
    FORM = ("MARKS", "INPUT", "BREAKLINES", "TRANSITIONS", "BOTTOM_FORMS", "BOTTOM_TYPE", "OUTPUT")

    def declare(self):
        self.addParameter(marks())
        self.addParameter(name_field())
        add_layers(self)
        self.addParameter(unit())
        add_deep(self)
        self.addParameter(
            QgsProcessingParameterFeatureSink(
                params.OUTPUT, tr("Described marks"), QgsProcessing.SourceType.TypeVectorPoint
            )
        )

    def compute(self, inputs, outputs):
        from ..core.places.place_description import describe_places
        from ..core.places.place_texts import describe_text

        ground, crs = read_ground(inputs)
        x, y, names, remarks = read_marks(inputs, crs)
        found = describe_places(ground, x, y, inputs.progress)
        unit_name = inputs.unit()
        notes = [describe_text(ground, found, i, unit_name) for i in range(len(x))]
        for name, note in zip(names, notes):
            inputs.say(f"{name}: {note}.")
        on = np.isfinite(found["depth_m"])
        lon, lat = lon_lat(x, y, ground)
        columns = {
            "name": names,
            "note": notes,
            "remark": remarks,
            **_columns(ground, found, on),
            "lon": lon,
            "lat": lat,
        }
        texts = ("name", "note", "remark", "bottom", "form", *(f"{key}_dir" for key in _NEAR))
        write_points(
            outputs, params.OUTPUT, columns, dict.fromkeys(texts, "text"), crs, x, y, "marks"
        )
        return {"MARKS_ON_MAP": int(on.sum()), "MARKS_OFF_MAP": int((~on).sum())}


def _columns(ground, found, on) -> dict:
    """Return the fields of described marks, the same whatever layers there were."""
    from ..core.places.place_texts import class_name, compass_point

    unknown = np.full(len(on), np.nan)
    columns = {
        key: found[key]
        for key in (
            "depth_m",
            "uncert_m",
            "sounding_m",
            "slope_pct",
            "rise_m",
            "hardness",
            "hardness_sd",
        )
    }
    columns["bottom"] = [class_name(value) for value in found["bottom"]]
    columns["bottom_prob"] = found["bottom_prob"]
    for key in _NEAR:
        rows = found.get(f"{key}_row", np.full(len(on), -1))
        if key == "form":
            forms = None if ground.forms is None else ground.forms.attributes
            columns["form"] = ["" if row < 0 else str(forms["form"][row]) for row in rows]
        bearing = found.get(f"{key}_deg", unknown)
        columns[f"{key}_m"] = found.get(f"{key}_m", unknown)
        columns[f"{key}_deg"] = bearing
        columns[f"{key}_dir"] = [compass_point(b) if np.isfinite(b) else "" for b in bearing]
        if key == "crest":
            columns["height_m"] = _attribute(ground.breaklines, "height_m", rows)
        if key == "form":
            columns["relief_m"] = _attribute(ground.forms, "relief_m", rows)
    return {
        name: [
            value if ok else (None if isinstance(value, str) else np.nan)
            for value, ok in zip(values, on)
        ]
        for name, values in columns.items()
    }


def _attribute(layer, name, rows) -> list:
    values = None if layer is None else layer.attributes.get(name)
    return [np.nan if values is None or row < 0 else values[row] for row in rows]
