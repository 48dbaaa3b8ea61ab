"""The only place that knows which QGIS it runs in."""

import sqlite3

import numpy as np
from qgis.core import Qgis, QgsField, QgsProcessingModelChildParameterSource
from qgis.PyQt.QtCore import QMetaType, QVariant
from qgis.PyQt.QtGui import QPainter

from .core.geopackage import allow_updates

_BY_METATYPE = Qgis.QGIS_VERSION_INT >= 33800

_TYPES = {"double": "Double", "int": "Int", "text": "String", "datetime": "DateTime"}

#: Keeps pictures in a PDF as they are; Qt before 5.13 has no such hint.
LOSSLESS = getattr(QPainter.RenderHint, "LosslessImageRendering", None)

#: Where a step of a model takes a parameter from; QGIS moved the enumeration.
STEP_SOURCE = getattr(Qgis, "ProcessingModelChildParameterSource", None) or getattr(
    QgsProcessingModelChildParameterSource, "Source", None
)


#: Rows written between two looks at cancel.
_ROWS = 2000


def make_field(name: str, kind: str) -> QgsField:
    """Return a field of kind ``double``, ``int``, ``text`` or ``datetime``."""
    if _BY_METATYPE:
        metatypes = {"text": "QString", "datetime": "QDateTime"}
        return QgsField(name, getattr(QMetaType.Type, metatypes.get(kind, _TYPES[kind])))
    return QgsField(name, getattr(QVariant, _TYPES[kind]))


def is_null(value) -> bool:
    """Tell whether an attribute value is NULL (None, or a null QVariant in Qt 5)."""
    return value is None or (isinstance(value, QVariant) and value.isNull())


def restore_milliseconds(path, field: str, times, check=lambda: None):
    """Write times, datetime64[ms] in feature order, into a GeoPackage again, to the millisecond.

    Older QGIS (seen in 3.22, no longer in 3.40) cuts seconds to whole numbers when it writes.
    ``check()`` is called every few thousand rows, and may raise.
    """
    if Qgis.QGIS_VERSION_INT >= 34000 or path.suffix.lower() != ".gpkg":
        return
    connection = sqlite3.connect(str(path))
    try:
        allow_updates(connection)
        # None where QGIS closed the file cut short, on a full disk.
        (table,) = connection.execute("SELECT table_name FROM gpkg_contents").fetchone() or ("",)
        for start in range(0, len(times), _ROWS):
            check()
            part = times[start : start + _ROWS]
            keyed = ((f"{t}Z", i) for i, t in enumerate(part, start + 1) if not np.isnat(t))
            connection.executemany(f'UPDATE "{table}" SET "{field}" = ? WHERE fid = ?', keyed)
        connection.commit()
    finally:
        connection.close()
