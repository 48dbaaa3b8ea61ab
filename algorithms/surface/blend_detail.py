"""Blend detail into a general map."""

from __future__ import annotations

from dataclasses import replace
from html import escape

import numpy as np
from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterRasterDestination,
    QgsProcessingParameterRasterLayer,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import optional_source, read_contours, read_polygon, read_raster
from .._outputs import Outputs
from .._reports import html_page, plots
from ..core.errors import LakefloorError
from ..core.number_text import phrase, written
from ..core.surface.blend import blend_detail
from ..core.surface.map_bias import SIGNIFICANCE
from ..core.units import LENGTH

RASTER, CONTOURS, FIELD = "GENERAL_RASTER", "GENERAL_CONTOURS", "DEPTH_FIELD"

#: Class of depth in the report, m, by its unit: 5 ft or 2 m.
_STEPS = {"ft": 5 * LENGTH["ft"], "m": 2.0}


class BlendDetail(LakefloorAlgorithm):
    NAME = "blenddetail"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Blend detail into a general map")
    GROUP = "surface"
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "merge,feather,old map,digitised contours,bias,seam,mosaic"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Makes one surface over the whole lake of a detailed survey and an old, general map: "
        "the survey where it was sounded, the general map beyond, and no step between them. Says "
        "how general the old map was.\n\n"
        "The general map is a raster of depth in metres, or contour lines with their depth in a "
        "field. Contours are gridded over triangles together with the shoreline; where all corners "
        "of a triangle have one depth, as in holes, on humps and in turns of a line, the terrace "
        "is replaced by the surface of least bending, held between the neighbouring contours.\n\n"
        "Where both have depths, general = offset + scale x detail is fitted, robust against "
        "blunders. Either is taken off the general map only where the survey supports it for the "
        "whole lake: misfits hang together, so that one survey holds few independent looks at the "
        "map. A displacement of the map is looked for too, and removed if asked. From the edge of "
        "the survey the misfit that is left fades out over the width of the transition.\n\n"
        "Band 2 of the result is the standard uncertainty: the survey's own, and beyond it what "
        "the misfits of the general map show. The figures are learnt where the survey lies: they "
        "hold for the rest of the lake only as far as the old map is as good or as bad there. Not "
        "for navigation. Depths in metres, positive down, both at one lake datum.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Huber (1964), Annals of Mathematical Statistics 35(1), 73-101; Cressie (1985), "
        "Mathematical Geology 17(5), 563-586; Smith and Sandwell (1997), Science 277, 1956-1962; "
        "Briggs (1974), Geophysics 39(1), 39-48",
    )

    def initAlgorithm(self, configuration=None):
        add = self.addParameter
        add(params.helped(
            QgsProcessingParameterRasterLayer("DETAIL", tr("Detailed depth surface")),
            tr("Surface of the survey with its uncertainty and distance bands, as TIN, IDW and "
               "smooth surface write it. Its depths stay as they are."),
        ))
        add(params.helped(
            QgsProcessingParameterRasterLayer(RASTER, tr("General map: raster"), optional=True),
            tr("Raster whose band 1 is depth in metres, positive down, in the CRS of the survey. "
               "Give this or contours."),
        ))
        add(params.helped(
            QgsProcessingParameterFeatureSource(
                CONTOURS, tr("General map: contours"), [QgsProcessing.SourceType.TypeVectorLine],
                optional=True,
            ),
            tr("Digitised depth contours. Give these or a raster."),
        ))
        add(params.helped(
            QgsProcessingParameterField(
                FIELD, tr("Depth field of the contours"), parentLayerParameterName=CONTOURS,
                optional=True,
            ),
            tr("Depth of each line, positive down."),
        ))
        add(params.choice(
            "DEPTH_UNIT", tr("Depth unit of the contours"),
            {"ft": tr("feet"), "m": tr("metres"), "fathom": tr("fathoms")}, "ft",
            tr("Unit of the depth field."),
        ))
        add(params.shoreline())
        add(params.distance(
            "WIDTH", tr("Width of the transition (m)"), None,
            tr("How far beyond the survey its misfit to the general map fades out. Left empty, "
               "about two lane spacings, 30 m at least."),
            optional=True,
        ))
        add(params.helped(
            QgsProcessingParameterBoolean(
                "REMOVE_SHIFT", tr("Move the general map back where it is displaced"), False
            ),
            tr("By the displacement found, where it is significant. An old map errs in shape too, "
               "which is easily taken for displacement: use it where the survey holds slopes that "
               "face all ways."),
            advanced=True,
        ))
        add(params.choice(
            "UNIT", tr("Unit of the report"), {"ft": tr("feet"), "m": tr("metres")}, "ft",
            tr("Unit in which the report is written; rasters and figures are in metres."),
        ))
        add(QgsProcessingParameterRasterDestination(params.OUTPUT, tr("Blended depth surface")))
        add(QgsProcessingParameterRasterDestination(
            "DIFFERENCE", tr("General map less detail"), optional=True, createByDefault=False
        ))
        add(QgsProcessingParameterFileDestination(
            "REPORT", tr("How general was it: report"), "HTML (*.html)", optional=True,
            createByDefault=False,
        ))
        for name, label in (
            ("OFFSET", tr("Offset of the general map (m)")),
            ("SCALE", tr("Scale of the general map's depths")),
            ("SHIFT_EAST", tr("Displacement of the general map to the east (m)")),
            ("SHIFT_NORTH", tr("Displacement of the general map to the north (m)")),
            ("RMSE_BEFORE", tr("Root mean square misfit before (m)")),
            ("RMSE_AFTER", tr("Root mean square misfit after (m)")),
            ("WIDTH_USED", tr("Width of the transition (m)")),
        ):
            self.addOutput(QgsProcessingOutputNumber(name, label))

    def check(self, parameters, context):
        given = {
            name: params.given(self, parameters, name, context)
            for name in (RASTER, CONTOURS, FIELD)
        }
        if given[RASTER] == given[CONTOURS]:
            raise LakefloorError(
                tr("Give the general map either as a raster or as contours{}.").format(
                    tr(", not both") if given[RASTER] else "")
            )
        if given[CONTOURS] and not given[FIELD]:
            raise LakefloorError(tr("Choose the field that holds the depth of the contours."))

    def compute(self, parameters, context, feedback):
        layer = self.parameterAsRasterLayer(parameters, "DETAIL", context)
        detail, crs, metadata = read_raster(layer, feedback)
        if detail.uncertainty is None:
            raise LakefloorError(
                tr("Raster '{}' has no bands of uncertainty and distance: give a surface made "
                   "with TIN, IDW or smooth surface.").format(layer.name())
            )
        shore = optional_source(self, parameters, params.SHORELINE, context)
        unit = self.parameterAsEnumString(parameters, "UNIT", context)
        found = blend_detail(
            detail,
            self._general(parameters, crs, metadata, context, feedback),
            shoreline=read_polygon(shore, crs, context, feedback) if shore else None,
            width_m=params.optional_number(self, parameters, "WIDTH", context),
            remove_shift=self.parameterAsBool(parameters, "REMOVE_SHIFT", context),
            depth_step_m=_STEPS[unit],
            progress=self.progress(feedback),
        )
        _say(found, feedback)
        kept = {key: value for key, value in metadata.items() if key.startswith("D")}
        with Outputs(self, parameters, context, feedback) as out:
            out.surface(params.OUTPUT, found.surface, crs, kept)
            out.raster("DIFFERENCE", [found.difference], (tr("general less detail (m)"),), crs,
                       {"CHANGE_POSITIVE": "general deeper"}, style="difference")
            out.text("REPORT", lambda: blend_html(found, unit))
            out.results.update(
                OFFSET=found.offset.value,
                SCALE=found.scale.value,
                SHIFT_EAST=found.east.value,
                SHIFT_NORTH=found.north.value,
                RMSE_BEFORE=found.rmse_before,
                RMSE_AFTER=found.rmse_after,
                WIDTH_USED=found.width,
            )
        return out.results

    def _general(self, parameters, crs, metadata, context, feedback):
        """Return the general map, a grid or contours, in metres and the CRS of the survey."""
        contours = optional_source(self, parameters, CONTOURS, context)
        if contours:
            field = self.parameterAsString(parameters, FIELD, context)
            unit = LENGTH[self.parameterAsEnumString(parameters, "DEPTH_UNIT", context)]
            lines = read_contours(contours, crs, field, context, feedback)
            return replace(lines, attributes={"depth": unit * lines.attributes["depth"]})
        layer = self.parameterAsRasterLayer(parameters, RASTER, context)
        general, general_crs, general_metadata = read_raster(layer, feedback)
        if general_crs != crs:
            raise LakefloorError(
                tr("The general map is in {}, the survey in {}. Warp '{}' to {} first.").format(
                    general_crs.authid(), crs.authid(), layer.name(), crs.authid())
            )
        names = [data.get("DATUM_NAME") for data in (metadata, general_metadata)]
        if all(names) and names[0] != names[1]:
            feedback.pushWarning(
                tr("The survey is at the datum '{}', the general map at '{}': the offset found "
                   "holds their difference too.").format(*names)
            )
        return general.depth


