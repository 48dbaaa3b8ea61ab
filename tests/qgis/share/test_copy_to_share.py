"""A copy to share holds what it should, and nothing of what it should not."""

import getpass
import os
import re
import sqlite3
import zlib
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal, ogr
from qgis.core import (
    QgsProcessingException,
    QgsProcessingFeatureSourceDefinition,
    QgsProject,
    QgsRasterLayer,
    QgsVectorFileWriter,
    QgsVectorLayer,
)

from lakefloor.algorithms._io import clean_geopackage

SECRETS = (
    "Quillfeather",
    "zander-visit",
    "/home/quill",
    "2025-05-17",
    "2025-07-05",
    "2025-09-20",
    "sekrit",
    "T15:",
    "level_m",
    "spike",
    "xyzzy",
)
VECTORS = ("SOUNDINGS", "CONTOURS", "SHORELINE", "DEPTH_AREAS", "BREAKLINES")

#: A folder that not even an administrator may write to, where it is there (1) or not (0).
NO_ONE_WRITES_TO_PROC = int(os.path.exists("/proc/self"))


@pytest.fixture
def loaded(lake, tmp_path):
    """The lake's layers as files, with secrets in every place that comes to mind."""
    folder = tmp_path / "Quillfeather sekrit"
    folder.mkdir()
    layers = []
    for name in VECTORS:
        path = folder / f"zander-visit {name}.gpkg"
        options = QgsVectorFileWriter.SaveVectorOptions()
        options.layerName = f"xyzzy_{name}"
        QgsVectorFileWriter.writeAsVectorFormatV3(
            lake[name], str(path), QgsProject.instance().transformContext(), options
        )
        layer = QgsVectorLayer(f"{path}|layername=xyzzy_{name}", f"Quillfeather {name}", "ogr")
        assert layer.isValid()
        metadata = layer.metadata()
        metadata.setAbstract("sekrit abstract of Quillfeather")
        metadata.addHistoryItem("made by Quillfeather in /home/quill/zander-visit.nmea")
        layer.setMetadata(metadata)
        # The name since QGIS 4.0, there in late 3.44 too.
        save_style = getattr(layer, "saveStyleToDatabaseV2", layer.saveStyleToDatabase)
        save_style("sekrit style", "/home/quill/xyzzy.svg", True, "")
        layer.setCustomProperty("owner", "Quillfeather")
        layers.append(layer)
    contours = layers[1]
    assert contours.startEditing()
    feature = next(contours.getFeatures())
    contours.changeAttributeValue(
        feature.id(), contours.fields().indexFromName("label"), "sekrit 12"
    )
    assert contours.commitChanges()
    path = folder / "zander-visit depth.tif"
    gdal.Translate(str(path), lake["SURFACE"].source())
    dataset = gdal.Open(str(path), gdal.GA_Update)
    dataset.SetMetadata(
        {
            **dataset.GetMetadata(),
            "TIFFTAG_DATETIME": "2025:05:17 15:00:00",
            "TIFFTAG_ARTIST": "Quillfeather",
            "OWNER": "sekrit",
            "SOURCE": "/home/quill/xyzzy.nmea",
        }
    )
    dataset.GetRasterBand(1).SetMetadata({"NOTE": "sekrit"})
    dataset = None
    layers.append(QgsRasterLayer(str(path), "Quillfeather depth"))
    yield layers
    # pytest keeps the list until QGIS is gone; its layers must end before.
    layers.clear()


