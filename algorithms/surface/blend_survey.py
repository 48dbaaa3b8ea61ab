"""Blend a survey into an older map."""

from __future__ import annotations

from dataclasses import replace

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterRasterDestination,
    QgsProcessingParameterRasterLayer,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.errors import LakefloorError
from ..core.units import LENGTH

RASTER, CONTOURS, FIELD = "OLDER_RASTER", "OLDER_CONTOURS", "DEPTH_FIELD"

#: Class of depth in the report, m, by its unit: 5 ft or 2 m.
_STEPS = {"ft": 5 * LENGTH["ft"], "m": 2.0}


class BlendSurvey(LakefloorAlgorithm):
    NAME = "blendsurvey"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Blend a survey into an older map")
    GROUP = "surface"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "blend,merge,mosaic,feather,combine,older maps,lake maps,published maps,"
        "digitized contours,digitised contours,contour maps,isobaths,bias,offset,"
        "seams,fill gaps,bathymetry,historic map",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Combines a detailed survey and an older map of the lake into one depth surface. The "
        "survey is kept where it has soundings. Beyond it the older map is used, and there is no "
        "step between them.\n\n"
        "Use it when your survey covers only part of the lake. The older map is a raster of depths "
        "in meters, or contours with a depth field. Where both overlap, the offset and scale of "
        "the older map are estimated, and removed if they are significant. A report says how good "
        "the older map was.\n\n"
        "These estimates hold for the rest of the lake only if the older map is equally good "
        "there. Both must be at one lake datum. Not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Huber (1964), Annals of Mathematical Statistics 35(1), 73-101. Cressie (1985), "
        "Mathematical Geology 17(5), 563-586. Smith and Sandwell (1997), Science 277, 1956-1962. "
        "Briggs (1974), Geophysics 39(1), 39-48",
    )

    NUMBERS = {
        "OFFSET": QT_TRANSLATE_NOOP("@default", "Offset of the older map (m)"),
        "SCALE": QT_TRANSLATE_NOOP("@default", "Scale of the older map's depths"),
        "SHIFT_EAST": QT_TRANSLATE_NOOP("@default", "Shift of the older map, east (m)"),
        "SHIFT_NORTH": QT_TRANSLATE_NOOP("@default", "Shift of the older map, north (m)"),
        "RMSE_BEFORE": QT_TRANSLATE_NOOP("@default", "RMS difference before (m)"),
        "RMSE_AFTER": QT_TRANSLATE_NOOP("@default", "RMS difference after (m)"),
        "TRANSITION_WIDTH_USED": QT_TRANSLATE_NOOP("@default", "Width of the transition (m)"),
    }
    FORM = (
        "INPUT",
        "OLDER_RASTER",
        "OLDER_CONTOURS",
        "DEPTH_FIELD",
        "DEPTH_UNIT",
        "SHORELINE",
        "OUTPUT",
    )

    def declare(self):
        add = self.addParameter
        add(
            params.helped(
                QgsProcessingParameterRasterLayer(params.INPUT, tr("Depth surface of the survey")),
                tr(
                    "Surface with its uncertainty and distance bands, made by TIN surface, IDW surface "
                    "or Smooth surface. Its depths stay as they are."
                ),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterRasterLayer(RASTER, tr("Older map: raster"), optional=True),
                tr(
                    "Raster whose band 1 is depth in meters, positive down, in the CRS of the survey. "
                    "If empty, give contours instead."
                ),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    CONTOURS,
                    tr("Older map: contours"),
                    [QgsProcessing.SourceType.TypeVectorLine],
                    optional=True,
                ),
                tr("Digitized depth contours. If empty, give a raster instead."),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterField(
                    FIELD,
                    tr("Depth field of the contours"),
                    parentLayerParameterName=CONTOURS,
                    optional=True,
                ),
                tr(
                    "Field with the depth of each line, positive down. Needed for contours. If empty, "
                    "the older map must be a raster."
                ),
            )
        )
        add(
            params.choice(
                "DEPTH_UNIT",
                tr("Depth unit of the contours"),
                ["feet", "meters", "fathoms"],
                "feet",
                tr("Depths in the depth field are in this unit."),
            )
        )
        add(params.shoreline())
        add(
            params.distance(
                "TRANSITION_WIDTH",
                tr("Width of the transition (m)"),
                None,
                tr(
                    "Distance beyond the survey over which its difference to the older map fades out. "
                    "If empty, it is about two lane spacings, but at least 30 m."
                ),
                optional=True,
            )
        )
        add(
            params.helped(
                QgsProcessingParameterBoolean(
                    "REMOVE_SHIFT", tr("Remove a shift of the older map"), False
                ),
                tr(
                    "Moves the older map back by the shift found, if that is significant. Errors in the "
                    "shape of the map can look like a shift. Use this only where the survey has slopes "
                    "that face all ways."
                ),
                advanced=True,
            )
        )
        add(
            params.depth_unit(
                text=tr("Used in the report. The rasters and the numbers are in meters.")
            )
        )
        add(QgsProcessingParameterRasterDestination(params.OUTPUT, tr("Blended depth surface")))
        add(
            QgsProcessingParameterRasterDestination(
                "DIFFERENCE", tr("Older map minus survey"), optional=True, createByDefault=False
            )
        )
        add(
            QgsProcessingParameterFileDestination(
                "REPORT",
                tr("Report on the older map"),
                "HTML (*.html)",
                optional=True,
                createByDefault=False,
            )
        )

    def check(self, inputs):
        given = {name: inputs.given(name) for name in (RASTER, CONTOURS, FIELD)}
        if given[RASTER] == given[CONTOURS]:
            raise LakefloorError(
                tr("The older map is given twice. Give either a raster or contours.")
                if given[RASTER]
                else tr("The older map is missing. Give either a raster or contours.")
            )
        if given[CONTOURS] and not given[FIELD]:
            raise LakefloorError(
                tr("The contours need depths. Choose the field that holds the depth of each line.")
            )

    def compute(self, inputs, outputs):
        from .._reports.older_map_page import older_map_html
        from ..core.blending.blend import blend_survey

        detail, crs, metadata = inputs.surface()
        if detail.uncertainty is None:
            raise LakefloorError(
                tr(
                    "Raster '{}' has no bands of uncertainty and distance. Give a surface made by "
                    "TIN surface, IDW surface or Smooth surface."
                ).format(inputs.raster().name())
            )
        if inputs.cut_edge(crs=crs):
            inputs.warn(
                tr(
                    "The older map is drawn to depth 0 along the cut. Use the shoreline of the whole "
                    "lake, or leave it empty."
                )
            )
        unit = inputs.unit()
        found = blend_survey(
            detail,
            _older_map(inputs, crs, metadata),
            shoreline=inputs.polygon(crs=crs),
            width_m=inputs.number("TRANSITION_WIDTH"),
            remove_shift=inputs.flag("REMOVE_SHIFT"),
            depth_step_m=_STEPS[unit],
            progress=inputs.progress,
        )
        _say(inputs, found)
        kept = {key: value for key, value in metadata.items() if key.startswith("D")}
        outputs.surface(params.OUTPUT, found.surface, crs, kept)
        outputs.raster(
            "DIFFERENCE",
            [found.difference],
            (tr("general less detail (m)"),),
            crs,
            {"CHANGE_POSITIVE": "general deeper"},
            style="difference",
        )
        outputs.text("REPORT", lambda: older_map_html(found, unit))
        return {
            "OFFSET": found.offset.value,
            "SCALE": found.scale.value,
            "SHIFT_EAST": found.east.value,
            "SHIFT_NORTH": found.north.value,
            "RMSE_BEFORE": found.rmse_before,
            "RMSE_AFTER": found.rmse_after,
            "TRANSITION_WIDTH_USED": found.width,
        }


