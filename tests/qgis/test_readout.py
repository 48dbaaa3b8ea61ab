"""Depth, its uncertainty and the bottom type under the cursor."""

import math
import sys
from pathlib import Path

import pytest
from qgis.core import QgsCoordinateReferenceSystem, QgsCoordinateTransform, QgsPointXY, QgsProject
from qgis.PyQt.QtTest import QTest

from lakefloor.plugin.tools.readout import Readout, texts_at, value_at

sys.path.insert(0, str(Path(__file__).resolve().parent))
from a_lake import (
    CRS,
    NORTH,
    WEST,
    add_bottom_type,
    add_surface,
    make_lake,
    move_mouse,
    show,
    wait_for,
)

DEEP = (WEST + 151.0, NORTH - 51.0)


@pytest.fixture
def lake(qgis_new_project, tmp_path):
    return make_lake(tmp_path / "Marrowby")


@pytest.fixture
def readout(lake, qgis_iface, qgis_canvas):
    show(qgis_canvas)
    shown = Readout(qgis_iface, lake)
    yield shown
    shown.tear_down()


def test_the_mouse_over_the_map_shows_depth_uncertainty_and_bottom(lake, readout, qgis_canvas):
    add_surface(lake)
    add_bottom_type(lake)
    show(qgis_canvas, extent=(DEEP[0] - 4.0, DEEP[1] - 2.0, DEEP[0] + 4.0, DEEP[1] + 2.0))
    move_mouse(qgis_canvas, *DEEP)
    # 1 m + 1.51 m; 1.96 standard uncertainties of 0.1 m.
    assert wait_for(lambda: "2.51 m" in readout.text()), readout.text()
    assert readout.text() == "Depth 2.51 m ± 0.20 m (95%)\nHard bottom (75% sure)"


def test_moving_faster_than_it_reads_leaves_the_last_place(lake, readout, qgis_canvas):
    add_surface(lake)
    for east in range(101, 200, 2):
        readout.move_to(QgsPointXY(WEST + east, NORTH - 51.0))
    assert wait_for(lambda: "Depth" in readout.text())
    assert "2.99 m" in readout.text()


def test_what_it_says_where_there_is_nothing(lake, readout, qgis_canvas):
    assert texts_at(QgsPointXY(*DEEP), qgis_canvas, lake)[0] == "There is no depth surface yet."
    layer = add_surface(lake)
    for off in (QgsPointXY(WEST + 20.0, NORTH - 51.0), QgsPointXY(WEST - 500.0, NORTH)):
        assert texts_at(off, qgis_canvas, lake) == ("Outside the depth surface", "")
    layer.setCrs(QgsCoordinateReferenceSystem())
    text, _ = texts_at(QgsPointXY(*DEEP), qgis_canvas, lake)
    assert text == "Layer 'Smooth surface' has no CRS. Set it in its properties."


def test_feet_are_read_as_feet(qgis_new_project, qgis_canvas, tmp_path):
    lake = make_lake(tmp_path / "Marrowby", unit="feet")
    show(qgis_canvas)
    add_surface(lake)
    # 2.51 m / 0.3048 = 8.23 ft; 0.196 m = 0.64 ft.
    assert texts_at(QgsPointXY(*DEEP), qgis_canvas, lake)[0] == "Depth 8.2 ft ± 0.6 ft (95%)"


def test_a_map_in_another_crs_reads_the_same_place(lake, qgis_canvas):
    layer = add_surface(lake)
    for code in ("EPSG:4326", "EPSG:3857", "EPSG:26915"):
        crs = QgsCoordinateReferenceSystem(code)
        there = QgsCoordinateTransform(CRS, crs, QgsProject.instance()).transform(QgsPointXY(*DEEP))
        assert value_at(layer, 1, there, crs, lake) == pytest.approx(2.51, abs=1e-6)
        assert value_at(layer, 1, QgsPointXY(*DEEP), CRS, lake) == pytest.approx(2.51, abs=1e-6)
    # Nothing of WGS 84 is there.
    assert math.isnan(
        value_at(layer, 1, QgsPointXY(1e9, 1e9), QgsCoordinateReferenceSystem("EPSG:4326"), lake)
    )


def test_another_lake_in_the_project_is_not_read(lake, qgis_canvas, tmp_path):
    other = make_lake(tmp_path / "other")
    add_surface(other)
    assert texts_at(QgsPointXY(*DEEP), qgis_canvas, lake)[0] == "There is no depth surface yet."
    show(qgis_canvas)
    assert "2.51 m" in texts_at(QgsPointXY(*DEEP), qgis_canvas, other)[0]


def test_nothing_is_read_once_it_is_torn_down(lake, qgis_iface, qgis_canvas):
    add_surface(lake)
    shown = Readout(qgis_iface, lake)
    shown.tear_down()
    qgis_canvas.xyCoordinates.emit(QgsPointXY(*DEEP))
    QTest.qWait(100)
    assert shown.text() == "\n"
