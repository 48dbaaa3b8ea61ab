"""Layers of different lakes, units and runs on one map."""

import sys
from pathlib import Path

import numpy as np
import pytest
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsGeometry,
    QgsProcessingContext,
    QgsProcessingException,
    QgsRasterLayer,
    QgsVectorLayer,
    QgsWkbTypes,
)

from lakefloor.algorithms._io.inputs import Inputs
from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms._io.rasters import BANDS, read_raster
from lakefloor.algorithms._sheets.one_lake import check_together
from lakefloor.algorithms.core.grid import empty_grid

sys.path.insert(0, str(Path(__file__).parents[1]))
from lakes import RADIUS, UTM15, X, Y, shore


def _changed(layer, move=(0.0, 0.0), **values):
    """Return a copy of a layer, moved and with other attributes."""
    kind = QgsWkbTypes.displayString(layer.wkbType())
    copy = QgsVectorLayer(
        f"{kind}?crs={layer.crs().authid()}", f"{layer.name()} of another run", "memory"
    )
    copy.dataProvider().addAttributes(layer.fields())
    copy.updateFields()
    features = []
    for feature in layer.getFeatures():
        geometry = feature.geometry()
        geometry.translate(*move)
        new = QgsFeature(copy.fields())
        new.setGeometry(geometry)
        new.setAttributes(feature.attributes())
        for name, value in values.items():
            new[name] = value
        features.append(new)
    copy.dataProvider().addFeatures(features)
    copy.updateExtents()
    return copy


def _roles(lake, **changes):
    found = {
        "contours": lake["CONTOURS"],
        "shoreline": lake["SHORELINE"],
        "depth_areas": lake["DEPTH_AREAS"],
        "surface": lake["SURFACE"],
    }
    return {**found, **changes}


def _deeper(lake, folder, by, feedback):
    surface, crs, _ = read_raster(lake["SURFACE"], feedback)
    path = folder / "deeper.tif"
    write_raster(
        path,
        [surface.depth.like(surface.depth.values + by)] * 3,
        BANDS,
        QgsCoordinateReferenceSystem(crs),
        {},
    )
    return QgsRasterLayer(str(path), "deeper")


def test_layers_of_one_run_go_together(lake, feedback):
    check_together(_roles(lake), Inputs(None, {}, QgsProcessingContext(), feedback))
    assert feedback.messages == []


def test_contours_of_another_run_are_warned_of(lake, feedback):
    moved = _changed(lake["CONTOURS"], move=(8.0, 8.0))
    check_together(_roles(lake, contours=moved), Inputs(None, {}, QgsProcessingContext(), feedback))
    assert "do not follow the edges of the depth areas" in feedback.text
    assert "of another run" in feedback.text


def test_surface_on_another_datum_is_warned_of(lake, feedback, tmp_path):
    deeper = _deeper(lake, tmp_path, 0.3, feedback)
    check_together(_roles(lake, surface=deeper), Inputs(None, {}, QgsProcessingContext(), feedback))
    assert "'deeper' is 0.3" in feedback.text
    assert "m deeper along the contours" in feedback.text


def test_contours_of_a_steep_shore_go_with_their_own_coarse_surface(run, tmp_path, feedback):
    """Half a cell is 0.7 m of depth there, and the shoreline draws the contours towards it."""
    grid = empty_grid((X - 330.0, Y - 330.0, X + 330.0, Y + 330.0), 5.0)
    within = RADIUS - np.hypot(*np.meshgrid(grid.x - X, grid.y - Y))
    depth = np.where(within > 0.0, 8.0 * np.tanh((within + 2.0) / 18.0), np.nan)
    path = tmp_path / "steep.tif"
    write_raster(
        path,
        [grid.like(depth), grid.like(0.0 * depth + 0.2), grid.like(0.0 * depth)],
        BANDS,
        UTM15,
        {},
    )
    shoreline = QgsVectorLayer("Polygon?crs=EPSG:32615", "shoreline", "memory")
    feature = QgsFeature()
    feature.setGeometry(QgsGeometry.fromWkt(shore().wkt))
    shoreline.dataProvider().addFeatures([feature])
    contours = run(
        "depthcontours", {"INPUT": str(path), "SHORELINE": shoreline, "OUTPUT": "TEMPORARY_OUTPUT"}
    )["OUTPUT"]
    check_together(
        {"contours": contours, "surface": QgsRasterLayer(str(path), "steep")},
        Inputs(None, {}, QgsProcessingContext(), feedback),
    )
    assert feedback.messages == []


def test_other_units_and_other_lakes_are_refused(lake, run, tmp_path):
    metres = _changed(lake["CONTOURS"], unit="m")
    far = _changed(lake["DEPTH_AREAS"], move=(5000.0, 0.0))
    for changes, words in (
        ({"CONTOURS": metres}, "different units .ft, m."),
        (
            {"DEPTH_AREAS": far},
            "'Depth areas of another run' and the shoreline 'Shoreline' do not overlap",
        ),
    ):
        given = {name: lake[name] for name in ("CONTOURS", "SHORELINE", "DEPTH_AREAS", "SURFACE")}
        with pytest.raises(QgsProcessingException, match=words):
            run("mapsheet", {**given, **changes, "OUTPUT": str(tmp_path / "sheet.pdf")})
    assert list(tmp_path.iterdir()) == []
