"""Depth profile."""

import numpy as np
from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFileDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.units import FOOT
from ._ground import bottom_type, lon_lat, read_ground, unit, write_points


class DepthProfile(LakefloorAlgorithm):
    NAME = "depthprofile"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Depth profile along a line")
    GROUP = "structure"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "profile,profiles,cross-section,cross-sections,cross,section,transect,transects,along,"
        "plot,graph,chart,table,slope,csv,report",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Shows the depth along drawn lines as a table of points and a report with plots. Draw a "
        "line over a hump, down a drop-off or along a lane. Each part of a line is a profile of "
        "its own.\n\n"
        "Fields: line, line_name, distance_m (from the start of the line), depth_m, uncert_m, "
        "sounding_m, slope_pct (positive where it gets deeper), bottom, bottom_prob, hardness, "
        "lon, lat. The field sounding_m is the distance to the nearest sounding. Choose a file "
        "name ending in .csv for a spreadsheet.\n\n"
        "The profile has a gap where the surface has one. A surface is smoother than the real "
        "bottom, so between lanes it shows only what is likely. Not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Press et al. (2007), Numerical Recipes, 3rd edition, 132-135 (bilinear interpolation)",
    )

    NUMBERS = {
        "LINES_DRAWN": QT_TRANSLATE_NOOP("@default", "Number of lines"),
        "LENGTH_M": QT_TRANSLATE_NOOP("@default", "Length of all lines (m)"),
        "MAPPED_M": QT_TRANSLATE_NOOP("@default", "Length on mapped bottom (m)"),
        "SHALLOWEST_M": QT_TRANSLATE_NOOP("@default", "Shallowest depth (m)"),
        "DEEPEST_M": QT_TRANSLATE_NOOP("@default", "Deepest depth (m)"),
    }

    def declare(self):
        self.addParameter(params.surface())
        self.addParameter(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    "LINES", tr("Lines"), [QgsProcessing.SourceType.TypeVectorLine]
                ),
                tr("Lines along which to show depth, from the first vertex to the last."),
            )
        )
        self.addParameter(bottom_type())
        self.addParameter(unit())
        self.addParameter(
            params.number(
                "INTERVAL",
                tr("Contour interval (depth unit)"),
                1.0,
                tr(
                    "Distance between lines of equal depth in the plot. Only every second or fifth "
                    "line is drawn where they would be too dense."
                ),
                minimum=0.01,
            )
        )
        self.addParameter(
            params.distance(
                "STEP",
                tr("Distance between samples (m)"),
                None,
                tr("If empty, it is the cell size of the surface."),
                optional=True,
                advanced=True,
                minimum=0.01,
            )
        )
        self.addParameter(
            QgsProcessingParameterFeatureSink(
                params.OUTPUT, tr("Depth profile"), QgsProcessing.SourceType.TypeVectorPoint
            )
        )
        self.addParameter(
            QgsProcessingParameterFileDestination(
                "REPORT", tr("Report of the profile"), "HTML (*.html)", optional=True
            )
        )

    def compute(self, inputs, outputs):
        from .._reports.profile_page import profile_html
        from ..core.structure.depth_profile import depth_profiles, summary

        ground, crs = read_ground(inputs)
        shapes, columns = inputs.shapes("LINES", crs, ["name"])
        lines = [np.asarray(shape.coords)[:, :2] for shape in shapes]
        names = [str(name) for name in columns.get("name", [""] * len(lines))]
        found = depth_profiles(
            ground, lines, step_m=inputs.number("STEP"), progress=inputs.progress
        )
        unit_name = inputs.unit()
        figures = [summary(found, number) for number in range(1, len(lines) + 1)]
        for number, (name, of_line) in enumerate(zip(names, figures), start=1):
            inputs.say(_sentence(name or tr("Line {}").format(number), of_line, unit_name))
        write_points(
            outputs,
            params.OUTPUT,
            _columns(found, names, ground, unit_name),
            {"line": "int", "line_name": "text", "bottom": "text"},
            crs,
            found["x"],
            found["y"],
            "profile",
        )
        interval = inputs.number("INTERVAL")
        outputs.text("REPORT", lambda: profile_html(found, names, interval, unit_name))
        return {
            "LINES_DRAWN": len(lines),
            "LENGTH_M": sum(f["length_m"] for f in figures),
            "MAPPED_M": sum(f["mapped_m"] for f in figures),
            "SHALLOWEST_M": float(np.nanmin(found["depth_m"])),
            "DEEPEST_M": float(np.nanmax(found["depth_m"])),
        }


def _sentence(name, figures, unit_name) -> str:
    from ..core.places.place_texts import fine_depth_text, length_text

    if not np.isfinite(figures["deepest_m"]):
        return tr("{}: {} long, not on mapped bottom.").format(
            name, length_text(figures["length_m"], unit_name)
        )
    lengths = (length_text(figures[key], unit_name) for key in ("length_m", "mapped_m"))
    depths = (fine_depth_text(figures[key], unit_name) for key in ("shallowest_m", "deepest_m"))
    return tr("{}: {} long, {} on mapped bottom. Depth {} to {}, slope up to {:.0f}%.").format(
        name, *lengths, *depths, figures["steepest_pct"]
    )


def _columns(found, names, ground, unit_name) -> dict:
    from ..core.places.place_texts import class_name

    lon, lat = lon_lat(found["x"], found["y"], ground)
    columns = {
        "line": found["line"], "line_name": [names[number - 1] for number in found["line"]],
    }  # fmt: skip
    for key in ("distance_m", "depth_m", "uncert_m"):
        columns[key] = found[key]
    if unit_name == "ft":
        columns["depth_ft"] = found["depth_m"] / FOOT
    for key in ("sounding_m", "slope_pct"):
        columns[key] = found[key]
    columns["bottom"] = [class_name(value) for value in found["bottom"]]
    columns.update(bottom_prob=found["bottom_prob"], hardness=found["hardness"], lon=lon, lat=lat)
    return columns
