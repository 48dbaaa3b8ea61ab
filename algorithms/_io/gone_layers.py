"""Inputs that were temporary, and are gone or empty since QGIS was closed."""

from __future__ import annotations

import re
from pathlib import Path

from qgis.core import (
    QgsMapLayer,
    QgsProcessingFeatureSourceDefinition,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterMapLayer,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterVectorLayer,
    QgsProcessingUtils,
    QgsProject,
    QgsProperty,
)

from .._i18n import tr
from ..core.errors import LakefloorError

_LAYERS = (
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterVectorLayer,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterMapLayer,
)
#: QGIS makes the id of a layer of its name, with _ for each other sign, and a UUID.
_ID = re.compile(r"(?P<name>.+?)_[0-9a-f]{8}(_[0-9a-f]{4}){3}_[0-9a-f]{12}")
#: The folder in which Processing keeps the temporary files of a session.
_SESSION = re.compile(r"processing_\w+")


def check_inputs_are_there(algorithm, parameters, context):
    """Refuse layers that a closed QGIS took with it, as the history of Processing names them.

    Raises
    ------
    LakefloorError
        With the name of the layer, and what to do.
    """
    for definition in algorithm.parameterDefinitions():
        value = parameters.get(definition.name())
        if value and isinstance(definition, _LAYERS):
            needed = not definition.flags() & definition.Flag.FlagOptional
            _check(_plain(value, context), needed, context)


def _plain(value, context):
    """Return a layer, or the text that names it."""
    if isinstance(value, QgsProcessingFeatureSourceDefinition):
        value = value.source
    if isinstance(value, QgsProperty):
        value, _ = value.valueAsString(context.expressionContext())
    return value


def _check(value, needed, context):
    project = context.project() or QgsProject.instance()
    layer = value if isinstance(value, QgsMapLayer) else project.mapLayer(str(value))
    if layer is not None:
        if layer.isValid():
            # An empty layer that is no layer of the project was made by this run.
            if needed and project.mapLayer(layer.id()) is not None and _is_emptied(layer):
                raise LakefloorError(
                    tr(
                        "Layer '{}' is a temporary layer without features: QGIS empties such layers "
                        "when it closes. Run the algorithm that made it again, and choose its new "
                        "layer."
                    ).format(layer.name())
                )
            return
        raise _lost(layer.name(), Path(layer.source().partition("|")[0]))
    text = str(value)
    if QgsProcessingUtils.mapLayerFromString(text, context, False) is not None:
        return
    path = Path(text.partition("|")[0])
    if found := _ID.fullmatch(text):
        raise LakefloorError(
            tr(
                "Layer '{}' is not there any more. QGIS drops temporary layers when it closes. Run "
                "the algorithm that made it again, or choose another layer."
            ).format(found["name"].replace("_", " "))
        )
    if _is_of_a_session(path) and not path.exists():
        raise _lost(path.stem, path)


def _is_emptied(layer) -> bool:
    return layer.providerType() == "memory" and layer.featureCount() == 0


def _is_of_a_session(path) -> bool:
    return any(_SESSION.fullmatch(part) for part in path.parts[:-1])


def _lost(name, path):
    if _is_of_a_session(path):
        return LakefloorError(
            tr(
                "The file of layer '{}' was temporary, and QGIS removed it when it closed. Run the "
                "algorithm that made it again, or choose another layer."
            ).format(name)
        )
    return LakefloorError(
        tr(
            "Layer '{}' cannot be opened. Check that '{}' is there, or choose another layer."
        ).format(name, path)
    )
