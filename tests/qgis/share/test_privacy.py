"""What is handed on names no account, no computer and no folder of the one who made it."""

import base64
import io
import re
import shutil
import socket
import sqlite3
import subprocess
import zipfile
import zlib
from pathlib import Path

import pytest
from qgis.core import (
    QgsAction,
    QgsApplication,
    QgsCoordinateTransformContext,
    QgsMarkerSymbol,
    QgsProject,
    QgsSettings,
    QgsSingleSymbolRenderer,
    QgsSvgMarkerSymbolLayer,
    QgsVectorFileWriter,
    QgsVectorLayer,
)

from lakefloor.algorithms import algorithm_classes

ROOT = Path(__file__).resolve().parents[3]

#: Distinctive, so that each counts wherever it stands in a file.
HOME, ACCOUNT, COMPUTER = "zanderheim", "quappenkonto", "hechtrechner"


@pytest.fixture
def home(tmp_path, monkeypatch):
    """A user's folder, and an account as the environment tells it."""
    folder = tmp_path / HOME
    folder.mkdir()
    monkeypatch.setenv("HOME", str(folder))
    for name in ("USER", "LOGNAME", "USERNAME", "USERPROFILE"):
        monkeypatch.setenv(name, ACCOUNT)
    for name in ("HOSTNAME", "COMPUTERNAME"):
        monkeypatch.setenv(name, COMPUTER)
    return folder


@pytest.fixture
def files(lake, home):
    """The lake's layers as files in the user's folder."""
    folder = home / "my lakes"
    folder.mkdir()
    paths = {"SURFACE": str(shutil.copy(lake["SURFACE"].source(), folder / "surface.tif"))}
    for name, layer in lake.items():
        if name in paths:
            continue
        path = str(folder / f"{name.lower()}.gpkg")
        options = QgsVectorFileWriter.SaveVectorOptions()
        options.driverName = "GPKG"
        QgsVectorFileWriter.writeAsVectorFormatV3(
            layer, path, QgsCoordinateTransformContext(), options
        )
        paths[name] = path
    return paths


def spoken(data: bytes):
    """Yield what a file holds, packed parts unpacked."""
    yield data
    # PDF: streams, and strings with octal escapes.
    for packed in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", data, re.S):
        try:
            yield zlib.decompressobj().decompress(packed)
        except zlib.error:
            continue
    if data.startswith(b"%PDF"):
        yield re.sub(rb"\\([0-3][0-7]{2})", lambda m: bytes([int(m[1], 8)]), data)
        yield b"".join(
            bytes.fromhex(text.decode()) for text in re.findall(rb"<((?:[0-9A-Fa-f]{2})+)>", data)
        )
    for picture in re.findall(rb"data:image/png;base64,([A-Za-z0-9+/=]+)", data):
        yield base64.b64decode(picture)
    if data.startswith(b"PK"):
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            for name in archive.namelist():
                yield name.encode()
                yield from spoken(archive.read(name))


def found(path, words=(), values=()) -> list:
    """Return the words that a file holds anywhere, and the values that it holds by themselves."""
    parts = list(spoken(path.read_bytes()))
    if parts[0].startswith(b"SQLite format 3"):
        with sqlite3.connect(path) as db:
            parts += [
                "\n".join(f'"{c}"' for c in re.findall(r"'([^']*)'", line)).encode()
                for line in db.iterdump()
            ]
    hits = []
    for coding in ("utf-8", "utf-16-le", "utf-16-be"):

        def in_code(text, coding=coding):
            return re.escape(text.encode(coding))

        marks = in_code('"'), in_code("("), in_code(")"), in_code(">"), in_code("<"), in_code("'")
        edge = b"(?:" + b"|".join(marks) + b"|\xfe\xff|\xff\xfe|\\A|\\Z)"
        for text, pattern in (
            *((w, in_code(w)) for w in words),
            *((v, edge + in_code(v) + edge) for v in values),
        ):
            hits += [
                (path.name, text, m.group())
                for part in parts
                for m in [re.search(pattern, part)]
                if m
            ]
    return hits


