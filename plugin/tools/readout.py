"""What the map knows of the place under the cursor."""

from __future__ import annotations

import math

from qgis.core import QgsCoordinateTransform, QgsCsException, QgsPointXY
from qgis.PyQt.QtCore import QLocale, QTimer
from qgis.PyQt.QtWidgets import QLabel

from ...algorithms._i18n import in_local_numbers, tr
from ...algorithms._io.rasters import BANDS
from ...algorithms.core.units import UNIT_OF_WORDS
from ...algorithms.core.wording.amounts import WITHIN_95
from .lake_layers import layers_of, project_of

#: The cursor is looked at so often at most, ms.
_EVERY = 40


class Readout(QLabel):
    """Depth with its uncertainty, and the type of the bottom, under the cursor.

    One cell of each raster is read, at most every 40 ms and for the newest position only.

    Parameters
    ----------
    iface : QgisInterface
    lake : object, optional
        Has ``facts`` and ``project``. Without it the layers of all lakes in the project count.
    """

    def __init__(self, iface, lake=None, parent=None):
        super().__init__(parent)
        self._canvas, self._lake, self._place = iface.mapCanvas(), lake, None
        self._pause = QTimer(self)
        self._pause.setSingleShot(True)
        self._pause.setInterval(_EVERY)
        self._pause.timeout.connect(self._show)
        self.setObjectName("lakefloorReadout")
        self.setAccessibleName(tr("Depth under the cursor"))
        self.setToolTip(tr("Depth under the cursor with its 95% uncertainty, and the bottom type."))
        # Two lines always, so that the panel keeps its place while the cursor moves.
        self.setMinimumHeight(2 * self.fontMetrics().lineSpacing())
        self._say()
        self._canvas.xyCoordinates.connect(self.move_to)

    def tear_down(self):
        """Let go of the map."""
        self._pause.stop()
        self._canvas.xyCoordinates.disconnect(self.move_to)

    def move_to(self, point):
        """Take a position of the cursor, in the CRS of the map."""
        self._place = QgsPointXY(point)  # that of the signal ends with it
        if not self._pause.isActive():
            self._pause.start()

    def _show(self):
        self._say(*texts_at(self._place, self._canvas, self._lake))

    def _say(self, depth="", bottom=""):
        self.setText(f"{depth}\n{bottom}")


@in_local_numbers
def texts_at(point, canvas, lake=None) -> tuple:
    """Return what is known of a place, in words: of its depth, and of its bottom.

    Parameters
    ----------
    point : QgsPointXY
        In the CRS of the map.
    canvas : QgsMapCanvas
    lake : object, optional
        As of :class:`Readout`.
    """
    crs, unit = canvas.mapSettings().destinationCrs(), depth_unit(lake)
    # What is drawn on the water is newer than any other surface, where it is.
    surfaces = [*layers_of(lake, "water_depth"), *layers_of(lake, "surface")]
    if not surfaces:
        return tr("There is no depth surface yet."), ""
    lost = next((surface for surface in surfaces if not surface.crs().isValid()), None)
    if lost is not None:
        return tr("Layer '{}' has no CRS. Set it in its properties.").format(lost.name()), ""
    for surface in surfaces:
        depth = value_at(surface, 1, point, crs, lake)
        if math.isfinite(depth):
            sd = (
                value_at(surface, 2, point, crs, lake) if _states_uncertainty(surface) else math.nan
            )
            return _depth_text(depth, sd, unit), _bottom_at(point, crs, lake)
    return tr("Outside the depth surface"), ""


def value_at(layer, band: int, point, crs, lake=None) -> float:
    """Return the value of the cell of a raster that a point of the map is in, NaN without one.

    Parameters
    ----------
    layer : QgsRasterLayer
    band : int
        From 1.
    point : QgsPointXY
    crs : QgsCoordinateReferenceSystem
        That of the point.
    """
    to_layer = QgsCoordinateTransform(crs, layer.crs(), project_of(lake).transformContext())
    try:
        place = to_layer.transform(point)
    except QgsCsException:
        return math.nan
    if band > layer.bandCount() or not layer.extent().contains(place):
        return math.nan
    value, there = layer.dataProvider().sample(place, band)
    return value if there else math.nan


def depth_unit(lake=None) -> str:
    """Return the sign of the unit in which people read depths: of the lake, or of the locale."""
    facts = getattr(lake, "facts", None)
    if facts is not None:
        return UNIT_OF_WORDS[facts.unit]
    metric = QLocale().measurementSystem() == QLocale.MeasurementSystem.MetricSystem
    return "m" if metric else "ft"


def _states_uncertainty(surface) -> bool:
    return surface.bandCount() > 1 and surface.bandName(2).endswith(BANDS[1])


def _depth_text(depth, sd, unit) -> str:
    from ...algorithms.core.places.place_texts import fine_depth_text

    text = tr("Depth {}").format(fine_depth_text(depth, unit))
    if not math.isfinite(sd):
        return text
    return tr("{} \u00b1 {} (95%)").format(text, fine_depth_text(WITHIN_95 * sd, unit))


def _bottom_at(point, crs, lake) -> str:
    """Return the class of the bottom with its probability; bands are those of Bottom type."""
    from ...algorithms.core.places.place_texts import bottom_text

    for raster in layers_of(lake, "bottom_type"):
        if raster.crs().isValid():
            kind, sure = (value_at(raster, band, point, crs, lake) for band in (3, 4))
            if math.isfinite(kind):
                text = bottom_text(kind, sure)
                return text[:1].upper() + text[1:]
    return ""
