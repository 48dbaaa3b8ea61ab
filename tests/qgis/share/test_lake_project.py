"""The lake project, opened again by QGIS from another folder."""

import shutil
import sqlite3
import zipfile

import pytest
from osgeo import gdal
from qgis.core import QgsProcessingException, QgsProject

TITLE = 'Heron <Lake> & "Co"'


@pytest.fixture
def moved(lake, run, tmp_path, memory_layer):
    """Write a project, then move its folder, as a user who hands it on."""
    here, there = tmp_path / "here", tmp_path / "there"
    here.mkdir()
    gauge = memory_layer(
        "None",
        [None, None],
        crs="",
        fields="field=time:string&field=level:double",
        rows=[("2025-05-17T08:00", 0.62), ("2025-05-17T16:00", 0.61)],
    )
    result = run(
        "lakeproject",
        {
            **lake,
            "GAUGE": gauge,
            "IDW_SURFACE": lake["SURFACE"],
            "TITLE": TITLE,
            "AUTHOR": "Ada Pike",
            "OUTPUT": str(here / "heron.qgz"),
        },
    )
    shutil.move(here, there)
    return there, result


def test_opens_whole_after_a_move(moved, lake):
    folder, result = moved
    project = QgsProject()
    assert project.read(str(folder / "heron.qgz"))
    layers = {layer.name(): layer for layer in project.mapLayers().values()}
    assert result["LAYER_COUNT"] == len(layers) == 8
    assert all(layer.isValid() for layer in layers.values())
    assert project.title() == TITLE
    assert project.metadata().author() == "Ada Pike"
    assert project.crs().authid() == "EPSG:32615"
    assert project.viewSettings().defaultViewExtent().contains(lake["SHORELINE"].extent())
    assert layers["Depth contours"].renderer().type() == "RuleRenderer"
    assert layers["Water depth areas"].renderer().type() == "categorizedSymbol"
    assert layers["Depth surface"].renderer().type() == "singlebandpseudocolor"
    assert layers["Soundings"].featureCount() == lake["SOUNDINGS"].featureCount()
    assert "uncertainty" in layers["Depth surface"].styleManager().styles()
    order = [layer.name() for layer in project.layerTreeRoot().layerOrder()]
    drawn = ["Depth contours", "Water depth areas", "Depth surface"]
    assert [name for name in order if name in drawn] == drawn
    project.clear()


def test_files_are_these_and_name_no_folder(moved):
    folder, _ = moved
    names = {path.name for path in folder.iterdir()}
    assert names == {"heron.qgz", "heron.gpkg", "heron_surface.tif", "heron_idw_surface.tif"}
    with zipfile.ZipFile(folder / "heron.qgz") as archive:
        for name in archive.namelist():
            assert str(folder.parent).encode() not in archive.read(name)


def test_layout_can_be_edited_and_shows_the_map_theme(moved):
    project = QgsProject()
    project.read(str(moved[0] / "heron.qgz"))
    (layout,) = project.layoutManager().printLayouts()
    chart = layout.referenceMap()
    assert chart.followVisibilityPreset()
    names = {
        layer.name()
        for layer in project.mapThemeCollection().mapThemeVisibleLayers(
            chart.followVisibilityPresetName()
        )
    }
    assert names == {"Shoreline", "Drop-off lines", "Depth contours", "Water depth areas"}
    labels = [item.text() for item in layout.items() if hasattr(item, "text")]
    assert TITLE in labels
    project.clear()


def test_copies_are_true(moved, lake):
    folder, _ = moved
    dataset = gdal.Open(str(folder / "heron_surface.tif"))
    source = gdal.Open(lake["SURFACE"].source())
    assert (dataset.ReadAsArray() == source.ReadAsArray()).all()
    assert dataset.GetMetadataItem("DATUM_NAME") == "staff gauge at the dam"
    assert dataset.GetRasterBand(2).GetDescription() == "standard uncertainty (m)"
    with sqlite3.connect(folder / "heron.gpkg") as connection:
        tables = {name for (name,) in connection.execute("SELECT table_name FROM gpkg_contents")}
        assert tables == {
            "soundings",
            "contours",
            "shoreline",
            "depth_areas",
            "break_lines",
            "gauge",
        }
        (status,) = connection.execute(
            "SELECT count(*) FROM soundings WHERE status <> 'accepted'"
        ).fetchone()
    assert status == sum(f["status"] != "accepted" for f in lake["SOUNDINGS"].getFeatures())


def test_may_be_written_again_from_its_own_layers(lake, run, tmp_path):
    path = tmp_path / "heron.qgz"
    run("lakeproject", {**lake, "OUTPUT": str(path)})
    own = {**lake, "CONTOURS": f"{tmp_path / 'heron.gpkg'}|layername=contours"}
    assert run("lakeproject", {**own, "OUTPUT": str(path)})["LAYER_COUNT"] == 6
    project = QgsProject()
    assert project.read(str(path))
    assert all(layer.isValid() for layer in project.mapLayers().values())
    project.clear()


def test_cancelled_project_leaves_nothing(lake, run, recorder, tmp_path):
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run("lakeproject", {**lake, "OUTPUT": str(tmp_path / "heron.qgz")}, feedback=recorder(40))
    assert not list(tmp_path.iterdir())
