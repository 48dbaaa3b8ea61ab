"""Depth areas in the real QGIS."""

import numpy as np
import pytest
from qgis.core import QgsCoordinateReferenceSystem, QgsProcessingException, QgsRasterLayer
from shapely import wkb
from shapely.geometry import Point
from shapely.ops import unary_union

from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms.core.grid import Grid

UTM15 = QgsCoordinateReferenceSystem("EPSG:32615")
CENTER = 400_101.0, 5_149_899.0


@pytest.fixture
def cone(tmp_path):
    """A cone 15 m deep, zero at 75 m from its centre."""
    axis = (np.arange(101) - 50) * 2.0
    values = 15.0 - 0.2 * np.hypot(axis[None, :], axis[:, None])
    path = tmp_path / "cone.tif"
    grid = Grid(values, CENTER[0] - 101.0, CENTER[1] + 101.0, 2.0, 2.0)
    write_raster(path, [grid], ["depth"], UTM15, {})
    return QgsRasterLayer(str(path), "cone")


def shape(feature):
    return wkb.loads(bytes(feature.geometry().asWkb()))


def test_areas_of_a_cone(run, cone, memory_layer):
    """Rings of a cone: the depth d is a circle of radius (15 - d) / 0.2."""
    shoreline = Point(*CENTER).buffer(75.0, 90)
    result = run(
        "depthareas",
        {
            "INPUT": cone,
            "SHORELINE": memory_layer("Polygon", [shoreline.wkt]),
            "INTERVAL": 5,
            "UNIT": "m",
            "SMOOTHING": 0,
            "OUTPUT": "TEMPORARY_OUTPUT",
        },
    )
    features = sorted(result["OUTPUT"].getFeatures(), key=lambda f: f["depth_from"])
    assert [f["label"] for f in features] == ["0 to 5 m", "5 to 10 m", "10 to 15 m"]
    for feature in features:
        outer, inner = ((15.0 - feature[name]) / 0.2 for name in ("depth_from", "depth_to"))
        assert feature["area_m2"] == pytest.approx(np.pi * (outer**2 - inner**2), rel=5e-3)
        assert feature["area_m2"] == pytest.approx(feature.geometry().area())
        assert feature.geometry().isGeosValid()
    assert result["COUNT"] == 3
    assert result["MAX_DEPTH"] == 15.0
    assert result["AREA_M2"] == pytest.approx(shoreline.area, rel=1e-9)


def test_edges_are_the_contours(run, cone):
    options = {"INPUT": cone, "INTERVAL": 2, "OUTPUT": "TEMPORARY_OUTPUT"}
    areas = run("depthareas", options)["OUTPUT"]
    lines = run("depthcontours", options)["OUTPUT"]
    edges = unary_union([shape(f).boundary for f in areas.getFeatures()])
    assert lines.featureCount() > 20
    for line in lines.getFeatures():
        xy = np.asarray(shape(line).coords)
        for point in np.vstack([xy, 0.5 * (xy[:-1] + xy[1:])]):
            assert edges.distance(Point(point)) < 1e-6
    assert {f["unit"] for f in areas.getFeatures()} == {"ft"}


def test_refusal_and_cancel(run, cone, tmp_path, recorder):
    with pytest.raises(QgsProcessingException, match="must be above 0 ft"):
        run("depthareas", {"INPUT": cone, "INTERVAL": 0, "OUTPUT": "TEMPORARY_OUTPUT"})
    path = tmp_path / "cancelled.gpkg"
    with pytest.raises(QgsProcessingException):
        run("depthareas", {"INPUT": cone, "OUTPUT": str(path)}, recorder(cancel_at=40))
    assert not path.exists()
