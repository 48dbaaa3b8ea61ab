"""Describe marks."""

import numpy as np
from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterFeatureSink,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import read_points, source
from .._outputs import Outputs
from ..core.errors import LakefloorError
from ..core.structure.signature import describe
from ..core.structure.wording import class_name, compass, describe_text
from ._ground import (
    add_deep,
    add_layers,
    lon_lat,
    marks,
    name_field,
    read_ground,
    unit,
    write_points,
)

#: What the nearest of is given, with distance and direction.
_NEAR = ("crest", "toe", "transition", "form", "deep_water", "hard_bottom", "soft_bottom")
_REMARKS = ("note", "desc", "cmt", "remark")


class DescribeMarks(LakefloorAlgorithm):
    NAME = "describemarks"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Describe marks")
    GROUP = "structure"
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "waypoints,GPX,marks,nearest,direction,distance,structure,log"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "What the map knows of your own marks: depth, slope, bottom type, and how far and which "
        "way the nearest crest, toe, transition and form of the bottom are. Marks are any point "
        "layer, or the waypoints of a GPX file. Use it to see what your good places have in "
        "common; More like these then looks for other places of the same kind.\n\n"
        "Fields: name; note (all in words); remark (your own note); depth_m and uncert_m; "
        "sounding_m, the distance to the nearest sounding; slope_pct in percent; rise_m, how far "
        "the bottom stands above the mean of what lies within 40 m; hardness (0 to 1) with "
        "hardness_sd; bottom (soft, medium, hard) with bottom_prob. For each neighbour: the "
        "distance in metres (_m), the direction in degrees from true north (_deg) and as one of "
        "eight points of the compass (_dir). height_m and relief_m are those of the nearest "
        "drop-off and form. What is not known is NULL, and so is all of a mark off the mapped "
        "bottom but its place.\n\n"
        "Distances are straight lines, even across land. A mark is no better placed than the GPS "
        "that took it, a few metres. Not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Horn (1981), Proceedings of the IEEE 69(1), 14-47 (slope); Lundblad et al. (2006), Marine "
        "Geodesy 29(2), 89-111 (position above the surroundings); Snyder (1987), U.S. Geological "
        "Survey Professional Paper 1395 (true north)",
    )

    def initAlgorithm(self, configuration=None):
        self.addParameter(marks())
        self.addParameter(name_field())
        add_layers(self)
        self.addParameter(unit())
        add_deep(self)
        self.addParameter(QgsProcessingParameterFeatureSink(
            params.OUTPUT, tr("Described marks"), QgsProcessing.SourceType.TypeVectorPoint
        ))
        self.addOutput(QgsProcessingOutputNumber("MARKS_ON_MAP", tr("Marks on the mapped bottom")))
        self.addOutput(QgsProcessingOutputNumber("MARKS_OFF_MAP", tr("Marks off it")))

    def compute(self, parameters, context, feedback):
        ground, crs = read_ground(self, parameters, context, feedback)
        x, y, names, remarks = read_marks(self, parameters, crs, context, feedback)
        found = describe(ground, x, y, self.progress(feedback))
        unit_name = self.parameterAsEnumString(parameters, "UNIT", context)
        notes = [describe_text(ground, found, i, unit_name) for i in range(len(x))]
        for name, note in zip(names, notes):
            feedback.pushInfo(f"{name}: {note}.")
        on = np.isfinite(found["depth_m"])
        lon, lat = lon_lat(x, y, ground)
        columns = {"name": names, "note": notes, "remark": remarks, **_columns(ground, found, on),
                   "lon": lon, "lat": lat}
        texts = ("name", "note", "remark", "bottom", "form", *(f"{key}_dir" for key in _NEAR))
        with Outputs(self, parameters, context, feedback) as out:
            write_points(out, params.OUTPUT, columns, dict.fromkeys(texts, "text"), crs, x, y,
                         "marks")
            out.results["MARKS_ON_MAP"] = int(on.sum())
            out.results["MARKS_OFF_MAP"] = int((~on).sum())
        return out.results


def read_marks(algorithm, parameters, crs, context, feedback) -> tuple:
    """Return x, y (m), names and the user's own remarks of marks."""
    layer = source(algorithm, parameters, "MARKS", context)
    fields = layer.fields().names()
    if {"raw_depth_m", "status", "lane"} <= set(fields):
        raise LakefloorError(
            tr("Layer '{}' holds soundings, not marks. Choose the layer of your own places.")
            .format(layer.sourceName())
        )
    chosen = algorithm.parameterAsString(parameters, "NAME_FIELD", context)
    name = chosen or next((f for f in fields if f.lower() == "name"), None)
    wanted = [name] if name else []
    wanted += [f for f in fields if f.lower() in _REMARKS and f not in wanted]
    x, y, _, columns = read_points(layer, crs, wanted, context, feedback)
    placed = np.isfinite(x) & np.isfinite(y)
    if not placed.any():
        raise LakefloorError(
            tr("Layer '{}' holds no mark with a place.").format(layer.sourceName())
        )
    if not placed.all():
        feedback.pushWarning(
            tr("{} marks have no place and are left out.").format(int((~placed).sum()))
        )
    rows = np.flatnonzero(placed)
    names = [str(columns[name][i]) if name and columns[name][i] is not None else str(i + 1)
             for i in rows]
    others = [columns[f] for f in wanted if f != name]
    remarks = [next((str(c[i]) for c in others if c[i] not in (None, "")), "") for i in rows]
    return x[rows], y[rows], names, remarks


def _columns(ground, found, on) -> dict:
    """Return the fields of described marks, the same whatever layers there were."""
    unknown = np.full(len(on), np.nan)
    columns = {key: found[key] for key in (
        "depth_m", "uncert_m", "sounding_m", "slope_pct", "rise_m", "hardness", "hardness_sd",
    )}  # fmt: skip
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
        columns[f"{key}_dir"] = [compass(b) if np.isfinite(b) else "" for b in bearing]
        if key == "crest":
            columns["height_m"] = _attribute(ground.break_lines, "height_m", rows)
        if key == "form":
            columns["relief_m"] = _attribute(ground.forms, "relief_m", rows)
    return {
        name: [value if ok else (None if isinstance(value, str) else np.nan)
               for value, ok in zip(values, on)]
        for name, values in columns.items()
    }  # fmt: skip


def _attribute(layer, name, rows) -> list:
    values = None if layer is None else layer.attributes.get(name)
    return [np.nan if values is None or row < 0 else values[row] for row in rows]
