"""Lakefloor: lake bathymetry and lake-bottom structure in QGIS Processing."""


def classFactory(iface):
    """Return the plugin; called by QGIS (``iface`` is None under qgis_process)."""
    from .plugin.main import LakefloorPlugin

    return LakefloorPlugin(iface)
