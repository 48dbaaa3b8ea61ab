"""A run has a project and layers of its own, so that it reads none that belong to the window.

QGIS gives the layers of the open project to its workers as they are. Where a project is closed
or a layer removed meanwhile, the worker reads what is no longer there.
"""

from __future__ import annotations

from qgis.core import (
    QgsExpressionContext,
    QgsExpressionContextUtils,
    QgsFeatureRequest,
    QgsMapLayer,
    QgsProcessingContext,
    QgsProcessingFeatureSourceDefinition,
    QgsProject,
    QgsProperty,
)

from ...algorithms._compat import LOG_LEVEL
from ...algorithms._io.own_copies import copy_of


def own_context(feedback) -> QgsProcessingContext:
    """Return a context whose project holds no layers, but the settings of the open one."""
    opened, own = QgsProject.instance(), QgsProject()
    own.setCrs(opened.crs())
    own.setEllipsoid(opened.ellipsoid())
    own.setTransformContext(opened.transformContext())
    own.setDistanceUnits(opened.distanceUnits())
    own.setAreaUnits(opened.areaUnits())
    context = QgsProcessingContext()
    context.setProject(own)
    # The context does not own it.
    context.own_project = own
    context.setFeedback(feedback)
    # Else a model does not say which step it is at.
    context.setLogLevel(LOG_LEVEL.Verbose)
    expressions = QgsExpressionContext()
    expressions.appendScope(QgsExpressionContextUtils.globalScope())
    context.setExpressionContext(expressions)
    # As the toolbox does.
    context.setInvalidGeometryCheck(QgsFeatureRequest.InvalidGeometryCheck.GeometryAbortOnInvalid)
    return context


def with_own_layers(parameters: dict, context) -> dict:
    """Return parameters in which copies stand for the layers of the open project.

    The copies belong to the context. Files are left for the worker to open.
    """
    return {name: _owned(value, context) for name, value in parameters.items()}


def _owned(value, context):
    if isinstance(value, QgsMapLayer):
        return _copy(value, context)
    if isinstance(value, str):
        layer = _of_project(value)
        return value if layer is None else _copy(layer, context)
    if isinstance(value, (list, tuple)):
        return [_owned(each, context) for each in value]
    if isinstance(value, QgsProcessingFeatureSourceDefinition):
        layer = _of_project(value.source.staticValue())
        if layer is not None:
            value = QgsProcessingFeatureSourceDefinition(value)
            value.source = QgsProperty.fromValue(_copy(layer, context))
    return value


def _of_project(text):
    """Return the layer of the open project that a text names by its id or name, or None."""
    if not isinstance(text, str) or not text:
        return None
    project = QgsProject.instance()
    named = [project.mapLayer(text), *project.mapLayersByName(text)]
    return next((layer for layer in named if layer is not None), None)


def _copy(layer, context) -> str:
    """Give the context a copy of a layer; return its id."""
    copy = copy_of(layer)
    context.temporaryLayerStore().addMapLayer(copy)
    return copy.id()
