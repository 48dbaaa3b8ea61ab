"""What the map in a window shows of the example lake, held against the truth, by structure.

No pixel is compared with a picture kept: water, shores and contours are looked for where the true
lake has them.
"""

import os
import sys
from pathlib import Path

import numpy as np
from qgis.PyQt.QtGui import QImage
from scipy import ndimage

sys.path.insert(0, str(Path(os.environ["LAKEFLOOR_ROOT"]) / "example_project"))
import truth

#: A pixel this bright is paper, and one this much darker than those around it is part of a line.
_PAPER, _LINE = 250, 10
#: So far from a shore, a pixel is surely on one side of it.
_SHORE = 6


class MapSeen:
    """The canvas as it is drawn now, and the true depth under each of its pixels."""

    def __init__(self, canvas):
        self.pixels = _pixels(canvas.grab().toImage())
        self.light = self.pixels @ np.array([0.299, 0.587, 0.114])
        height, width = self.light.shape
        to_map = canvas.mapSettings().mapToPixel()
        scale = height / canvas.height()
        origin, far = to_map.toMapCoordinates(0, 0), to_map.toMapCoordinates(1000, 1000)
        self._origin = np.array([origin.x(), origin.y()])
        self._step = np.array([far.x() - origin.x(), far.y() - origin.y()]) / (1000.0 * scale)
        x = self._origin[0] + self._step[0] * (np.arange(width) + 0.5)
        y = self._origin[1] + self._step[1] * (np.arange(height) + 0.5)
        self.depth = truth.depth_m(*np.meshgrid(x, y))
        wet = np.isfinite(self.depth)
        self.water = ndimage.binary_erosion(wet, iterations=_SHORE)
        self.land = ndimage.binary_erosion(~wet, iterations=_SHORE)

    def share_of_water(self):
        """Return which share of the true water has a color, and which of the land."""
        colored = self.pixels.min(axis=2) < _PAPER
        return colored[self.water].mean(), colored[self.land].mean()

    def pieces_of_land(self):
        """Return how many pieces of paper there are: the land around, and islands."""
        paper, _ = ndimage.label(self.pixels.min(axis=2) >= _PAPER)
        sizes = np.bincount(paper[self.land])[1:]
        return int((sizes > 60).sum())

    def light_by_depth(self):
        """Return the median lightness of the water, by meters of true depth."""
        deep = np.where(self.water, self.depth, -1.0)
        bins = range(int(np.nanmax(deep)))
        found = [self.light[(deep >= d) & (deep < d + 1)] for d in bins]
        return [float(np.median(values)) for values in found if len(values) > 200]

    def share_of_shore(self):
        """Return which share of the true shores, the island's too, has a dark line on it."""
        dark = ndimage.binary_dilation(self.light < 100.0, iterations=3)
        return self._share(dark, np.vstack([truth.shore_ring(), truth.island_ring()]))

    def shares_of_contours(self, interval):
        """Return which share of each level's true contour has a line on it, and of what is between.

        Between contours is water that is further than some pixels from a contour of any level.
        """
        lines = self.light < ndimage.median_filter(self.light, 11) - _LINE
        close = ndimage.binary_dilation(lines, iterations=3)
        levels = np.arange(interval, np.nanmax(self.depth[self.water]), interval)
        edges = {float(level): self._edge(level) for level in levels}
        on = {level: close[edge].mean() for level, edge in edges.items() if edge.sum() > 50}
        away = ndimage.distance_transform_edt(~np.any(list(edges.values()), axis=0))
        return on, close[(away > 7.0) & self.water].mean()

    def _edge(self, level):
        deeper = np.where(np.isfinite(self.depth), self.depth, 0.0) > level
        return deeper & ~ndimage.binary_erosion(deeper) & self.water

    def _share(self, seen, points):
        column, row = ((points - self._origin) / self._step).astype(int).T
        height, width = seen.shape
        inside = (row >= 0) & (row < height) & (column >= 0) & (column < width)
        assert inside.mean() > 0.99, "the lake is not all on the map"
        return seen[row[inside], column[inside]].mean()


def _pixels(image):
    image = image.convertToFormat(QImage.Format.Format_RGB32)
    bits = image.constBits()
    bits.setsize(image.sizeInBytes())
    rows = np.frombuffer(bits, np.uint8).reshape(image.height(), -1, 4)
    return rows[:, : image.width(), 2::-1].astype(float)


def legend(iface, layer):
    """Return the texts of the legend of a layer, from the top."""
    node = iface.layerTreeView().layerTreeModel().rootGroup().findLayer(layer.id())
    nodes = iface.layerTreeView().layerTreeModel().layerLegendNodes(node)
    return [str(each.data(0)) for each in nodes]


def labels(canvas, layer):
    """Return the texts of the labels that a layer has on the map."""
    placed = canvas.labelingResults().allLabels()
    return [each.labelText for each in placed if each.layerID == layer.id()]
