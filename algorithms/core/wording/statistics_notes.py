"""What the figures of a lake cover, and how they are to be read."""

from __future__ import annotations

import numpy as np
from shapely.geometry.base import BaseGeometry

from ..figures.lake_statistics import LakeStatistics
from ..grid import Surface
from ..number_text import written
from ..polygons import rings
from .amounts import WITHIN_95


def statistics_notes(
    statistics: LakeStatistics,
    surface: Surface,
    shoreline: BaseGeometry,
    crs: int | str | None = None,
    cut: BaseGeometry | None = None,
) -> list:
    """Return what the figures of a lake cover, in sentences.

    Parameters
    ----------
    statistics : LakeStatistics
    surface, shoreline, crs, cut
        What they were made from, as for :func:`.lake_statistics.lake_statistics`.

    Returns
    -------
    list of str
    """
    return [
        *_of_part(cut),
        *_of_coverage(statistics),
        "The volume is that of the triangulated depth surface, cut exactly at each depth and at "
        "the shoreline.",
        _of_drawing(shoreline),
        "Areas and lengths are on the ellipsoid."
        if crs is not None
        else "Areas and lengths are those of the map projection.",
        *_of_uncertainty(statistics, surface),
    ]


def _of_part(cut) -> list:
    if cut is None:
        return []
    return [
        f"Only a part of the lake is known: {written(cut.length, ',.0f')} m of its outline were "
        "cut, and are not shore. Area, volume and all other figures are those of the part shared."
    ]


def _of_coverage(statistics) -> list:
    notes, gap = [], 100.0 - statistics.figures["mapped_share"].value
    if gap > 0.05:
        where = "Area, volume"
        if statistics.level == 0:
            where = "The area is that of the whole shoreline polygon. Volume"
        notes.append(
            f"{written(gap, '.1f')}% of the lake at the datum has no depth. {where}, mean depth, "
            "slope, littoral percentage and layers cover the mapped part only."
        )
    if statistics.curve.exposed > 0:
        notes.append(
            f"{written(100.0 * statistics.curve.exposed, '.1f')}% of the cells within the "
            "shoreline were above the datum. They count as depth 0."
        )
    return notes


def _of_drawing(shoreline) -> str:
    lines = rings(shoreline)
    vertices = sum(len(ring) - 1 for ring in lines)
    length = sum(float(np.hypot(*np.diff(ring, axis=0).T).sum()) for ring in lines)
    return (
        f"The shoreline has {vertices} vertices, {written(length / vertices, '.1f')} m apart on "
        "average. Its length grows with finer drawing, so compare only lengths drawn alike."
    )


def _of_uncertainty(statistics, surface) -> list:
    notes, curve = [], statistics.curve
    if surface.uncertainty is None or not np.isfinite(surface.uncertainty.values).any():
        notes.append(
            "The surface has no uncertainty band. Uncertainties are those of the datum "
            + ("and of the sound speed." if curve.scale_sd else "alone.")
        )
    else:
        how = "are taken as one error of the whole lake, which is the cautious choice"
        if np.isfinite(curve.correlation_length):
            how = f"are independent beyond about {curve.correlation_length:.0f} m, the lane spacing"
        notes.append(
            "An error of the datum shifts all depths alike and does not average out. Its 95% "
            f"uncertainty is {written(WITHIN_95 * curve.datum_sd, '.2f')} m. Errors of the "
            f"surface {how}."
        )
    if curve.scale_sd:
        notes.append(
            "The sound speed of the water was not known. It makes all depths too large or too "
            f"small by up to {written(WITHIN_95 * 100.0 * curve.scale_sd, '.1f')}% alike. This "
            "does not average out either."
        )
    if statistics.figures["shoreline"].sd is None:
        notes.append("The uncertainties do not include how exactly the shoreline is drawn.")
    return notes
