"""Values of columns as SQLite keeps them in a GeoPackage."""

from __future__ import annotations

import numpy as np
from qgis.PyQt.QtCore import QByteArray, QDate, QDateTime, Qt

from .._compat import is_null
from ..core.geopackage import time_texts
from .values import to_text

#: Python's types that SQLite takes as they are, for each kind.
_PLAIN = {
    "int": {int, type(None)},
    "double": {float, type(None)},
    "text": {str, type(None)},
    "bool": {bool, type(None)},
}


def stored(values, kind: str, field=None) -> list:
    """Return a column as SQLite takes it, as GDAL writes values of that kind.

    Parameters
    ----------
    values : array or list
        A list has them as QGIS does.
    kind : str
        ``int``, ``double``, ``text``, ``bool``, ``date``, ``datetime`` or ``bytes``.
    field : QgsField, optional
        Convert what is of another type.

    Raises
    ------
    RuntimeError
        If a value is of another type than its field, and cannot be converted.
    """
    if isinstance(values, np.ndarray) and values.dtype.kind == "M":
        return time_texts(values)
    if isinstance(values, np.ndarray):
        values = values.tolist()  # SQLite takes NaN as NULL
    if not set(map(type, values)) <= _PLAIN.get(kind, set()):
        values = [None if is_null(value) else _value(value, kind, field) for value in values]
    return _encodable(values) if kind == "text" else values


def _value(value, kind, field):
    convert, own = _CONVERT[kind]
    if field is not None and not isinstance(value, (own, np.generic)):
        # As a table that is being edited may have it until it is saved.
        try:
            value = field.convertCompatible(value)
        except ValueError as error:
            raise RuntimeError(f"{field.name()}: {error}") from error
    return convert(value)


def _encodable(texts):
    """Return texts in which halves of characters, which UTF-8 lacks, are question marks."""
    try:
        for text in set(texts):
            text is None or text.encode()
    except UnicodeEncodeError:
        return [text and text.encode(errors="replace").decode() for text in texts]
    return texts


def _moment(value):
    """Return a QDateTime with its zone, if it has one."""
    if not value.isValid():
        return None
    text = to_text(value)
    return f"{text[:-6]}Z" if text.endswith("+00:00") else text


#: What makes a value of QGIS one that SQLite takes, and the type that QGIS has for it.
_CONVERT = {
    "int": (int, int),
    "double": (float, float),
    "text": (str, str),
    "bool": (bool, bool),
    "date": (
        lambda value: value.toString(Qt.DateFormat.ISODate) if value.isValid() else None,
        QDate,
    ),
    "datetime": (_moment, QDateTime),
    "bytes": (bytes, QByteArray),
}
