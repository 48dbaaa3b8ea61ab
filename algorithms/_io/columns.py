"""A layer by columns: its rows in pieces, by the fastest way that gives what the loop gives."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice

import numpy as np
from qgis.core import QgsCoordinateTransform, QgsFeatureRequest
from qgis.PyQt.QtCore import QDate, QDateTime, QTime

from .._compat import is_null
from ..core.errors import Cancelled
from ..core.formulas import from_text
from .arrow import NotByColumnsError, Numbers, Texts, Times
from .copied_columns import copied_columns
from .file_columns import file_columns
from .iterating import iterate, plain_request
from .layer_crs import require_crs
from .values import milliseconds, to_text

#: Rows of a piece; cancel is looked at after each.
_ROWS = 4_000


@dataclass(frozen=True)
class Piece:
    """Some rows of a layer, one after the other.

    Attributes
    ----------
    count : int
    columns : dict of int to Numbers, Texts or list
        Values by the index of their field; a list has them as QGIS does.
    geometries : list of QgsGeometry, Texts or None
        Texts hold WKB in the layer's own CRS.
    ids : int array, shape (n,), or None
        Feature ids, None if they were not read.
    transform : QgsCoordinateTransform or None
        Where ``geometries`` are still to be projected to.
    """

    count: int
    columns: dict
    geometries: object = None
    ids: np.ndarray | None = None
    transform: QgsCoordinateTransform | None = None


def read_columns(source, crs, indexes, context, feedback, geometry="xy"):
    """Yield the rows of a layer in pieces, with some of its fields as columns.

    They are read straight from the file where the layer is plainly a table of a GeoPackage, out
    of a copy that QGIS makes where it is another layer of points, and feature by feature where
    neither is certain to give the same.

    Parameters
    ----------
    source : QgsFeatureSource
    crs : QgsCoordinateReferenceSystem or None
        Where to project to; None leaves the features where they are.
    indexes : list of int
        Which fields.
    geometry : str
        ``xy`` or ``xyz``; an empty text if only the fields are needed.

    Yields
    ------
    Piece

    Raises
    ------
    LakefloorError
        If the layer has no CRS.
    Cancelled
    """
    transform = None
    if crs is not None:
        require_crs(source.sourceCrs(), source.sourceName())
        transform = QgsCoordinateTransform(source.sourceCrs(), crs, context.transformContext())
    done = 0
    for read in (_from_file, _from_copy):
        try:
            for piece in read(source, transform, indexes, feedback, geometry):
                yield piece
                done += piece.count
                _check(feedback)
            return
        except NotByColumnsError:
            if done:
                break
    yield from _looped(source, crs, indexes, context, feedback, geometry, done)


def _check(feedback):
    if feedback.isCanceled():
        raise Cancelled


def _from_file(source, transform, indexes, feedback, geometry):
    _check(feedback)
    for ids, shapes, columns in file_columns(source, indexes, _ROWS, bool(geometry)):
        yield Piece(len(ids), columns, shapes, ids, transform)


def _from_copy(source, transform, indexes, feedback, geometry):
    for shapes, columns in copied_columns(source, indexes, _ROWS, geometry == "xyz", feedback):
        yield Piece(len(shapes), columns, shapes, None, transform)


def _looped(source, crs, indexes, context, feedback, geometry, done):
    request = plain_request().setSubsetOfAttributes(list(indexes))
    if not geometry:
        request.setFlags(QgsFeatureRequest.Flag.NoGeometry)
    features = islice(iterate(source, crs, context, feedback, request), done, None)
    while rows := [(f.id(), f.geometry(), f.attributes()) for f in islice(features, _ROWS)]:
        ids, shapes, attributes = zip(*rows)
        columns = {index: [values[index] for values in attributes] for index in indexes}
        yield Piece(
            len(rows), columns, list(shapes) if geometry else None, np.array(ids, dtype=np.int64)
        )


# -- what a column holds ---------------------------------------------------------------


def listed(column) -> list:
    """Return the values of a column as QGIS has them, None or NULL where there is none."""
    return column if isinstance(column, list) else column.listed()


def plain_values(column) -> list:
    """Return the values of a column as Python has them: None for NULL, dates and times as text.

    A text is taken as it was before a table of text marked it as no formula.
    """
    if isinstance(column, Texts):
        values, numbers = column.distinct()
        plain = np.empty(len(values), dtype=object)
        plain[:] = [_plain(value) for value in values]
        return plain[numbers].tolist()
    return [_plain(value) for value in listed(column)]


def _plain(value):
    if is_null(value):
        return None
    if isinstance(value, (QDate, QDateTime, QTime)):
        return to_text(value)
    return from_text(value) if isinstance(value, str) else value


def as_doubles(column) -> np.ndarray:
    """Return numbers as float, NaN for NULL.

    Raises
    ------
    ValueError
        If one is not a number.
    """
    if isinstance(column, Numbers):
        return np.where(column.known, column.values, np.nan)
    return np.array(
        [v if type(v) is float else np.nan if is_null(v) else float(v) for v in listed(column)],
        dtype=float,
    )


def as_integers(column) -> np.ndarray:
    """Return numbers as int32, 0 for NULL.

    Raises
    ------
    ValueError
        If one is not a number.
    """
    if isinstance(column, Numbers) and column.values.dtype == np.int32:
        return np.where(column.known, column.values, 0)
    return np.array(
        [v if type(v) is int else 0 if is_null(v) else int(float(v)) for v in listed(column)],
        dtype=np.int32,
    )


def as_times(column) -> np.ndarray:
    """Return times as datetime64[ms], NaT where there is none."""
    if isinstance(column, Times):
        return column.milliseconds.view("datetime64[ms]")
    return np.array([milliseconds(v) for v in listed(column)], dtype=np.int64).view(
        "datetime64[ms]"
    )


def as_texts(column, empty: str, texts: dict) -> np.ndarray:
    """Return texts as str, ``empty`` for NULL; ``texts`` keeps each once for all pieces.

    A text is taken as it was before a table of text marked it as no formula.
    """
    if isinstance(column, Texts):
        values, numbers = column.distinct()
    else:
        values, numbers = listed(column), slice(None)
    out = np.empty(len(values), dtype=object)
    for i, value in enumerate(values):
        text = value if type(value) is str else empty if is_null(value) else to_text(value)
        if text not in texts:
            texts[text] = from_text(text)
        out[i] = texts[text]
    return out[numbers]
