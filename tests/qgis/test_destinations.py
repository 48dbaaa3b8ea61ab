"""No result replaces a store, an input, or what Lakefloor did not write; several are one."""

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal, ogr
from qgis.core import (
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingOutputLayerDefinition,
    QgsProject,
    QgsVectorLayer,
)

sys.path.insert(0, str(Path(__file__).parent))
from lakes import paraboloid, shore

from lakefloor.algorithms import _store
from lakefloor.algorithms._io import package as _package
from lakefloor.algorithms._io import staging as _staging
from lakefloor.algorithms._io.staging import Staging, sweep
from lakefloor.algorithms._io.whole import check_whole
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.soundings import Soundings

CRS = "EPSG:32615"
DATUM = "datum=gauge;datum_elev_m=290;level_m=0"


def soundings(n=400):
    along = np.arange(n, dtype=float)
    return Soundings.build(
        500_000 + along % 100,
        5_100_000 + along // 100 * 12,
        3 + np.sin(along / 9),
        raw_depth=3 + np.sin(along / 9),
        visit="May",
        lane=along // 100,
        time=np.datetime64("2025-05-17T10:00:00", "ms") + along.astype("timedelta64[s]"),
        corrections=DATUM,
        uncert=0.1,
    )


@pytest.fixture
def store(tmp_path):
    path = tmp_path / "lake.gpkg"
    _store.add(path, soundings(), CRS)
    return path


@pytest.fixture
def drawn(tmp_path):
    """A GeoPackage of the user's own, with a shoreline drawn by hand."""
    path = tmp_path / "own.gpkg"
    package = ogr.GetDriverByName("GPKG").CreateDataSource(str(path))
    from osgeo import osr

    srs = osr.SpatialReference()
    srs.ImportFromEPSG(32615)
    layer = package.CreateLayer("shoreline", srs, ogr.wkbPolygon)
    feature = ogr.Feature(layer.GetLayerDefn())
    feature.SetGeometry(ogr.CreateGeometryFromWkb(shore().wkb))
    layer.CreateFeature(feature)
    feature = layer = package = None
    return path


def rows(path, table):
    with closing(sqlite3.connect(str(path))) as db:
        return db.execute(f'SELECT count(*) FROM "{table}"').fetchone()[0]


def in_package(path, table):
    return f"ogr:dbname='{path}' table=\"{table}\" (geom)"


def test_the_store_is_replaced_by_no_output(run, store, tmp_path):
    lake = paraboloid(tmp_path)
    layer = f"{store}|layername=soundings"
    before = store.read_bytes()
    for target in (
        str(store),
        in_package(store, "contours"),
        in_package(store, "soundings"),
        str(store.with_suffix("")),
        str(tmp_path / "x" / ".." / "lake.gpkg"),
    ):
        for name, parameters in (
            ("depthcontours", {"INPUT": lake}),
            ("cleansoundings", {"INPUT": layer}),
            ("readdatabase", {"DATABASE": str(store)}),
            ("addtodatabase", {"INPUT": layer, "DATABASE": str(store)}),
        ):
            output = "CHANGED" if name == "addtodatabase" else "OUTPUT"
            (tmp_path / "x").mkdir(exist_ok=True)
            with pytest.raises(QgsProcessingException, match="lake database|folder"):
                run(name, {**parameters, output: target})
            assert store.read_bytes() == before


def test_read_logs_spares_the_store(run, store, tmp_path):
    log = tmp_path / "a.csv"
    log.write_text(
        "time,lat,lon,depth_m\n2025-05-17T10:00:00Z,46.05,-93.0,3.0\n"
        "2025-05-17T10:00:01Z,46.0501,-93.0,3.1\n"
    )
    before = store.read_bytes()
    with pytest.raises(QgsProcessingException, match="a lake database, which no result may"):
        run("readlogs", {"INPUT": str(log), "OUTPUT": str(store)})
    assert store.read_bytes() == before


