"""What the gridding algorithms share: inputs, outputs and the words in the log."""

from __future__ import annotations

import numpy as np
from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterRasterDestination,
)

from .. import _params as params
from .._i18n import tr
from .._layers import optional_source, read_lines, read_polygon, read_soundings, source
from .._outputs import Outputs
from ..core.correcting.lake_level import datum_of
from ..core.errors import LakefloorError
from ..core.spacing import GAP_IN_SPACINGS, lane_spacing, suggest_cell, usable

BREAK_LINES = "BREAK_LINES"


def add_inputs(algorithm):
    """Declare soundings, shoreline, cell size and maximum gap."""
    for parameter in (
        params.soundings(), params.shoreline(), params.cell_size(), params.max_gap(),
    ):  # fmt: skip
        algorithm.addParameter(parameter)


def break_lines():
    """Return the optional break-lines parameter."""
    return params.helped(
        QgsProcessingParameterFeatureSource(
            BREAK_LINES, tr("Break-lines"), [QgsProcessing.SourceType.TypeVectorLine],
            optional=True,
        ),
        tr("Lines that no triangle crosses, such as the crest of a drop-off. Where the vertices "
           "carry Z it is depth in metres, positive down; otherwise depths are taken where the "
           "boat's track crosses the line."),
    )


def add_outputs(algorithm, label):
    """Declare the raster and the figures."""
    algorithm.addParameter(QgsProcessingParameterRasterDestination(params.OUTPUT, label))
    for name, text in (
        ("CELL", tr("Cell size (m)")),
        ("GAP", tr("Maximum gap (m)")),
        ("SOUNDINGS", tr("Accepted soundings used")),
        ("MAX_DEPTH", tr("Greatest depth (m)")),
        ("MEAN_DEPTH", tr("Mean depth (m)")),
        ("AREA_M2", tr("Area with depth (m²)")),
        ("MEDIAN_UNCERTAINTY", tr("Median standard uncertainty (m)")),
    ):
        algorithm.addOutput(QgsProcessingOutputNumber(name, text))


def grid(algorithm, parameters, context, feedback, make, with_break_lines=False, **options) -> dict:
    """Read the inputs, call ``make``, write the surface and report it."""
    soundings, crs = read_soundings(
        source(algorithm, parameters, params.INPUT, context), context, feedback
    )
    datum = datum_of(soundings.select(soundings.accepted))
    kept = usable(soundings)
    shore = optional_source(algorithm, parameters, params.SHORELINE, context)
    options["shoreline"] = read_polygon(shore, crs, context, feedback) if shore else None
    if with_break_lines:
        lines = optional_source(algorithm, parameters, BREAK_LINES, context)
        options["break_lines"] = read_lines(lines, crs, context, feedback) if lines else ()

    cell, gap = (
        algorithm.parameterAsDouble(parameters, name, context)
        if parameters.get(name) not in (None, "") else None
        for name in (params.CELL_SIZE, params.MAX_GAP)
    )  # fmt: skip
    if not (cell and gap):
        spacing = options["spacing"] = lane_spacing(kept)
        cell, gap = cell or suggest_cell(spacing), gap or GAP_IN_SPACINGS * spacing
        feedback.pushInfo(
            tr("Lanes lie about {:.1f} m apart. Cell size {:g} m, maximum gap {:.1f} m.").format(
                spacing, cell, gap
            )
        )
    surface = make(
        kept, cell=cell, max_gap=gap, progress=algorithm.progress(feedback), **options
    )
    known = np.isfinite(surface.depth.values)
    if not known.any():
        raise LakefloorError(
            tr("No cell got a depth: none lies within {:g} m of a sounding and inside the "
               "shoreline. Give a larger maximum gap, or check the shoreline.").format(gap)
        )
    depth, sigma = surface.depth.values[known], surface.uncertainty.values[known]
    outside = int(np.isnan(surface.depth.sample(kept.x, kept.y)).sum())
    if outside and options["shoreline"] is not None:
        feedback.pushWarning(
            tr("{:,} of the {:,} accepted soundings lie outside the shoreline; they are not drawn. "
               "Was it mapped at a lower level?").format(outside, len(kept))
        )
    metadata = {"DEPTH_UNIT": "m", "DEPTH_POSITIVE": "down"}
    if datum:
        metadata.update(DATUM_NAME=datum[0], DATUM_ELEVATION_M=datum[1])
    else:
        feedback.pushWarning(
            tr("The soundings are not reduced to a lake datum: depths are below the water of the "
               "day.")
        )
    with Outputs(algorithm, parameters, context, feedback) as out:
        out.surface(params.OUTPUT, surface, crs, metadata)
        out.results.update(
            CELL=cell,
            GAP=gap,
            SOUNDINGS=len(kept),
            MAX_DEPTH=float(depth.max()),
            MEAN_DEPTH=float(depth.mean()),
            AREA_M2=float(known.sum() * cell * cell),
            MEDIAN_UNCERTAINTY=float(np.median(sigma)),
        )
    feedback.pushInfo(
        tr("{:,} accepted of {:,} soundings. {:,} cells of {:g} m with depth, {:,.0f} m². Depth "
           "{:.2f} to {:.2f} m, mean {:.2f} m. Standard uncertainty {:.2f} m in the median, "
           "{:.2f} m in the worst twentieth of the cells.").format(
            len(kept), len(soundings), len(depth), cell, out.results["AREA_M2"], depth.min(),
            depth.max(), depth.mean(), np.median(sigma), np.quantile(sigma, 0.95),
        )
    )
    return out.results
