"""Survey lanes and the next outing as a user runs them."""

import sys
from pathlib import Path

import numpy as np
import pytest
from osgeo import ogr
from qgis.core import QgsProcessingException, QgsRasterLayer, QgsVectorLayer
from shapely import wkt
from shapely.geometry import LineString, Point, box

from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms._io.rasters import BANDS
from lakefloor.algorithms.core.grid import empty_grid

sys.path.insert(0, str(Path(__file__).parent))
from lakes import RADIUS, UTM15, X, Y, paraboloid, shore

ISLAND = Point(X + 60, Y).buffer(60, 8)
LAKE = shore().difference(ISLAND)
LAUNCH = f"{X},{Y - RADIUS} [EPSG:32615]"


@pytest.fixture
def lake(memory_layer):
    return memory_layer("Polygon", [LAKE.wkt], name="lake")


def shapes(layer):
    return [(f, wkt.loads(f.geometry().asWkt())) for f in layer.getFeatures()]


def survey(**changes):
    return {"LANE_SPACING": 40.0, "OUTPUT": "TEMPORARY_OUTPUT", **changes}


def test_lanes_cover_the_lake_and_stay_on_it(run, lake, feedback):
    result = run("surveylanes", survey(INPUT=lake), feedback=feedback)
    found = shapes(result["OUTPUT"])
    assert all(LAKE.covers(line) for _, line in found)
    assert [f["leg"] for f, _ in found] == list(range(1, len(found) + 1))
    lanes = [line for f, line in found if f["kind"] == "lane"]
    assert len(lanes) == result["LANES"]
    assert sum(line.length for line in lanes) == pytest.approx(result["LANE_M"], rel=1e-6)
    assert result["TOTAL_M"] == pytest.approx(sum(line.length for _, line in found), rel=1e-6)
    assert result["MIN_TOTAL_M"] <= result["TOTAL_M"] <= 1.1 * result["MIN_TOTAL_M"]
    assert "km (" in feedback.text
    assert "mi)" in feedback.text
    assert "not for navigation" in feedback.text


def test_spacing_follows_from_the_smallest_thing(run, lake):
    result = run(
        "surveylanes", survey(INPUT=lake, LANE_SPACING=None, MIN_WIDTH=100.0, MIN_HEIGHT=5.1)
    )
    # 2 * 100 / pi * sqrt(0.3048 / (2 * 5.1)) = 11.005 (arithmetic).
    assert result["LANE_SPACING_USED"] == pytest.approx(11.005, abs=0.001)


def test_heading_across_the_contours_of_an_older_map(run, lake, memory_layer):
    lines = [f"LINESTRING({X - 90} {Y + k}, {X + 90} {Y + k})" for k in (0, 40, 80)]
    old = memory_layer("LineString", lines, name="old map")
    result = run("surveylanes", survey(INPUT=lake, OLDER_CONTOURS=old))
    assert min(result["HEADING_DEG"], 180 - result["HEADING_DEG"]) < 1e-6


def test_minutes_by_unit_of_speed(run, lake):
    minutes = {
        unit: run("surveylanes", survey(INPUT=lake, SPEED=5.0, SPEED_UNIT=unit, TURN_TIME=0.0))
        for unit in ("mph", "kn", "kmh", "ms")
    }
    total = minutes["ms"]["TOTAL_M"]
    # NIST SP 811: 1 mph = 0.44704 m/s, 1 kn = 1852/3600 m/s.
    for unit, per in (("mph", 0.44704), ("kn", 1852 / 3600), ("kmh", 1 / 3.6), ("ms", 1.0)):
        assert minutes[unit]["MINUTES"] == pytest.approx(total / (5 * per) / 60, rel=1e-9)


def test_shallows_of_a_depth_surface_are_not_entered(run, memory_layer, tmp_path):
    area = memory_layer("Polygon", [shore().wkt])
    deep = run("surveylanes", survey(INPUT=area, OLDER_SURFACE=paraboloid(tmp_path), MIN_DEPTH=5.0))
    # 9 (1 - r^2 / 300^2) = 5 at r = 200 m.
    for _, line in shapes(deep["OUTPUT"]):
        far = np.hypot(*(np.asarray(line.coords) - (X, Y)).T)
        assert far.max() < 200.0 + 8.0


def test_gpx_for_the_boat(run, lake, tmp_path):
    path = tmp_path / "lanes.gpx"
    result = run("surveylanes", survey(INPUT=lake, LAUNCH=LAUNCH, GPX=str(path)))
    assert result["GPX"] == str(path)
    # GDAL's own GPX reader is the judge.
    source = ogr.Open(str(path))
    feature = source.GetLayerByName("tracks").GetNextFeature()
    path = np.array(feature.GetGeometryRef().GetGeometryRef(0).GetPoints())
    assert len(path) > 2 * result["LANES"]
    names = [f.GetField("name") for f in source.GetLayerByName("route_points")]
    assert names[0] == "START"
    assert names[-1] == "FINISH"
    count = result["LANES"] + result["CROSS_LINES"]
    ends = [name for name in names if name[0] in "LX"]
    assert [int(name[1:4]) for name in ends] == [n for n in range(1, count + 1) for _ in "AB"]
    assert len(set(names)) == len(names)
    assert not list(tmp_path.glob(".lakefloor-*"))
    # The first point is the launch.
    assert path[0, 0] == pytest.approx(-93.0, abs=1e-6)