def account() -> set:
    return {QgsApplication.userLoginName(), QgsApplication.userFullName()} - {""}


def assert_private(folder, home):
    words = [HOME, ACCOUNT, COMPUTER, str(home.parent), ".lakefloor-"]
    values = account() | {socket.gethostname()}
    written = [path for path in folder.rglob("*") if path.is_file()]
    assert written
    hits = [hit for path in written for hit in found(path, words, values)]
    assert hits == []
    assert not [path for path in written if path.name.endswith((".aux.xml", ".qgd"))]


def parameters_of(name, files, out):
    texts = {"TITLE": "Heron Lake"}
    pages = {**files, **texts}
    figures = {"INPUT": files["SURFACE"], "SHORELINE": files["SHORELINE"]}
    gpx = out.parent / "marks.gpx"
    gpx.write_text(
        '<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">'
        '<wpt lat="46.2" lon="-94.1"><name>REED</name></wpt></gpx>'
    )
    return {
        "copytoshare": {
            "LAYERS": [
                files[n]
                for n in (
                    "CONTOURS",
                    "DEPTH_AREAS",
                    "SURFACE",
                    "SOUNDINGS",
                    "SHORELINE",
                    "BREAKLINES",
                )
            ],
            "OUTPUT": out / "copy",
        },
        "exportwaypoints": {
            "INPUT": files["SOUNDINGS"],
            "LINES": files["CONTOURS"],
            "OUTPUT": out / "places.gpx",
        },
        "importwaypoints": {
            "INPUT": str(gpx),
            "OUTPUT": out / "places.gpkg",
            "LINES": out / "lines.gpkg",
        },
        "phonepackage": {**pages, "MAX_ZOOM": 14, "OUTPUT": out / "field"},
        "lakeproject": {**pages, "IDW_SURFACE": files["SURFACE"], "OUTPUT": out / "lake.qgz"},
        "lakereport": {**pages, "OUTPUT": out / "report.pdf", "WEB_PAGE": out / "report.html"},
        "lakestatistics": {
            **figures,
            "CSV": out / "f.csv",
            "LAYERS": out / "layers.gpkg",
            "REPORT": out / "statistics.html",
        },
        "areavolumebylevel": {
            **figures,
            "OUTPUT": out / "levels.gpkg",
            "UNCOVERED": out / "dry.gpkg",
        },
        "mapsheet": {**pages, "OUTPUT": out / "map.pdf", "PICTURE": out / "map.png"},
        "structuresheets": {**pages, "OUTPUT": out / "sheets.pdf"},
        "depthcontours": {**figures, "OUTPUT": out / "contours.gpkg"},
        "depthareas": {**figures, "OUTPUT": out / "areas.gpkg"},
        "tinsurface": {
            "INPUT": files["SOUNDINGS"],
            "SHORELINE": files["SHORELINE"],
            "OUTPUT": out / "tin.tif",
        },
        "bottomslope": {"INPUT": files["SURFACE"], "OUTPUT": out / "slope.tif"},
    }[name]


SHARED = sorted(c.NAME for c in algorithm_classes() if c.GROUP == "share")


@pytest.mark.parametrize(
    "name", [*SHARED, "depthcontours", "depthareas", "tinsurface", "bottomslope"]
)
def test_no_account_and_no_folder_leaves(name, run, files, home):
    out = home / "out"
    out.mkdir()
    parameters = parameters_of(name, files, out)
    before = QgsSettings().value("core/projects/anonymize_saved_projects")
    run(name, {k: str(v) if isinstance(v, Path) else v for k, v in parameters.items()})
    assert_private(out, home)
    assert QgsSettings().value("core/projects/anonymize_saved_projects") == before


