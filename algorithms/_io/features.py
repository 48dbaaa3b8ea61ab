"""Features of any layer as arrays: points, lines, shapes and tables."""

from __future__ import annotations

import numpy as np
from qgis.core import QgsLineString
from shapely import wkb

from .._compat import is_null
from ..core.formulas import from_text
from ..core.grid import Lines
from .columns import listed, plain_values, read_columns
from .given_rows import GivenRows, ids_of_pieces
from .iterating import iterate
from .layer_kinds import require_points
from .piece_points import all_points
from .values import field_indexes, to_text


def read_points(source, crs, names, context, feedback):
    """Read every point of a layer and some of its fields: what :func:`read_given_points` does,
    without the rows.
    """
    return read_given_points(source, crs, names, context, feedback)[:4]


def read_given_points(source, crs, names, context, feedback):
    """Read every point of a layer and some of its fields.

    Parameters
    ----------
    source : QgsProcessingFeatureSource
    crs : QgsCoordinateReferenceSystem
        Where to project to.
    names : list of str
        Fields to read.

    Returns
    -------
    x, y, z : array, shape (n,)
        A feature without geometry gives one row of NaN, a multipoint one row a point.
    columns : dict of str to list
        None for NULL; dates and times as ISO 8601 text with what zone they state.
    given : GivenRows

    Raises
    ------
    LakefloorError
        If the layer lacks a field or a CRS.
    """
    require_points(source)
    indexes = field_indexes(source, names)
    places, columns, ids, order, done = [], {name: [] for name in names}, [], [], 0
    for piece in read_columns(source, crs, indexes, context, feedback, "xyz"):
        x, y, z, rows = all_points(piece)
        places.append((x, y, z))
        order.append(rows + done)
        ids.append(piece.ids)
        for name, index in zip(names, indexes):
            values = plain_values(piece.columns[index])
            columns[name] += values if len(rows) == len(values) else [values[row] for row in rows]
        done += piece.count
    x, y, z = (np.concatenate([np.empty(0), *parts]) for parts in zip(*places or [([],) * 3]))
    rows = GivenRows(
        source,
        np.concatenate([np.empty(0, dtype=np.intp), *order]),
        ids_of_pieces(source, ids, feedback),
        feedback,
    )
    return x, y, z, columns, rows


def read_shapes(source, crs, names, context, feedback) -> tuple:
    """Read the geometries of a layer as shapely shapes in ``crs``, with some of its fields.

    Parameters
    ----------
    source : QgsProcessingFeatureSource
    names : list of str
        Fields to read; those that the layer does not have are left out.

    Returns
    -------
    shapes : list of shapely geometry
        Single parts; features without geometry are left out.
    columns : dict of str to list
        Numbers as float, NaN for NULL; texts as str, empty for NULL.
    """
    fields = source.fields()
    indexes = {name: fields.indexFromName(name) for name in names if name in fields.names()}
    shapes, columns = [], {name: [] for name in indexes}
    for feature in iterate(source, crs, context, feedback):
        if not feature.hasGeometry():
            continue
        whole = wkb.loads(bytes(feature.geometry().asWkb()))
        attributes = feature.attributes()
        for part in getattr(whole, "geoms", [whole]):
            if part.is_empty:
                continue
            shapes.append(part)
            for name, index in indexes.items():
                value = attributes[index]
                if fields.at(index).isNumeric():
                    columns[name].append(np.nan if is_null(value) else float(value))
                else:
                    columns[name].append("" if is_null(value) else to_text(value))
    return shapes, columns


def _vertices(part) -> np.ndarray:
    """Return the vertices of one part of a geometry, shape (k, 2), or (k, 3) if it carries Z."""
    width = 3 if part.is3D() else 2
    if isinstance(part, QgsLineString) and part.numPoints():
        # WKB: the byte order, the type and the number of points, then their numbers.
        numbers = np.frombuffer(part.asWkb().data(), "<f8", offset=9)
        return numbers.reshape(part.numPoints(), -1)[:, :width].copy()
    places = [(p.x(), p.y(), p.z())[:width] for p in part.vertices()]
    return np.array(places, dtype=float).reshape(-1, width)


def read_lines(source, crs, context, feedback) -> list:
    """Read all lines of a layer in ``crs``, as arrays (k, 2), or (k, 3) where they carry Z."""
    lines = []
    for feature in iterate(source, crs, context, feedback):
        lines += [_vertices(part) for part in feature.geometry().constParts()]
    return lines


def read_line_rows(source, crs, names, context, feedback) -> tuple:
    """Read every line of a layer and some of its fields.

    Returns
    -------
    lines : list of array, shape (k, 2)
        In ``crs``; a feature of several parts gives one line a part.
    columns : dict of str to list
        None for NULL.
    """
    indexes = field_indexes(source, names)
    lines, columns = [], {name: [] for name in names}
    for feature in iterate(source, crs, context, feedback):
        attributes = feature.attributes()
        for part in feature.geometry().constParts():
            line = _vertices(part)[:, :2]
            if len(line) < 2:
                continue
            lines.append(line)
            for name, index in zip(names, indexes):
                value = attributes[index]
                columns[name].append(None if is_null(value) else value)
    return lines, columns


def read_contours(source, crs, field, context, feedback) -> Lines:
    """Read lines with the number in a field as attribute ``depth``, NaN where it is none."""
    (index,) = field_indexes(source, [field])
    coords, depth = [], []
    for feature in iterate(source, crs, context, feedback):
        value = feature.attributes()[index]
        try:
            number = np.nan if is_null(value) else float(value)
        except ValueError:
            number = np.nan
        for part in feature.geometry().constParts():
            coords.append(_vertices(part)[:, :2])
            depth.append(number)
    return Lines(coords, {"depth": np.array(depth)})


def read_table(source, feedback) -> dict:
    """Read the attributes of a layer as a dict of field name to list (None for NULL)."""
    names = source.fields().names()
    columns = {name: [] for name in names}
    for piece in read_columns(source, None, list(range(len(names))), None, feedback, ""):
        for index, name in enumerate(names):
            columns[name] += [
                from_text(value) if isinstance(value, str) else None if is_null(value) else value
                for value in listed(piece.columns[index])
            ]
    return columns
