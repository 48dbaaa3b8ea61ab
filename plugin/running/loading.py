"""Results of a run that belongs to no lake go into the open project, as after one from the toolbox."""

from __future__ import annotations

from qgis.core import QgsProcessingOutputLayerDefinition, QgsProcessingUtils, QgsProject

_LAYERS = ("sink", "vectorDestination", "rasterDestination")


def asking_for_layers(algorithm, parameters: dict) -> dict:
    """Return parameters that ask QGIS to load the layers which are written."""
    asking = dict(parameters)
    for definition in algorithm.destinationParameterDefinitions():
        value = parameters.get(definition.name())
        if definition.type() in _LAYERS and isinstance(value, str) and value:
            asking[definition.name()] = QgsProcessingOutputLayerDefinition(
                value, QgsProject.instance()
            )
    return asking


def load_results(context, feedback):
    """Add what a run asked to be loaded to the open project, in its styles."""
    project = QgsProject.instance()
    context.setProject(project)
    for source, details in context.layersToLoadOnCompletion().items():
        layer = QgsProcessingUtils.mapLayerFromString(source, context, True, details.layerTypeHint)
        if layer is None:
            continue
        details.setOutputLayerName(layer)
        context.temporaryLayerStore().takeMapLayer(layer)
        project.addMapLayer(layer)
        if details.postProcessor() is not None:
            details.postProcessor().postProcessLayer(layer, context, feedback)
