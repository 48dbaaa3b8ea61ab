"""What the gridding algorithms share: inputs, outputs, the work and the words in the log."""

from __future__ import annotations

from qgis.core import (
    QgsProcessing,
    QgsProcessingException,
    QgsProcessingOutputNumber,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterRasterDestination,
    QgsProcessingParameterRasterLayer,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import (
    COMMON_SHARE_ITEM,
    RECORD_DOMAIN,
    RECORD_ITEM,
    StoredSurface,
    optional_source,
    read_lines,
    read_polygon,
    read_soundings,
    source,
    spacing_item,
)
from .._outputs import Outputs
from ..core.correcting.lake_level import datum_of
from ..core.correcting.uncertainty_budget import common_share
from ..core.errors import LakefloorError
from ..core.progress import span
from ..core.spacing import GAP_IN_SPACINGS, doubts, lane_spacing, suggest_cell, usable
from ..core.strays import of_this_lake
from ..core.surface import tiles
from ..core.surface.frame import check_shoreline_around, frame
from ..core.surface.surface_record import Record, record_from_text, record_to_text

BREAK_LINES = "BREAK_LINES"
SURFACE_TO_UPDATE = "SURFACE_TO_UPDATE"

#: The last paragraph of the help of each method.
UNCERTAINTY_HELP = QT_TRANSLATE_NOOP(
    "@default",
    "Band 1 is depth in meters, positive down. Band 2 is its standard uncertainty, estimated by "
    "leaving lanes out and predicting them. Band 3 is the distance to the nearest sounding. An "
    "error that all soundings share, such as a wrong lake level, hardly shows in band 2.",
)


def add_inputs(algorithm):
    """Declare soundings, shoreline, cell size, maximum gap and lane spacing."""
    for parameter in (
        params.soundings(), params.shoreline(), params.cell_size(), params.max_gap(),
        params.lane_spacing(),
    ):  # fmt: skip
        algorithm.addParameter(parameter)


class GriddingAlgorithm(LakefloorAlgorithm):
    """An algorithm that draws a depth surface by one of the methods of gridding.

    ``METHOD`` names it in :data:`~lakefloor.algorithms.core.surface.tiles.METHODS`, ``LABEL``
    is that of the output.
    """

    GROUP = "surface"
    METHOD = ""
    LABEL = ""
    REPLACEABLE = (SURFACE_TO_UPDATE,)

    def own_parameters(self) -> list:
        """Return the parameters that the other methods do not have."""
        return []

    def options(self, parameters, context) -> dict:
        """Return the options of the method."""
        return {}

    def initAlgorithm(self, configuration=None):
        add_inputs(self)
        output = QgsProcessingParameterRasterDestination(params.OUTPUT, tr(self.LABEL))
        for parameter in (*self.own_parameters(), _update(), output):
            self.addParameter(parameter)
        for name, text in (
            ("CELL_SIZE_USED", tr("Cell size used (m)")),
            ("MAX_GAP_USED", tr("Maximum gap used (m)")),
            ("SOUNDINGS", tr("Accepted soundings used")),
            ("MAX_DEPTH", tr("Maximum depth (m)")),
            ("MEAN_DEPTH", tr("Mean depth (m)")),
            ("AREA_M2", tr("Area with depth (m²)")),
            ("MEDIAN_UNCERTAINTY", tr("Median standard uncertainty (m)")),
            ("TILES", tr("Tiles")),
            ("TILES_DRAWN", tr("Tiles drawn again")),
        ):
            self.addOutput(QgsProcessingOutputNumber(name, text))

    def compute(self, parameters, context, feedback):
        options = self.options(parameters, context)
        results, learned = _grid(self, parameters, context, feedback, options)
        results.update(self.told(learned, feedback))
        return results

    def told(self, learned, feedback) -> dict:
        """Say what was learned of the survey, and return it as outputs."""
        return {}


def break_lines(text):
    """Return the optional break-lines parameter; ``text`` says what they do."""
    depths = tr(
        "If the vertices have Z values, they are depths in meters, positive down. Otherwise depths "
        "are taken where the boat's track crosses the line. If empty, no breaklines are used."
    )
    return params.helped(
        QgsProcessingParameterFeatureSource(
            BREAK_LINES, tr("Breaklines"), [QgsProcessing.SourceType.TypeVectorLine],
            optional=True,
        ),
        f"{text} {depths}",
    )


def _update():
    return params.helped(
        QgsProcessingParameterRasterLayer(
            SURFACE_TO_UPDATE, tr("Surface to update"), optional=True
        ),
        tr("Surface that this algorithm made before soundings were added or the shoreline was "
           "edited. Tiles that have not changed are copied from it, and only the others are drawn. "
           "Smoothing and uncertainty stay as estimated then. If empty, the whole surface is "
           "drawn. The output may have the same file name."),
        advanced=True,
    )  # fmt: skip


def _grid(algorithm, parameters, context, feedback, options) -> tuple:
    """Read the inputs, draw the surface tile by tile, write and report it.

    Returns the results, and what the method learned of the survey.
    """
    method = algorithm.METHOD
    soundings, crs = read_soundings(
        source(algorithm, parameters, params.INPUT, context), context, feedback,
        fields=("depth", "uncert", "lane", "visit", "status", "corrections"),
    )
    shore = optional_source(algorithm, parameters, params.SHORELINE, context)
    shoreline = read_polygon(shore, crs, context, feedback) if shore else None
    count, kept = len(soundings), used_soundings(soundings, shoreline, feedback)
    del soundings
    datum = datum_of(kept)
    lines = optional_source(algorithm, parameters, BREAK_LINES, context)
    lines = read_lines(lines, crs, context, feedback) if lines else ()
    cell, gap, spacing = given_sizes(algorithm, parameters, context)
    progress = algorithm.progress(feedback)
    older, record = _older(
        algorithm, parameters, context, feedback, crs, (method, options, cell, gap, spacing)
    )
    try:
        if record:
            cell, gap, spacing = record.cell, record.max_gap, record.spacing
        cell, gap, spacing = sizes(kept, cell, gap, spacing, shoreline, feedback)
        f = frame(
            kept, cell=cell, max_gap=gap, spacing=spacing, shoreline=shoreline, break_lines=lines
        )
        progress(0.1)
        if record is None:
            learned = tiles.learn(f, method, options, span(progress, 0.1, 0.4))
            record = Record(method, options, cell, f.spacing, gap, learned)
        metadata = {"DEPTH_UNIT": "m", "DEPTH_POSITIVE": "down", **spacing_item(f.spacing)}
        metadata[COMMON_SHARE_ITEM] = round(common_share(kept), 4)
        if datum:
            metadata["DATUM_NAME"] = datum[0]
            if datum[1] is not None:
                metadata["DATUM_ELEVATION_M"] = datum[1]
        else:
            feedback.pushWarning(
                tr("The soundings are not reduced to a lake datum, so depths are below the lake "
                   "level of the day. Run Reduce to lake datum first to map them at the datum.")
            )
        with Outputs(algorithm, parameters, context, feedback) as out:
            start = older.copy_for(f.grid) if older else None
            with out.surface_parts(params.OUTPUT, f.grid, crs, start) as raster:
                raster.describe(metadata)
                record, figures, drawn = tiles.draw(
                    f, record, raster.write, progress=span(progress, 0.4, 1.0),
                    old_grid=older and older.grid, read=older and older.read,
                    rewrite=start is None,
                )
                raster.describe({RECORD_ITEM: record_to_text(record)}, RECORD_DOMAIN)
            if not figures.cells:
                raise LakefloorError(
                    tr("No cell got a depth, since none lies within {:g} m of a sounding and "
                       "inside the shoreline. Give a larger maximum gap, or check the shoreline.")
                    .format(gap)
                )
            if older:
                # The output may be about to take its place.
                older.close()
            out.results.update(
                CELL_SIZE_USED=cell,
                MAX_GAP_USED=gap,
                SOUNDINGS=len(kept),
                MAX_DEPTH=float(figures.high),
                MEAN_DEPTH=figures.mean,
                AREA_M2=float(figures.cells * cell * cell),
                MEDIAN_UNCERTAINTY=figures.uncertainty(0.5),
                TILES=len(record.tiles),
                TILES_DRAWN=drawn,
            )
    finally:
        if older:
            older.close()
    _report(figures, record, drawn, count, len(kept), bool(older), shoreline, feedback)
    return out.results, record.learned


def given_sizes(algorithm, parameters, context) -> tuple:
    """Return cell size, maximum gap and lane spacing, m, each None where empty."""
    return tuple(
        params.optional_number(algorithm, parameters, name, context)
        for name in (params.CELL_SIZE, params.MAX_GAP, params.LANE_SPACING)
    )


def used_soundings(soundings, shoreline, feedback):
    """Return the usable soundings of this lake, and say what was left out."""
    if shoreline is not None:
        kept = usable(soundings)
        bounds = (kept.x.min(), kept.y.min(), kept.x.max(), kept.y.max())
        check_shoreline_around(shoreline, bounds)
    kept, notes = of_this_lake(soundings, shoreline)
    for note in notes:
        feedback.pushWarning(note)
    return kept


def sizes(kept, cell, gap, spacing, shoreline, feedback) -> tuple:
    """Return cell size, maximum gap and lane spacing, m, with what was not given estimated.

    Sizes that do not suit the soundings or the lake are warned of, or refused.
    """
    if spacing is None:
        try:
            spacing = lane_spacing(kept)
        except LakefloorError:
            if not (cell and gap):
                raise
            spacing = gap / GAP_IN_SPACINGS
    elif not spacing > 0:
        raise LakefloorError(tr(
            "The lane spacing must be above 0 m, but it is {:g} m. Correct it, or leave it empty."
        ).format(spacing))
    if not (cell and gap):
        cell, gap = cell or suggest_cell(spacing), gap or GAP_IN_SPACINGS * spacing
        feedback.pushInfo(
            tr("Lanes lie about {:.1f} m apart. Cell size {:g} m, maximum gap {:.1f} m.").format(
                spacing, cell, gap
            )
        )
    if cell > gap:
        raise LakefloorError(
            tr("The cell size, {:g} m, is more than the maximum gap, {:g} m. Both are in meters, "
               "not degrees. Give a smaller cell size or a larger maximum gap.").format(cell, gap)
        )
    for doubt in doubts(kept, spacing, cell, gap, shoreline):
        feedback.pushWarning(doubt)
    return cell, gap, spacing


def _older(algorithm, parameters, context, feedback, crs, wanted) -> tuple:
    """Return the surface to bring up to date and its record; None and None to draw all of it."""
    method, options, cell, gap, spacing = wanted
    if not parameters.get(SURFACE_TO_UPDATE):
        return None, None
    layer = algorithm.parameterAsRasterLayer(parameters, SURFACE_TO_UPDATE, context)
    if layer is None:
        raise QgsProcessingException(
            algorithm.invalidRasterError(parameters, SURFACE_TO_UPDATE))
    older = StoredSurface(layer)
    try:
        record = record_from_text(older.record)
        differs = next(
            name
            for name, same in (
                (tr("It is in another CRS."), layer.crs() == crs),
                (tr("It was made by another method."), record.method == method),
                (tr("It was made with other settings of the method."),
                 record.options == options),
                (tr("It was made with another cell size."), cell in (None, record.cell)),
                (tr("It was made with another maximum gap."), gap in (None, record.max_gap)),
                (tr("It was made with another lane spacing."),
                 spacing in (None, record.spacing)),
                ("", False),
            )
            if not same
        )
    except LakefloorError as error:
        differs = str(error)
    if not differs:
        return older, record
    older.close()
    feedback.pushWarning(
        tr("'{}' cannot be updated, so the whole surface is drawn. {}").format(
            layer.name(), differs
        )
    )
    return None, None


def _report(figures, record, drawn, count, kept, updated, shoreline, feedback):
    if updated:
        feedback.pushInfo(
            tr("Tiles drawn: {} of {}. The soundings of the others have not changed. Smoothing and "
               "uncertainty are as estimated for the older surface.").format(
                drawn, len(record.tiles)
            )
        )
    if figures.outside and shoreline is not None:
        feedback.pushWarning(
            tr("{:,} of the {:,} accepted soundings lie outside the shoreline and are not drawn. "
               "If the shoreline was mapped at a lower lake level, use another one.").format(
                figures.outside, kept)
        )
    feedback.pushInfo(
        tr("{:,} of {:,} soundings are accepted. {:,} cells of {:g} m have a depth, {:,.0f} m² in "
           "all. Depths run from {:.2f} to {:.2f} m, with a mean of {:.2f} m. The standard "
           "uncertainty is {:.2f} m in the median, and below {:.2f} m in 95% of the cells.").format(
            kept, count, figures.cells, record.cell, figures.cells * record.cell**2, figures.low,
            figures.high, figures.mean, figures.uncertainty(0.5), figures.uncertainty(0.95),
        )
    )
