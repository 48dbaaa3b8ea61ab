"""TIN and IDW surfaces in the real QGIS."""

import sys
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import (
    QgsFeature,
    QgsGeometry,
    QgsPoint,
    QgsPointXY,
    QgsProcessingException,
    QgsVectorLayer,
)
from shapely.affinity import translate
from shapely.geometry import Point

from lakefloor.algorithms.core.grid import Grid
from lakefloor.algorithms.core.surface import learning, tiles

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
import made_lake

EAST, NORTH = 481_000.0, 5_210_000.0
FIELDS = (
    "field=depth_m:double&field=uncert_m:double&field=lane:integer&field=status:string"
    "&field=corrections:string"
)
REDUCED = "datum=summer level;datum_elev_m=364.25;level_m=364.4"
BOTH = pytest.mark.parametrize("name", ["tinsurface", "idwsurface"])


def layer_of(survey, crs="EPSG:32615", corrections=REDUCED, status="accepted"):
    layer = QgsVectorLayer(f"Point?crs={crs}&{FIELDS}", "soundings", "memory")
    features = []
    for x, y, depth, lane in zip(survey.x, survey.y, survey.depth, survey.lane):
        feature = QgsFeature(layer.fields())
        feature.setGeometry(QgsGeometry(QgsPoint(x + EAST, y + NORTH)))
        feature.setAttributes([float(depth), 0.05, int(lane), status, corrections])
        features.append(feature)
    layer.dataProvider().addFeatures(features)
    layer.updateExtents()
    return layer


@pytest.fixture(scope="module")
def survey():
    return made_lake.survey(40.0, ping=4.0)


@pytest.fixture
def soundings(provider, survey):
    return layer_of(survey)


@pytest.fixture
def shoreline(memory_layer):
    return memory_layer("Polygon", [translate(made_lake.shoreline(10.0), EAST, NORTH).wkt])


def read(path):
    dataset = gdal.Open(path)
    west, dx, _, north, _, dy = dataset.GetGeoTransform()
    bands = []
    for number in range(1, dataset.RasterCount + 1):
        band = dataset.GetRasterBand(number)
        values = band.ReadAsArray().astype(float)
        values[values == band.GetNoDataValue()] = np.nan
        bands.append(Grid(values, west, north, dx, -dy))
    return dataset, bands


@BOTH
def test_lake_with_its_shoreline(run, feedback, soundings, shoreline, tmp_path, name):
    path = str(tmp_path / "depth.tif")
    result = run(name, {"INPUT": soundings, "SHORELINE": shoreline, "OUTPUT": path}, feedback)
    dataset, (depth, sigma, distance) = read(path)
    assert [dataset.GetRasterBand(i).GetDescription() for i in (1, 2, 3)] == [
        "depth (m)",
        "standard uncertainty (m)",
        "distance to the nearest sounding (m)",
    ]
    assert dataset.GetMetadata()["DATUM_NAME"] == "summer level"
    assert float(dataset.GetMetadata()["DATUM_ELEVATION_M"]) == 364.25
    assert result["CELL_SIZE_USED"] == depth.dx == 5.0
    assert "Lanes lie about" in feedback.text
    known = np.isfinite(depth.values)
    assert result["AREA_M2"] == known.sum() * 25.0
    assert result["AREA_M2"] == pytest.approx(made_lake.shoreline().area, rel=0.02)
    assert result["MAX_DEPTH"] == pytest.approx(np.nanmax(depth.values), abs=1e-4)
    x, y = np.meshgrid(depth.x - EAST, depth.y - NORTH)
    error = (depth.values - made_lake.true_depth(x, y))[known]
    assert np.sqrt(np.mean(error**2)) < 0.7
    assert np.mean(np.abs(error) < 2 * sigma.values[known]) > 0.85
    assert np.nanmax(distance.values) <= result["MAX_GAP_USED"] + 1e-3
    assert not list(tmp_path.glob(".lakefloor*"))


