"""The map on the water in a real QGIS: its process, its layers, and what a canvas shows of them."""

import os
import signal
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsFeatureRequest, QgsPointXY, QgsProject, QgsRasterLayer, QgsRectangle
from qgis.gui import QgsMapCanvas
from qgis.PyQt.QtCore import QCoreApplication, QSize

from lakefloor.algorithms import _store
from lakefloor.algorithms._lake.facts import Boat, LakeFacts
from lakefloor.algorithms._lake.making import new_lake
from lakefloor.algorithms._project.lake_group import LAKE, ROLE
from lakefloor.algorithms._styling import apply_style
from lakefloor.algorithms.core import crs
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.plugin.tools.readout import texts_at
from lakefloor.plugin.water.mapping import host as hosting
from lakefloor.plugin.water.mapping.growing_layers import GrowingLayers
from lakefloor.plugin.water.mapping.interpreter import interpreters

EPSG, WEST, SOUTH = 32615, 400_000.0, 5_150_000.0
NEVER_S = 60.0


def until(holds, seconds=NEVER_S):
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, "it never came"
        QCoreApplication.processEvents()
        time.sleep(0.005)


def bottom(x, y):
    """A plane, m."""
    return 2.0 + 0.02 * (x - WEST) + 0.01 * (y - SOUTH)


def driven(west=WEST, south=SOUTH, side=200.0):
    """Return what a sounder 0.3 m below the water gives along lanes, in degrees, with hardness."""
    along, lanes = np.arange(0.0, side, 2.0), np.arange(0.0, side, 20.0)
    x = np.concatenate([along if i % 2 == 0 else along[::-1] for i in range(len(lanes))])
    x, y = west + x, south + np.repeat(lanes, len(along))
    lon, lat = crs.transform(x, y, EPSG, 4326)
    depth = bottom(x, y) - 0.3
    return Soundings.build(
        lon, lat, depth, raw_depth=depth, hardness=0.7, corrections="from=transducer"
    )


def heard(soundings, us):
    return SimpleNamespace(soundings=soundings, monotonic_us=us)


@pytest.fixture
def lake(qgis_new_project, tmp_path):
    """A lake whose database has one sounding a kilometer off, and with it a CRS."""
    facts = LakeFacts("Lake Marrowby", unit="feet", time_zone="America/Chicago", boat=Boat("", 0.3))
    folder = new_lake(tmp_path, facts)
    at = np.datetime64("2024-05-14", "ms") + np.arange(3) * np.timedelta64(1, "s")
    far = Soundings.build(
        WEST + 1000.0 + np.arange(3), np.full(3, SOUTH), np.full(3, 4.0), time=at, visit="may"
    )
    _store.add(folder.database, far, f"EPSG:{EPSG}")
    return SimpleNamespace(folder=folder, facts=facts, project=QgsProject.instance())


@pytest.fixture
def layers(lake):
    made = GrowingLayers()
    made.said, made.seen, made.beats = [], [], []
    made.told.connect(lambda text, warning: made.said.append(text))
    made.host.drawn.connect(made.seen.append)
    made.shown.connect(made.beats.append)
    yield made
    made.end()


def begin(layers, lake):
    layers.begin(lake.folder, lake.facts, {"draft_m": 0.3, "levels": []})


def layer_of(role):
    found = [
        layer
        for layer in QgsProject.instance().mapLayers().values()
        if layer.customProperty(ROLE) == role
    ]
    return found[0] if found else None


def is_shown(layers, us):
    return any(stamp >= us for stamp in layers.beats)


def test_the_python_of_this_qgis_is_found():
    assert interpreters()
    assert all(Path(path).stem.startswith("python") for path in interpreters())


def test_what_is_driven_is_on_the_canvas_in_layers_of_the_lake(lake, layers):
    begin(layers, lake)
    layers.add(heard(driven(), 10))
    until(lambda: is_shown(layers, 10) and layer_of("water_contours") is not None)
    until(lambda: layer_of("water_soundings") is not None)
    assert layers.host._process is not None, "no process of its own"
    depth = layer_of("water_depth")
    place = QgsPointXY(WEST + 100.0, SOUTH + 90.0)
    value, there = depth.dataProvider().sample(place, 1)
    assert there
    assert value == pytest.approx(bottom(place.x(), place.y()), abs=0.05)
    hardness = layer_of("water_hardness")
    on_track = QgsPointXY(WEST + 100.0, SOUTH + 81.0)
    assert hardness.dataProvider().sample(on_track, 1) == (pytest.approx(0.7, abs=1e-5), True)
    # Between the tracks the depth is seen.
    assert not np.isfinite(hardness.dataProvider().sample(place, 1)[0])
    for line in layer_of("water_contours").getFeatures():
        for vertex in line.geometry().vertices():
            if WEST + 20 < vertex.x() < WEST + 180 and SOUTH + 20 < vertex.y() < SOUTH + 160:
                at = bottom(vertex.x(), vertex.y())
                assert at == pytest.approx(line["depth_m"], abs=0.06)
                assert line["depth"] == pytest.approx(line["depth_m"] / 0.3048)
    for layer in QgsProject.instance().mapLayers().values():
        assert layer.customProperty(LAKE) == lake.facts.id
        assert layer.customProperty("skipMemoryLayersCheck")
        assert "careful map at home" in layer.metadata().abstract()
    assert layers.said == []
    layers.end()
    assert not QgsProject.instance().mapLayers()