def every_byte(folder):
    """Return the bytes of all files of a folder, and of what is compressed in them."""
    chunks = []
    for path in sorted(Path(folder).rglob("*")):
        chunks.append(str(path.relative_to(folder)).encode())
        if path.is_file():
            data = path.read_bytes()
            chunks.append(data)
            if path.suffix == ".tif":
                dataset = gdal.Open(str(path))
                chunks.append(
                    repr(
                        [
                            (d, dataset.GetMetadata(d))
                            for d in dataset.GetMetadataDomainList() or ()
                            if d
                            != "DERIVED_SUBDATASETS"  # made up by GDAL, with the path of the file
                        ]
                    ).encode()
                )
                for i in range(dataset.RasterCount):
                    band = dataset.GetRasterBand(i + 1)
                    chunks.append(band.ReadAsArray().tobytes())
                    chunks.append(repr((band.GetDescription(), band.GetMetadata())).encode())
            for start in (m.start() for m in re.finditer(b"\x78[\x01\x9c\xda]", data)):
                try:
                    chunks.append(zlib.decompressobj().decompress(data[start:]))
                except zlib.error:
                    continue
    return b"\n".join(chunks)


def assert_clean(folder, more=()):
    data = every_byte(folder)
    assert len(data) > 1000
    for secret in (*SECRETS, *more):
        for encoding in ("utf-8", "utf-16-le", "utf-16-be"):
            assert secret.encode(encoding) not in data, secret
            assert secret.upper().encode(encoding) not in data, secret


def test_the_search_finds_secrets_in_the_originals(loaded):
    data = every_byte(Path(loaded[0].source().split("|")[0]).parent)
    for secret in ("Quillfeather", "/home/quill", "2025-05-17", "sekrit", "xyzzy"):
        assert secret.encode() in data


@pytest.mark.parametrize("coarsen", [None, 25.0])
def test_nothing_else_leaves(run, loaded, tmp_path, feedback, coarsen):
    folder = tmp_path / "copy"
    results = run(
        "copytoshare",
        {
            "LAYERS": loaded,
            "COARSEN": coarsen,
            "OUTPUT": str(folder),
            "LICENSE": "CC BY 4.0",
            "ATTRIBUTION": "The lake club",
        },
        feedback,
    )
    assert sorted(os.listdir(folder)) == ["README.txt", "depth.tif", "lake.gpkg"]
    user = getpass.getuser()
    assert_clean(folder, (str(tmp_path), *([user] if len(user) > 4 else [])))
    with sqlite3.connect(folder / "lake.gpkg") as db:
        assert {row[0] for row in db.execute("SELECT table_name FROM gpkg_contents")} == {
            "soundings",
            "contours",
            "outline",
            "depth_areas",
            "break_lines",
        }
        assert {row[0] for row in db.execute("SELECT last_change FROM gpkg_contents")} == {
            "1970-01-01T00:00:00.000Z"
        }
        assert {row[0] for row in db.execute("SELECT description FROM gpkg_contents")} == {""}
        assert db.execute("PRAGMA freelist_count").fetchone() == (0,)
        columns = [row[1] for row in db.execute("PRAGMA table_info(soundings)")]
        coarse = ["uncert_m"] if coarsen else []
        assert columns == ["fid", "geom", "depth_m", *coarse, "corrections"]
        ((said,),) = db.execute("SELECT DISTINCT corrections FROM soundings")
        datum = "datum=staff gauge at the dam;datum_elev_m=0.5"
        assert said == datum + (";coarsened_m=25" if coarsen else "")
        assert not db.execute(
            "SELECT name FROM sqlite_master WHERE name LIKE 'layer_styles' "
            "OR name LIKE 'gpkg_metadata%'"
        ).fetchall()
    dataset = gdal.Open(str(folder / "depth.tif"))
    assert dataset.RasterCount == 1
    assert dataset.GetMetadata() == {
        "AREA_OR_POINT": "Area",
        "DATUM_NAME": "staff gauge at the dam",
        "DATUM_ELEVATION_M": "0.5",
    }
    text = (folder / "README.txt").read_text()
    for word in (
        "staff gauge at the dam",
        "NOT FOR NAVIGATION",
        "Attribution 4.0",
        "The lake club",
        "EPSG:32615",
    ):
        assert word in text
    assert results["CONTENTS"] in feedback.text
    assert results["CONTENTS"].count("\n") == 0
    assert "soundings: " in results["CONTENTS"]
    assert ("coarsened to 25 m" if coarsen else "not coarsened") in results["CONTENTS"]


