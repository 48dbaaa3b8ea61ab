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
from ..core.correcting.datums import datum_of
from ..core.correcting.uncertainty_budget import common_share
from ..core.errors import LakefloorError
from ..core.progress import span
from ..core.spacing import GAP_IN_SPACINGS, doubts, lane_spacing, suggest_cell, usable
from ..core.strays import of_this_lake
from ..core.surface import tiles
from ..core.surface.surface_nodes import check_shoreline, frame

BREAK_LINES = "BREAK_LINES"
UPDATE = "UPDATE"

#: The last paragraph of the help of each method.
UNCERTAINTY_HELP = QT_TRANSLATE_NOOP(
    "@default",
    "The uncertainty is learnt from lanes that run across the others, left out and predicted "
    "(without such cross-lines, from pieces and from every third lane, which errs on the safe "
    "side): two standard deviations hold about 95 % of the errors, near lanes and between. At "
    "least half is kept of what the soundings state (uncert_m) beyond their scatter, since an "
    "error that they share, as of level, does not show there. Depths in metres, positive down.",
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
    REPLACEABLE = (UPDATE,)

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
            ("CELL", tr("Cell size (m)")),
            ("GAP", tr("Maximum gap (m)")),
            ("SOUNDINGS", tr("Accepted soundings used")),
            ("MAX_DEPTH", tr("Greatest depth (m)")),
            ("MEAN_DEPTH", tr("Mean depth (m)")),
            ("AREA_M2", tr("Area with depth (m²)")),
            ("MEDIAN_UNCERTAINTY", tr("Median standard uncertainty (m)")),
            ("TILES", tr("Tiles")),
            ("TILES_DRAWN", tr("Tiles drawn, the others taken from the older surface")),
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
        "Where the vertices carry Z it is depth in metres, positive down; otherwise depths are "
        "taken where the boat's track crosses the line."
    )
    return params.helped(
        QgsProcessingParameterFeatureSource(
            BREAK_LINES, tr("Break-lines"), [QgsProcessing.SourceType.TypeVectorLine],
            optional=True,
        ),
        f"{text} {depths}",
    )


def _update():
    return params.helped(
        QgsProcessingParameterRasterLayer(
            UPDATE, tr("Surface to bring up to date"), optional=True
        ),
        tr("A surface that this algorithm drew earlier, before soundings were added or the "
           "shoreline was edited. Tiles whose soundings, shoreline and break-lines have not "
           "changed are taken from it; only the others are drawn, with what was learned of the "
           "survey then. The result is that of drawing all tiles so. Left empty, all is learned "
           "and drawn anew. The output may have the same file name."),
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
            record = tiles.Record(method, options, cell, f.spacing, gap, learned)
        metadata = {"DEPTH_UNIT": "m", "DEPTH_POSITIVE": "down", **spacing_item(f.spacing)}
        metadata[COMMON_SHARE_ITEM] = round(common_share(kept), 4)
        if datum:
            metadata["DATUM_NAME"] = datum[0]
            if datum[1] is not None:
                metadata["DATUM_ELEVATION_M"] = datum[1]
        else:
            feedback.pushWarning(
                tr("The soundings are not reduced to a lake datum: depths are below the water of "
                   "the day.")
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
                raster.describe({RECORD_ITEM: tiles.to_text(record)}, RECORD_DOMAIN)
            if not figures.cells:
                raise LakefloorError(
                    tr("No cell got a depth: none lies within {:g} m of a sounding and inside the "
                       "shoreline. Give a larger maximum gap, or check the shoreline.").format(gap)
                )
            if older:
                # The output may be about to take its place.
                older.close()
            out.results.update(
                CELL=cell,
                GAP=gap,
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
    """Return cell size, maximum gap and lane spacing, m, each None where left empty."""
    return tuple(
        params.optional_number(algorithm, parameters, name, context)
        for name in (params.CELL_SIZE, params.MAX_GAP, params.LANE_SPACING)
    )


def used_soundings(soundings, shoreline, feedback):
    """Return the usable soundings of this lake, and say what was left out."""
    if shoreline is not None:
        kept = usable(soundings)
        bounds = (kept.x.min(), kept.y.min(), kept.x.max(), kept.y.max())
        check_shoreline(shoreline, bounds)
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
        raise LakefloorError(tr("The lane spacing must be above 0 m; got {:g}.").format(spacing))
    if not (cell and gap):
        cell, gap = cell or suggest_cell(spacing), gap or GAP_IN_SPACINGS * spacing
        feedback.pushInfo(
            tr("Lanes lie about {:.1f} m apart. Cell size {:g} m, maximum gap {:.1f} m.").format(
                spacing, cell, gap
            )
        )
    if cell > gap:
        raise LakefloorError(
            tr("The cell size, {:g} m, is more than the maximum gap, {:g} m. Both are metres, not "
               "degrees; choose a smaller cell or a wider gap.").format(cell, gap)
        )
    for doubt in doubts(kept, spacing, cell, gap, shoreline):
        feedback.pushWarning(doubt)
    return cell, gap, spacing


def _older(algorithm, parameters, context, feedback, crs, wanted) -> tuple:
    """Return the surface to bring up to date and its record; None and None to draw all anew."""
    method, options, cell, gap, spacing = wanted
    if not parameters.get(UPDATE):
        return None, None
    layer = algorithm.parameterAsRasterLayer(parameters, UPDATE, context)
    if layer is None:
        raise QgsProcessingException(algorithm.invalidRasterError(parameters, UPDATE))
    older = StoredSurface(layer)
    try:
        record = tiles.from_text(older.record)
        differs = next(
            name
            for name, same in (
                (tr("it is in another coordinate reference system"), layer.crs() == crs),
                (tr("it was drawn by another method"), record.method == method),
                (tr("the settings of the method differ"), record.options == options),
                (tr("the cell size differs"), cell in (None, record.cell)),
                (tr("the maximum gap differs"), gap in (None, record.max_gap)),
                (tr("the lane spacing differs"), spacing in (None, record.spacing)),
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
        tr("'{}' cannot be brought up to date: {}. The whole surface is drawn anew.").format(
            layer.name(), differs.rstrip(".")
        )
    )
    return None, None


def _report(figures, record, drawn, count, kept, updated, shoreline, feedback):
    if updated:
        feedback.pushInfo(
            tr("{} of {} tiles were drawn; what the others are drawn from has not changed. "
               "Smoothing and uncertainty are as learned for the older surface.").format(
                drawn, len(record.tiles)
            )
        )
    if figures.outside and shoreline is not None:
        feedback.pushWarning(
            tr("{:,} of the {:,} accepted soundings lie outside the shoreline; they are not drawn. "
               "Was it mapped at a lower level?").format(figures.outside, kept)
        )
    feedback.pushInfo(
        tr("{:,} accepted of {:,} soundings. {:,} cells of {:g} m with depth, {:,.0f} m². Depth "
           "{:.2f} to {:.2f} m, mean {:.2f} m. Standard uncertainty {:.2f} m in the median, "
           "{:.2f} m in the worst twentieth of the cells.").format(
            kept, count, figures.cells, record.cell, figures.cells * record.cell**2, figures.low,
            figures.high, figures.mean, figures.uncertainty(0.5), figures.uncertainty(0.95),
        )
    )
