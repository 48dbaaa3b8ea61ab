"""The only place that knows which QGIS it runs in."""

from qgis.core import (
    Qgis,
    QgsField,
    QgsProcessingContext,
    QgsProcessingModelChildParameterSource,
    QgsProject,
)
from qgis.PyQt.QtCore import QMetaType, QVariant
from qgis.PyQt.QtGui import QPainter

_BY_METATYPE = Qgis.QGIS_VERSION_INT >= 33800

_TYPES = {"double": "Double", "int": "Int", "text": "String", "datetime": "DateTime"}

#: Keeps pictures in a PDF as they are; Qt before 5.13 has no such hint.
LOSSLESS = getattr(QPainter.RenderHint, "LosslessImageRendering", None)

#: Where a step of a model takes a parameter from; QGIS moved the enumeration.
STEP_SOURCE = getattr(Qgis, "ProcessingModelChildParameterSource", None) or getattr(
    QgsProcessingModelChildParameterSource, "Source", None
)

#: How much a model says of its steps; QGIS moved the enumeration.
LOG_LEVEL = getattr(Qgis, "ProcessingLogLevel", None) or QgsProcessingContext

#: Whether QGIS writes times to the millisecond: 3.22 cuts them to whole seconds, 3.40 does not.
KEEPS_MILLISECONDS = Qgis.QGIS_VERSION_INT >= 34000

#: How heights of features count in an elevation profile; None before QGIS 3.26.
ALTITUDE = getattr(Qgis, "AltitudeClamping", None)

#: How labels may overlap; None before QGIS 3.26.
_OVERLAP = getattr(Qgis, "LabelOverlapHandling", None)


#: How much QGIS says of what it does itself; it moved the enumeration.
LOG_LEVEL = getattr(Qgis, "ProcessingLogLevel", None) or getattr(
    QgsProcessingContext, "LogLevel", None
)


def says_all(context) -> bool:
    """Tell whether the user has chosen that a log holds all that QGIS does."""
    return context.logLevel() != LOG_LEVEL.DefaultLevel


def make_field(name: str, kind: str) -> QgsField:
    """Return a field of kind ``double``, ``int``, ``text`` or ``datetime``."""
    if _BY_METATYPE:
        metatypes = {"text": "QString", "datetime": "QDateTime"}
        return QgsField(name, getattr(QMetaType.Type, metatypes.get(kind, _TYPES[kind])))
    return QgsField(name, getattr(QVariant, _TYPES[kind]))


def show_all_labels(labels):
    """Let labels overlap each other where they find no free place, so that none is left out."""
    if _OVERLAP is None:
        labels.displayAll = True
        return
    placement = labels.placementSettings()
    placement.setOverlapHandling(_OVERLAP.AllowOverlapIfRequired)
    placement.setAllowDegradedPlacement(True)
    labels.setPlacementSettings(placement)


def bare_project() -> QgsProject:
    """Return a new project without a library of symbols, which belongs to the main thread."""
    capabilities = getattr(Qgis, "ProjectCapabilities", None)
    return QgsProject() if capabilities is None else QgsProject(None, capabilities())


def is_null(value) -> bool:
    """Tell whether an attribute value is NULL (None, or a null QVariant in Qt 5)."""
    return value is None or (isinstance(value, QVariant) and value.isNull())
