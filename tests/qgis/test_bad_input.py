"""Bad input gets a clear message, and no run leaves a file behind that it did not finish."""

import os

import numpy as np
import pytest
from qgis.core import QgsProcessingException

UTM15 = "EPSG:32615"
SQUARE = "POLYGON((-10 -10,110 -10,110 110,-10 110,-10 -10))"


def _log(tmp_path, name, content):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return str(path)


@pytest.fixture
def out(tmp_path):
    """A folder for outputs, asserted to hold none at the end of the test."""
    folder = tmp_path / "out"
    folder.mkdir()
    yield folder
    assert os.listdir(folder) == []


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("empty.csv", "", r"empty\.csv.*empty"),
        ("photo.csv", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8, r"photo\.csv"),
        (
            "nowhere.csv",
            "time,depth_m\n2025-05-17T10:00:00Z,3.1\n2025-05-17T10:00:01Z,3.2\n",
            r"nowhere\.csv.*(position|lon|lat)",
        ),
        ("flat.csv", "time,lat,lon\n2025-05-17T10:00:00Z,46.1,-94.1\n", r"flat\.csv.*depth"),
        ("deep.nmea", "$SDDPT,2.4,0.0*51\r\n$SDDPT,2.5,0.0*50\r\n", r"deep\.nmea.*(position|fix)"),
    ],
)
def test_unusable_log_is_named(run, tmp_path, out, name, content, message):
    log = _log(tmp_path, name, content)
    with pytest.raises(QgsProcessingException, match=message):
        run("readlogs", {"INPUT": [log], "OUTPUT": str(out / "soundings.gpkg")})


def test_half_a_line_at_the_end_is_counted(run, tmp_path, feedback):
    rows = [f"2025-05-17T10:00:{i:02d}Z,46.1{i:02d},-94.1,{3 + i / 10}" for i in range(5)]
    log = _log(tmp_path, "cut.csv", "time,lat,lon,depth_m\n" + "\n".join(rows) + "\n2025-05-17T10")
    results = run("readlogs", {"INPUT": [log], "OUTPUT": "memory:", "UNREAD": "memory:"}, feedback)
    assert results["SOUNDINGS"] == 5
    assert results["UNREAD_COUNT"] == 1
    (row,) = results["UNREAD"].getFeatures()
    assert row["line"] == 7


def _points(memory_layer, xyz, crs=UTM15, name="soundings"):
    return memory_layer(
        "Point",
        [f"POINT({x} {y})" for x, y, _ in xyz],
        crs=crs,
        fields="field=depth_m:double",
        rows=[[None if np.isnan(z) else float(z)] for *_, z in xyz],
        name=name,
    )


LANES = [(x, y, 2 + 0.02 * x) for x in range(0, 101, 5) for y in range(0, 101, 20)]


def test_self_intersecting_shoreline(run, memory_layer, out):
    shore = memory_layer("Polygon", ["POLYGON((0 0,100 100,100 0,0 100,0 0))"], name="my shore")
    with pytest.raises(QgsProcessingException, match="'my shore'.*not valid.*Self-intersection"):
        run(
            "tinsurface",
            {
                "INPUT": _points(memory_layer, LANES),
                "SHORELINE": shore,
                "OUTPUT": str(out / "depth.tif"),
            },
        )


@pytest.mark.parametrize("algorithm", ["tinsurface", "idwsurface"])
def test_identical_points(run, memory_layer, out, algorithm):
    with pytest.raises(QgsProcessingException, match=r"(?i)place|position|point|line"):
        run(
            algorithm,
            {
                "INPUT": _points(memory_layer, [(5, 5, 3.0)] * 20),
                "CELL_SIZE": 2,
                "MAX_GAP": 20,
                "OUTPUT": str(out / "depth.tif"),
            },
        )


def test_one_single_lane(run, memory_layer, out):
    lane = [(x, 0, 3.0) for x in range(0, 200, 2)]
    with pytest.raises(QgsProcessingException, match="line|lane"):
        run("tinsurface", {"INPUT": _points(memory_layer, lane), "OUTPUT": str(out / "depth.tif")})


def test_no_depth_at_all(run, memory_layer, out):
    nothing = [(x, y, np.nan) for x, y, _ in LANES]
    with pytest.raises(QgsProcessingException, match="(?i)accepted|depth"):
        run(
            "tinsurface",
            {"INPUT": _points(memory_layer, nothing), "OUTPUT": str(out / "depth.tif")},
        )


