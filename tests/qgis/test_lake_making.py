"""New lake folders, whole or not at all, and files that were made before there was one."""

import os
import shutil
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import pytest
from qgis.core import QgsVectorFileWriter, QgsVectorLayer

from lakefloor.algorithms import _store
from lakefloor.algorithms._io.recognizing import recognize
from lakefloor.algorithms._io.rows_digest import rows_digest
from lakefloor.algorithms._lake import making
from lakefloor.algorithms._lake.bringing_in import bring_in
from lakefloor.algorithms._lake.facts import LakeFacts, read_facts
from lakefloor.algorithms._lake.folder import LakeFolder
from lakefloor.algorithms._lake.making import new_lake
from lakefloor.algorithms._lake.runs import current_run
from lakefloor.algorithms._lake.sources import fingerprints
from lakefloor.algorithms._lake.states import step_states
from lakefloor.algorithms.core.errors import LakefloorError

sys.path.insert(0, str(Path(__file__).parent))
from every_algorithm import make_lake

SQUARE = "POLYGON((0 0, 100 0, 100 100, 0 100, 0 0), (40 40, 60 40, 60 60, 40 60, 40 40))"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("given")
    make_lake(folder, along_m=4.0)
    return folder


@pytest.mark.parametrize("name", ["Lac d'Émeraude", "Озеро Тихое", "西湖", "بحيرة", "Aux", "a/b?"])
def test_a_lake_in_any_script_is_made_whole(made, tmp_path, name, qgis_app):
    lake = new_lake(
        tmp_path, LakeFacts(name=name), made / "shoreline.geojson", made / "gauge.csv",
        [made / "logs"],
    )  # fmt: skip
    assert [p.name for p in tmp_path.iterdir()] == [lake.path.name]
    assert read_facts(lake.path).name == name
    assert sorted(os.listdir(lake.path)) == [
        "README.txt", "gauge.csv", "lake.json", "logs", "shoreline.gpkg",
    ]  # fmt: skip
    assert lake.gauge.read_bytes() == (made / "gauge.csv").read_bytes()
    assert sorted(os.listdir(lake.logs)) == ["june.csv", "may.csv"]
    shoreline = QgsVectorLayer(f"{lake.shoreline}|layername=shoreline", "s", "ogr")
    given = QgsVectorLayer(str(made / "shoreline.geojson"), "g", "ogr")
    (row,), (wanted,) = shoreline.getFeatures(), given.getFeatures()
    assert row["name"] == "Round Lake"
    assert row.geometry().isMultipart()
    assert row.geometry().asGeometryCollection()[0].equals(wanted.geometry())
    assert shoreline.crs() == given.crs()
    assert "may see the tracks" in (lake.path / "README.txt").read_text(encoding="utf-8")


def test_a_lake_needs_only_a_name(tmp_path, made, qgis_app):
    lake = new_lake(tmp_path, LakeFacts(name="Pond"), logs=[made / "logs"], copy_logs=False)
    assert sorted(os.listdir(lake.path)) == ["README.txt", "lake.json"]
    assert {s.key: s.state for s in step_states(lake, fingerprints(lake))}["shoreline"] == "ready"
    with pytest.raises(LakefloorError, match="no name"):
        new_lake(tmp_path, LakeFacts(name="  "))


def test_a_folder_that_is_there_is_never_touched(tmp_path, qgis_app):
    (tmp_path / "Pond").mkdir()
    with pytest.raises(LakefloorError, match="there already"):
        new_lake(tmp_path, LakeFacts(name="Pond"))
    assert list((tmp_path / "Pond").iterdir()) == []
    with pytest.raises(LakefloorError, match="does not exist"):
        new_lake(tmp_path / "none", LakeFacts(name="Pond"))


@pytest.mark.parametrize(
    ("wkts", "says"),
    [
        (["POLYGON((0 0, 9 9, 9 0, 0 9, 0 0))"], "not valid"),
        ([SQUARE, "POLYGON((50 50, 150 50, 150 150, 50 50))"], "overlap"),
        ([], "is empty"),
    ],
)
def test_what_is_no_shoreline_makes_no_lake(tmp_path, memory_layer, wkts, says):
    with pytest.raises(LakefloorError, match=says):
        new_lake(tmp_path, LakeFacts(name="Pond"), memory_layer("Polygon", wkts))
    assert list(tmp_path.iterdir()) == []


def test_a_layer_of_points_or_without_crs_makes_no_lake(tmp_path, memory_layer):
    with pytest.raises(LakefloorError, match="layer of polygons"):
        new_lake(tmp_path, LakeFacts(name="Pond"), memory_layer("Point", ["POINT(1 1)"]))
    with pytest.raises(LakefloorError, match="coordinate reference system"):
        new_lake(tmp_path, LakeFacts(name="Pond"), memory_layer("Polygon", [SQUARE], crs=""))
    (tmp_path / "x.txt").write_text("hello")
    with pytest.raises(LakefloorError, match="no layer or table"):
        new_lake(tmp_path, LakeFacts(name="Pond"), tmp_path / "none.gpkg")
    assert os.listdir(tmp_path) == ["x.txt"]


