"""The layers of the map that grows on the water, in the lake's group of a project."""

from __future__ import annotations

import struct

import numpy as np
from qgis.core import (
    QgsFeature,
    QgsGeometry,
    QgsPoint,
    QgsRasterLayer,
    QgsSingleBandPseudoColorRenderer,
    QgsVectorLayer,
)

from .._compat import make_field
from .._i18n import tr
from .._styling import apply_style
from ..core.cleaning.reasons import SPIKE
from ..core.errors import LakefloorError
from ..core.soundings import ACCEPTED
from ..core.units import LENGTH
from .lake_group import LAKE, OWN_ID, ROLE, LakeGroup, group_of

__all__ = ["WaterLayers", "remove_water_layers"]

#: Of the section of a lake's group.
_KEY = "water"
#: Custom property by which QGIS knows that a layer in memory need not be saved.
_NEED_NOT_SAVE = "skipMemoryLayersCheck"

_CONTOUR_FIELDS = (
    ("depth_m", "double"), ("depth", "double"), ("label", "text"), ("index", "int"),
    ("kind", "text"), ("supported", "int"), ("spot", "double"), ("window", "text"),
)  # fmt: skip
_BREAKLINE_FIELDS = (("kind", "text"), ("height_m", "double"), ("window", "text"))
_LANE_FIELDS = (("kind", "text"), ("lane", "text"))
_SOUNDING_FIELDS = (("depth_m", "double"), ("hardness", "double"), ("status", "text"))

#: Of a line in WKB: byte order, kind, number of places.
_LINE_HEAD = struct.Struct("<BII")
#: Every so many contours one is an index contour.
_INDEX_EVERY = 5


