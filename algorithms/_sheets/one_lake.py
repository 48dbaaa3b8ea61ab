"""Layers on one map must come from one lake and one run."""

import numpy as np
from qgis.core import QgsCsException, QgsPointXY
from shapely.geometry import Point

from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.units import LENGTH

#: Places on the contours that are compared.
_SAMPLES = 200
#: How far the middle one of them may lie from the edges of the depth areas, m, and off the depth
#: of the surface, m: more than smoothing does, less than another datum. On a steep bottom the
#: surface cannot tell it so well: this part of the step from one of its cells to the next.
_AWAY, _OFF, _OFF_STEP = 2.0, 0.15, 0.25


def check_together(found, inputs):
    """Refuse layers of different lakes or units, and warn of layers of different runs.

    Parameters
    ----------
    found : dict of str to QgsMapLayer
        By role.
    inputs : Inputs

    Raises
    ------
    LakefloorError
    """
    shoreline, contours = found.get("shoreline"), found.get("contours")
    areas, surface = found.get("depth_areas"), found.get("surface")
    for role, layer in found.items():
        if shoreline is not None and role not in ("shoreline", "gauge"):
            _refuse_elsewhere(layer, shoreline, inputs)
    if contours is None:
        return
    units = {
        layer: _units(layer)
        for layer in (contours, areas)
        if layer is not None and "unit" in layer.fields().names()
    }
    if len(set().union(*units.values())) > 1:
        raise LakefloorError(
            tr(
                "The layers '{}' have depths in different units ({}). Make both with one unit, then "
                "run again."
            ).format(
                "', '".join(layer.name() for layer in units),
                ", ".join(sorted(set().union(*units.values()))),
            )
        )
    if areas is None and surface is None:
        return
    places, depths = _places(contours, inputs)
    if areas is not None:
        away = _from_edges(areas, contours.crs(), places, depths, inputs)
        if away.size and np.median(away) > _AWAY:
            inputs.warn(
                tr(
                    "The contours '{}' do not follow the edges of the depth areas '{}'. Half of "
                    "them are more than {:.0f} m away. Make both from one surface, with one "
                    "interval, unit and datum."
                ).format(contours.name(), areas.name(), np.median(away))
            )
    if surface is not None:
        off, step = _off_surface(surface, contours.crs(), places, depths, inputs)
        if off.size and abs(np.median(off)) > max(_OFF, _OFF_STEP * np.median(step)):
            inputs.warn(
                tr(
                    "The surface '{}' is {:.2f} m {} along the contours '{}'. They seem to be from "
                    "another surface or datum. Make the contours again."
                ).format(
                    surface.name(),
                    abs(np.median(off)),
                    tr("deeper") if np.median(off) > 0 else tr("shallower"),
                    contours.name(),
                )
            )


def _refuse_elsewhere(layer, shoreline, inputs):
    if (
        layer.extent().isEmpty()
        or shoreline.extent().isEmpty()
        or not layer.crs().isValid()
        or not shoreline.crs().isValid()
    ):
        return
    try:
        transform = inputs.transform(layer.crs(), shoreline.crs())
        box = transform.transformBoundingBox(layer.extent())
    except QgsCsException:
        return  # said by what reads it
    if not box.intersects(shoreline.extent()):
        raise LakefloorError(
            tr(
                "Layer '{}' and the shoreline '{}' do not overlap. Choose layers of one lake."
            ).format(layer.name(), shoreline.name())
        )


def _units(layer) -> set:
    values = layer.uniqueValues(layer.fields().indexFromName("unit"))
    return {str(value) for value in values} & set(LENGTH)


def _places(contours, inputs):
    """Return the middle vertex of some contours, shape (n, 2), and their depths, m."""
    lines = inputs.contours(contours, contours.crs(), "depth")
    units = _units(contours)
    factor = LENGTH[units.pop()] if units else 1.0
    step = max(1, len(lines) // _SAMPLES)
    places = np.array([line[len(line) // 2] for line in lines.coords[::step]]).reshape(-1, 2)
    depths = factor * lines.attributes["depth"][::step]
    known = np.isfinite(depths)
    return places[known], depths[known]


def _from_edges(areas, crs, places, depths, inputs):
    """Return the distances to the nearest edge of the same depth, where there is one, m."""
    shapes, columns = inputs.shapes(areas, crs, ("depth_from_m", "depth_to_m"))
    limits = np.array([columns["depth_from_m"], columns["depth_to_m"]])
    boundaries = [shape.boundary for shape in shapes]
    return np.array(
        [
            min(boundaries[k].distance(Point(place)) for k in at)
            for place, depth in zip(places, depths)
            if (at := np.flatnonzero((np.abs(limits - depth) < 1e-3).any(axis=0))).size
        ]
    )


def _off_surface(surface, crs, places, depths, inputs):
    """Return depth of the surface less that of the contour, and its step to the next cell, m."""
    transform = inputs.transform(crs, surface.crs())
    provider, off, step = surface.dataProvider(), [], []
    width, height = surface.rasterUnitsPerPixelX(), surface.rasterUnitsPerPixelY()

    def at(x, y):
        value, known = provider.sample(QgsPointXY(x, y), 1)
        return value if known else np.nan

    for place, depth in zip(places, depths):
        point = transform.transform(QgsPointXY(*place))
        x, y = point.x(), point.y()
        value = at(x, y)
        if np.isfinite(value):
            around = np.array(
                [at(x - width, y), at(x + width, y), at(x, y - height), at(x, y + height)]
            )
            off.append(value - depth)
            step.append(np.nan_to_num(np.abs(around - value)).max())
    return np.array(off), np.array(step)
