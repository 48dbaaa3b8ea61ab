"""A lake as the panel holds it: a folder with its facts, its layers in a project, and its canvas."""

import sys
import traceback
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsGeometry,
    QgsPointXY,
    QgsProject,
    QgsRasterLayer,
    QgsRectangle,
    QgsVectorFileWriter,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QEvent, QPointF, QSize, Qt
from qgis.PyQt.QtGui import QMouseEvent
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication

from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms._io.rasters import BANDS
from lakefloor.algorithms._lake.facts import LakeFacts, write_facts
from lakefloor.algorithms._lake.folder import LakeFolder
from lakefloor.algorithms.core.grid import Grid

CRS = QgsCoordinateReferenceSystem("EPSG:32615")
WEST, NORTH = 400_000.0, 5_150_100.0
BOTTOM_BANDS = (
    "relative hardness",
    "standard uncertainty of hardness",
    "bottom class (1 soft, 2 medium, 3 hard)",
    "probability of the class",
)


@dataclass
class Lake:
    """As the tools take it."""

    folder: LakeFolder
    facts: LakeFacts
    project: QgsProject
    read_only: bool = False


def make_lake(folder, unit="meters") -> Lake:
    """Make a lake of 200 by 100 m whose depth is a hundredth of the way east, plus 1 m."""
    facts = LakeFacts("Lake Marrowby", unit=unit)
    Path(folder).mkdir(parents=True, exist_ok=True)
    write_facts(folder, facts)
    return Lake(LakeFolder(Path(folder)), facts, QgsProject.instance())


def grid(values, cell=2.0):
    return Grid(np.asarray(values, dtype=float), WEST, NORTH, cell, cell)


def add_surface(lake, crs=CRS, name="surface.tif"):
    """Add the depth surface: its eastern half is 1 m + x / 100, its western half has no value."""
    east = np.tile(np.arange(1.0, 200.0, 2.0), (50, 1))
    depth = np.where(east > 100.0, 1.0 + east / 100.0, np.nan)
    bands = [grid(depth), grid(0.0 * depth + 0.1), grid(0.0 * depth + 3.0)]
    write_raster(lake.folder.path / name, bands, BANDS, CRS, {})
    return add(lake, QgsRasterLayer(str(lake.folder.path / name), "Smooth surface"), "surface", crs)


def add_bottom_type(lake):
    """Add the bottom type: hard where the surface is."""
    ones = np.ones((50, 100))
    bands = [grid(ones * value) for value in (0.8, 0.1, 3.0, 0.75)]
    write_raster(lake.folder.path / "bottom_type.tif", bands, BOTTOM_BANDS, CRS, {})
    layer = QgsRasterLayer(str(lake.folder.path / "bottom_type.tif"), "Bottom type")
    return add(lake, layer, "bottom_type")


def add_points(lake, role, places, fields="", rows=None):
    """Add points as a GeoPackage of the lake."""
    made = QgsVectorLayer(f"Point?crs=EPSG:32615{'&' + fields if fields else ''}", role, "memory")
    features = []
    for i, place in enumerate(places):
        feature = QgsFeature(made.fields())
        feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(*place)))
        if rows is not None:
            feature.setAttributes(list(rows[i]))
        features.append(feature)
    made.dataProvider().addFeatures(features)
    path, options = lake.folder.path / f"{role}.gpkg", QgsVectorFileWriter.SaveVectorOptions()
    options.layerName = role
    QgsVectorFileWriter.writeAsVectorFormatV3(
        made, str(path), lake.project.transformContext(), options
    )
    return add(lake, QgsVectorLayer(f"{path}|layername={role}", role), role)


def add(lake, layer, role, crs=None):
    """Add a layer as one of the lake."""
    assert layer.isValid()
    if crs is not None:
        layer.setCrs(crs)
    layer.setCustomProperty("lakefloor/lake", lake.facts.id)
    layer.setCustomProperty("lakefloor/role", role)
    lake.project.addMapLayer(layer)
    return layer


def show(canvas, crs=CRS, extent=(WEST, NORTH - 100.0, WEST + 200.0, NORTH)):
    """Let a canvas show an extent."""
    canvas.resize(QSize(400, 200))
    canvas.setDestinationCrs(crs)
    canvas.setExtent(QgsRectangle(*extent))
    canvas.show()
    QApplication.processEvents()


def pixel(canvas, x, y):
    """Return where on the canvas a place of the map is."""
    return canvas.getCoordinateTransform().transform(QgsPointXY(x, y)).toQPointF().toPoint()


def move_mouse(canvas, x, y):
    """Move the mouse over a place of the map, no button pressed."""
    at, none = QPointF(pixel(canvas, x, y)), Qt.MouseButton.NoButton
    to = QPointF(canvas.viewport().mapToGlobal(at.toPoint()))
    event = QMouseEvent(QEvent.Type.MouseMove, at, to, none, none, Qt.KeyboardModifier.NoModifier)
    QApplication.sendEvent(canvas.viewport(), event)


def click(canvas, x, y, button=Qt.MouseButton.LeftButton):
    """Click on a place of the map."""
    QTest.mouseClick(canvas.viewport(), button, Qt.KeyboardModifier.NoModifier, pixel(canvas, x, y))


def wait_for(condition, milliseconds=10_000):
    """Let the event loop run until something holds."""
    for _ in range(milliseconds // 20):
        if condition():
            return True
        QTest.qWait(20)
    return False


@contextmanager
def faults_in_slots():
    """Yield a list of what is raised in slots, which Qt would end the process for."""
    faults, before = [], sys.excepthook

    def keep(kind, error, trace):
        faults.append("".join(traceback.format_exception(kind, error, trace)))

    sys.excepthook = keep
    try:
        yield faults
    finally:
        sys.excepthook = before