def test_forms_actions_and_tips_of_the_layers_stay_at_home(run, files, home):
    """They are part of a layer's style, and may name any file of the user."""
    place = str(home / "forms")
    shore, marks = (QgsVectorLayer(files[n], n, "ogr") for n in ("SHORELINE", "SOUNDINGS"))
    for layer in (shore, marks):
        form = layer.editFormConfig()
        form.setInitFilePath(f"{place}/form.py")
        layer.setEditFormConfig(form)
        layer.setMapTipTemplate(f"<img src='{place}/shore.jpg'>")
        layer.actions().addAction(QgsAction.ActionType.GenericPython, "open", f"open('{place}')")
        layer.setCustomProperty("last_folder", place)
        layer.setFieldAlias(0, place)
        layer.setAbstract(place)
        layer.setAttribution(place)
    marks.setRenderer(QgsSingleSymbolRenderer(QgsMarkerSymbol.createSimple({"name": "star"})))
    svg = QgsSvgMarkerSymbolLayer(f"{place}/boat.svg")
    marks.renderer().symbol().changeSymbolLayer(0, svg)
    out = home / "out"
    out.mkdir()
    given = {**files, "SHORELINE": shore, "TITLE": "Heron Lake"}
    run("phonepackage", {**given, "MARKS": marks, "MAX_ZOOM": 14, "OUTPUT": str(out / "field")})
    run("lakeproject", {**given, "OUTPUT": str(out / "lake.qgz")})
    run("copytoshare", {"LAYERS": [shore], "MARKS": marks, "OUTPUT": str(out / "copy")})
    assert_private(out, home)
    package = QgsVectorLayer(f"{out}/field/lake.gpkg|layername=contours", "contours", "ogr")
    assert package.renderer().type() == "RuleRenderer"
    assert package.labelsEnabled()


def info(path):
    text = subprocess.run(["pdfinfo", str(path)], check=True, capture_output=True, text=True).stdout
    return {key: value.strip() for key, _, value in (x.partition(":") for x in text.splitlines())}


@pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="poppler-utils is not installed")
def test_sheets_name_the_author_given_or_none(run, lake, tmp_path):
    for name in ("mapsheet", "structuresheets"):
        given = {**lake, "TITLE": "Heron Lake"}
        run(name, {**given, "OUTPUT": str(tmp_path / "a.pdf")})
        run(name, {**given, "AUTHOR": "Ada Pike", "OUTPUT": str(tmp_path / "b.pdf")})
        assert not info(tmp_path / "a.pdf").get("Author")
        if name == "mapsheet":  # QGIS writes no such entries into an atlas
            assert info(tmp_path / "a.pdf")["Title"] == "Heron Lake"
            assert info(tmp_path / "b.pdf")["Author"] == "Ada Pike"


def test_the_search_finds_what_qgis_writes(tmp_path):
    """An ordinary project names the account: the search would see it."""
    project = QgsProject()
    project.write(str(tmp_path / "p.qgz"))
    assert found(tmp_path / "p.qgz", values=account()) or not account()
    layer = QgsVectorLayer("Point?crs=EPSG:4326&field=who:string", "x", "memory")
    layer.setAbstract(ACCOUNT)
    project.addMapLayer(layer)
    project.write(str(tmp_path / "p.qgs"))
    assert found(tmp_path / "p.qgs", words=[ACCOUNT])
    project.clear()


def test_the_example_project_names_nobody():
    folder = ROOT / "example_project" / "project"
    with zipfile.ZipFile(folder / "lake.qgz") as archive:
        (name,) = archive.namelist()
        text = archive.read(name).decode("utf-8")
    assert "saveUser" not in text
    assert "<author></author>" in text or "<author/>" in text
    sources = re.findall(r"<datasource>([^<]+)</datasource>", text)
    assert sources
    assert [source for source in sources if not source.startswith("./")] == []
    places = ["/home/", "/root/", "/tmp/", "/Users/", ".lakefloor-"]
    shipped = (folder.parent / "pictures", ROOT / "plugin" / "models", folder)
    paths = [
        path
        for place in shipped
        for path in place.iterdir()
        if path.suffix in (".qgz", ".gpkg", ".tif", ".png", ".model3")
    ]
    assert len(paths) > 10
    assert [hit for path in paths for hit in found(path, places)] == []
