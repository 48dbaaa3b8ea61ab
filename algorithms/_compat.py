"""The only place that knows which QGIS it runs in."""

from qgis.core import Qgis, QgsField
from qgis.PyQt.QtCore import QMetaType, QVariant

_BY_METATYPE = Qgis.QGIS_VERSION_INT >= 33800

_TYPES = {"double": "Double", "int": "Int", "text": "String", "datetime": "DateTime"}


def make_field(name: str, kind: str) -> QgsField:
    """Return a field of kind ``double``, ``int``, ``text`` or ``datetime``."""
    if _BY_METATYPE:
        metatypes = {"text": "QString", "datetime": "QDateTime"}
        return QgsField(name, getattr(QMetaType.Type, metatypes.get(kind, _TYPES[kind])))
    return QgsField(name, getattr(QVariant, _TYPES[kind]))


def is_null(value) -> bool:
    """Tell whether an attribute value is NULL (None, or a null QVariant in Qt 5)."""
    return value is None or (isinstance(value, QVariant) and value.isNull())
