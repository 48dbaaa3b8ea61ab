"""What a file of a lake is, by its content: whatever made it, and however it is named."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from qgis.core import (
    QgsMapLayerType,
    QgsProcessingFeedback,
    QgsProviderRegistry,
    QgsRasterLayer,
    QgsVectorLayer,
)

from ..core.correcting.gauge import GaugeFields
from ..core.errors import LakefloorError
from ..core.exchange.kml_file import is_kml
from ..core.reading.gpx_log import is_gpx
from ..core.reading.log_kinds import kind_of_log
from .destinations import is_store
from .layer_kinds import geometry_kind
from .rasters import content_of
from .shoreline import require_lake

__all__ = ["Recognized", "recognize"]

#: Fields by which a layer that Lakefloor made is known -> its role.
_BY_FIELDS = {
    ("raw_depth_m", "depth_m", "status", "corrections"): "soundings",
    ("depth_from_m", "depth_to_m", "area_m2"): "depth_areas",
    ("depth_m", "index", "closed", "supported"): "contours",
    ("drop_off", "kind", "height_m"): "break_lines",
    ("older", "newer", "change_m"): "bottom_change",
    ("form", "relief_m"): "bottom_forms",
    ("bottom", "area_m2", "share"): "bottom_type_areas",
    ("hard_side", "contrast"): "transitions",
    ("rank", "score", "fit", "trust"): "spots",
    ("gain_m3", "uncert_max_m"): "gaps",
    ("leg", "heading_deg", "gain_m3"): "lanes",
}
#: What the first band of a raster holds -> its role.
_BY_BAND = {"depth": "surface", "slope": "slope", "hardness": "bottom_type"}

#: Bytes from which a file of waypoints is told.
_HEAD = 4096


class Recognized(NamedTuple):
    """What a file or a layer in it is.

    Attributes
    ----------
    kind : str
        "database", "log", "waypoints", "shoreline", "gauge", "marks" or the role of a layer that a
        run leaves; "" where it is not known.
    given : Path, QgsVectorLayer or QgsRasterLayer
    """

    kind: str
    given: object


def recognize(path) -> list:
    """Return what a file is, each of its layers where it has several.

    Raises
    ------
    LakefloorError
        If it is not there.
    """
    path = Path(path)
    if is_store(path):
        return [Recognized("database", path)]
    if _is_log(path):
        return [Recognized("log", path)]
    if _is_waypoints(path):
        return [Recognized("waypoints", path)]
    found = []
    for part in QgsProviderRegistry.instance().querySublayers(str(path)):
        if part.name() in ("layer_styles", "qgis_projects"):
            continue
        if part.type() == QgsMapLayerType.RasterLayer:
            layer = QgsRasterLayer(part.uri(), part.name() or path.stem, part.providerKey())
            kind = _of_raster(layer) if layer.isValid() else ""
        else:
            layer = QgsVectorLayer(part.uri(), part.name() or path.stem, part.providerKey())
            kind = _of_vector(layer) if layer.isValid() else ""
        found.append(Recognized(kind, layer))
    return found or [Recognized("", path)]


def _is_log(path) -> bool:
    try:
        return bool(kind_of_log(path))
    except LakefloorError:
        return False


def _is_waypoints(path) -> bool:
    with path.open("rb") as file:
        head = file.read(_HEAD)
    kml = is_kml(head) and (not head.startswith(b"PK") or path.suffix.lower() == ".kmz")
    return is_gpx(head) or kml


def _of_raster(layer) -> str:
    try:
        return _BY_BAND.get(content_of(layer), "")
    except LakefloorError:
        return ""


def _of_vector(layer) -> str:
    names = set(layer.fields().names())
    for fields, role in _BY_FIELDS.items():
        if names.issuperset(fields):
            return role
    kind = geometry_kind(layer)
    if kind == "polygon":
        return "shoreline" if _passes(require_lake, layer, QgsProcessingFeedback(False)) else ""
    if kind == "point":
        return "marks" if "name" in {name.lower() for name in names} else ""
    if kind is None and _passes(GaugeFields().found_in, list(names), layer.name()):
        return "gauge"
    return ""


def _passes(check, *given) -> bool:
    try:
        check(*given)
    except LakefloorError:
        return False
    return True
