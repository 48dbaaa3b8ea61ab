"""Lakefloor: lake bathymetry and lake-bottom structure in QGIS Processing."""


def classFactory(iface):
    """Return the plugin; called by QGIS (``iface`` is None under qgis_process)."""
    from importlib.util import find_spec

    missing = [name for name in ("numpy", "scipy", "pyproj", "shapely") if find_spec(name) is None]
    if missing:
        # QGIS for Windows and macOS brings them; packages of Linux may leave them out.
        raise ImportError(
            f"Lakefloor needs the Python libraries {', '.join(missing)}, which this QGIS lacks. "
            f"On Debian and Ubuntu: apt install {' '.join(f'python3-{n}' for n in missing)}"
        )
    from .plugin.main import LakefloorPlugin

    return LakefloorPlugin(iface)
