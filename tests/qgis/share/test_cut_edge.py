"""The outline of a clipped copy, used as a shoreline, has no depth 0 where it was cut."""

import sqlite3
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal, ogr
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCoordinateTransformContext,
    QgsFeature,
    QgsGeometry,
    QgsProcessingException,
    QgsVectorFileWriter,
    QgsVectorLayer,
)
from shapely import wkb
from shapely.geometry import Point, box

from lakefloor.algorithms.core.polygons import contains, rings

from .conftest import CRS, EAST, NORTH, depth_at

#: The copy ends here, where the lake is up to 9 m deep.
CUT_AT = EAST - 120.0


def area_of(memory_layer):
    west, south, north = EAST - 500.0, NORTH - 400.0, NORTH + 400.0
    shape = (
        f"POLYGON(({west} {south},{CUT_AT} {south},{CUT_AT} {north},{west} {north},{west} {south}))"
    )
    return memory_layer("Polygon", [shape], crs=CRS)


@pytest.fixture
def copy(run, lake, tmp_path, memory_layer):
    """Share a part of the lake; ``copy(...)`` returns the GeoPackage."""

    def make(name="copy", **more):
        run(
            "copytoshare",
            {
                "LAYERS": [lake["SOUNDINGS"], lake["SHORELINE"], lake["SURFACE"]],
                "AREA": area_of(memory_layer),
                "OUTPUT": str(tmp_path / name),
                **more,
            },
        )
        return str(tmp_path / name / "lake.gpkg")

    return make


def errors(path, within=15.0):
    """Return the errors of a depth surface near the cut and 40 m off the shore."""
    dataset = gdal.Open(path)
    depth = dataset.GetRasterBand(1).ReadAsArray()
    west, dx, _, north, _, dy = dataset.GetGeoTransform()
    rows, cols = np.indices(depth.shape)
    x, y = west + (cols + 0.5) * dx, north + (rows + 0.5) * dy
    truth = depth_at(x, y)
    here = (x > CUT_AT - within) & (x < CUT_AT) & (truth > 3.0)
    known = here & np.isfinite(depth) & (depth > -100.0)
    return depth[known] - truth[known], known.sum() / here.sum()


def outline(path):
    source = ogr.Open(path)
    return [(wkb.loads(bytes(f.GetGeometryRef().ExportToWkb())), f.items())
            for f in source.GetLayer("outline")]  # fmt: skip


@pytest.mark.parametrize("method", ["tinsurface", "idwsurface", "smoothsurface"])
def test_a_surface_in_a_clipped_outline_goes_on_to_the_cut(run, copy, tmp_path, method, feedback):
    path = copy()
    out = str(tmp_path / "depth.tif")
    given = {"INPUT": f"{path}|layername=soundings", "CELL_SIZE": 3.0, "OUTPUT": out}
    run(method, {**given, "SHORELINE": f"{path}|layername=outline"}, feedback)
    assert "were cut" in feedback.text
    apart, covered = errors(out)
    assert np.sqrt(np.mean(apart**2)) < 0.5
    assert covered > 0.9
    # The same outline without its mark: what every shoreline was taken for.
    ((shape, _),) = outline(path)
    plain = QgsVectorLayer(f"Polygon?crs={CRS}", "plain", "memory")
    feature, geometry = QgsFeature(), QgsGeometry()
    geometry.fromWkb(shape.wkb)
    feature.setGeometry(geometry)
    plain.dataProvider().addFeatures([feature])
    run(method, {**given, "SHORELINE": plain, "OUTPUT": str(tmp_path / "plain.tif")})
    before, _ = errors(str(tmp_path / "plain.tif"))
    print(method, "RMSE", np.sqrt(np.mean(before**2)), "->", np.sqrt(np.mean(apart**2)), covered)
    assert np.sqrt(np.mean(before**2)) > 3.0 * np.sqrt(np.mean(apart**2))