@pytest.mark.parametrize(
    "algorithm", ["cleansoundings", "correctdepths", "reducetodatum", "tinsurface", "idwsurface"]
)
def test_layer_without_crs(run, memory_layer, out, algorithm):
    layer = _points(memory_layer, LANES, crs="", name="homeless")
    extra = {"LAKE_LEVEL": 1.0} if algorithm == "reducetodatum" else {}
    suffix = "tif" if "surface" in algorithm else "gpkg"
    with pytest.raises(QgsProcessingException, match="'homeless'.*coordinate reference system"):
        run(algorithm, {"INPUT": layer, "OUTPUT": str(out / f"result.{suffix}"), **extra})


def test_degrees_are_projected(run, memory_layer, feedback):
    degrees = [(-94.25 + x * 1e-5, 46.5 + y * 1e-5, z) for x, y, z in LANES]
    layer = _points(memory_layer, degrees, crs="EPSG:4326", name="in degrees")
    results = run("tinsurface", {"INPUT": layer, "OUTPUT": "TEMPORARY_OUTPUT"}, feedback)
    assert "in degrees" in feedback.text
    assert "EPSG:32615" in feedback.text
    assert results["MAX_DEPTH"] == pytest.approx(4.0, abs=0.1)


def test_negative_and_missing_depths_are_flagged_not_deleted(run, memory_layer):
    some = [
        (x, y, np.nan if i == 3 else -1.0 if i == 7 else z) for i, (x, y, z) in enumerate(LANES)
    ]
    layer = run("cleansoundings", {"INPUT": _points(memory_layer, some), "OUTPUT": "memory:"})[
        "OUTPUT"
    ]
    status = [f["status"] for f in layer.getFeatures()]
    assert len(status) == len(some)
    assert status[3] != "accepted"
    assert status[7] != "accepted"


@pytest.mark.parametrize(
    ("algorithm", "suffix", "extra"),
    [
        ("cleansoundings", "gpkg", {}),
        ("correctdepths", "gpkg", {"WATER_TEMPERATURE": 15.0}),
        ("reducetodatum", "gpkg", {"LAKE_LEVEL": 1.0}),
        ("tinsurface", "tif", {}),
        ("idwsurface", "tif", {}),
    ],
)
def test_cancelled_run_leaves_nothing(run, recorder, memory_layer, out, algorithm, suffix, extra):
    feedback = recorder()
    feedback.cancel()
    with pytest.raises(QgsProcessingException, match="(?i)cancel"):
        run(
            algorithm,
            {
                "INPUT": _points(memory_layer, LANES),
                "OUTPUT": str(out / f"result.{suffix}"),
                **extra,
            },
            feedback,
        )


@pytest.mark.parametrize(
    ("kind", "value", "field", "message"),
    [
        ("string", "3,4 m", "deep", "'spots', row 1: field 'deep' holds '3,4 m', .* not a number"),
        ("double", 3.4, "depth", "'spots' has no field 'depth'"),
        ("double", 3.4, "", "'spots' have no Z. Choose the depth field from: .*deep"),
    ],
)
def test_field_of_depths_that_gives_none(run, memory_layer, out, kind, value, field, message):
    layer = memory_layer(
        "Point",
        ["POINT(1 1)"],
        crs=UTM15,
        fields=f"field=deep:{kind}",
        rows=[[value]],
        name="spots",
    )
    with pytest.raises(QgsProcessingException, match=message):
        run(
            "readpointlayer",
            {"INPUT": layer, "DEPTH_FIELD": field, "OUTPUT": str(out / "soundings.gpkg")},
        )


@pytest.mark.parametrize(("cell", "gap"), [(5000.0, None), (None, 1e-4)])
def test_cell_wider_than_the_gap(run, memory_layer, out, cell, gap):
    """As when degrees are entered for metres."""
    xyz = [(x, y, 2.0 + 0.01 * y) for x in range(0, 100, 10) for y in range(0, 100, 2)]
    with pytest.raises(QgsProcessingException, match="cell size.*more than the search distance"):
        run(
            "tinsurface",
            {
                "INPUT": _points(memory_layer, xyz),
                "CELL_SIZE": cell,
                "MAX_GAP": gap,
                "OUTPUT": str(out / "depth.tif"),
            },
        )
