"""Copies of the open project's layers, for work in another thread than that of the project.

QGIS hands a worker the layers of the open project themselves. Reading rows of them is safe, but
not to draw them, nor to read their styles, while they are drawn and changed in the window.
"""

from __future__ import annotations

from qgis.core import (
    QgsFeatureRequest,
    QgsMapLayer,
    QgsProcessingUtils,
    QgsProperty,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QThread


def copy_of(layer) -> QgsMapLayer:
    """Return a copy of a layer as it stands, with edits that are not saved and what is selected."""
    if not isinstance(layer, QgsVectorLayer):
        return layer.clone()
    if layer.isModified():
        copy = layer.materialize(QgsFeatureRequest())
        copy.setName(layer.name())
        if layer.selectedFeatureCount():
            copy.selectByIds(_same_rows(layer, copy))
        return copy
    copy = layer.clone()
    if layer.selectedFeatureCount():
        copy.selectByIds(layer.selectedFeatureIds())
    return copy


def _same_rows(layer, copy) -> list:
    """Return the ids in a copy of the rows that are selected in a layer; their order is the same."""
    bare = QgsFeatureRequest().setNoAttributes()
    bare.setFlags(QgsFeatureRequest.Flag.NoGeometry)
    selected = set(layer.selectedFeatureIds())
    rows = zip(layer.getFeatures(bare), copy.getFeatures(bare))
    return [there.id() for here, there in rows if here.id() in selected]


def at_hand(value, context):
    """Return the layer that the value of a parameter names, if it is loaded already, or None."""
    if isinstance(value, QgsMapLayer):
        return value
    value = getattr(value, "source", value)
    if isinstance(value, QgsProperty):
        value = value.staticValue()
    if not isinstance(value, str) or not value:
        return None
    return QgsProcessingUtils.mapLayerFromString(value, context, False)


def copied_inputs(algorithm, parameters, context) -> dict:
    """Return copies of the layers that do not belong to the run, by parameter.

    Called where these layers live. The copies belong to no thread until :func:`take`.
    """
    copies, own = {}, context.temporaryLayerStore()
    for definition in algorithm.parameterDefinitions():
        name = definition.name()
        if definition.isDestination() or definition.type() not in ("vector", "raster", "layer"):
            continue
        layer = at_hand(parameters.get(name), context)
        if layer is not None and own.mapLayer(layer.id()) is None:
            copies[name] = copy_of(layer)
            copies[name].moveToThread(None)
    return copies


def take(copies: dict, context) -> dict:
    """Take copies into this thread, and give them to the run's context; return them."""
    for layer in copies.values():
        layer.moveToThread(QThread.currentThread())
        context.temporaryLayerStore().addMapLayer(layer)
    return copies