def exported(path, target, driver="GPKG", to=CRS):
    """Export the outline as QGIS does, maybe to another CRS."""
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName = driver
    layer = QgsVectorLayer(f"{path}|layername=outline", "outline", "ogr")
    context = QgsCoordinateTransformContext()
    options.ct = QgsCoordinateTransform(layer.crs(), QgsCoordinateReferenceSystem(to), context)
    QgsVectorFileWriter.writeAsVectorFormatV3(layer, str(target), context, options)
    return str(target)


@pytest.mark.parametrize("to", [CRS, "EPSG:26914", "EPSG:4326"])
def test_the_mark_stays_with_an_outline_that_is_exported(run, copy, tmp_path, to):
    path = copy()
    other = exported(path, tmp_path / "other.gpkg", to=to)
    out = str(tmp_path / "depth.tif")
    soundings = f"{path}|layername=soundings"
    run("tinsurface", {"INPUT": soundings, "SHORELINE": other, "CELL_SIZE": 3.0, "OUTPUT": out})
    apart, _ = errors(out)
    assert np.sqrt(np.mean(apart**2)) < 0.5


def test_a_mark_that_is_not_whole_is_refused(run, copy, tmp_path):
    path = copy()
    other = exported(path, tmp_path / "other.gpkg")
    source = ogr.Open(other, 1)
    source.ExecuteSQL("UPDATE other SET cut_edge = substr(cut_edge, 1, 30)")
    source = None
    with pytest.raises(QgsProcessingException, match="'cut_edge' of the outline is not whole"):
        run(
            "tinsurface",
            {
                "INPUT": f"{path}|layername=soundings",
                "SHORELINE": other,
                "OUTPUT": str(tmp_path / "x.tif"),
            },
        )


@pytest.mark.parametrize("coarsen", [None, 20.0])
def test_a_copy_of_a_copy_keeps_the_mark(run, copy, tmp_path, coarsen, memory_layer):
    path = copy(COARSEN=coarsen)
    ((first, marked),) = outline(path)
    run("copytoshare", {"LAYERS": [f"{path}|layername=outline"], "OUTPUT": str(tmp_path / "again")})
    ((second, again),) = outline(str(tmp_path / "again" / "lake.gpkg"))
    assert second.equals(first)
    assert again["cut_edge"] == marked["cut_edge"]
    text = (tmp_path / "again" / "README.txt").read_text()
    assert "not shore" in text


def test_a_whole_outline_has_no_mark(run, lake, tmp_path):
    run("copytoshare", {"LAYERS": [lake["SHORELINE"]], "OUTPUT": str(tmp_path / "copy")})
    ((_, values),) = outline(str(tmp_path / "copy" / "lake.gpkg"))
    assert values == {}
    assert "shore" not in (tmp_path / "copy" / "README.txt").read_text()


def test_the_datum_comes_with_the_soundings_and_the_surface(run, copy, tmp_path):
    path = copy(COARSEN=10.0)
    out = str(tmp_path / "lake.gpkg")
    run("addtodatabase", {"INPUT": f"{path}|layername=soundings", "DATABASE": out})
    with sqlite3.connect(out) as db:
        visit = db.execute("SELECT datum, datum_elev_m FROM visits").fetchone()
        assert visit == ("staff gauge at the dam", 0.5)
        uncert = np.array(db.execute("SELECT uncert_m FROM soundings").fetchall(), float)
        assert (uncert > 0.1 - 1e-9).all()
        assert np.median(uncert) > 0.12
    dataset = gdal.Open(path.replace("lake.gpkg", "depth.tif"))
    assert dataset.GetMetadataItem("DATUM_NAME") == "staff gauge at the dam"
    text = Path(path.replace("lake.gpkg", "README.txt")).read_text(encoding="utf-8")
    assert "2.9 m" in text
    assert "10 m" in text
    copy("named", DATUM="our pool")
    with sqlite3.connect(tmp_path / "named" / "lake.gpkg") as db:
        ((said,),) = db.execute("SELECT DISTINCT corrections FROM soundings")
    assert said == "datum=our pool;datum_elev_m=0.5"
    dataset = gdal.Open(str(tmp_path / "named" / "depth.tif"))
    assert dataset.GetMetadataItem("DATUM_NAME") == "our pool"
    assert "our pool (0.5 m)" in (tmp_path / "named" / "README.txt").read_text()