def rows_of(folder, layer):
    source = ogr.Open(str(folder / "lake.gpkg"))
    return [(f.GetGeometryRef().Clone(), f.items()) for f in source.GetLayer(layer)]


def test_soundings_are_the_accepted_ones_in_order_of_place(run, loaded, lake, tmp_path):
    folder = tmp_path / "copy"
    run("copytoshare", {"LAYERS": loaded[:1], "OUTPUT": str(folder)})
    rows = rows_of(folder, "soundings")
    accepted = [f for f in lake["SOUNDINGS"].getFeatures() if f["status"] == "accepted"]
    assert len(rows) == len(accepted)
    places = [(g.GetY(), g.GetX()) for g, _ in rows]
    assert places == sorted(places)
    expected = sorted(
        (
            round(f.geometry().asPoint().y(), 2),
            round(f.geometry().asPoint().x(), 2),
            round(f["depth_m"], 3),
        )
        for f in accepted
    )
    found = [(y, x, i["depth_m"]) for (y, x), (_, i) in zip(places, rows)]
    assert np.allclose(found, expected, rtol=0, atol=1.01e-3)


def test_copy_is_the_same_whatever_the_order_of_logging(run, lake, tmp_path):
    layer = lake["SOUNDINGS"]
    backward = QgsVectorLayer(f"Point?crs={layer.crs().authid()}", "b", "memory")
    backward.dataProvider().addAttributes(layer.fields().toList())
    backward.updateFields()
    backward.dataProvider().addFeatures(list(layer.getFeatures())[::-1])
    for name, source in (("a", layer), ("b", backward)):
        run("copytoshare", {"LAYERS": [source], "OUTPUT": str(tmp_path / name)})
    first, other = ((tmp_path / n / "lake.gpkg").read_bytes() for n in "ab")
    assert first == other


def test_clip_and_coarsen(run, loaded, tmp_path, memory_layer):
    area = memory_layer(
        "Polygon",
        ["POLYGON((412000 5119900,412200 5119900,412200 5120100,412000 5120100,412000 5119900))"],
    )
    folder = tmp_path / "copy"
    run("copytoshare", {"LAYERS": loaded, "AREA": area, "COARSEN": 20.0, "OUTPUT": str(folder)})
    for layer in ("soundings", "contours", "outline", "depth_areas"):
        rows = rows_of(folder, layer)
        assert rows
        for geometry, _ in rows:
            west, east, south, north = geometry.GetEnvelope()
            assert west >= 412000 - 10
            assert east <= 412200 + 10
            assert south >= 5119900 - 10
            assert north <= 5120100 + 10
    assert all(g.GetX() % 20 == 10 and g.GetY() % 20 == 10 for g, _ in rows_of(folder, "soundings"))
    dataset = gdal.Open(str(folder / "depth.tif"))
    assert (dataset.RasterXSize, dataset.RasterYSize) == (10, 10)
    assert dataset.GetGeoTransform()[1] == 20.0


