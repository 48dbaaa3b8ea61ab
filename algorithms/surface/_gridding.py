"""What the gridding algorithms share: inputs, outputs, the work and the words in the log."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterRasterDestination,
    QgsProcessingParameterRasterLayer,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.rasters import COMMON_SHARE_ITEM, RECORD_DOMAIN, RECORD_ITEM, StoredSurface, spacing_item
from ..core.correcting.datums import datum_of
from ..core.correction_keys import USUAL_BEAM_DEG
from ..core.errors import LakefloorError
from ..core.number_text import written
from ..core.progress import span
from ..core.soundings import Soundings, distinct

BREAKLINES = "BREAKLINES"
SURFACE_TO_UPDATE = "SURFACE_TO_UPDATE"

#: The last paragraph of the help of each method.
UNCERTAINTY_HELP = QT_TRANSLATE_NOOP(
    "@default",
    "Band 1 is depth in meters, positive down. Band 2 is its standard uncertainty, estimated by "
    "leaving lanes out and predicting them. Band 3 is the distance to the nearest sounding. An "
    "error that all soundings share, such as a wrong lake level, hardly shows in band 2.",
)


def add_inputs(algorithm):
    """Declare soundings, shoreline, cell size, search distance, lane spacing and beam width."""
    for parameter in (
        params.soundings(), params.shoreline(), params.cell_size(), params.max_gap(),
        params.lane_spacing(), _beam_width(),
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

    NUMBERS = {
        "CELL_SIZE_USED": QT_TRANSLATE_NOOP("@default", "Cell size used (m)"),
        "MAX_GAP_USED": QT_TRANSLATE_NOOP("@default", "Search distance used (m)"),
        "SOUNDINGS": QT_TRANSLATE_NOOP("@default", "Accepted soundings used"),
        "MIN_DEPTH": QT_TRANSLATE_NOOP("@default", "Minimum depth (m)"),
        "MAX_DEPTH": QT_TRANSLATE_NOOP("@default", "Maximum depth (m)"),
        "MEAN_DEPTH": QT_TRANSLATE_NOOP("@default", "Mean depth (m)"),
        "AREA_M2": QT_TRANSLATE_NOOP("@default", "Area with depth (m²)"),
        "MEDIAN_UNCERTAINTY": QT_TRANSLATE_NOOP("@default", "Median standard uncertainty (m)"),
        "P95_UNCERTAINTY": QT_TRANSLATE_NOOP("@default", "95% of uncertainties are below (m)"),
        "TILES": QT_TRANSLATE_NOOP("@default", "Tiles"),
        "TILES_DRAWN": QT_TRANSLATE_NOOP("@default", "Tiles drawn again"),
    }

    def own_parameters(self) -> list:
        """Return the parameters that the other methods do not have."""
        return []

    def options(self, inputs) -> dict:
        """Return the options of the method."""
        return {}

    def declare(self):
        add_inputs(self)
        output = QgsProcessingParameterRasterDestination(params.OUTPUT, tr(self.LABEL))
        for parameter in (*self.own_parameters(), _update(), output):
            self.addParameter(parameter)

    def compute(self, inputs, outputs):
        numbers, learned = _grid(inputs, outputs, self.METHOD, self.options(inputs))
        return {**numbers, **self.report_learned(inputs, learned)}

    def report_learned(self, inputs, learned) -> dict:
        """Say what was learned of the survey, and return it as output numbers."""
        return {}


def breaklines(text):
    """Return the optional breaklines parameter; ``text`` says what they do."""
    depths = tr(
        "If the vertices have Z values, they are depths in meters, positive down. Otherwise depths "
        "are taken where the boat's track crosses the line. If empty, no breaklines are used."
    )
    return params.helped(
        QgsProcessingParameterFeatureSource(
            BREAKLINES, tr("Breaklines"), [QgsProcessing.SourceType.TypeVectorLine], optional=True
        ),
        f"{text} {depths}",
    )


def _beam_width():
    return params.beam_width(
        tr(
            "Full width of the sounder's beam, used for all soundings. What the beam does on slopes "
            "is undone; 0 undoes nothing. If empty, it is what Correct depths or the log-book states."
        ),
        advanced=True,
    )


def _update():
    return params.helped(
        QgsProcessingParameterRasterLayer(
            SURFACE_TO_UPDATE, tr("Surface to update"), optional=True
        ),
        tr(
            "Surface that this algorithm made before soundings were added or the shoreline was "
            "edited. Tiles that have not changed are copied from it, and only the others are drawn. "
            "Smoothing and uncertainty stay as estimated then. If empty, the whole surface is "
            "drawn. The output may have the same file name."
        ),
        advanced=True,
    )


@dataclass(frozen=True)
class Sizes:
    """Cell size, maximum gap and lane spacing, m; None where it is empty."""

    cell: float | None
    gap: float | None
    spacing: float | None


@dataclass(frozen=True)
class _Survey:
    """What a surface is drawn from; ``count`` soundings were read, ``kept`` are used."""

    count: int
    kept: Soundings
    crs: QgsCoordinateReferenceSystem
    datum: tuple | None
    shoreline: object
    cut: object
    breaklines: tuple


def _grid(inputs, outputs, method: str, options: dict) -> tuple:
    """Read the inputs, draw the surface tile by tile, write and report it.

    Returns the output numbers, and what the method learned of the survey.
    """
    from ..core.surface import tiles
    from ..core.surface.frame import frame
    from ..core.surface.learning import learned_record
    from ..core.surface.surface_record import record_to_text

    survey = _read_survey(inputs)
    wanted = given_sizes(inputs)
    progress = inputs.progress
    older, record = _older(inputs, survey, method, options, wanted)
    try:
        if record:
            wanted = Sizes(record.cell, record.max_gap, record.spacing)
        used = sizes(inputs, survey.kept, wanted, survey.shoreline)
        f = frame(
            survey.kept,
            cell=used.cell,
            max_gap=used.gap,
            spacing=used.spacing,
            shoreline=survey.shoreline,
            cut=survey.cut,
            breaklines=survey.breaklines,
            later=record is not None,
        )
        progress(0.1)
        if record is None:
            record = learned_record(f, method, options, span(progress, 0.1, 0.4))
        metadata = _metadata(inputs, survey, f)
        start = older.copy_for(f.grid) if older else None
        with outputs.surface_parts(params.OUTPUT, f.grid, survey.crs, start) as raster:
            raster.describe(metadata)
            record, figures, drawn = tiles.draw(
                f,
                record,
                raster.write,
                progress=span(progress, 0.4, 1.0),
                old_grid=older and older.grid,
                read=older and older.read,
                rewrite=start is None,
            )
            raster.describe({RECORD_ITEM: record_to_text(record)}, RECORD_DOMAIN)
        if not figures.cells:
            raise LakefloorError(
                tr(
                    "No cell got a depth, since none lies within {:g} m of a sounding and "
                    "inside the shoreline. Give a larger search distance, or check the shoreline."
                ).format(used.gap)
            )
        if older:
            # The output may be about to take its place.
            older.close()
    finally:
        if older:
            older.close()
    _report(inputs, figures, record, drawn, survey, bool(older))
    return _numbers(record, figures, drawn, len(survey.kept)), record.learned


def _read_survey(inputs) -> _Survey:
    from ..core.correcting.first_return import with_beams

    soundings, crs = inputs.soundings(
        fields=("depth", "uncert", "lane", "visit", "status", "corrections")
    )
    shoreline, cut = inputs.polygon(crs=crs), inputs.cut_edge(crs=crs)
    kept = used_soundings(inputs, soundings, shoreline)
    datum = datum_of(kept)
    width = inputs.number("BEAM_WIDTH")
    if width is not None:
        kept = with_beams(kept, dict.fromkeys(distinct(kept.visit)[0], width))
    lines = inputs.lines(BREAKLINES, crs)
    return _Survey(len(soundings), kept, crs, datum, shoreline, cut, lines)


def _metadata(inputs, survey: _Survey, f) -> dict:
    """Return what a surface states of itself; warn if it has no datum."""
    from ..core.correcting.uncertainty_budget import common_share

    metadata = {"DEPTH_UNIT": "m", "DEPTH_POSITIVE": "down", **spacing_item(f.spacing)}
    metadata[COMMON_SHARE_ITEM] = round(common_share(survey.kept), 4)
    if survey.datum:
        metadata["DATUM_NAME"] = survey.datum[0]
        if survey.datum[1] is not None:
            metadata["DATUM_ELEVATION_M"] = survey.datum[1]
    else:
        inputs.warn(
            tr(
                "The soundings are not reduced to a lake datum, so depths are below the lake "
                "level of the day. Run Reduce to lake datum first to map them at the datum."
            )
        )
    return metadata


def _numbers(record, figures, drawn: int, soundings: int) -> dict:
    return {
        "CELL_SIZE_USED": record.cell,
        "MAX_GAP_USED": record.max_gap,
        "SOUNDINGS": soundings,
        "MIN_DEPTH": float(figures.low),
        "MAX_DEPTH": float(figures.high),
        "MEAN_DEPTH": figures.mean,
        "AREA_M2": float(figures.cells * record.cell * record.cell),
        "MEDIAN_UNCERTAINTY": figures.uncertainty(0.5),
        "P95_UNCERTAINTY": figures.uncertainty(0.95),
        "TILES": len(record.tiles),
        "TILES_DRAWN": drawn,
    }


def given_sizes(inputs) -> Sizes:
    """Return the sizes that are given."""
    return Sizes(
        *(inputs.number(name) for name in (params.CELL_SIZE, params.MAX_GAP, params.LANE_SPACING))
    )


def used_soundings(inputs, soundings, shoreline):
    """Return the usable soundings of this lake, and say what was left out."""
    from ..core.spacing import usable
    from ..core.strays import of_this_lake
    from ..core.surface.frame import check_shoreline_around

    if shoreline is not None:
        kept = usable(soundings)
        bounds = (kept.x.min(), kept.y.min(), kept.x.max(), kept.y.max())
        check_shoreline_around(shoreline, bounds)
    kept, notes = of_this_lake(soundings, shoreline)
    for note in notes:
        inputs.warn(note)
    return kept


def sizes(inputs, kept, given: Sizes, shoreline) -> Sizes:
    """Return all sizes, with what was not given estimated.

    Sizes that do not suit the soundings or the lake are warned of, or refused.
    """
    from ..core.spacing import GAP_IN_SPACINGS, doubts, lane_spacing, suggest_cell

    cell, gap, spacing = given.cell, given.gap, given.spacing
    if spacing is None:
        try:
            spacing = lane_spacing(kept)
        except LakefloorError:
            if not (cell and gap):
                raise
            spacing = gap / GAP_IN_SPACINGS
    elif not spacing > 0:
        raise LakefloorError(
            tr(
                "The lane spacing must be above 0 m, but it is {:g} m. Correct it, or leave it empty."
            ).format(spacing)
        )
    if not (cell and gap):
        cell, gap = cell or suggest_cell(spacing), gap or GAP_IN_SPACINGS * spacing
        inputs.say(
            tr(
                "Lanes lie about {:.1f} m apart. Cell size {:g} m, search distance {:.1f} m."
            ).format(spacing, cell, gap)
        )
    if cell > gap:
        raise LakefloorError(
            tr(
                "The cell size, {:g} m, is more than the search distance, {:g} m. Both are in meters, "
                "not degrees. Give a smaller cell size or a larger search distance."
            ).format(cell, gap)
        )
    for doubt in doubts(kept, spacing, cell, gap, shoreline):
        inputs.warn(doubt)
    return Sizes(cell, gap, spacing)


def _older(inputs, survey: _Survey, method: str, options: dict, wanted: Sizes) -> tuple:
    """Return the surface to bring up to date and its record; None and None to draw all of it."""
    from ..core.correcting.first_return import states_beam
    from ..core.surface.surface_record import record_from_text

    layer = inputs.raster(SURFACE_TO_UPDATE)
    if layer is None:
        return None, None
    older = StoredSurface(layer)
    try:
        record = record_from_text(older.record)
        differs = next(
            name
            for name, same in (
                (tr("It is in another CRS."), layer.crs() == survey.crs),
                (tr("It was made by another method."), record.method == method),
                (tr("It was made with other settings of the method."), record.options == options),
                (tr("It was made with another cell size."), wanted.cell in (None, record.cell)),
                (
                    tr("It was made with another search distance."),
                    wanted.gap in (None, record.max_gap),
                ),
                (
                    tr("It was made with another lane spacing."),
                    wanted.spacing in (None, record.spacing),
                ),
                (
                    tr("Another beam was undone in it, or none."),
                    (record.beam is not None) == states_beam(survey.kept),
                ),
                ("", False),
            )
            if not same
        )
    except LakefloorError as error:
        differs = str(error)
    if not differs:
        return older, record
    older.close()
    inputs.warn(
        tr("'{}' cannot be updated, so the whole surface is drawn. {}").format(
            layer.name(), differs
        )
    )
    return None, None


def _report_beam(inputs, kept):
    from ..core.correcting.first_return import Beams

    widths = Beams.of(kept).width
    undone, unknown = widths[widths > 0.0], int(np.isnan(widths).sum())
    if len(undone):
        inputs.say(
            tr(
                "The beam of {} degrees is undone: on slopes depths are as under a sounder with a "
                "narrow beam. The soundings keep their depths."
            ).format(
                " to ".join(dict.fromkeys(written(w, "g") for w in (undone.min(), undone.max())))
            )
        )
    if unknown:
        inputs.say(
            tr(
                "The beam width of the sounder is not known ({:,} soundings). On slopes depths may "
                "be too shallow, with a beam of {:g} degrees by 4% of depth where the bottom falls "
                "1 m in 3 m. The uncertainty allows for it. Give the width in Correct depths."
            ).format(unknown, USUAL_BEAM_DEG)
        )


def _report(inputs, figures, record, drawn: int, survey: _Survey, updated: bool):
    kept = len(survey.kept)
    _report_beam(inputs, survey.kept)
    if updated:
        inputs.say(
            tr(
                "Tiles drawn: {} of {}. The soundings of the others have not changed. Smoothing and "
                "uncertainty are as estimated for the older surface."
            ).format(drawn, len(record.tiles))
        )
    if figures.outside and survey.shoreline is not None:
        inputs.warn(
            tr(
                "Accepted soundings outside the shoreline, which are not drawn: {:,} of {:,}. If the "
                "shoreline was mapped at a lower lake level, use another one."
            ).format(figures.outside, kept)
        )
    for line in (
        tr("Soundings used: {:,} of {:,}.").format(kept, survey.count),
        tr("Cells of {:g} m with a depth: {:,}, {:,.0f} m² in all.").format(
            record.cell, figures.cells, figures.cells * record.cell**2
        ),
        tr("Depths run from {:.2f} to {:.2f} m, with a mean of {:.2f} m.").format(
            figures.low, figures.high, figures.mean
        ),
        tr(
            "The standard uncertainty is {:.2f} m in the median, and below {:.2f} m in 95% of the "
            "cells."
        ).format(figures.uncertainty(0.5), figures.uncertainty(0.95)),
    ):
        inputs.say(line)