@BOTH
def test_given_sizes_are_used_without_a_shoreline(run, feedback, soundings, name):
    result = run(
        name,
        {"INPUT": soundings, "CELL_SIZE": 8.0, "MAX_GAP": 12.0, "OUTPUT": "TEMPORARY_OUTPUT"},
        feedback,
    )
    _, (depth, _, distance) = read(result["OUTPUT"])
    assert (depth.dx, result["MAX_GAP_USED"]) == (8.0, 12.0)
    assert np.nanmax(distance.values) <= 12.0
    assert "Lanes lie" not in feedback.text


def test_break_lines_with_and_without_depth(run, soundings, memory_layer):
    flat = memory_layer("LineString", [f"LINESTRING({EAST - 200} {NORTH - 60}, {EAST} {NORTH})"])
    solid = memory_layer(
        "LineStringZ", [f"LINESTRINGZ({EAST - 200} {NORTH - 61} 3, {EAST - 40} {NORTH + 7} 3)"]
    )
    depths = []
    for lines in (None, flat, solid):
        parameters = {"INPUT": soundings, "BREAKLINES": lines, "OUTPUT": "TEMPORARY_OUTPUT"}
        _, (depth, *_) = read(run("tinsurface", parameters)["OUTPUT"])
        depths.append(depth.sample([EAST - 166.4], [NORTH - 46.7])[0])
    plain, crossed, given = depths
    assert crossed == pytest.approx(plain, abs=1.0)
    # The bottom lies at 24 m; cells of 5 m take in some of the way down from the line.
    assert plain > 20.0
    assert given == pytest.approx(3.0, abs=2.0)


@BOTH
def test_a_layer_in_degrees_is_projected_and_said_so(run, feedback, soundings, survey, name):
    from qgis.core import QgsCoordinateReferenceSystem, QgsCoordinateTransform, QgsProject

    degrees = layer_of(survey.select(slice(0, 0)), "EPSG:4326")
    change = QgsCoordinateTransform(
        soundings.crs(), QgsCoordinateReferenceSystem("EPSG:4326"), QgsProject.instance()
    )
    features = []
    for feature in soundings.getFeatures():
        point = feature.geometry().asPoint()
        feature.setGeometry(QgsGeometry.fromPointXY(change.transform(QgsPointXY(point))))
        features.append(feature)
    degrees.dataProvider().addFeatures(features)
    degrees.updateExtents()
    a = run(name, {"INPUT": degrees, "OUTPUT": "TEMPORARY_OUTPUT"}, feedback)
    b = run(name, {"INPUT": soundings, "OUTPUT": "TEMPORARY_OUTPUT"})
    assert "EPSG:32615" in feedback.text
    assert a["MEAN_DEPTH"] == pytest.approx(b["MEAN_DEPTH"], abs=1e-3)


@BOTH
def test_without_a_datum_the_log_says_so(run, feedback, survey, name):
    run(name, {"INPUT": layer_of(survey, corrections=""), "OUTPUT": "TEMPORARY_OUTPUT"}, feedback)
    assert "not reduced to a lake datum" in feedback.text


@BOTH
@pytest.mark.parametrize(
    ("rows", "change", "message"),
    [
        (slice(0, 0), {}, "holds no soundings"),
        (slice(0, 100), {"y": 0.0}, "single lane"),
        (slice(0, 100), {"x": 5.0, "y": 5.0}, "three or more places"),
        (slice(None), {"depth": np.nan}, "None of the"),
        (slice(None), {"depth": -4.0}, "positive down"),
    ],
)
def test_soundings_that_carry_no_surface(run, survey, tmp_path, name, rows, change, message):
    part = survey.select(rows)
    part = part.replace(**{key: np.full(len(part), value) for key, value in change.items()})
    with pytest.raises(QgsProcessingException, match=message):
        run(name, {"INPUT": layer_of(part), "OUTPUT": str(tmp_path / "depth.tif")})
    assert not list(tmp_path.iterdir())


@BOTH
def test_a_shoreline_that_crosses_itself_or_lies_elsewhere(run, soundings, memory_layer, name):
    for corners, message in (
        ("0 0, 9 9, 9 0, 0 9, 0 0", "not valid"), ("0 0, 9 0, 9 9, 0 9, 0 0", "do not overlap"),
    ):  # fmt: skip
        shore = memory_layer("Polygon", [f"POLYGON(({corners}))"])
        with pytest.raises(QgsProcessingException, match=message):
            run(name, {"INPUT": soundings, "SHORELINE": shore, "OUTPUT": "TEMPORARY_OUTPUT"})


