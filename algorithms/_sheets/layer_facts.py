"""The facts of a lake, read from its layers."""

from __future__ import annotations

import numpy as np

from .._compat import is_null
from .._i18n import tr
from .._io.layer_crs import srs_wkt
from .._io.rasters import common_share
from ..core.cut_edge import CUT_EDGE
from ..core.errors import LakefloorError
from ..core.figures.figure_defaults import DATUM_UNCERTAINTY, SHORELINE_UNCERTAINTY
from ..core.figures.hypsography import curve_of_bands
from ..core.figures.lake_statistics import lake_statistics
from ..core.progress import silent, span
from ..core.strays import without_strays
from ..core.units import LENGTH_NAMES
from ..core.wording.sheet_facts import (
    ContourFacts,
    SheetFacts,
    SheetSettings,
    SurveyFacts,
    contour_facts,
    datum_of_soundings,
    datum_of_surface,
    joined_datum,
    survey_facts,
)
from ..core.wording.sheet_text import area_table


def collect_facts(
    layers: dict, crs, settings: SheetSettings, inputs, progress=silent
) -> SheetFacts:
    """Read from the layers what a sheet says about them.

    Parameters
    ----------
    layers : dict of str to QgsMapLayer
        By role: ``shoreline``, and where there are such ``contours``,
        ``depth_areas``, ``surface``, ``soundings``, ``break_lines``.
    crs : QgsCoordinateReferenceSystem
        Metric; lengths and areas are measured in it.
    settings : SheetSettings
    inputs : Inputs
    progress : callable
    """
    reader = _Reader(layers, crs, inputs)
    surface_datum = statistics = uncertainty = spacing = None
    if "surface" in layers:
        surface_datum, statistics, uncertainty, spacing = reader.surface(span(progress, 0.0, 0.5))
    soundings_datum, survey = None, SurveyFacts(spacing=spacing)
    if "soundings" in layers:
        soundings_datum, survey = reader.survey(spacing, span(progress, 0.5, 1.0))
    bands, deepest, curve = reader.bands(settings.unit)
    if statistics is not None:
        curve = statistics.curve.depth, statistics.curve.area
    progress(1.0)
    return SheetFacts(
        settings,
        joined_datum(settings.datum, surface_datum, soundings_datum),
        survey,
        reader.contours(settings.unit),
        bands,
        deepest,
        curve,
        statistics,
        uncertainty,
        layers["shoreline"].name(),
        f"{crs.description()} ({crs.authid()})",
        reader.part,
    )


class _Reader:
    """Reads layers by role in one CRS."""

    def __init__(self, layers, crs, inputs):
        self.layers, self.crs, self.inputs = layers, crs, inputs

    @property
    def part(self) -> bool:
        """Whether the shoreline is that of a part of a lake."""
        return CUT_EDGE in self.layers["shoreline"].fields().names()

    def surface(self, progress) -> tuple:
        """Return datum, statistics, mean uncertainty and lane spacing of the surface."""
        surface, crs, metadata = self.inputs.surface(self.layers["surface"])
        uncertainty = statistics = None
        if surface.uncertainty is not None:
            known = surface.uncertainty.values[np.isfinite(surface.uncertainty.values)]
            uncertainty = float(known.mean()) if known.size else None
        try:
            statistics = lake_statistics(
                surface,
                self._shoreline(crs),
                crs=srs_wkt(crs),
                datum_sd=DATUM_UNCERTAINTY,
                scale_sd=common_share(metadata),
                shoreline_sd=SHORELINE_UNCERTAINTY,
                cut=self.inputs.cut_edge(self.layers["shoreline"], crs),
                progress=progress,
            )
        except LakefloorError as error:
            self.inputs.warn(tr("The figures of the lake are left out: {}").format(error))
        return datum_of_surface(metadata), statistics, uncertainty, surface.spacing

    def survey(self, spacing, progress) -> tuple:
        """Return datum and survey of the soundings."""
        soundings, _ = self.inputs.soundings(self.layers["soundings"], self.crs)
        try:
            soundings, notes = without_strays(soundings, self._shoreline(self.crs))
        except LakefloorError as error:
            notes = [str(error)]
        for note in notes:
            self.inputs.warn(note)
        return (
            datum_of_soundings(soundings),
            survey_facts(soundings, srs_wkt(self.crs), spacing, progress),
        )

    def contours(self, unit) -> ContourFacts:
        """Return interval and support of the contours, which must be in the unit."""
        layer = self.layers.get("contours")
        if layer is None:
            return ContourFacts()
        rows = []
        for feature in self.inputs.features(layer, self.crs):
            if feature["unit"] != unit:
                labels = LENGTH_NAMES.get(str(feature["unit"]), feature["unit"])
                raise LakefloorError(
                    tr(
                        "Layer '{}' has labels in '{}', but the depth unit chosen is '{}'. Make "
                        "contours in that unit, or choose the other unit."
                    ).format(layer.name(), labels, LENGTH_NAMES[unit])
                )
            supported = feature["supported"]
            rows.append(
                (
                    feature["depth"],
                    bool(feature["index"]),
                    np.nan if is_null(supported) else bool(supported),
                    feature.geometry().length(),
                )
            )
        return contour_facts(*zip(*rows)) if rows else ContourFacts()

    def bands(self, unit) -> tuple:
        """Return the depth-area table, the top of the deepest band, and the curve by the bands."""
        layer = self.layers.get("depth_areas")
        rows = (
            []
            if layer is None
            else [
                (
                    f["depth_from_m"],
                    np.inf if is_null(f["depth_to_m"]) else f["depth_to_m"],
                    f.geometry().area(),
                )
                for f in self.inputs.features(layer, self.crs)
            ]
        )
        if not rows:
            return [], 0.0, None
        return (
            area_table(*zip(*rows), unit),
            max(top for top, _, _ in rows),
            curve_of_bands(*zip(*rows)),
        )

    def _shoreline(self, crs):
        return self.inputs.polygon(self.layers["shoreline"], crs)
