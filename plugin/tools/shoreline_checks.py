"""What is looked at in a shoreline while it is drawn, with the places on the map."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from qgis.core import (
    Qgis,
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProject,
    QgsRectangle,
    QgsTask,
)
from shapely import wkb
from shapely.ops import unary_union

from ...algorithms._i18n import in_local_numbers, tr
from ...algorithms._io.features import read_points
from ...algorithms._io.layer_crs import metric_crs
from ...algorithms._io.shoreline import require_lake
from ...algorithms.core.errors import Cancelled, LakefloorError
from ...algorithms.core.number_text import counted
from ...algorithms.core.outside_shore import outside_groups
from ...algorithms.core.places.place_texts import length_text
from ...algorithms.core.polygons import rings
from ...algorithms.core.soundings import ACCEPTED

__all__ = ["Finding", "OutsideTask", "area_of", "shape_findings"]

#: So many groups of soundings outside are listed.
_MOST = 30


class Finding(NamedTuple):
    """A finding in words; ``box`` is where it is (QgsRectangle), or None, in ``crs``."""

    text: str
    box: QgsRectangle | None = None
    crs: QgsCoordinateReferenceSystem | None = None


def shape_findings(layer) -> list:
    """Return what is wrong with the polygons of a layer, with edits not yet saved."""
    found, any_there = [], False
    for feature in layer.getFeatures():
        geometry = feature.geometry()
        if geometry.isEmpty():
            continue
        any_there = True
        for error in geometry.validateGeometry(Qgis.GeometryValidationEngine.Geos):
            text = tr("The shoreline crosses or touches itself. Move a vertex here.")
            found.append(Finding(text, _about(geometry, error), layer.crs()))
    if not any_there:
        return [Finding(tr("There is no polygon yet. Draw one along the shore."))]
    try:
        require_lake(layer, QgsProcessingFeedback())
    except LakefloorError as error:
        found.append(Finding(str(error), layer.extent(), layer.crs()))
    return found


def area_of(layer) -> tuple:
    """Return the area of the polygons of a layer, m2, how many they are, and their islands."""
    crs = metric_crs(layer.crs(), layer.extent(), layer.name(), QgsProcessingFeedback())
    shape = _shape(layer, crs)
    parts = getattr(shape, "geoms", [shape])
    islands = len(rings(shape)) - sum(not part.is_empty for part in parts)
    return shape.area, sum(not part.is_empty for part in parts), islands


def _about(geometry, error) -> QgsRectangle:
    """Return what to show of an error: its place with some of what is around."""
    box = geometry.boundingBox()
    if not error.hasWhere():
        return box
    reach = 0.02 * math.hypot(box.width(), box.height())
    return QgsRectangle.fromCenterAndSize(error.where(), reach, reach)


def _shape(layer, crs):
    """Return the valid polygons of a layer, with edits not yet saved, as one shape in a CRS."""
    to_crs = QgsCoordinateTransform(layer.crs(), crs, QgsProject.instance())
    shapes = []
    for feature in layer.getFeatures():
        geometry = feature.geometry()
        if not geometry.isEmpty():
            geometry.transform(to_crs)
            shapes.append(wkb.loads(bytes(geometry.asWkb())))
    return unary_union([shape for shape in shapes if shape.is_valid])


class OutsideTask(QgsTask):
    """Looks, in the background, for soundings that lie outside a shoreline.

    Parameters
    ----------
    shoreline, soundings : QgsVectorLayer
    unit : str
        ``ft`` or ``m``.
    done : callable
        Called in the main thread with a list of :class:`Finding`, also where it failed.
    """

    def __init__(self, shoreline, soundings, unit, done):
        super().__init__(tr("Soundings outside the shoreline"), QgsTask.Flag.CanCancel)
        self._feedback = QgsProcessingFeedback()
        self._crs = metric_crs(
            soundings.crs(), soundings.extent(), soundings.name(), self._feedback
        )
        self._shape = _shape(shoreline, self._crs)
        # The layer of the project may be removed meanwhile.
        self._soundings = soundings.clone()
        self._unit, self._done, self._found = unit, done, []

    def cancel(self):
        self._feedback.cancel()
        super().cancel()

    def run(self):
        try:
            self._found = self._look()
        except Cancelled:
            return False
        except LakefloorError as error:
            self._found = [Finding(str(error))]
        return True

    def finished(self, succeeded):
        self._soundings = None
        if not self.isCanceled():
            self._done(self._found)

    @in_local_numbers
    def _look(self):
        context = QgsProcessingContext()
        names = [n for n in ("status",) if self._soundings.fields().indexFromName(n) >= 0]
        x, y, _, columns = read_points(self._soundings, self._crs, names, context, self._feedback)
        keep = np.isfinite(x) & np.isfinite(y)
        if names:
            keep &= np.array([s in (None, ACCEPTED) for s in columns["status"]], bool)
        groups = outside_groups(x[keep], y[keep], self._shape)
        found = [self._finding(group) for group in groups[:_MOST]]
        left = sum(group.soundings for group in groups[_MOST:])
        if left:
            found.append(
                Finding(tr("{} more lie outside at other places.").format(_soundings(left)))
            )
        return found

    def _finding(self, group):
        far = length_text(group.farthest, self._unit)
        text = tr("{} outside, up to {} from the shore").format(_soundings(group.soundings), far)
        box = QgsRectangle(*group.box)
        box.grow(max(25.0, 0.2 * max(box.width(), box.height())))
        return Finding(text, box, self._crs)


def _soundings(count) -> str:
    return counted(count, tr("sounding"), tr("soundings"))