def test_a_clipped_line_tells_nothing_of_what_lies_beyond(run, tmp_path, memory_layer):
    """Means over a whole breakline, or that a contour closes beyond the clip, are not copied."""
    lines = [
        "LINESTRING(412010 5120000,412090 5120000)",
        "LINESTRING(412010 5120020,412900 5120020)",
    ]
    breaks = memory_layer(
        "LineString",
        lines,
        fields="field=kind:string&field=drop_off:integer&field=height_m:double"
        "&field=slope_mean_pct:double",
        rows=[["crest", 1, 3.0, 20.0], ["crest", 2, 7.0, 30.0]],
    )
    contours = memory_layer(
        "LineString",
        lines,
        fields="field=depth:double&field=unit:string&field=depth_m:double&field=kind:string",
        rows=[[10.0, "ft", 3.048, "hump"], [10.0, "ft", 3.048, "hollow"]],
    )
    marks = memory_layer("Point", ["POINT(412150 5120000)", "POINT(412150 5120500)"],
                         fields="field=name:string", rows=[["here"], ["there"]])  # fmt: skip
    area = memory_layer(
        "Polygon",
        ["POLYGON((412000 5119900,412200 5119900,412200 5120100,412000 5120100,412000 5119900))"],
    )
    run(
        "copytoshare",
        {
            "LAYERS": [breaks, contours],
            "AREA": area,
            "MARKS": marks,
            "OUTPUT": str(tmp_path / "copy"),
        },
    )
    whole, part = sorted(
        (items for _, items in rows_of(tmp_path / "copy", "break_lines")),
        key=lambda items: items["drop_off"],
    )
    assert (whole["height_m"], whole["slope_mean_pct"]) == (3.0, 20.0)
    assert (part["height_m"], part["slope_mean_pct"], part["kind"]) == (None, None, "crest")
    kinds = {items["kind"] for _, items in rows_of(tmp_path / "copy", "contours")}
    assert kinds == {"hump", None}
    assert [items["name"] for _, items in rows_of(tmp_path / "copy", "marks")] == ["here"]


def test_marks_and_tracks_stay_unless_picked(run, loaded, tmp_path, memory_layer, feedback):
    marks = memory_layer(
        "Point",
        ["POINT(412010 5120010)", "POINT(412020 5120020)"],
        name="xyzzy",
        fields="field=name:string&field=note:string&field=time:string",
        rows=[["Reed point", "sekrit", "2025-05-17"], ["Quillfeather rock", "", ""]],
    )
    track = memory_layer(
        "LineString",
        ["LINESTRING(412010 5120010,412099 5120010)"],
        name="t",
        fields="field=name:string",
        rows=[["Quillfeather"]],
    )
    folder = tmp_path / "without"
    run("copytoshare", {"LAYERS": [*loaded, marks, track], "OUTPUT": str(folder)}, feedback)
    assert_clean(folder)
    assert "marks" in feedback.text
    assert "may be tracks, and is left out" in feedback.text
    QgsProject.instance().addMapLayer(marks)
    marks.selectByIds([1])
    picked = QgsProcessingFeatureSourceDefinition(marks.id(), selectedFeaturesOnly=True)
    run("copytoshare", {"MARKS": picked, "OUTPUT": str(tmp_path / "with")})
    assert [(i["name"]) for _, i in rows_of(tmp_path / "with", "marks")] == ["Reed point"]
    assert_clean(tmp_path / "with")
    QgsProject.instance().removeMapLayer(marks.id())


def test_picked_fields(run, loaded, tmp_path):
    run(
        "copytoshare",
        {
            "LAYERS": loaded[:1],
            "EXTRA_FIELDS": "uncert_m, water_temp_c",
            "OUTPUT": str(tmp_path / "copy"),
        },
    )
    assert set(rows_of(tmp_path / "copy", "soundings")[0][1]) == {
        "depth_m",
        "uncert_m",
        "water_temp_c",
        "corrections",
    }
    with pytest.raises(QgsProcessingException, match="'time'.*cannot be shared"):
        run(
            "copytoshare",
            {"LAYERS": loaded[:1], "EXTRA_FIELDS": "time", "OUTPUT": str(tmp_path / "no")},
        )
    assert not (tmp_path / "no").exists()


