"""The rows of a layer that is to be written, some thousand at a time, as columns."""

from __future__ import annotations

from itertools import islice, repeat
from typing import NamedTuple

import numpy as np
from qgis.core import QgsCoordinateReferenceSystem, QgsField, QgsFields, QgsWkbTypes

from .._compat import make_field
from ..core.geometry_blobs import empty_wkb, line_bounds, line_wkb
from ..core.geopackage import point_wkb
from ..core.soundings import SCHEMA, Soundings

#: Rows that are written together, between two looks at cancel.
ROWS = 2_000

_NOWHERE = (np.nan,) * 4


class Layer(NamedTuple):
    """What a layer consists of.

    Attributes
    ----------
    fields : QgsFields
    kinds : list of (str or None)
        How the values of each field are given: as core has them (``double``, ``int``, ``text``,
        ``datetime``), None as QGIS has them.
    wkb_type : QgsWkbTypes.Type
    crs : QgsCoordinateReferenceSystem
    """

    fields: QgsFields
    kinds: list
    wkb_type: QgsWkbTypes.Type
    crs: QgsCoordinateReferenceSystem

    @classmethod
    def build(cls, fields, wkb_type, crs, as_qgis=False):
        """Return a layer of fields that are (name, kind), or QgsField as they are.

        With ``as_qgis`` all values are given as QGIS has them.
        """
        made = QgsFields()
        for field in fields:
            made.append(field if isinstance(field, QgsField) else make_field(*field))
        kinds = [None if as_qgis or isinstance(f, QgsField) else f[1] for f in fields]
        return cls(made, kinds, wkb_type, crs)


class Places(NamedTuple):
    """Where rows are.

    Attributes
    ----------
    wkb : list of bytes
        Little-endian well-known binary.
    bounds : array, shape (n, 4)
        West, south, east, north; NaN where the row has no place.
    """

    wkb: list
    bounds: np.ndarray


class Rows(NamedTuple):
    """Some rows: how many, their places (None in a table), and one column a field."""

    count: int
    places: Places | None
    columns: list


def of_soundings(parts, further=None):
    """Yield the rows of soundings, which come in parts of any length.

    Parameters
    ----------
    parts : iterable of Soundings
    further : iterable of list of columns, optional
        Values of further fields, of :data:`ROWS` soundings at a time.
    """
    further = repeat([]) if further is None else further
    for part in parts:
        for start in range(0, len(part), ROWS):
            some = part.select(slice(start, start + ROWS))
            columns = [getattr(some, attr) for attr, _ in SCHEMA.values()]
            yield Rows(len(some), _points(some.x, some.y), [*columns, *next(further)])


def in_order(soundings: Soundings, order):
    """Yield soundings in an order, some at a time, so that no column is there twice."""
    rows = np.arange(len(soundings))[order]
    for start in range(0, rows.size, ROWS):
        yield soundings.select(rows[start : start + ROWS])


def of_lines(lines, fields):
    """Yield the rows of :class:`~.core.grid.Lines`; ``fields`` are (name, kind)."""
    for part in _parts(len(lines)):
        coords = [np.asarray(xy)[:, :2] for xy in lines.coords[part]]
        places = Places(line_wkb(coords), line_bounds(coords))
        yield Rows(len(coords), places, [lines.attributes[name][part] for name, _ in fields])


def of_areas(areas, fields):
    """Yield the rows of :class:`~.core.grid.Areas` as multipolygons; ``fields`` are (name, kind)."""
    for part in _parts(len(areas)):
        polygons = areas.polygons[part]
        wkb = [_as_multiple(polygon) for polygon in polygons]
        bounds = [_NOWHERE if p.is_empty else p.bounds for p in polygons]
        places = Places(wkb, np.array(bounds, float).reshape(-1, 4))
        yield Rows(len(polygons), places, [areas.attributes[name][part] for name, _ in fields])


def of_features(rows, wkb_type):
    """Yield rows of pairs: QgsGeometry or None, and the list of values."""
    rows = iter(rows)
    while some := list(islice(rows, ROWS)):
        places = None
        if wkb_type != QgsWkbTypes.Type.NoGeometry:
            places = _geometries([geometry for geometry, _ in some], wkb_type)
        yield Rows(len(some), places, [list(column) for column in zip(*(v for _, v in some))])


def _parts(count):
    return (slice(start, start + ROWS) for start in range(0, count, ROWS))


def _points(x, y):
    placed = np.isfinite(x) & np.isfinite(y)
    x, y = np.where(placed, x, np.nan), np.where(placed, y, np.nan)
    return Places(point_wkb(x, y), np.stack([x, y, x, y], axis=1))


def _as_multiple(polygon):
    multipolygon, polygon_of_wkb = int(QgsWkbTypes.Type.MultiPolygon), polygon.wkb
    if polygon.geom_type == "MultiPolygon":
        return polygon_of_wkb
    if polygon.is_empty:
        return empty_wkb(multipolygon)
    return b"\x01" + np.array([multipolygon, 1], "<u4").tobytes() + polygon_of_wkb


def _geometries(geometries, wkb_type):
    wkb, bounds = [], np.full((len(geometries), 4), np.nan)
    for i, geometry in enumerate(geometries):
        if geometry is None or geometry.isEmpty():
            wkb.append(empty_wkb(int(wkb_type)))
            continue
        box = geometry.boundingBox()
        bounds[i] = box.xMinimum(), box.yMinimum(), box.xMaximum(), box.yMaximum()
        wkb.append(bytes(geometry.asWkb()))
    return Places(wkb, bounds)