def test_pixels_of_a_canvas_change_as_windows_are_written_in_place(lake, layers):
    begin(layers, lake)
    canvas = QgsMapCanvas()
    canvas.resize(QSize(300, 300))
    canvas.show()
    layers.add(heard(driven(side=100.0), 10))
    until(lambda: is_shown(layers, 10))
    depth = layer_of("water_depth")
    path = depth.source()
    canvas.setDestinationCrs(depth.crs())
    canvas.setLayers([depth])
    canvas.setExtent(QgsRectangle(WEST, SOUTH, WEST + 300.0, SOUTH + 300.0))

    def colors():
        image = canvas.grab().toImage()
        return {
            name: image.pixelColor(image.width() * x // 300, image.height() * (300 - y) // 300)
            for name, (x, y) in {"driven": (50, 50), "later": (230, 50)}.items()
        }

    def drawn(name):
        color = colors()[name]
        return color.blue() > color.red() + 5  # the ramp of depth is blue, an empty canvas white

    canvas.refresh()
    until(lambda: drawn("driven"))
    assert not drawn("later")
    layers.add(heard(driven(WEST + 100.0, side=200.0), 20))
    until(lambda: drawn("later"))
    assert depth.source() == path, "another file"
    assert drawn("driven")


def test_a_map_that_grows_beyond_its_file_keeps_what_it_had(lake, layers):
    begin(layers, lake)
    layers.add(heard(driven(), 10))
    until(lambda: is_shown(layers, 10))
    layer, path = layer_of("water_depth"), layer_of("water_depth").source()
    before = layer.dataProvider().sample(QgsPointXY(WEST + 100.0, SOUTH + 90.0), 1)
    far = layer.extent().xMaximum() + 500.0
    layers.add(heard(driven(far), 20))
    until(lambda: is_shown(layers, 20) and layer_of("water_depth").source() != path)
    until(lambda: layer.dataProvider().sample(QgsPointXY(far + 100.0, SOUTH + 90.0), 1)[1])
    assert layer_of("water_depth") is layer
    after = layer.dataProvider().sample(QgsPointXY(WEST + 100.0, SOUTH + 90.0), 1)
    assert after == (pytest.approx(before[0]), True)


def test_the_contours_of_a_window_take_the_place_of_those_it_had(lake, layers):
    begin(layers, lake)
    layers.add(heard(driven(), 10))
    until(lambda: is_shown(layers, 10))
    until(lambda: len(layers._due) == 0)
    first = layer_of("water_contours").featureCount()
    layers.add(heard(driven(WEST + 1.0, SOUTH + 1.0), 20))
    until(lambda: is_shown(layers, 20))
    until(lambda: layers.host._messages.empty())
    lines = layer_of("water_contours")
    assert lines.featureCount() < 2 * first
    drawn = {key: len(contours) for key, (contours, _) in layers._pictures.items()}
    for key, count in drawn.items():
        request = QgsFeatureRequest().setFilterExpression(f"\"window\" = '{key}'")
        assert len(list(lines.getFeatures(request))) == count


def test_colors_are_those_of_the_lake_s_map(lake, layers, tmp_path):
    """The same blue for the same depth on both sides of the edge of what was driven today."""
    begin(layers, lake)
    path = str(tmp_path / "surface.tif")
    gdal.GetDriverByName("GTiff").Create(path, 2, 2, 1, gdal.GDT_Float32).FlushCache()
    surface = QgsRasterLayer(path, "Smooth surface")
    surface.setCustomProperty(ROLE, "surface")
    surface.setCustomProperty(LAKE, lake.facts.id)
    apply_style(surface, "water_depth", shallowest=0.4, deepest=18.0)
    QgsProject.instance().addMapLayer(surface)
    layers.add(heard(driven(), 10))
    until(lambda: is_shown(layers, 10))
    renderer = layer_of("water_depth").renderer()
    assert (renderer.classificationMin(), renderer.classificationMax()) == (0.4, 18.0)


def test_hardness_is_on_the_map_only_when_the_sounder_tells_it(lake, layers):
    """Soundings of before have it, those of today only later on."""
    x, y = WEST + np.arange(0.0, 200.0, 2.0), np.full(100, SOUTH + 55.0)
    at = np.datetime64("2024-06-14", "ms") + np.arange(100) * np.timedelta64(1, "s")
    june = Soundings.build(x, y, bottom(x, y), hardness=0.4, time=at, visit="june")
    _store.add(lake.folder.database, june, f"EPSG:{EPSG}")
    begin(layers, lake)
    today = driven()
    layers.add(heard(today.replace(hardness=np.full(len(today), np.nan)), 10))
    until(lambda: is_shown(layers, 10) and layer_of("water_hardness"))

    def is_ticked():
        root = QgsProject.instance().layerTreeRoot()
        return root.findLayer(layer_of("water_hardness").id()).itemVisibilityChecked()

    assert not is_ticked()
    layers.add(heard(driven(WEST + 1.0), 20))
    until(is_ticked)


def test_the_cursor_reads_the_map_on_the_water(lake, layers):
    begin(layers, lake)
    layers.add(heard(driven(), 10))
    until(lambda: is_shown(layers, 10))
    canvas = QgsMapCanvas()
    canvas.setDestinationCrs(layer_of("water_depth").crs())
    text, _ = texts_at(QgsPointXY(WEST + 100.0, SOUTH + 90.0), canvas, lake)
    # 4.9 m / 0.3048 = 16.1 ft.
    assert text.startswith("Depth 16.1 ft ± ")


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_a_process_that_is_killed_begins_again_with_all_of_the_day(lake, layers):
    begin(layers, lake)
    layers.add(heard(driven(), 10))
    until(lambda: is_shown(layers, 10))
    first = layers.host._process
    layers.seen.clear()
    os.kill(first.pid, signal.SIGKILL)
    until(lambda: layers.host._process is not first)
    layers.add(heard(driven(WEST, SOUTH + 200.0), 20))
    until(lambda: any(np.isfinite(p.depth).sum() > 3000 and p.stamp >= 20 for p in layers.seen))
    until(lambda: {p.stamp for p in layers.seen} >= {20})
    place = QgsPointXY(WEST + 100.0, SOUTH + 90.0)
    assert layer_of("water_depth").dataProvider().sample(place, 1)[1]
    assert layers.said == []
    os.kill(layers.host._process.pid, signal.SIGKILL)
    until(lambda: layers.said)
    assert layers.said == ["The map on the water has ended. The recording goes on."]
    layers.add(heard(driven(), 30))  # goes nowhere, and does no harm


def test_where_no_python_is_found_a_thread_draws_the_same(lake, layers, monkeypatch):
    monkeypatch.setattr(hosting, "interpreters", lambda: ["/none/python3", "/bin/false"])
    begin(layers, lake)
    layers.add(heard(driven(), 10))
    until(lambda: is_shown(layers, 10))
    assert layers.said == [
        "No Python was found beside QGIS, so the map on the water is drawn within QGIS."
    ]
    place = QgsPointXY(WEST + 100.0, SOUTH + 90.0)
    value, _ = layer_of("water_depth").dataProvider().sample(place, 1)
    assert value == pytest.approx(bottom(place.x(), place.y()), abs=0.05)


def test_a_python_that_hangs_is_given_up(lake, layers, monkeypatch, tmp_path):
    silent = tmp_path / "python3"
    silent.write_text("#!/bin/sh\nexec sleep 600\n")
    silent.chmod(0o755)

    def found():
        monkeypatch.setattr(hosting, "_SPEAKS_S", 0.5)
        yield str(silent)
        monkeypatch.setattr(hosting, "_SPEAKS_S", NEVER_S)
        yield sys.executable

    monkeypatch.setattr(hosting, "interpreters", found)
    begin(layers, lake)
    layers.add(heard(driven(), 10))
    until(lambda: is_shown(layers, 10))
    assert layers.said == []


def test_ending_ends_the_process(lake, layers):
    begin(layers, lake)
    ready = []
    layers.host.ready.connect(ready.append)
    until(lambda: ready)
    process, folder = layers.host._process, layers._folder
    layers.end()
    until(lambda: process.poll() is not None)
    assert not folder.exists()


def test_a_lake_with_nothing_but_a_shoreline_has_the_crs_of_its_zone(tmp_path):
    from lakefloor.algorithms._io.lake_files import write_shoreline
    from lakefloor.algorithms._lake.facts import LakeFacts
    from lakefloor.algorithms._lake.folder import LakeFolder
    from lakefloor.plugin.water.mapping.lake_settings import settings_for

    example = Path(__file__).resolve().parents[2] / "example_project" / "shoreline.geojson"
    lake = LakeFolder(tmp_path)
    write_shoreline(str(example), lake.shoreline)
    settings, crs, problems = settings_for(lake, LakeFacts(name="New"), {})
    # The zone of 94.6 degrees west is 15 (UTM zones are 6 degrees wide from 180 degrees west).
    assert (crs.authid(), problems) == ("EPSG:32615", [])
    assert settings["shoreline"]


@pytest.mark.parametrize(
    ("unit", "meters"),
    # NIST SP 811 (2008), appendix B: foot, US survey foot and inch.
    [
        ("feet", 0.3048),
        ("meters", 1.0),
        ("US survey feet", 1200 / 3937),
        ("centimeters", 0.01),
        ("inches", 0.0254),
    ],
)
def test_a_level_is_read_in_each_unit_that_a_lake_can_have(unit, meters):
    from lakefloor.algorithms._lake.facts import LakeFacts
    from lakefloor.plugin.water.mapping.lake_settings import level_shift

    facts = LakeFacts(name="New", level_unit=unit, datum_reading=2.0)
    shift = level_shift(facts, [{"level": 5.0, "unit": unit}])
    assert shift == pytest.approx(-3.0 * meters, rel=1e-12)