def test_a_lake_project_beside_the_store_is_refused(run, store, drawn, tmp_path):
    surface = paraboloid(tmp_path)
    contours = str(tmp_path / "contours.gpkg")
    run("depthcontours", {"INPUT": surface, "INTERVAL": 3, "OUTPUT": contours})
    before = store.read_bytes()
    given = {"CONTOURS": contours, "SHORELINE": f"{drawn}|layername=shoreline"}
    with pytest.raises(QgsProcessingException, match=r"lake\.gpkg' is a lake database"):
        run("lakeproject", {**given, "OUTPUT": str(tmp_path / "lake.qgz")})
    assert store.read_bytes() == before
    assert not (tmp_path / "lake.qgz").exists()
    with pytest.raises(QgsProcessingException, match=r"own\.gpkg' exists .*layer 'shoreline'"):
        run("lakeproject", {**given, "OUTPUT": str(tmp_path / "own.qgz")})
    assert rows(drawn, "shoreline") == 1
    run("lakeproject", {**given, "OUTPUT": str(tmp_path / "map.qgz")})
    run("lakeproject", {**given, "OUTPUT": str(tmp_path / "map.qgz")})  # its own is replaced


def test_a_package_drawn_by_hand_gets_a_table_and_keeps_its_own(run, drawn, tmp_path):
    surface = paraboloid(tmp_path)
    project = QgsProject()
    definition = QgsProcessingOutputLayerDefinition(in_package(drawn, "contours"), project)
    definition.destinationName = "Mine"
    context = QgsProcessingContext()
    context.setProject(project)
    first = run(
        "depthcontours", {"INPUT": surface, "INTERVAL": 3, "OUTPUT": definition}, context=context
    )
    assert first["OUTPUT"] == f"{drawn}|layername=contours"
    assert [d.name for d in context.layersToLoadOnCompletion().values()] == ["Mine"]
    count = rows(drawn, "contours")
    assert (count > 5, rows(drawn, "shoreline")) == (True, 1)
    layer = QgsVectorLayer(first["OUTPUT"])
    assert (layer.featureCount(), layer.crs().authid()) == (count, CRS)
    # Its own table is replaced, the one drawn by hand is not, nor is the file.
    run("depthcontours", {"INPUT": surface, "INTERVAL": 9, "OUTPUT": in_package(drawn, "contours")})
    assert 0 < rows(drawn, "contours") < count
    for target in (in_package(drawn, "shoreline"), str(drawn)):
        with pytest.raises(QgsProcessingException, match="layer 'shoreline', which Lakefloor did"):
            run("depthcontours", {"INPUT": surface, "OUTPUT": target})
    assert rows(drawn, "shoreline") == 1
    assert not list(tmp_path.glob(".lakefloor-*"))


def test_a_package_that_is_open_elsewhere_shows_the_new_table(run, drawn, tmp_path):
    """As of a layer on the map, which QGIS keeps open in write-ahead mode."""
    surface = paraboloid(tmp_path)
    with closing(sqlite3.connect(str(drawn))) as other:
        other.execute("PRAGMA journal_mode = WAL")
        assert other.execute("SELECT count(*) FROM shoreline").fetchone() == (1,)
        other.commit()
        run(
            "depthcontours",
            {"INPUT": surface, "INTERVAL": 3, "OUTPUT": in_package(drawn, "contours")},
        )
        assert other.execute("SELECT count(*) FROM contours").fetchone()[0] > 5
        assert other.execute("SELECT count(*) FROM shoreline").fetchone() == (1,)
    check_whole(drawn)