class WaterLayers:
    """Layers of one outing; they live in memory and in temporary files.

    Parameters
    ----------
    project : QgsProject
    facts : LakeFacts
    crs : QgsCoordinateReferenceSystem
        Of the map.
    unit : {"ft", "m"}
        In which the user reads depths.
    interval_m : float
    note : str
        How the picture differs from the careful map.
    """

    def __init__(self, project, facts, crs, unit, interval_m, note):
        self._project, self._facts, self._crs = project, facts, crs
        self._unit, self._interval, self._note = unit, interval_m, note
        self._layers, self._lines = {}, {}
        remove_water_layers(project, facts)  # of a project that was saved during an outing

    # -- layers ---------------------------------------------------------------

    def layer(self, role):
        """Return a layer that is still there, or None."""
        name = self._layers.get(role)
        return None if name is None else self._project.mapLayer(name)

    def remove(self):
        """Take the layers and their group out of the project."""
        self._layers, self._lines = {}, {}
        remove_water_layers(self._project, self._facts)

    def show_raster(self, role, path, title, style):
        """Show a raster file, or the file that has taken its place.

        Raises
        ------
        LakefloorError
            If QGIS cannot open it.
        """
        layer = self.layer(role)
        if layer is not None:
            layer.setDataSource(str(path), layer.name(), "gdal")
            return layer
        # A style of its own comes at once; QGIS's would look at all cells.
        options = QgsRasterLayer.LayerOptions()
        options.loadDefaultStyle = False
        layer = QgsRasterLayer(str(path), title, "gdal", options)
        if not layer.isValid():
            raise LakefloorError(tr("QGIS cannot open '{}'.").format(path))
        return self._add(role, layer, style)

    def tick(self, role, on):
        """Show a layer on the map, or leave it in the list of layers only."""
        node = self._project.layerTreeRoot().findLayer(self._layers.get(role, ""))
        if node is not None:
            node.setItemVisibilityChecked(on)

    def stretch_depth(self, deepest):
        """Let the colors of the depth reach to the deepest depth, m; they are those of the map."""
        layer = self.layer("water_depth")
        if layer is not None:
            low, high = self._range_of_map()
            apply_style(layer, "water_depth", shallowest=low, deepest=max(high, deepest))

    def _range_of_map(self):
        """Return the depths between which the lake's depth surface is colored, m."""
        for layer in self._project.mapLayers().values():
            if layer.customProperty(ROLE) == "surface" and layer.customProperty(LAKE) == (
                self._facts.id
            ):
                renderer = layer.renderer()
                if isinstance(renderer, QgsSingleBandPseudoColorRenderer):
                    return renderer.classificationMin(), renderer.classificationMax()
        return 0.0, 0.0

    def refresh_raster(self, role):
        """Let QGIS read again what was written into a file."""
        layer = self.layer(role)
        if layer is not None:
            layer.dataProvider().reloadData()
            layer.triggerRepaint()

    def set_contours(self, window, contours):
        """Put the contours of a window in place of those it had."""
        meters, rows = LENGTH[self._unit], []
        for level, supported, xy in contours:
            depth = round(level / meters, 3)
            index = int(round(level / self._interval) % _INDEX_EVERY == 0)
            values = [level, depth, f"{depth:g}", index, None, int(supported), None, str(window)]
            rows.append((xy, values))
        self._replace("water_contours", window, rows)

    def set_breaklines(self, window, lines):
        """Put the break-lines of a window in place of those it had."""
        rows = [(xy, [kind, fall, str(window)]) for kind, fall, xy in lines]
        self._replace("water_break_lines", window, rows)

    def set_lane(self, line, kind="lane"):
        """Show the next lane or cross-line, begin and end in m, or none."""
        rows = [] if line is None else [(line, [kind, tr("next")])]
        self._replace("water_lane", None, rows)

    def add_soundings(self, x, y, depth, hardness, accepted):
        """Add soundings of today."""
        layer = self.layer("water_soundings") or self._vector("water_soundings")
        features = []
        for values in zip(x, y, depth, hardness, accepted):
            feature = QgsFeature(layer.fields())
            feature.setGeometry(QgsGeometry(QgsPoint(float(values[0]), float(values[1]))))
            hard = None if values[3] != values[3] else float(values[3])
            status = ACCEPTED if values[4] else SPIKE
            feature.setAttributes([float(values[2]), hard, status])
            features.append(feature)
        layer.dataProvider().addFeatures(features)

    def repaint(self, role):
        """Let the map show what is new in a layer."""
        layer = self.layer(role)
        if layer is not None:
            layer.triggerRepaint()

    # -- how they are made ----------------------------------------------------

    def _replace(self, role, window, rows):
        layer = self.layer(role)
        if layer is None and not rows:
            return
        if layer is None:  # not made yet, or removed by the user
            layer = self._vector(role)
            self._lines = {key: line for key, line in self._lines.items() if key[0] != role}
        provider = layer.dataProvider()
        content = [(xy.tobytes(), values) for xy, values in rows]
        before, old = self._lines.get((role, window), ([], []))
        if content == before:
            return
        if old:
            provider.deleteFeatures(old)
        features = []
        for xy, values in rows:
            feature = QgsFeature(layer.fields())
            feature.setGeometry(_line(xy))
            feature.setAttributes(values)
            features.append(feature)
        _, added = provider.addFeatures(features)
        self._lines[role, window] = content, [feature.id() for feature in added]

    def _vector(self, role):
        kind, fields, title, style = {
            "water_contours": (
                "LineString", _CONTOUR_FIELDS, tr("Contours on the water"), "contours",
            ),
            "water_break_lines": (
                "LineString", _BREAKLINE_FIELDS, tr("Drop-offs on the water"), "break_lines",
            ),
            "water_lane": ("LineString", _LANE_FIELDS, tr("Next lane"), "planned_lanes"),
            "water_soundings": ("Point", _SOUNDING_FIELDS, tr("Soundings of today"), "soundings"),
        }[role]  # fmt: skip
        layer = QgsVectorLayer(f"{kind}?crs={self._crs.authid()}", title, "memory")
        layer.setCrs(self._crs)
        layer.dataProvider().addAttributes([make_field(*field) for field in fields])
        layer.updateFields()
        options = {"deepest": 15.0} if role == "water_soundings" else {}
        return self._add(role, layer, style, **options)

    def _add(self, role, layer, style, **options):
        layer.setCustomProperty(_NEED_NOT_SAVE, 1)
        layer.setCustomProperty(LAKE, self._facts.id)
        layer.setCustomProperty(ROLE, role)
        layer.setCustomProperty(OWN_ID, layer.id())
        metadata = layer.metadata()
        metadata.setAbstract(self._note)
        layer.setMetadata(metadata)
        apply_style(layer, style, **options)
        self._project.addMapLayer(layer, False)
        section = self._group().section(_KEY)
        node = section.insertLayer(_place(section, role), layer)
        node.setExpanded(False)
        self._layers[role] = layer.id()
        return layer

    def _group(self):
        return LakeGroup(self._project, self._facts.id, self._facts.name)


def remove_water_layers(project, facts):
    """Take layers of an outing and their group out of a project, whoever made them."""
    there = [
        layer.id()
        for layer in project.mapLayers().values()
        if layer.customProperty(LAKE) == facts.id
        and str(layer.customProperty(ROLE) or "").startswith(f"{_KEY}_")
    ]
    project.removeMapLayers(there)
    group = group_of(project, facts)
    if group is not None and group.has_section(_KEY) and not group.section(_KEY).children():
        group.node.removeChildNode(group.section(_KEY))


def _line(xy):
    """Return a line of places, shape (k, 2); by WKB, which takes no call for each."""
    line = QgsGeometry()
    line.fromWkb(_LINE_HEAD.pack(1, 2, len(xy)) + np.ascontiguousarray(xy, "<f8").tobytes())
    return line


#: From the top of the map downward.
_FROM_THE_TOP = (
    "water_lane", "water_break_lines", "water_contours", "water_soundings", "water_hardness",
    "water_depth",
)  # fmt: skip


def _place(section, role) -> int:
    """Return the place of a layer among those of its group."""
    later = _FROM_THE_TOP[_FROM_THE_TOP.index(role) + 1 :]
    for number, node in enumerate(section.children()):
        layer = getattr(node, "layer", lambda: None)()
        if layer is not None and layer.customProperty(ROLE) in later:
            return number
    return len(section.children())