def test_a_table_without_levels_makes_no_lake(tmp_path, qgis_app):
    (tmp_path / "x.csv").write_text("a,b\n1,2\n")
    with pytest.raises(LakefloorError, match="no field that looks like level"):
        new_lake(tmp_path, LakeFacts(name="Pond"), gauge=tmp_path / "x.csv")
    assert os.listdir(tmp_path) == ["x.csv"]


def test_a_gauge_table_of_another_format_is_written_as_text(tmp_path, made, qgis_app, run):
    layer = QgsVectorLayer(
        f"file://{made}/gauge.csv?detectTypes=yes&type=csv", "g", "delimitedtext"
    )
    assert layer.isValid()
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName = "XLSX"
    book = str(tmp_path / "gauge.xlsx")
    QgsVectorFileWriter.writeAsVectorFormatV3(
        layer, book, QgsVectorLayer().transformContext(), options
    )
    lake = new_lake(tmp_path, LakeFacts(name="Pond"), gauge=book)
    rows = lake.gauge.read_text(encoding="utf-8").splitlines()
    assert rows[0] == "time_utc,level_m"
    assert len(rows) == 6
    assert rows[1].startswith("2025-05-10T12:00:00")


def test_a_full_disk_makes_no_lake(tmp_path, made, monkeypatch, qgis_app):
    def full(folder, facts):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(making, "write_facts", full)
    with pytest.raises(LakefloorError, match="No space left"):
        new_lake(tmp_path, LakeFacts(name="Pond"), made / "shoreline.geojson")
    assert list(tmp_path.iterdir()) == []


def test_a_path_too_long_for_windows_is_said_there(tmp_path, monkeypatch, qgis_app):
    deep = tmp_path / ("x" * 150)
    deep.mkdir()
    monkeypatch.setattr(making, "_ON_WINDOWS", True)
    with pytest.raises(LakefloorError, match="letters too long for Windows"):
        making.require_room_for_names(deep / "Pond")
    making.require_room_for_names(Path("/lakes/Pond"))
    monkeypatch.undo()
    assert new_lake(deep, LakeFacts(name="Ж" * 100)).path.is_dir()


# -- what was made before -----------------------------------------------------------------


@pytest.fixture(scope="module")
def loose(made, tmp_path_factory, provider):
    """What a person has who mapped the lake before: a database, and layers in files."""
    import processing
    from qgis.core import QgsProcessingFeedback

    folder = tmp_path_factory.mktemp("loose")

    def run(name, parameters):
        return processing.run(
            f"lakefloor:{name}", parameters, feedback=QgsProcessingFeedback(False)
        )

    run(
        "logstodatabase",
        {
            "DATABASE": f"{folder}/all years.gpkg",
            "LOG_FOLDER": f"{made}/logs",
            "GAUGE": f"{made}/gauge.csv",
            "LEVEL_UNIT": "meters",
            "addtodatabase:Bottom change": "TEMPORARY_OUTPUT",
        },
    )
    files = {
        "readdatabase:Soundings of all visits": "points.gpkg",
        "smoothsurface:Smooth surface": "lake.tif",
        "depthcontours:Depth contours": "lines.geojson",
        "depthareas:Depth areas": "areas.gpkg",
        "bottomslope:Bottom slope": "steep.tif",
        "breaklines:Breaklines": "edges.gpkg",
        "mapsheet:Map sheet": "sheet.pdf",
        "lakereport:Lake report": "report.pdf",
        "lakereport:Lake report as a web page": "report.html",
    }
    run(
        "maplakedatabase",
        {
            "DATABASE": f"{folder}/all years.gpkg",
            "SHORELINE": f"{made}/shoreline.geojson",
            **{output: f"{folder}/{name}" for output, name in files.items()},
        },
    )
    for name in ("shoreline.geojson", "gauge.csv"):
        shutil.copy(made / name, folder)
    shutil.copy(made / "logs" / "may.csv", folder / "LOG0001.TXT")
    (folder / "places.gpx").write_text(
        '<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">'
        '<wpt lat="46.2" lon="-93.3"><name>hump</name></wpt></gpx>'
    )
    return folder


def test_files_are_known_by_their_content(loose):
    found = {
        path.name: [r.kind for r in recognize(path)]
        for path in loose.iterdir()
        if not path.name.endswith(".aux.xml")
    }
    assert found == {
        "all years.gpkg": ["database"],
        "points.gpkg": ["soundings"],
        "lake.tif": ["surface"],
        "lines.geojson": ["contours"],
        "areas.gpkg": ["depth_areas"],
        "steep.tif": ["slope"],
        "edges.gpkg": ["break_lines"],
        "shoreline.geojson": ["shoreline"],
        "gauge.csv": ["gauge"],
        "LOG0001.TXT": ["log"],
        "places.gpx": ["waypoints"],
        "sheet.pdf": found["sheet.pdf"],
        "report.pdf": found["report.pdf"],
        "report.html": [""],
    }
    assert set(found["sheet.pdf"] + found["report.pdf"]) == {""}