def test_a_package_that_is_locked_is_told(run, drawn, tmp_path, monkeypatch):
    from lakefloor.algorithms._io import package as _package

    surface = paraboloid(tmp_path)
    monkeypatch.setattr(_package, "LOCK_TIMEOUT_S", 0.5)
    before = drawn.read_bytes()
    with closing(sqlite3.connect(str(drawn), isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(QgsProcessingException, match="close other programs that write to it"):
            run("depthcontours", {"INPUT": surface, "OUTPUT": in_package(drawn, "contours")})
        other.execute("ROLLBACK")
    assert drawn.read_bytes() == before


def test_two_tables_make_a_new_package(run, tmp_path):
    log, new = tmp_path / "a.csv", tmp_path / "new.gpkg"
    log.write_text(
        "time,lat,lon,depth_m\n2025-05-17T10:00:00Z,46.05,-93.0,3.0\n"
        "2025-05-17T10:00:01Z,46.0501,-93.0,3.1\n"
    )
    run(
        "readlogs",
        {
            "INPUT": str(log),
            "OUTPUT": in_package(new, "soundings"),
            "UNREAD": in_package(new, "unread"),
        },
    )
    assert rows(new, "soundings") == 2
    assert rows(new, "unread") == 0
    check_whole(new)
    run(
        "cleansoundings",
        {
            "INPUT": f"{new}|layername=soundings",
            "OUTPUT": in_package(new, "clean"),
            "COUNTS": in_package(new, "counts"),
        },
    )
    assert rows(new, "clean") == 2
    assert rows(new, "counts") > 0
    assert sorted(os.listdir(tmp_path)) == ["a.csv", "new.gpkg"]


def test_times_in_a_package_keep_their_milliseconds(run, drawn, tmp_path):
    log = tmp_path / "a.csv"
    log.write_text(
        "time,lat,lon,depth_m\n2025-05-17T10:00:00.250Z,46.05,-93.0,3.0\n"
        "2025-05-17T10:00:01.750Z,46.0501,-93.0,3.1\n"
    )
    run("readlogs", {"INPUT": str(log), "OUTPUT": in_package(drawn, "soundings")})
    with closing(sqlite3.connect(str(drawn))) as db:
        times = [t for (t,) in db.execute("SELECT time FROM soundings ORDER BY fid")]
    assert times == ["2025-05-17T10:00:00.250Z", "2025-05-17T10:00:01.750Z"]


def test_a_raster_of_somebody_else_is_not_replaced(run, tmp_path):
    surface = paraboloid(tmp_path)
    foreign = tmp_path / "dem.tif"
    gdal.GetDriverByName("GTiff").Create(str(foreign), 5, 5)
    before = foreign.read_bytes()
    with pytest.raises(QgsProcessingException, match=r"dem\.tif' is a raster that Lakefloor did"):
        run("bottomslope", {"INPUT": surface, "OUTPUT": str(foreign)})
    assert foreign.read_bytes() == before
    own = {"INPUT": surface, "OUTPUT": str(tmp_path / "slope.tif")}
    run("bottomslope", own)
    run("bottomslope", own)


def test_plain_files_are_replaced_as_qgis_asks(run, tmp_path):
    page = tmp_path / "notes.csv"
    page.write_text("mine\n")
    run(
        "lakestatistics",
        {"INPUT": paraboloid(tmp_path), "SHORELINE": _shoreline(tmp_path), "CSV": str(page)},
    )
    assert page.read_text() != "mine\n"


@pytest.mark.parametrize("ending", ["geojson", "json", "sqlite", "shp", "fgb", "csv", "kml"])
def test_a_layer_gets_the_name_that_was_chosen_again_and_again(run, tmp_path, ending):
    path = tmp_path / f"contours.{ending}"
    given = {"INPUT": paraboloid(tmp_path), "SHORELINE": _shoreline(tmp_path), "OUTPUT": str(path)}
    for _ in range(2):
        assert run("depthcontours", given)["OUTPUT"] == str(path)
        assert QgsVectorLayer(str(path), "contours", "ogr").featureCount() > 0


def test_a_format_that_cannot_hold_a_layer_is_told(run, tmp_path):
    with pytest.raises(QgsProcessingException, match=r"'Depth contours' .*GeoPackage") as told:
        run(
            "depthcontours",
            {
                "INPUT": paraboloid(tmp_path),
                "SHORELINE": _shoreline(tmp_path),
                "OUTPUT": str(tmp_path / "contours.dxf"),
            },
        )
    assert ".lakefloor-" not in str(told.value)
    assert not (tmp_path / "contours.dxf").exists()


@pytest.mark.parametrize("ending", ["img", "nc", "bil"])
def test_a_raster_of_another_format_may_be_replaced(run, tmp_path, ending):
    if gdal.GetDriverByName({"img": "HFA", "nc": "netCDF", "bil": "EHdr"}[ending]) is None:
        pytest.skip("GDAL has no such driver here")
    path = tmp_path / f"slope.{ending}"
    for _ in range(2):
        run("bottomslope", {"INPUT": paraboloid(tmp_path), "OUTPUT": str(path)})
    # netCDF keeps each band as a data set of its own.
    name = f'NETCDF:"{path}":Band1' if ending == "nc" else str(path)
    assert gdal.Open(name).GetRasterBand(1).ReadRaster()


@pytest.mark.skipif(os.name == "nt", reason="links are for administrators there")
@pytest.mark.parametrize("present", [True, False])
def test_where_a_link_points_the_file_is_replaced(run, tmp_path, present):
    (tmp_path / "disk").mkdir()
    real, link = tmp_path / "disk" / "slope.tif", tmp_path / "slope.tif"
    if present:
        run("bottomslope", {"INPUT": paraboloid(tmp_path), "OUTPUT": str(real)})
        before = real.stat().st_ino
    link.symlink_to(real)
    run("bottomslope", {"INPUT": paraboloid(tmp_path), "OUTPUT": str(link)})
    assert link.is_symlink()
    assert real.is_file()
    if present:
        assert real.stat().st_ino != before


@pytest.mark.skipif(os.name == "nt", reason="links are for administrators there")
def test_a_store_may_be_made_where_a_link_points(tmp_path):
    (tmp_path / "disk").mkdir()
    link = tmp_path / "lake.gpkg"
    link.symlink_to(tmp_path / "disk" / "lake.gpkg")
    _store.add(link, soundings(), CRS)
    assert link.is_symlink()
    assert (tmp_path / "disk" / "lake.gpkg").is_file()


@pytest.mark.parametrize(
    ("name", "output", "ending"),
    [
        ("depthcontours", "OUTPUT", "gpkg"),
        ("bottomslope", "OUTPUT", "tif"),
        ("lakestatistics", "REPORT", "html"),
    ],
)
def test_a_name_too_long_is_told(run, tmp_path, name, output, ending):
    given = {"INPUT": paraboloid(tmp_path), output: str(tmp_path / f"{'n' * 246}.{ending}")}
    if name != "bottomslope":
        given["SHORELINE"] = _shoreline(tmp_path)
    with pytest.raises(QgsProcessingException, match="Choose another, shorter one"):
        run(name, given)


@pytest.mark.parametrize("ending", ["tif", "gpkg", "csv"])
def test_a_result_that_is_cut_short_replaces_nothing(run, tmp_path, monkeypatch, ending):
    """On a full disk a file may be closed cut short without an error."""
    path = tmp_path / f"result.{ending}"
    name, output = {
        "tif": ("bottomslope", "OUTPUT"),
        "gpkg": ("depthcontours", "OUTPUT"),
        "csv": ("lakestatistics", "CSV"),
    }[ending]
    given = {"INPUT": paraboloid(tmp_path), output: str(path)}
    if name != "bottomslope":
        given["SHORELINE"] = _shoreline(tmp_path)
    run(name, given)
    before = path.read_bytes()
    parts = Staging.parts

    def cut(staging):
        for staged, final in parts(staging):
            size = staged.stat().st_size
            os.truncate(staged, size * 2 // 3 if ending != "csv" else size - 1)
            yield staged, final

    monkeypatch.setattr(Staging, "parts", cut)
    with pytest.raises(QgsProcessingException, match="could not be written in full|Cannot write"):
        run(name, given)
    assert path.read_bytes() == before


def test_what_belongs_to_a_replaced_file_goes_with_it(pair):
    beside = [pair / "a.csv-wal", pair / "a.csv.aux.xml"]
    for path in beside:
        path.write_text("of the old one")
    with two(pair) as staging:
        staging.move()
        assert not any(path.exists() for path in beside)
    assert [path.read_text() for path in beside] == ["of the old one"] * 2
    with two(pair) as staging:
        staging.move()
        staging.finish()
    assert sorted(os.listdir(pair)) == ["a.csv", "b.csv"]


def test_what_another_program_writes_meanwhile_is_kept(run, drawn, tmp_path, monkeypatch):
    whole = _package.check_whole

    def write_meanwhile(*args):
        with closing(sqlite3.connect(drawn)) as db:
            db.execute("CREATE TABLE mine (a)")
            db.commit()
        return whole(*args)

    monkeypatch.setattr(_package, "check_whole", write_meanwhile)
    with pytest.raises(QgsProcessingException, match="another program has just changed it"):
        run("depthcontours", {"INPUT": paraboloid(tmp_path), "OUTPUT": in_package(drawn, "lines")})
    with closing(sqlite3.connect(drawn)) as db:
        tables = {name for (name,) in db.execute("SELECT name FROM sqlite_master")}
    assert "mine" in tables
    assert "lines" not in tables


def test_no_text_of_a_table_is_a_formula(run, tmp_path):
    given, path = tmp_path / "places.csv", tmp_path / "marks.csv"
    given.write_text("name,lat,lon\n=HYPERLINK(1),46,-93\n")
    run("importwaypoints", {"INPUT": str(given), "OUTPUT": str(path)})
    text = path.read_text()
    assert "HYPERLINK" in text
    assert not any(cell.strip('"').startswith("=") for cell in text.replace("\n", ",").split(","))


def test_no_result_is_a_raster_that_points_to_a_file_of_the_run(run, tmp_path):
    path = tmp_path / "slope.vrt"
    with pytest.raises(QgsProcessingException, match=r"virtual raster|end in \.tif"):
        run("bottomslope", {"INPUT": paraboloid(tmp_path), "OUTPUT": str(path)})
    assert not path.exists()


def _shoreline(tmp_path):
    layer = tmp_path / "shore.geojson"
    if not layer.exists():
        package = ogr.GetDriverByName("GeoJSON").CreateDataSource(str(layer))
        from osgeo import osr

        srs = osr.SpatialReference()
        srs.ImportFromEPSG(32615)
        shape = package.CreateLayer("shore", srs, ogr.wkbPolygon)
        feature = ogr.Feature(shape.GetLayerDefn())
        feature.SetGeometry(ogr.CreateGeometryFromWkb(shore().wkb))
        shape.CreateFeature(feature)
        feature = shape = package = None
    return str(layer)


def test_an_input_is_not_its_own_output(run, tmp_path):
    surface = paraboloid(tmp_path)
    path = str(tmp_path / "soundings.gpkg")
    log = tmp_path / "a.csv"
    log.write_text(
        "time,lat,lon,depth_m\n2025-05-17T10:00:00Z,46.05,-93.0,3.0\n"
        "2025-05-17T10:00:01Z,46.0501,-93.0,3.1\n"
    )
    run("readlogs", {"INPUT": str(log), "OUTPUT": path})
    before = Path(path).read_bytes()
    for name, given, output in (
        ("cleansoundings", {"INPUT": path}, path),
        ("cleansoundings", {"INPUT": path}, in_package(path, "soundings")),
        ("bottomslope", {"INPUT": surface}, surface.source()),
        ("importwaypoints", {"INPUT": str(log)}, str(log)),
        ("readlogs", {"INPUT": [str(log)]}, str(log)),
    ):
        with pytest.raises(QgsProcessingException, match="of this run. Choose another file"):
            run(name, {**given, "OUTPUT": output})
    assert Path(path).read_bytes() == before
    # Another table of the same file is another place.
    run("cleansoundings", {"INPUT": path, "OUTPUT": in_package(path, "clean")})
    assert (rows(path, "soundings"), rows(path, "clean")) == (2, 2)


def test_two_outputs_of_one_name_are_refused(run, tmp_path):
    both = str(tmp_path / "a.html")
    with pytest.raises(QgsProcessingException, match="go to the same file"):
        run(
            "lakestatistics",
            {
                "INPUT": paraboloid(tmp_path),
                "SHORELINE": _shoreline(tmp_path),
                "REPORT": both,
                "CSV": both,
            },
        )


def test_a_read_only_file_is_kept(run, tmp_path, monkeypatch):
    surface = paraboloid(tmp_path)
    target = tmp_path / "slope.tif"
    run("bottomslope", {"INPUT": surface, "OUTPUT": str(target)})
    before = target.read_bytes()
    may = os.access
    # Root may write everywhere.
    monkeypatch.setattr(os, "access", lambda p, m: Path(p) != target and may(p, m))
    with pytest.raises(QgsProcessingException, match="is read-only"):
        run("bottomslope", {"INPUT": surface, "METHOD": "four neighbors", "OUTPUT": str(target)})
    assert target.read_bytes() == before


# -- several outputs are one -----------------------------------------------------------------------


def two(folder, text="new"):
    """Stage two files that both exist already."""
    staging = Staging()
    for name in ("a.csv", "b.csv"):
        staging.stage(folder / name).write_text(f"{text}\n")
    return staging


@pytest.fixture
def pair(tmp_path):
    folder = tmp_path / "pair"
    folder.mkdir()
    for name in ("a.csv", "b.csv"):
        (folder / name).write_text("old\n")
    return folder


def contents(folder):
    return [path.read_text().strip() for path in sorted(folder.glob("*.csv"))]


def test_both_move_or_neither(pair):
    with two(pair) as staging:
        staging.move()
        assert contents(pair) == ["new", "new"]
        staging.finish()
    assert sorted(os.listdir(pair)) == ["a.csv", "b.csv"]
    assert contents(pair) == ["new", "new"]
    with two(pair, "newer") as staging:
        staging.move()
    assert contents(pair) == ["new", "new"]
    assert sorted(os.listdir(pair)) == ["a.csv", "b.csv"]


@pytest.mark.parametrize("call", range(1, 7))
@pytest.mark.parametrize("system", ["posix", "nt"])
def test_a_file_that_is_in_use_leaves_all_as_before(pair, monkeypatch, call, system):
    """As on Windows, where a raster of the map can be neither renamed nor replaced."""
    real, calls = os.replace, []

    def replace(a, b):
        calls.append(a)
        if len(calls) == call:
            raise PermissionError(13, "The process cannot access the file", str(a))
        real(a, b)

    staging = two(pair)
    monkeypatch.setattr(_staging.os, "replace", replace)
    if system == "nt":
        monkeypatch.setattr(_staging.os, "link", _no_links)
    refused = ""
    try:
        with staging:
            staging.move()
            staging.finish()
    except LakefloorError as error:
        refused = str(error)
    if refused:
        assert "Nothing was changed. If it is a layer of the project, remove the layer" in refused
        assert contents(pair) == ["old", "old"]
    else:
        assert len(calls) < call
        assert contents(pair) == ["new", "new"]
    assert sorted(os.listdir(pair)) == ["a.csv", "b.csv"]


def _no_links(a, b):
    raise PermissionError(1, "Operation not permitted")


_KILLED = """
import os, sys
sys.path.insert(0, {ci!r})
import checkout
from pathlib import Path
from lakefloor.algorithms._io import staging as _staging
folder, stop = Path(sys.argv[1]), int(sys.argv[2])
staging = _staging.Staging()
for name in ("a.csv", "b.csv", "c.csv"):
    parent = folder / "other" if name == "b.csv" else folder
    staging.stage(parent / name).write_text("new\\n")
steps = [0]
def counted(real):
    def call(*arguments, **options):
        steps[0] += 1
        if steps[0] == stop:
            os.kill(os.getpid(), 9)
        return real(*arguments, **options)
    return call
for name in ("replace", "link", "unlink", "fsync"):
    setattr(os, name, counted(getattr(os, name)))
Path.unlink = counted(Path.unlink)
with staging:
    staging.move()
    staging.finish()
print("done")
"""


def test_a_kill_between_two_renames_is_taken_back_by_the_next_run(tmp_path):
    """In two folders, of three files of which one is new."""
    program = _KILLED.format(ci=str(Path(__file__).resolve().parents[2] / ".ci"))
    seen, done = set(), False
    for stop in range(1, 60):
        folder = tmp_path / str(stop)
        (folder / "other").mkdir(parents=True)
        (folder / "a.csv").write_text("old\n")
        (folder / "other" / "b.csv").write_text("old\n")
        ran = subprocess.run(
            [sys.executable, "-c", program, str(folder), str(stop)],
            capture_output=True,
            text=True,
            check=False,
        )
        # The second folder first: what counts is the journal in the other.
        sweep(folder / "other")
        sweep(folder)
        state = (*contents(folder / "other"), *contents(folder))
        assert state in (("old", "old"), ("new", "new", "new")), (stop, ran.stderr)
        assert not list(folder.rglob(".lakefloor-*"))
        seen.add(state)
        if ran.stdout == "done\n":
            done = True
            break
        assert ran.returncode == -9
    assert done
    assert len(seen) == 2


def test_a_folder_that_was_moved_meanwhile_is_put_in_order_there(tmp_path, pair):
    program = _KILLED.format(ci=str(Path(__file__).resolve().parents[2] / ".ci"))
    (pair / "other").mkdir()
    (pair / "other" / "b.csv").write_text("old\n")
    for stop in range(1, 60):
        subprocess.run(
            [sys.executable, "-c", program, str(pair), str(stop)], capture_output=True, check=False
        )
        journals = list(pair.glob(".lakefloor-*/journal"))
        if journals and (pair / "a.csv").read_text() == "new\n":
            break
        sweep(pair / "other")
        sweep(pair)
    moved = pair.rename(tmp_path / "moved")
    sweep(moved)
    assert (moved / "a.csv").read_text() == "old\n"
    assert not list(moved.glob(".lakefloor-*"))


def test_a_later_file_of_the_user_is_not_undone(pair):
    with two(pair) as staging:
        staging.move()
        (pair / "a.csv").write_text("by hand, later\n")
    assert contents(pair) == ["by hand, later", "old"]


def test_a_live_run_is_left_alone(pair):
    with two(pair) as staging:
        before = sorted(str(p) for p in pair.rglob("*"))
        sweep(pair)
        assert sorted(str(p) for p in pair.rglob("*")) == before
        staging.move()
        sweep(pair)
        assert contents(pair) == ["new", "new"]
        staging.finish()
    assert contents(pair) == ["new", "new"]


def test_a_journal_from_elsewhere_touches_nothing_outside(tmp_path, pair):
    """As in a lake folder that was handed on by somebody."""
    private = tmp_path / "private"
    private.mkdir()
    (private / "diary.txt").write_text("mine\n")
    (private / "old").mkdir()
    (private / "old" / "kept.txt").write_text("mine too\n")
    found = (private / "diary.txt").stat()
    made = [found.st_size, found.st_mtime_ns]
    bad = pair / ".lakefloor-bad"
    (bad / "new").mkdir(parents=True)
    (bad / "old").symlink_to(private)
    (bad / "run").write_text(json.dumps(".lakefloor-bad"))
    (bad / "journal").write_text(
        json.dumps(
            [
                {"folder": "../private", "name": "diary.txt", "old": False, "made": made},
                {
                    "folder": "../private/.lakefloor-x",
                    "name": "diary.txt",
                    "old": False,
                    "made": made,
                },
                {"folder": ".lakefloor-bad", "name": "diary.txt", "old": True, "made": None},
            ]
        )
    )
    (pair / ".lakefloor-link").symlink_to(private)
    (pair / ".lakefloor-odd").mkdir()
    (pair / ".lakefloor-odd" / "run").write_text("[1]")
    (pair / ".lakefloor-odd" / "journal").write_text('[{"odd": 1}]')
    sweep(pair)
    assert (private / "diary.txt").read_text() == "mine\n"
    assert (private / "old" / "kept.txt").read_text() == "mine too\n"
    assert not (pair / "diary.txt").exists()


def test_folders_of_dead_runs_are_swept_by_the_next(run, tmp_path):
    surface = paraboloid(tmp_path)
    for number in range(3):
        dead = tmp_path / f".lakefloor-dead{number}"
        (dead / "new").mkdir(parents=True)
        (dead / "run").write_text(json.dumps(str(dead)))
        (dead / "new" / "x.tif").write_bytes(bytes(1000))
    (tmp_path / ".lakefloor-empty").mkdir()
    young = tmp_path / ".lakefloor-unlocked"
    young.mkdir()
    (young / "x.tif").write_bytes(b"1")
    run("bottomslope", {"INPUT": surface, "OUTPUT": str(tmp_path / "slope.tif")})
    assert [p.name for p in tmp_path.glob(".lakefloor-*")] == [young.name]
    os.utime(young, (0, 0))
    sweep(tmp_path)
    assert not list(tmp_path.glob(".lakefloor-*"))


def test_opening_a_project_puts_its_folder_in_order(qgis_app, tmp_path, pair):
    from lakefloor.plugin.main import LakefloorPlugin

    program = _KILLED.format(ci=str(Path(__file__).resolve().parents[2] / ".ci"))
    (pair / "other").mkdir()
    for stop in range(1, 60):
        subprocess.run(
            [sys.executable, "-c", program, str(pair), str(stop)], capture_output=True, check=False
        )
        if list(pair.glob(".lakefloor-*/journal")):
            break
        sweep(pair / "other")
        sweep(pair)
    project = QgsProject.instance()
    project.setFileName(str(pair / "lake.qgz"))
    try:
        LakefloorPlugin(None)._put_in_order()
    finally:
        project.clear()
    assert not list(pair.glob(".lakefloor-*"))
    assert (pair / "a.csv").read_text() == "old\n"


def test_all_is_on_the_disk_before_it_counts(pair, monkeypatch):
    """A power cut keeps what was flushed: new files and the journal, then the names, in order."""
    done, sources = [], {}
    fsync, replace, unlink = os.fsync, os.replace, Path.unlink

    def flushed(descriptor):
        done.append(("flush", os.fstat(descriptor).st_ino))
        fsync(descriptor)

    def replaced(source, target):
        done.append(("replace", Path(target).name))
        sources[Path(target).name] = os.stat(source).st_ino
        replace(source, target)

    def removed(path, *args, **options):
        done.append(("remove", path.name))
        unlink(path, *args, **options)

    with two(pair) as staging:
        made = [new.stat().st_ino for new, _ in staging.parts()]
        hidden = sorted(pair.glob(".lakefloor-*"))
        hidden = [folder.stat().st_ino for folder in hidden]
        monkeypatch.setattr(os, "fsync", flushed)
        monkeypatch.setattr(os, "replace", replaced)
        monkeypatch.setattr(Path, "unlink", removed)
        staging.move()
        staging.finish()
        monkeypatch.undo()
    journal = done.index(("replace", "journal"))
    first = min(done.index(("replace", name)) for name in ("a.csv", "b.csv"))
    last = max(done.index(("replace", name)) for name in ("a.csv", "b.csv"))
    end = done.index(("remove", "journal"))
    before = [number for what, number in done[:first] if what == "flush"]
    assert set(made) <= set(before)
    assert journal < first
    # Its content, before it has its name, and the folder that has the name.
    assert ("flush", sources["journal"]) in done[:journal]
    assert set(hidden) & {number for _, number in done[journal:first]}
    assert ("flush", pair.stat().st_ino) in done[last:end]


# -- read again, whole ---------------------------------------------------------------------------


@pytest.fixture
def written(run, tmp_path):
    """One file of each format that Lakefloor writes."""
    surface = paraboloid(tmp_path, cell=3.0)
    shoreline = _shoreline(tmp_path)
    folder = tmp_path / "written"
    folder.mkdir()

    def made(name, parameters, **outputs):
        run(name, {**parameters, **{k: str(folder / v) for k, v in outputs.items()}})

    both = {"INPUT": surface, "SHORELINE": shoreline}
    for ending in ("gpkg", "geojson", "shp", "kml"):
        made("depthcontours", {**both, "INTERVAL": 3}, OUTPUT=f"contours.{ending}")
    made("lakestatistics", both, CSV="table.csv", REPORT="page.html")
    made(
        "surveylanes", {"INPUT": shoreline, "LANE_SPACING": 60}, OUTPUT="plan.gpkg", GPX="plan.gpx"
    )
    sheet = {"CONTOURS": str(folder / "contours.gpkg"), "SHORELINE": shoreline}
    made("mapsheet", {**sheet, "PAGE_SIZE": "A4"}, OUTPUT="sheet.pdf", PICTURE="sheet.png")
    made("lakeproject", {**sheet, "SURFACE": surface}, OUTPUT="lake.qgz")
    return folder


def test_what_is_cut_short_is_found(written, tmp_path):
    """Every format, cut anywhere: at no length does a part pass for the whole."""
    formats = set()
    for path in sorted(written.iterdir()):
        if path.suffix in (".prj", ".cpg", ".shx", ".xml", ".dbf"):
            continue
        count = None
        if path.suffix in (".gpkg", ".geojson", ".shp", ".kml") and path.stem == "contours":
            count = QgsVectorLayer(str(path)).featureCount()
        check_whole(path, count)
        formats.add(path.suffix)
        whole = path.read_bytes()
        folder = tmp_path / "cut"
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        for other in written.glob(f"{path.stem}.*"):
            shutil.copy(other, folder)
        for size in {
            0,
            1,
            4096,
            len(whole) // 3,
            len(whole) // 2,
            len(whole) - 4096,
            len(whole) - 40,
            len(whole) - 2,
        }:
            if not 0 <= size < len(whole):
                continue
            (folder / path.name).write_bytes(whole[:size])
            with pytest.raises(LakefloorError, match="could not be written in full"):
                check_whole(folder / path.name, count)
    assert formats == {
        ".gpkg",
        ".geojson",
        ".shp",
        ".kml",
        ".csv",
        ".html",
        ".gpx",
        ".pdf",
        ".png",
        ".qgz",
        ".tif",
    }


def test_a_lost_part_within_is_found(written, tmp_path):
    """As where one write in the middle failed and those after it did not."""
    for name in ("contours.gpkg", "sheet.pdf", "sheet.png", "lake.qgz", "lake_surface.tif"):
        whole = (written / name).read_bytes()
        count = QgsVectorLayer(str(written / name)).featureCount() if "contours" in name else None
        middle = len(whole) // 2 // 4096 * 4096
        torn = tmp_path / name
        torn.write_bytes(whole[:middle] + whole[middle + 4096 :])
        with pytest.raises(LakefloorError, match="could not be written in full"):
            check_whole(torn, count)


def test_a_block_that_was_never_written_is_found(tmp_path):
    path = tmp_path / "sparse.tif"
    dataset = gdal.GetDriverByName("GTiff").Create(
        str(path), 600, 600, 1, gdal.GDT_Float32, ["TILED=YES", "SPARSE_OK=TRUE"]
    )
    dataset.GetRasterBand(1).WriteArray(np.ones((256, 256), np.float32))
    dataset = None
    with pytest.raises(LakefloorError, match="could not be written in full"):
        check_whole(path)