@pytest.mark.parametrize("clipped", [True, False])
def test_contours_end_at_the_cut(run, lake, copy, tmp_path, clipped):
    """A contour that runs along the cut would say that the bottom rises there."""
    path = copy()
    given = {
        "INPUT": path.replace("lake.gpkg", "depth.tif"),
        "SHORELINE": f"{path}|layername=outline" if clipped else lake["SHORELINE"],
        "INTERVAL": 1.0,
        "UNIT": "meters",
    }
    lines = run("depthcontours", {**given, "OUTPUT": str(tmp_path / "lines.gpkg")})
    source = ogr.Open(lines["OUTPUT"])
    along, ends = 0.0, 0
    for feature in source.GetLayer(0):
        line = np.array(wkb.loads(bytes(feature.GetGeometryRef().ExportToWkb())).coords)[:, :2]
        middle, step = 0.5 * (line[1:] + line[:-1]), np.diff(line, axis=0)
        near = (np.abs(middle[:, 0] - CUT_AT) < 3.0) & (np.abs(step[:, 1]) > np.abs(step[:, 0]))
        deep = depth_at(*middle.T) > feature["depth_m"] + 0.7
        along += np.hypot(*step[near & deep].T).sum()
        ends += (np.abs(line[[0, -1], 0] - CUT_AT) < 3.0).sum()
    assert along == 0.0
    assert ends > 10
    areas = run("depthareas", {**given, "OUTPUT": str(tmp_path / "areas.gpkg")})
    source = ogr.Open(areas["OUTPUT"])
    shallow = [f for f in source.GetLayer(0) if f["depth_to_m"] and f["depth_to_m"] <= 3.0]
    for feature in shallow:
        shape = wkb.loads(bytes(feature.GetGeometryRef().ExportToWkb()))
        x, y = np.full(200, CUT_AT - 1.0), np.linspace(NORTH - 150, NORTH + 150, 200)
        deep = depth_at(x, y) > feature["depth_to_m"] + 1.0

        assert not any(shape.contains(Point(*at)) for at in zip(x[deep], y[deep]))


def test_figures_are_those_of_the_part(run, lake, copy, tmp_path, recorder):
    """Volume against the sum over fine cells of the true depths; the cut is no shore."""
    path = copy()
    ((shape, _),) = outline(path)
    said = recorder()
    given = {"INPUT": path.replace("lake.gpkg", "depth.tif"), "UNIT": "meters"}
    page = tmp_path / "part.html"
    given["REPORT"] = str(page)
    part = run("lakestatistics", {**given, "SHORELINE": f"{path}|layername=outline"}, said)
    assert "part shared" in said.text
    # The shore of a part does not close around its water.
    assert part["DEVELOPMENT"] is None
    assert "m long." in (text := page.read_text())
    assert "round lake" not in text
    assert part["AREA_M2"] == pytest.approx(shape.area, rel=2e-3)
    west, south, east, north = shape.bounds
    edge = shape.boundary.intersection(box(CUT_AT - 0.1, south, east + 1.0, north)).length
    assert edge > 200.0
    assert part["SHORELINE_M"] == pytest.approx(shape.length - edge, rel=0.02)
    x, y = np.meshgrid(np.arange(west, east, 1.0) + 0.5, np.arange(south, north, 1.0) + 0.5)
    inner = contains(rings(shape), x.ravel(), y.ravel())
    volume = np.maximum(depth_at(x.ravel()[inner], y.ravel()[inner]), 0.0).sum()
    assert part["VOLUME_M3"] == pytest.approx(volume, rel=5e-3)