@BOTH
def test_a_cancelled_run_leaves_nothing(run, recorder, soundings, tmp_path, name):
    with pytest.raises(QgsProcessingException, match="Nothing was written"):
        run(
            name,
            {"INPUT": soundings, "OUTPUT": str(tmp_path / "depth.tif")},
            recorder(cancel_at=35),
        )
    assert not list(tmp_path.iterdir())


# -- brought up to date --------------------------------------------------------------------------

EVERY = pytest.mark.parametrize("name", ["tinsurface", "idwsurface", "smoothsurface"])


@pytest.fixture
def many_tiles(monkeypatch):
    monkeypatch.setattr(tiles, "ONE_TILE", 1000)
    monkeypatch.setattr(tiles, "_SIDE", 32)
    monkeypatch.setattr(tiles, "_STEP", 16)
    monkeypatch.setattr(learning, "LEARNED_WHOLE", 1000)
    monkeypatch.setattr(learning, "_SIDE", 32)
    monkeypatch.setattr(learning, "_STEP", 16)


def values_of(path):
    return gdal.Open(str(path)).ReadAsArray()


@EVERY
def test_a_visit_is_added_without_redoing_the_lake(
    run, feedback, many_tiles, survey, shoreline, tmp_path, name
):
    near = np.hypot(survey.x + 300.0, survey.y) < 50.0
    path = tmp_path / "depth.tif"
    common = {"SHORELINE": shoreline, "CELL_SIZE": 10.0, "MAX_GAP": 60.0}
    before = run(
        name, {"INPUT": layer_of(survey.select(~near)), "OUTPUT": str(path), **common}, feedback
    )
    assert before["TILES"] == before["TILES_DRAWN"] > 4
    old = values_of(path)
    if name == "idwsurface":
        # With pyramids it cannot begin as a copy of the older file, and is written anew.
        gdal.Open(str(path)).BuildOverviews("NEAREST", [2])
        assert (tmp_path / "depth.tif.ovr").exists()
    # Over the older surface itself.
    after = run(
        name,
        {"INPUT": layer_of(survey), "SURFACE_TO_UPDATE": str(path), "OUTPUT": str(path), **common},
        feedback,
    )
    assert after["TILES"] == before["TILES"]
    assert 0 < after["TILES_DRAWN"] < after["TILES"] or name == "smoothsurface"
    assert f"Tiles drawn: {after['TILES_DRAWN']} of {after['TILES']}." in feedback.text
    assert after["CELL_SIZE_USED"] == before["CELL_SIZE_USED"]
    assert after["SOUNDINGS"] == len(survey)
    new = values_of(path)
    assert not np.array_equal(new, old)
    assert not (tmp_path / "depth.tif.ovr").exists()
    # Unchanged input: nothing is drawn, and every number stays.
    again = run(
        name,
        {
            "INPUT": layer_of(survey),
            "SURFACE_TO_UPDATE": str(path),
            "OUTPUT": str(tmp_path / "again.tif"),
            **common,
        },
    )
    assert again["TILES_DRAWN"] == 0
    np.testing.assert_array_equal(values_of(tmp_path / "again.tif"), new)
    for figure in ("MAX_DEPTH", "MEAN_DEPTH", "AREA_M2", "MEDIAN_UNCERTAINTY"):
        assert again[figure] == after[figure]
    dataset, _ = read(str(path))
    assert dataset.GetMetadata()["DATUM_NAME"] == "summer level"
    assert not list(tmp_path.glob(".lakefloor*"))