def _say(found, feedback):
    feedback.pushInfo(
        tr("{:,} cells with both: misfit of the general map {:.2f} m root mean square as given, "
           "{:.2f} m corrected.").format(found.cells, found.rmse_before, found.rmse_after)
    )
    for label, term, unit, removed in _terms(found, 1.0, "m"):
        feedback.pushInfo(f"  {label} {term} {unit} ({removed})")
    feedback.pushInfo(
        tr("Transition over {:.0f} m. Beyond it the standard uncertainty is {:.2f} m on level "
           "bottom.").format(found.width, found.spread)
    )
    for note in found.notes:
        feedback.pushWarning(note)


def _terms(found, scale, unit):
    """Yield label, value with standard error, unit and what was done, for each term."""
    for label, term, divisor, of in (
        (tr("offset"), found.offset, scale, unit), (tr("scale"), found.scale, 1.0, ""),
        (tr("displacement east"), found.east, 1.0, "m"),
        (tr("displacement north"), found.north, 1.0, "m"),
    ):
        if np.isfinite(term.uncert):
            digits = 3 if not of else 2 if divisor is scale and of == unit else 1
            value = phrase("{:.{}f} \u00b1 {:.{}f}",
                           term.value / divisor, digits, term.uncert / divisor, digits)
            if term.removed:
                done = tr("significant, removed")
            elif term.p <= SIGNIFICANCE:
                done = tr("significant, not removed")
            else:
                done = tr("not significant, not removed")
        else:
            value, done = "-", tr("not determinable")
        yield label, value, of, done


