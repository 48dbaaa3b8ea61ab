"""The points of some rows of a layer, to the bit as QGIS gives them feature by feature."""

from __future__ import annotations

import numpy as np
from qgis.core import QgsCsException, QgsGeometry, QgsLineString, QgsPoint, QgsWkbTypes

from .arrow import Texts

_NOWHERE = (np.nan, np.nan, np.nan)

_NO_POINTS = (QgsWkbTypes.GeometryType.LineGeometry, QgsWkbTypes.GeometryType.PolygonGeometry)

#: Type of a point in WKB, as ISO and as older programs write it -> its bytes, and where Z is.
_LAYOUTS = {1: (21, None), 1001: (29, 21), 0x80000001: (29, 21), 2001: (29, None), 3001: (37, 21)}


class NoPointError(Exception):
    """A row has another geometry than points; ``row`` is its number in the piece, from 0."""

    def __init__(self, row, geometry):
        super().__init__(QgsWkbTypes.displayString(geometry.wkbType()))
        self.row = int(row)


def first_points(piece) -> tuple:
    """Return the point of each row, of several the first, NaN where there is none.

    Parameters
    ----------
    piece : Piece

    Returns
    -------
    x, y : float array, shape (n,)

    Raises
    ------
    NoPointError
    """
    x, y, _, _ = _points(piece, _first)
    return x.copy(), y.copy()


def all_points(piece) -> tuple:
    """Return all points of the rows, one of NaN for a row that has none.

    Returns
    -------
    x, y, z : float array, shape (m,)
        NaN where a point has no height.
    rows : int array, shape (m,)
        The row of the piece, from 0, that each point belongs to.
    """
    return _points(piece, _all)


def _points(piece, of_geometry):
    geometries = piece.geometries
    if isinstance(geometries, Texts):
        regular, places = _regular(geometries)
        x, y, failed = _projected(*places[:, :2].T, piece.transform)
        places = np.column_stack([x, y, places[:, 2]])
        places[failed] = np.nan
    else:
        regular, places = np.empty(0, dtype=np.intp), np.empty((0, 3))
    others = np.setdiff1d(np.arange(piece.count), regular)
    if not others.size:
        return (*places.T, regular)
    found, rows = [places], [regular]
    for row in others:
        geometry = _geometry(geometries, row, piece.transform)
        if of_geometry is _first and geometry.type() in _NO_POINTS:
            raise NoPointError(row, geometry)
        points = of_geometry(geometry) or [_NOWHERE]
        found.append(np.array(points, dtype=float))
        rows.append(np.full(len(points), row))
    places, rows = np.concatenate(found), np.concatenate(rows)
    order = np.argsort(rows, kind="stable")
    return (*places[order].T, rows[order])


def _regular(geometries) -> tuple:
    """Return the rows with one point in WKB, and their places, shape (n, 3)."""
    widths = np.where(geometries.known, geometries.widths(), 0)
    rows, places = [], []
    for width in sorted({size for size, _ in _LAYOUTS.values()}):
        of_width = np.flatnonzero(widths == width)
        if not of_width.size:
            continue
        table = geometries.at(of_width)
        kinds = np.ascontiguousarray(table[:, 1:5]).view("<u4")[:, 0]
        for kind, (size, z_at) in _LAYOUTS.items():
            mine = (kinds == kind) & (table[:, 0] == 1) & (size == width)
            if mine.any():
                numbers = np.ascontiguousarray(table[mine][:, 5:]).view("<f8")
                z = numbers[:, 2:3] if z_at else np.full((len(numbers), 1), np.nan)
                rows.append(of_width[mine])
                places.append(np.hstack([numbers[:, :2], z]))
    if not rows:
        return np.empty(0, dtype=np.intp), np.empty((0, 3))
    rows, places = np.concatenate(rows), np.concatenate(places)
    order = np.argsort(rows, kind="stable")
    return rows[order], places[order]


def _projected(x, y, transform) -> tuple:
    """Return places projected as QGIS projects features, and which of them cannot be."""
    failed = np.zeros(len(x), dtype=bool)
    if transform is None or transform.isShortCircuited() or not len(x):
        return x, y, failed
    finite = np.isfinite(x) & np.isfinite(y)
    line = QgsLineString(x[finite].tolist(), y[finite].tolist())
    out = np.full((len(x), 2), np.nan)
    try:
        line.transform(transform)
        out[finite] = np.frombuffer(bytes(line.asWkb())[9:], "<f8").reshape(-1, 2)
        # What fails for one of many may be taken in another way for all.
        alike = not transform.fallbackOperationOccurred()
    except QgsCsException:
        alike = False
    single = np.flatnonzero(~np.isfinite(out).all(axis=1)) if alike else range(len(x))
    for i in single:
        geometry = _transformed(QgsGeometry(QgsPoint(x[i], y[i])), transform)
        if geometry.isNull():
            failed[i] = True
        else:
            out[i] = geometry.constGet().x(), geometry.constGet().y()
    return (*out.T, failed)


def _transformed(geometry, transform) -> QgsGeometry:
    """Return a geometry projected, without shape if that fails, as features are handed on."""
    try:
        geometry.transform(transform)
    except QgsCsException:
        return QgsGeometry()
    return geometry


def _geometry(geometries, row, transform) -> QgsGeometry:
    if not isinstance(geometries, Texts):
        return geometries[row]
    geometry = QgsGeometry()
    if geometries.known[row]:
        geometry.fromWkb(geometries.at(np.array([row]))[0].tobytes())
        if transform is not None and not transform.isShortCircuited():
            geometry = _transformed(geometry, transform)
    return geometry


def _first(geometry) -> list:
    point = geometry.constGet()
    if point is not None and not isinstance(point, QgsPoint):
        point = point.geometryN(0) if point.numGeometries() else None
    return [] if point is None else [(point.x(), point.y(), np.nan)]


def _all(geometry) -> list:
    return [(p.x(), p.y(), p.z() if p.is3D() else np.nan) for p in geometry.vertices()]