def test_files_made_before_get_their_places(loose, tmp_path):
    before = {p.name: p.read_bytes() for p in loose.iterdir() if p.suffix != ".gpkg"}
    lake = new_lake(tmp_path, LakeFacts(name="Pond"))
    brought = {b.name: b for b in bring_in(lake, [loose])}
    assert {b.place for b in brought.values() if b.place.count("/") < 2} - {""} == {
        "lake_database.gpkg", "shoreline.gpkg", "gauge.csv", "marks.gpkg", "logs/LOG0001.TXT",
    }  # fmt: skip
    assert "not recognized" in brought["report.html"].why
    record = current_run(lake, "map")
    assert set(record.outputs) == {
        "soundings", "surface", "contours", "depth_areas", "slope", "break_lines",
    }  # fmt: skip
    for path in record.outputs.values():
        assert (lake.path / path).is_file()
    contours = QgsVectorLayer(str(lake.path / record.outputs["contours"]), "c", "ogr")
    assert contours.featureCount() == QgsVectorLayer(str(loose / "lines.geojson")).featureCount()
    assert len(_store.contents(lake.database).visits) == 2
    states = {s.key: s.state for s in step_states(lake, fingerprints(lake))}
    assert states["map"] == "out of date"
    assert states["visits"] == states["shoreline"] == "done"
    marks = QgsVectorLayer(str(lake.marks), "m", "ogr")
    assert [f["name"] for f in marks.getFeatures()] == ["hump"]
    assert {p.name: p.read_bytes() for p in loose.iterdir() if p.name in before} == before


def test_nothing_that_is_there_is_replaced(loose, tmp_path):
    lake = new_lake(tmp_path, LakeFacts(name="Pond"))
    bring_in(lake, [loose])
    digest, stamp = rows_digest(lake.shoreline), current_run(lake, "map").stamp
    again = bring_in(lake, [loose])
    assert not any(b.place for b in again)
    assert all(b.why for b in again)
    assert rows_digest(lake.shoreline) == digest
    assert os.listdir(lake.path / "map") == [stamp]
    with pytest.raises(LakefloorError, match="no file"):
        bring_in(lake, [loose / "none"])


def test_layers_of_one_geopackage_are_told_apart(loose, tmp_path, run):
    package = tmp_path / "all.gpkg"
    for name in ("points", "areas"):
        layer = QgsVectorLayer(str(loose / f"{name}.gpkg"), name, "ogr")
        options = QgsVectorFileWriter.SaveVectorOptions()
        options.layerName = name
        if package.exists():
            options.actionOnExistingFile = (
                QgsVectorFileWriter.ActionOnExistingFile.CreateOrOverwriteLayer
            )
        QgsVectorFileWriter.writeAsVectorFormatV3(
            layer, str(package), layer.transformContext(), options
        )
    lake = new_lake(tmp_path, LakeFacts(name="Pond"))
    assert sorted((b.name, b.kind) for b in bring_in(lake, [package])) == [
        ("all.gpkg: areas", "depth_areas"),
        ("all.gpkg: points", "soundings"),
    ]


def test_a_layer_of_others_is_left_where_it_is(tmp_path, made, qgis_app):
    lake = new_lake(tmp_path, LakeFacts(name="Pond"))
    brought = bring_in(lake, [made / "old.geojson", made / "points.gpkg", made / "lines.geojson"])
    assert [b.place for b in brought] == [""] * 3
    assert sorted(os.listdir(lake.path)) == ["README.txt", "lake.json"]


def test_a_damaged_database_is_not_brought_in(loose, tmp_path):
    damaged = tmp_path / "damaged.gpkg"
    shutil.copy(loose / "all years.gpkg", damaged)
    with closing(sqlite3.connect(damaged)) as db:
        db.execute("UPDATE visits SET soundings = 3")
        db.commit()
    lake = new_lake(tmp_path, LakeFacts(name="Pond"))
    (brought,) = bring_in(lake, [damaged])
    assert "damaged" in brought.why
    assert not lake.database.exists()


def test_an_empty_shoreline_is_none_yet(tmp_path, made, qgis_app):
    """As QGIS writes a layer into which nothing is drawn yet."""
    lake = new_lake(tmp_path, LakeFacts(name="Pond"), made / "shoreline.geojson")
    layer = QgsVectorLayer(str(lake.shoreline), "s", "ogr")
    assert layer.dataProvider().truncate()
    del layer
    assert "shoreline" not in fingerprints(LakeFolder(lake.path))
