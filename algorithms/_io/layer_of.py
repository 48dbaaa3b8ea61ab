"""Which layer the features of a source come from, and whether they are all of its features."""

from __future__ import annotations

from pathlib import Path

from qgis.core import QgsProcessingFeatureSourceDefinition, QgsProcessingUtils, QgsVectorLayer


def remember_layer(source, layer, value):
    """Note on a source, which itself does not tell, of which layer it has the features.

    Parameters
    ----------
    source : QgsProcessingFeatureSource
    layer : QgsVectorLayer
    value : QgsProcessingFeatureSourceDefinition or other
        What the parameter was given.
    """
    source.layer, source.whole = layer, _is_whole(value)


def _is_whole(value) -> bool:
    if not isinstance(value, QgsProcessingFeatureSourceDefinition):
        return True
    return not (
        value.selectedFeaturesOnly
        or value.featureLimit != -1
        or getattr(value, "filterExpression", "")
    )


def layer_of(source):
    """Return the layer of a source, None if that is not known."""
    return source if isinstance(source, QgsVectorLayer) else getattr(source, "layer", None)


def file_name_of(source) -> str:
    """Return the name of the file that features come from, "" if that is none to be found again.

    Layers between the steps of a model are called after an output, which says nothing.
    """
    layer = layer_of(source)
    if layer is not None and layer.providerType() in ("ogr", "delimitedtext"):
        path = Path(layer.source().partition("|")[0].partition("?")[0])
        if path.suffix and Path(QgsProcessingUtils.tempFolder()) not in path.parents:
            return path.name
    return ""


def is_whole(source) -> bool:
    """Tell whether a source is known to have all features of its layer."""
    return isinstance(source, QgsVectorLayer) or getattr(source, "whole", False)