def test_geographic_layer_is_projected(run, memory_layer, feedback):
    ring = Point(-93.01, 46.0).buffer(0.003, 8)
    layer = memory_layer("Polygon", [ring.wkt], crs="EPSG:4326")
    result = run("surveylanes", survey(INPUT=layer), feedback=feedback)
    assert result["OUTPUT"].crs().authid() == "EPSG:32615"


def made_surface(folder, uncertainty=None, name="surface.tif"):
    """A round lake with lanes 60 m apart, uncertainty rising with the distance to them."""
    grid = empty_grid((X - 320, Y - 320, X + 320, Y + 320), 5.0)
    x, y = np.meshgrid(grid.x, grid.y)
    away = np.hypot(x - X, y - Y)
    lake = away < RADIUS
    # The western third has not been sounded.
    lanes = np.abs((y - Y + 30.0) % 60.0 - 30.0)
    distance = np.where(x < X - 100.0, np.hypot(lanes, X - 100.0 - x), lanes)
    sigma = np.hypot(0.05, 0.01 * distance)
    if uncertainty is not None:
        sigma = np.full(x.shape, uncertainty)
    depth = 9 * (1 - (away / RADIUS) ** 2)
    bands = [np.where(lake, values, np.nan) for values in (depth, sigma, distance)]
    write_raster(folder / name, [grid.like(b) for b in bands], BANDS, UTM15, {})
    return QgsRasterLayer(str(folder / name), "surface")


def outing(**changes):
    return {
        "LAUNCH": LAUNCH,
        "TIME": 30.0,
        "OUTPUT": "TEMPORARY_OUTPUT",
        "GAPS": "TEMPORARY_OUTPUT",
        **changes,
    }


def test_outing_goes_where_the_surface_is_doubtful(run, tmp_path, feedback):
    result = run("nextouting", outing(INPUT=made_surface(tmp_path)), feedback=feedback)
    assert 0 < result["MINUTES"] <= 30.0
    assert result["MEAN_UNCERTAINTY_AFTER"] < result["MEAN_UNCERTAINTY"]
    assert result["GAP_AREA_AFTER"] < result["GAP_AREA"]
    # 0.5 / 1.644854 * 0.3048 m (National Map Accuracy Standards, 1947).
    assert result["ALLOWED_UNCERTAINTY"] == pytest.approx(0.30398 * 0.3048, rel=1e-4)
    lines = shapes(result["OUTPUT"])
    assert all(shore().covers(line) for _, line in lines)
    west = sum(
        line.length for f, line in lines if f["kind"] == "lane" and line.centroid.x < X - 100.0
    )
    # A third of the water, two thirds of the lanes.
    assert west > 0.67 * result["LANE_M"]
    gaps = [f for f, _ in shapes(result["GAPS"])]
    assert [f["rank"] for f in gaps] == list(range(1, len(gaps) + 1))
    gains = [f["gain_m3"] for f in gaps]
    assert gains == sorted(gains, reverse=True)
    assert "standard uncertainty" in gaps[0]["why"]
    assert lines[-1][0]["elapsed_min"] == pytest.approx(result["MINUTES"])
    assert "not for navigation" in feedback.text


def test_break_lines_draw_lanes(run, tmp_path, memory_layer):
    surface = made_surface(tmp_path)
    line = memory_layer("LineString", [f"LINESTRING({X} {Y + 45}, {X + 200} {Y + 45})"])
    results = [
        run("nextouting", outing(INPUT=surface, TIME=12.0, TRANSITIONS=given))
        for given in (None, line)
    ]
    gains = [sum(f["gain_m3"] for f, _ in shapes(r["OUTPUT"])) for r in results]
    assert gains[1] >= gains[0]
    assert any("transition runs here" in f["why"] for f, _ in shapes(results[1]["GAPS"]))


def test_nothing_to_do(run, tmp_path, feedback):
    result = run(
        "nextouting", outing(INPUT=made_surface(tmp_path), INTERVAL=40.0), feedback=feedback
    )
    assert (result["GAPS_COUNT"], result["LANES"]) == (0, 0)
    assert "No outing is needed" in feedback.text


def test_noise_above_what_the_interval_allows_is_said(run, tmp_path, feedback):
    result = run(
        "nextouting", outing(INPUT=made_surface(tmp_path, uncertainty=0.3)), feedback=feedback
    )
    assert result["LANES"] == 0
    assert "no number of lanes" in feedback.text