def blend_html(found, unit: str) -> str:
    """Return the page that says how general the map was."""
    scale = LENGTH[unit]
    length = "{:.2f}".format
    parts = []
    if found.notes:
        parts.append("<ul>" + "".join(f"<li>{escape(note)}</li>" for note in found.notes) + "</ul>")
    parts += [
        f"<h2>{tr('Where survey and general map overlap')}</h2>",
        html_page.table(
            [tr("general less detail ({})").format(unit), tr("as given"), tr("corrected")],
            [[tr("root mean square"), length(found.rmse_before / scale),
              length(found.rmse_after / scale)]],
        ),
        html_page.remark(
            tr("{:,} cells. The corrected map was fitted here: elsewhere in the lake it is worse. "
               "Its misfits hang together over about {:.0f} m, so that the overlap holds about "
               "{:.0f} independent looks at the map.").format(
                found.cells, found.correlation, max(found.independent, 1.0))
        ),
        f"<h2>{tr('Bias of the general map')}</h2>",
        html_page.table(
            [tr("term"), tr("estimate and standard error"), tr("unit"),
             tr("at {:.0f}%").format(100.0 * SIGNIFICANCE)],
            [list(row) for row in _terms(found, scale, unit)],
        ),
        html_page.remark(
            tr("general = offset + scale x detail, of a map displaced by so much. A scale "
               "above 1 means that its depths are too great.")),
        f"<h2>{tr('By depth')}</h2>",
        html_page.table(
            [tr("depth ({})").format(unit), tr("cells"),
             tr("as given: mean ({})").format(unit), tr("root mean square"),
             tr("corrected: mean ({})").format(unit), tr("root mean square")],
            [[f"{c.low / scale:.0f} &ndash; {c.high / scale:.0f}", written(c.cells, ","),
              *(length(v / scale) for v in c[3:])] for c in found.by_depth],
        ),
    ]
    if plots.available():
        classes = np.array(found.by_depth) / scale
        parts.append(html_page.image(tr("Misfit by depth"), plots.map_error_by_depth(
            classes[:, :2].mean(axis=1), classes[:, 3], classes[:, 5], unit)))
    else:
        parts.append(html_page.no_pictures())
    parts.append(html_page.remark(
        tr("Beyond the survey the standard uncertainty is {} {} on level bottom, more on slopes. "
           "Not for navigation.").format(length(found.spread / scale), unit)
    ))
    return html_page.page(tr("How general was the general map"), parts)