@pytest.mark.parametrize("edit", ["bay dug", "bay cut off"])
def test_a_shoreline_is_edited_without_redoing_the_lake(
    run, many_tiles, memory_layer, soundings, shoreline, tmp_path, edit
):
    path, later, anew = (str(tmp_path / f"{name}.tif") for name in ("depth", "later", "anew"))
    common = {"INPUT": soundings, "CELL_SIZE": 10.0, "MAX_GAP": 60.0}
    before = run("tinsurface", {**common, "SHORELINE": shoreline, "OUTPUT": path})
    lake = translate(made_lake.shoreline(10.0), EAST, NORTH)
    place = Point(max(lake.exterior.coords, key=lambda vertex: vertex[1])).buffer(40.0)
    lake = lake.union(place) if edit == "bay dug" else lake.difference(place)
    common["SHORELINE"] = memory_layer("Polygon", [lake.wkt])
    after = run("tinsurface", {**common, "SURFACE_TO_UPDATE": path, "OUTPUT": later})
    assert 0 < after["TILES_DRAWN"] < 0.5 * before["TILES"]
    # The depths, unlike the uncertainty, do not hang on what was learned of the survey.
    run("tinsurface", {**common, "OUTPUT": anew})
    depth, expected = values_of(later)[0], values_of(anew)[0]
    np.testing.assert_array_equal(depth, expected)
    grown = depth.shape[0] > values_of(path)[0].shape[0]
    assert grown == (edit == "bay dug")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"CELL_SIZE": 7.0}, "made with another cell size"),
        ({"MAX_GAP": 55.0}, "made with another search distance"),
        ({"POWER": 3.0}, "other settings of the method"),
    ],
)
def test_other_settings_draw_all_anew(run, feedback, soundings, tmp_path, change, words):
    path = str(tmp_path / "depth.tif")
    run("idwsurface", {"INPUT": soundings, "OUTPUT": path})
    other = str(tmp_path / "other.tif")
    result = run(
        "idwsurface",
        {"INPUT": soundings, "SURFACE_TO_UPDATE": path, "OUTPUT": other, **change},
        feedback,
    )
    assert words in feedback.text
    assert result["TILES_DRAWN"] == result["TILES"]
    alone = str(tmp_path / "alone.tif")
    run("idwsurface", {"INPUT": soundings, "OUTPUT": alone, **change})
    np.testing.assert_array_equal(values_of(other), values_of(alone))


def test_a_raster_that_is_no_lakefloor_surface_is_said(run, feedback, soundings, tmp_path):
    from lakefloor.algorithms._io.raster_file import write_raster

    grid = Grid(np.ones((9, 9)), EAST, NORTH, 5.0, 5.0)
    write_raster(tmp_path / "plain.tif", [grid], ["depth (m)"], soundings.crs(), {})
    for older, words in (("plain.tif", "does not say how it was made"), ("tin.tif", "method")):
        if older == "tin.tif":
            run("tinsurface", {"INPUT": soundings, "OUTPUT": str(tmp_path / older)})
        run(
            "idwsurface",
            {
                "INPUT": soundings,
                "SURFACE_TO_UPDATE": str(tmp_path / older),
                "OUTPUT": "TEMPORARY_OUTPUT",
            },
            feedback,
        )
        assert words in feedback.text
        assert "so the whole surface is drawn" in feedback.text


def test_a_cancelled_update_keeps_the_older_surface(
    run, recorder, many_tiles, survey, soundings, tmp_path
):
    path = tmp_path / "depth.tif"
    run("tinsurface", {"INPUT": soundings, "CELL_SIZE": 10.0, "OUTPUT": str(path)})
    before = path.read_bytes()
    changed = layer_of(survey.replace(depth=survey.depth + 1.0))
    with pytest.raises(QgsProcessingException, match="Nothing was written"):
        run(
            "tinsurface",
            {"INPUT": changed, "SURFACE_TO_UPDATE": str(path), "OUTPUT": str(path)},
            recorder(cancel_at=60),
        )
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir() if p.suffix == ".tif"] == ["depth.tif"]


def test_tiles_go_into_other_formats_too(run, many_tiles, soundings, tmp_path):
    for name in ("depth.tif", "depth.img"):
        run("tinsurface", {"INPUT": soundings, "CELL_SIZE": 10, "OUTPUT": str(tmp_path / name)})
    np.testing.assert_array_equal(
        values_of(tmp_path / "depth.img"), values_of(tmp_path / "depth.tif")
    )
    assert not list(tmp_path.glob("*.part.tif*"))
