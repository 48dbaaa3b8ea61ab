"""Where the layers of a lake read from."""

from __future__ import annotations

from pathlib import Path

from qgis.core import QgsDataProvider, QgsProviderRegistry, QgsRasterLayer, QgsVectorLayer
from qgis.PyQt.QtCore import QUrl

from .catalogue import lake_layer

__all__ = ["file_of", "opened", "point_at"]


def opened(path, role, name, context):
    """Return a new layer of a file; ``context`` is the project's transform context."""
    source, provider = _source(path, role)
    if lake_layer(role).raster:
        # QGIS's own default style has statistics made, and written beside the file.
        options = QgsRasterLayer.LayerOptions(False)
        options.transformContext = context
        return QgsRasterLayer(source, name, provider, options)
    options = QgsVectorLayer.LayerOptions(context, False)
    return QgsVectorLayer(source, name, provider, options)


def point_at(layer, path, role, context):
    """Let a layer read from another file; its id, name, joins, styles and filter stay."""
    source, provider = _source(path, role)
    chosen = layer.subsetString() if isinstance(layer, QgsVectorLayer) else ""
    options = QgsDataProvider.ProviderOptions()
    options.transformContext = context
    layer.setDataSource(source, layer.name(), provider, options)
    if chosen:
        layer.setSubsetString(chosen)


def file_of(layer) -> Path | None:
    """Return the file that a layer reads from, or None."""
    found = QgsProviderRegistry.instance().decodeUri(layer.providerType(), layer.source())
    path = found.get("path")
    return Path(path) if path else None


def _source(path, role) -> tuple:
    """Return source and provider of a file."""
    if lake_layer(role).raster:
        return str(path), "gdal"
    if str(path).lower().endswith(".csv"):
        # Opens the file only to read it, so that a spreadsheet can save it meanwhile.
        url = QUrl.fromLocalFile(str(path)).toString(QUrl.ComponentFormattingOption.FullyEncoded)
        return f"{url}?type=csv&geomType=none&detectTypes=yes", "delimitedtext"
    return str(path), "ogr"