def test_chain_from_soundings_to_outing_to_survey(run, memory_layer, tmp_path):
    """Lanes -> soundings -> surface -> outing; its gaps are an area for survey lanes."""
    area = memory_layer("Polygon", [shore().wkt])
    lanes = run("surveylanes", survey(INPUT=area, LANE_SPACING=80.0))["OUTPUT"]
    rows, points = [], []
    for feature, line in shapes(lanes):
        for at in np.arange(0.0, line.length, 8.0):
            p = line.interpolate(at)
            depth = 9 * (1 - (p.distance(Point(X, Y)) / RADIUS) ** 2)
            points.append(p.wkt)
            rows.append([depth, 0.05, feature["lane"] or 0])
    soundings = memory_layer(
        "Point",
        points,
        fields="field=depth_m:double&field=uncert_m:double&field=lane:integer",
        rows=rows,
    )
    surface = run(
        "tinsurface",
        {
            "INPUT": soundings,
            "SHORELINE": area,
            "CELL_SIZE": 5.0,
            "MAX_GAP": 100.0,
            "OUTPUT": str(tmp_path / "tin.tif"),
        },
    )["OUTPUT"]
    result = run(
        "nextouting",
        outing(INPUT=surface, SHORELINE=area, INTERVAL=0.2, GPX=str(tmp_path / "o.gpx")),
    )
    assert result["LANES"] > 0
    assert (tmp_path / "o.gpx").exists()
    more = run("surveylanes", survey(INPUT=result["GAPS"], SHORELINE=area, LANE_SPACING=20.0))
    assert all(shore().covers(line) for _, line in shapes(more["OUTPUT"]))


def test_refusals_of_survey_lanes(run, lake, memory_layer):
    with pytest.raises(QgsProcessingException, match="smaller than the lane spacing"):
        run("surveylanes", survey(INPUT=memory_layer("Polygon", [box(X, Y, X + 30, Y + 25).wkt])))
    with pytest.raises(QgsProcessingException, match="launch point is"):
        run("surveylanes", survey(INPUT=lake, LAUNCH=f"{X + 900},{Y} [EPSG:32615]"))
    bow = "POLYGON((0 0, 100 100, 100 0, 0 100, 0 0))"
    with pytest.raises(QgsProcessingException, match="polygon is not valid"):
        run("surveylanes", survey(INPUT=memory_layer("Polygon", [bow])))
    with pytest.raises(QgsProcessingException, match="beyond 80 S or 84 N"):
        run(
            "surveylanes",
            survey(
                INPUT=memory_layer("Polygon", [box(10.0, 85.0, 10.1, 85.01).wkt], crs="EPSG:4326")
            ),
        )
    across = [box(179.9, 66.0, 179.99, 66.1).wkt, box(-179.99, 66.0, -179.9, 66.1).wkt]
    with pytest.raises(QgsProcessingException, match="180 degree meridian"):
        run("surveylanes", survey(INPUT=memory_layer("Polygon", across, crs="EPSG:4326")))


def test_refusals_of_next_outing(run, tmp_path):
    bare = paraboloid(tmp_path)
    grid = empty_grid((X, Y, X + 100, Y + 100), 5.0)
    write_raster(
        tmp_path / "depth.tif", [grid.like(np.full(grid.shape, 4.0))], ["depth (m)"], UTM15, {}
    )
    with pytest.raises(QgsProcessingException, match="no uncertainty band"):
        run("nextouting", outing(INPUT=str(tmp_path / "depth.tif")))
    with pytest.raises(QgsProcessingException, match="launch point is"):
        run("nextouting", outing(INPUT=bare, LAUNCH=f"{X},{Y - 800} [EPSG:32615]"))
    with pytest.raises(QgsProcessingException, match="Give more time"):
        run("nextouting", outing(INPUT=made_surface(tmp_path), TIME=1.0))


@pytest.mark.parametrize("name", ["surveylanes", "nextouting"])
def test_cancel_writes_nothing(run, recorder, lake, tmp_path, name):
    folder = tmp_path / "out"
    folder.mkdir()
    parameters = (
        survey(INPUT=lake)
        if name == "surveylanes"
        else outing(INPUT=made_surface(tmp_path), GAPS=str(folder / "gaps.gpkg"))
    )
    parameters.update(OUTPUT=str(folder / "lanes.gpkg"), GPX=str(folder / "lanes.gpx"))
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run(name, parameters, feedback=recorder(cancel_at=20))
    assert not list(folder.iterdir())


def test_written_layers(run, lake, tmp_path):
    path = tmp_path / "lanes.gpkg"
    run("surveylanes", survey(INPUT=lake, OUTPUT=str(path)))
    layer = QgsVectorLayer(str(path), "lanes")
    assert layer.isValid()
    assert all(LineString(line.coords).length > 0 for _, line in shapes(layer))