def _older_map(inputs, crs, metadata):
    """Return the older map, a grid or contours, in meters and the CRS of the survey."""
    if inputs.given(CONTOURS):
        unit = LENGTH[inputs.unit("DEPTH_UNIT")]
        lines = inputs.contours(CONTOURS, crs, inputs.text(FIELD))
        return replace(lines, attributes={"depth": unit * lines.attributes["depth"]})
    older, older_crs, older_metadata = inputs.surface(RASTER)
    if older_crs != crs:
        raise LakefloorError(
            tr("The older map is in {}, the survey in {}. Warp '{}' to {} first.").format(
                older_crs.authid(), crs.authid(), inputs.raster(RASTER).name(), crs.authid()
            )
        )
    names = [data.get("DATUM_NAME") for data in (metadata, older_metadata)]
    if all(names) and names[0] != names[1]:
        inputs.warn(
            tr(
                "The survey is at the datum '{}', the older map at '{}'. The offset found "
                "includes their difference, so check that both names are right."
            ).format(*names)
        )
    return older.depth


def _say(inputs, found):
    from .._reports.older_map_page import bias_terms

    inputs.say(
        tr(
            "Survey and older map overlap in {:,} cells. Their RMS difference is {:.2f} m as given "
            "and {:.2f} m after correction."
        ).format(found.cells, found.rmse_before, found.rmse_after)
    )
    for label, term, unit, removed in bias_terms(found, 1.0, "m"):
        inputs.say(f"  {label} {term} {unit} ({removed})")
    inputs.say(
        tr(
            "The transition is {:.0f} m wide. Beyond it the standard uncertainty is {:.2f} m on a "
            "flat bottom."
        ).format(found.width, found.spread)
    )
    for note in found.notes:
        inputs.warn(note)