def test_refusals_leave_nothing(run, loaded, tmp_path, memory_layer, recorder):
    full = tmp_path / "full"
    full.mkdir()
    (full / "other.txt").write_text("x")
    no_crs = memory_layer("Point", ["POINT(1 1)"], crs="", name="odd")
    polar = memory_layer("Polygon", ["POLYGON((0 85,1 85,1 86,0 85))"], crs="EPSG:4326")
    split = memory_layer(
        "Polygon",
        ["POLYGON((179 1,179.5 1,179 2,179 1))", "POLYGON((-179 1,-179.5 1,-179 2,-179 1))"],
        crs="EPSG:4326",
    )
    away = memory_layer("Polygon", ["POLYGON((0 0,1 0,1 1,0 0))"])
    before = sorted(os.listdir(tmp_path))
    for parameters, word in (
        ({}, "Choose layers"),
        ({"LAYERS": loaded, "OUTPUT": str(full)}, "not empty"),
        ({"LAYERS": loaded, "OUTPUT": str(tmp_path / "no" / "copy")}, "does not exist"),
        *[({"LAYERS": loaded, "OUTPUT": "/proc/copy"}, "may write")] * NO_ONE_WRITES_TO_PROC,
        ({"LAYERS": [no_crs]}, "no coordinate reference system"),
        ({"LAYERS": [polar]}, "84 N|UTM"),
        ({"LAYERS": [split]}, "180 degree|one lake"),
        ({"LAYERS": loaded, "AREA": away}, "would be empty"),
    ):
        with pytest.raises(QgsProcessingException, match=word):
            run("copytoshare", {"OUTPUT": str(tmp_path / "copy"), **parameters})
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run("copytoshare", {"LAYERS": loaded, "OUTPUT": str(tmp_path / "copy")}, recorder(80))
    assert sorted(os.listdir(tmp_path)) == before


@pytest.mark.parametrize("limit", [4_000, 60_000, 150_000])
def test_full_disk_leaves_nothing(run, loaded, tmp_path, limit):
    import resource
    import signal

    before = sorted(os.listdir(tmp_path))
    soft = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, soft[1]))
    try:
        with pytest.raises(QgsProcessingException, match="Cannot write"):
            run("copytoshare", {"LAYERS": loaded, "OUTPUT": str(tmp_path / "copy")})
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, soft)
        signal.signal(signal.SIGXFSZ, handler)
    assert sorted(os.listdir(tmp_path)) == before


def test_copy_makes_a_map_again(run, loaded, tmp_path):
    """The friend's side: a surface from the shared soundings and shoreline."""
    folder = tmp_path / "copy"
    run("copytoshare", {"LAYERS": loaded, "OUTPUT": str(folder)})
    gpkg = folder / "lake.gpkg"
    results = run(
        "tinsurface",
        {
            "INPUT": f"{gpkg}|layername=soundings",
            "SHORELINE": f"{gpkg}|layername=outline",
            "CELL_SIZE": 5.0,
            "OUTPUT": str(tmp_path / "again.tif"),
        },
    )
    assert QgsRasterLayer(results["OUTPUT"], "again").isValid()


def test_rows_go_in_by_columns_as_gdal_would_write_them(run, loaded, tmp_path, monkeypatch):
    folders = [tmp_path / "columns", tmp_path / "rows"]
    run("copytoshare", {"LAYERS": loaded, "OUTPUT": str(folders[0])})
    monkeypatch.setattr(clean_geopackage, "find_table", lambda *_: None)
    run("copytoshare", {"LAYERS": loaded, "OUTPUT": str(folders[1])})
    found = []
    for folder in folders:
        with sqlite3.connect(folder / "lake.gpkg") as db:
            masters = sorted(db.execute("SELECT type, name, tbl_name, sql FROM sqlite_master"))
            boxes = db.execute(
                "SELECT table_name, min_x, min_y, max_x, max_y, last_change FROM gpkg_contents"
            ).fetchall()
            rows = {name: db.execute(f'SELECT * FROM "{name}"').fetchall() for name, *_ in boxes}
            for name in rows:
                index = f"rtree_{name}_geom"
                assert db.execute("SELECT rtreecheck(?)", (index,)).fetchone() == ("ok",)
        # GDAL 3.6 has SQLite print the extent, which does so to 16 digits at most.
        extents = {
            name: (*(float(f"{v:.14g}") for v in box), change) for name, *box, change in boxes
        }
        found.append((masters, extents, rows))
    assert found[0] == found[1]
    assert len(found[0][2]["soundings"]) > 100
