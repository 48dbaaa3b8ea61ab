"""The lake over the years: the map as of a day, and what visits added, from three years."""

import json
import os
import shutil
import subprocess
import sys
from html import escape
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import (
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProcessingModelAlgorithm,
    QgsProcessingModelChildAlgorithm,
    QgsProcessingModelChildParameterSource,
    QgsProcessingModelOutput,
    QgsProcessingModelParameter,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFile,
    QgsProcessingParameterNumber,
    QgsProject,
    QgsVectorLayer,
)
from shapely.geometry import mapping

sys.path.insert(0, str(Path(__file__).parent))
from lakes import DEEPEST, RADIUS, UTM15, X, Y, shore
from years import DAYS, NAMES, PIT_DEEPER, PIT_HALF, PIT_X, PIT_Y, bottom, make_store

from lakefloor.algorithms import _store
from lakefloor.algorithms.core.soundings import ACCEPTED, concatenate

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def lake(provider, tmp_path_factory):
    """The store, and what it held after each visit."""
    path = tmp_path_factory.mktemp("lake") / "lake.gpkg"
    return path, [concatenate(parts) for parts in make_store(path)]


@pytest.fixture
def shoreline(memory_layer):
    return memory_layer("Polygon", [shore().wkt], UTM15.authid())


def same(one, other):
    for name in vars(one):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)


@pytest.mark.parametrize("k", range(3))
@pytest.mark.parametrize("later", [0, 300])
def test_as_of_a_day_is_what_the_store_held_then(lake, k, later):
    path, then = lake
    day = np.datetime64(DAYS[k]) + later
    known = concatenate(_store.read(path, as_of=day))
    same(known, then[k])
    rejected = {str(s) for s in known.status} - {ACCEPTED}
    assert rejected == ({"superseded by october"} if k == 2 else set())


def test_before_the_first_visit_nothing_was_known(run, lake):
    path, _ = lake
    assert list(_store.read(path, as_of=np.datetime64("2019-06-14"))) == []
    with pytest.raises(
        QgsProcessingException, match="no soundings of these visits, extent and day"
    ):
        run(
            "readdatabase",
            {"DATABASE": str(path), "AS_OF": "2019-06-14", "OUTPUT": "TEMPORARY_OUTPUT"},
        )


def test_read_as_of_with_visits_extent_and_days(run, lake, feedback):
    path, (june, august, october) = lake

    def read(**options):
        return run(
            "readdatabase",
            {"DATABASE": str(path), "OUTPUT": "TEMPORARY_OUTPUT", **options},
            feedback,
        )

    assert read(AS_OF="2021-12-31")["SOUNDINGS"] == len(august)
    assert "as it was known at the end of 2021-12-31" in feedback.text
    assert not feedback.warnings
    assert read(AS_OF="2030-01-01")["SOUNDINGS"] == len(october) == read()["SOUNDINGS"]
    assert read(AS_OF="2021-12-31", FROM="2020-01-01")["SOUNDINGS"] == len(august) - len(june)
    assert read(AS_OF="2021-12-31", TO="2020-01-01")["SOUNDINGS"] == len(june)
    made = read(AS_OF="2021-12-31", VISITS="june")
    assert (made["SOUNDINGS"], made["VISIT_COUNT"]) == (len(june), 1)
    assert {f["status"] for f in made["OUTPUT"].getFeatures()} == {ACCEPTED}
    box = f"{PIT_X - 20},{PIT_X + 20},{PIT_Y - 20},{PIT_Y + 20} [{UTM15.authid()}]"
    part = read(AS_OF="2021-12-31", EXTENT=box)["OUTPUT"]
    assert {f["visit"] for f in part.getFeatures()} == set(NAMES[:2])
    assert {f["status"] for f in part.getFeatures()} == {ACCEPTED}
    with pytest.raises(QgsProcessingException, match="after the day as of which"):
        read(AS_OF="2021-12-31", FROM="2022-01-01")
    with pytest.raises(QgsProcessingException, match="no soundings of these visits"):
        read(AS_OF="2021-12-31", VISITS="october")


def test_a_visit_without_times_is_kept_and_said(run, lake, tmp_path, feedback):
    (june,) = [lake[1][0]]
    path = tmp_path / "old.gpkg"
    nat = np.full(len(june), np.datetime64("NaT", "ms"))
    _store.add(path, june.replace(time=nat), UTM15.authid())
    made = run(
        "readdatabase",
        {"DATABASE": str(path), "AS_OF": "1990-01-01", "OUTPUT": "TEMPORARY_OUTPUT"},
        feedback,
    )
    assert made["SOUNDINGS"] == len(june)
    assert "No sounding of visit 'june' has a time" in "\n".join(feedback.warnings)


def depth_at(path, x, y):
    """Return the depth of a surface in the cell of a place, as GDAL reads it."""
    raster = gdal.Open(str(path))
    west, dx, _, north, _, dy = raster.GetGeoTransform()
    cell = raster.GetRasterBand(1).ReadAsArray(int((x - west) / dx), int((y - north) / dy), 1, 1)
    return float(cell[0, 0])


def test_the_map_of_a_year_and_its_update(run, lake, shoreline, tmp_path):
    """The pit shows in the map of 2023 alone; a map of 2021 is brought up to date."""
    path, _ = lake

    def surface(day, **options):
        soundings = str(tmp_path / f"{day}.gpkg")
        run("readdatabase", {"DATABASE": str(path), "AS_OF": day, "OUTPUT": soundings})
        return run(
            "smoothsurface",
            {
                "INPUT": soundings,
                "SHORELINE": shoreline,
                "CELL_SIZE": 5.0,
                "MAX_GAP": 40.0,
                "OUTPUT": str(tmp_path / f"{day}{len(options)}.tif"),
                **options,
            },
        )

    before, after = surface("2021-12-31"), surface("2023-12-31")
    assert depth_at(before["OUTPUT"], PIT_X, PIT_Y) == pytest.approx(
        bottom(PIT_X, PIT_Y, False), abs=0.15
    )
    assert depth_at(after["OUTPUT"], PIT_X, PIT_Y) == pytest.approx(
        bottom(PIT_X, PIT_Y, True), abs=0.15
    )
    updated = surface("2023-12-31", SURFACE_TO_UPDATE=before["OUTPUT"])
    assert updated["TILES_DRAWN"] == 1
    assert depth_at(updated["OUTPUT"], PIT_X, PIT_Y) == pytest.approx(
        bottom(PIT_X, PIT_Y, True), abs=0.15
    )
    again = surface("2021-12-31", SURFACE_TO_UPDATE=before["OUTPUT"])
    assert again["TILES_DRAWN"] == 0
    # The north-east was not surveyed in 2019.
    early = surface("2019-12-31")
    assert early["AREA_M2"] < 0.8 * before["AREA_M2"]
    assert QgsVectorLayer(str(tmp_path / "2019-12-31.gpkg"), "june", "ogr").featureCount() > 0
    assert np.isfinite(depth_at(early["OUTPUT"], X - 100.0, Y))


# -- what a visit added ------------------------------------------------------------------------


def page_of(result):
    return Path(result["REPORT"]).read_text(encoding="utf-8")


@pytest.fixture
def added(run, lake, shoreline, tmp_path, feedback):
    def call(**options):
        return run(
            "whatvisitadded",
            {
                "DATABASE": str(lake[0]),
                "SHORELINE": shoreline,
                "UNIT": "meters",
                "INTERVAL": 0.5,
                "REPORT": str(tmp_path / "page.html"),
                **options,
            },
            feedback,
        )

    return call


def test_a_year_that_covers_new_bottom(added, feedback):
    """The circle's segment east of 180 m, the reach of the first survey: Bronstein's formula."""
    result = added(YEAR=2021)
    segment = RADIUS**2 * np.arccos(0.6) - 180.0 * np.sqrt(RADIUS**2 - 180.0**2)
    assert result["NEW_AREA_M2"] == pytest.approx(segment, rel=0.05)
    assert result["AREA_AFTER_M2"] == pytest.approx(np.pi * RADIUS**2, rel=0.01)
    assert result["AREA_BEFORE_M2"] + result["NEW_AREA_M2"] == pytest.approx(
        result["AREA_AFTER_M2"]
    )
    # Half of the cylinder around it: a paraboloid.
    assert result["VOLUME_AFTER_M3"] == pytest.approx(
        0.5 * np.pi * RADIUS**2 * DEEPEST, abs=3.0 * result["VOLUME_AFTER_SD_M3"]
    )
    assert result["SUPERSEDED"] == 0
    page = page_of(result)
    assert "<title>What 2021 added</title>" in page
    assert "end of 2020, and after as it was known at the end of 2021" in page
    assert page.count("<img") == 2
    assert "They show where the boat went" in page
    assert "NOT FOR NAVIGATION" in page
    assert "Where the bottom has changed" not in page
    assert "bottom that had no depth before" in feedback.text
    assert not feedback.warnings


def test_a_visit_after_dredging(added, feedback, tmp_path):
    tif = str(tmp_path / "change.tif")
    result = added(VISITS="october", CELL_SIZE=4.0, DIFFERENCE=tif)
    assert result["CELL_SIZE_USED"] == 4.0
    assert result["NEW_AREA_M2"] == 0.0
    assert result["SUPERSEDED"] > 100
    assert result["DEEPER_M2"] == pytest.approx((2.0 * PIT_HALF) ** 2, rel=0.25)
    assert depth_at(tif, PIT_X, PIT_Y) == pytest.approx(PIT_DEEPER, abs=0.3)
    assert gdal.Open(tif).GetMetadataItem("DATUM_NAME") == "pool"
    page = page_of(result)
    assert "What visit &#x27;october&#x27; added" in page
    assert "Where the bottom has changed" in page
    assert "The bottom has changed:" in feedback.text
    assert "Later visits do not count" in feedback.text


def test_the_first_visit_has_a_page_too(added, feedback, tmp_path):
    result = added(VISITS="june", DIFFERENCE=str(tmp_path / "change.tif"))
    assert {"AREA_BEFORE_M2", "DEEPER_M2", "VOLUME_BEFORE_M3", "DIFFERENCE"}.isdisjoint(result)
    assert not (tmp_path / "change.tif").exists()
    assert result["NEW_AREA_M2"] == result["AREA_AFTER_M2"]
    assert page_of(result).count("<img") == 1
    assert "first map of the lake" in feedback.text
    assert "no map before" in "\n".join(feedback.warnings)


def test_visits_are_counted_as_of_the_day_of_the_last(added, lake):
    """October came later; June and August together are the first map."""
    both = added(VISITS="august; june")
    assert "AREA_BEFORE_M2" not in both
    assert both["SOUNDINGS"] == len(lake[1][1])
    assert "What 2 visits added" in page_of(both)
    june = added(VISITS="june")
    assert june["SOUNDINGS"] == len(lake[1][0])
    assert june["AREA_AFTER_M2"] < 0.9 * both["AREA_AFTER_M2"]


def test_the_page_has_the_figures_of_the_other_tools(run, added, lake, shoreline, tmp_path):
    """Read the lake as of the day, draw it, and ask for contours and statistics."""
    result = added(YEAR=2023, CELL_SIZE=4.0)
    soundings, surface = str(tmp_path / "then.gpkg"), str(tmp_path / "then.tif")
    run("readdatabase", {"DATABASE": str(lake[0]), "AS_OF": "2023-12-31", "OUTPUT": soundings})
    # The lanes of 2021 and before are 40 m apart at the widest, those of 2023 are close.
    drawn = run(
        "smoothsurface",
        {
            "INPUT": soundings,
            "SHORELINE": shoreline,
            "CELL_SIZE": 4.0,
            "MAX_GAP": 100.0,
            "OUTPUT": surface,
        },
    )
    given = {"INPUT": surface, "SHORELINE": shoreline, "UNIT": "meters"}
    statistics = run("lakestatistics", {**given, "CSV": "TEMPORARY_OUTPUT"})
    contours = run("depthcontours", {**given, "INTERVAL": 0.5, "OUTPUT": "memory:"})
    assert result["AREA_AFTER_M2"] == pytest.approx(drawn["AREA_M2"], rel=0.002)
    assert result["UNCERTAINTY_AFTER"] == pytest.approx(drawn["MEDIAN_UNCERTAINTY"], rel=0.02)
    assert result["VOLUME_AFTER_M3"] == pytest.approx(statistics["VOLUME_M3"], rel=0.001)
    assert result["VOLUME_AFTER_SD_M3"] == pytest.approx(statistics["VOLUME_SD_M3"], rel=0.02)
    assert result["SUPPORTED_AFTER"] == pytest.approx(100.0 * contours["SUPPORTED_SHARE"], abs=1.0)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({}, "either the names of visits or a year"),
        ({"VISITS": "june", "YEAR": 2021}, "either the names of visits or a year"),
        ({"YEAR": 2022}, "no visit in 2022.*2019, 2021, 2023"),
        ({"VISITS": "may"}, "no visit 'may'"),
        ({"VISITS": " ; "}, "either the names of visits"),
    ],
)
def test_what_cannot_be_answered_is_refused(added, tmp_path, options, message):
    with pytest.raises(QgsProcessingException, match=message):
        added(**options)
    assert not (tmp_path / "page.html").exists()


def test_without_matplotlib_there_are_no_pictures(added, monkeypatch):
    from lakefloor.algorithms._reports import plots

    monkeypatch.setattr(plots, "available", lambda: False)
    page = page_of(added(YEAR=2021, CELL_SIZE=5.0))
    assert "<img" not in page
    assert "has no matplotlib" in page


def test_cancel_leaves_no_page(run, lake, shoreline, recorder, tmp_path):
    for at in (5, 30, 60, 90):
        with pytest.raises(QgsProcessingException, match="Cancelled"):
            run(
                "whatvisitadded",
                {
                    "DATABASE": str(lake[0]),
                    "SHORELINE": shoreline,
                    "YEAR": 2021,
                    "REPORT": str(tmp_path / "page.html"),
                },
                recorder(cancel_at=at),
            )
    assert list(tmp_path.iterdir()) == []


def test_names_of_visits_are_text_on_the_page(run, lake, shoreline, tmp_path):
    path, name = tmp_path / "odd.gpkg", "<b>June</b> & {0} $x$"
    june = lake[1][0].replace(visit=np.full(len(lake[1][0]), name, object))
    _store.add(path, june, UTM15.authid())
    result = run(
        "whatvisitadded",
        {
            "DATABASE": str(path),
            "SHORELINE": shoreline,
            "VISITS": name,
            "REPORT": str(tmp_path / "page.html"),
        },
    )
    page = page_of(result)
    assert f'<td><span style="white-space: nowrap">{escape(name)}</span>' in page
    assert "<b>June" not in page
    assert "&lt;b&gt;June&lt;/b&gt; &amp; {0} $x$" in page


def test_in_a_model_the_page_follows_the_visit(provider, lake, shoreline, tmp_path):
    """Visits and the day of the map are the model's own parameters."""
    source = QgsProcessingModelChildParameterSource
    model = QgsProcessingModelAlgorithm("year", "test", "test")
    for parameter in (
        QgsProcessingParameterFile("LAKE", extension="gpkg"),
        QgsProcessingParameterNumber("WHICH"),
        QgsProcessingParameterFeatureSource("SHORE"),
    ):
        model.addModelParameter(parameter, QgsProcessingModelParameter(parameter.name()))
    step = QgsProcessingModelChildAlgorithm("lakefloor:whatvisitadded")
    step.setChildId("page")
    values = {
        "DATABASE": source.fromModelParameter("LAKE"),
        "YEAR": source.fromModelParameter("WHICH"),
        "SHORELINE": source.fromModelParameter("SHORE"),
    }
    for definition in step.algorithm().parameterDefinitions():
        if not definition.isDestination():
            value = values.get(definition.name())
            value = value or source.fromStaticValue(definition.defaultValue())
            step.addParameterSources(definition.name(), [value])
    made = QgsProcessingModelOutput("page", "page")
    made.setChildId("page")
    made.setChildOutputName("REPORT")
    step.setModelOutputs({"page": made})
    model.addChildAlgorithm(step)
    model.updateDestinationParameters()
    assert model.validate() == (True, [])
    (destination,) = (d.name() for d in model.destinationParameterDefinitions())
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    QgsProject.instance().addMapLayer(shoreline)
    page = tmp_path / "page.html"
    _, ok = model.create().run(
        {"LAKE": str(lake[0]), "WHICH": 2021, "SHORE": shoreline.id(), destination: str(page)},
        context,
        QgsProcessingFeedback(),
    )
    QgsProject.instance().removeMapLayer(shoreline.id())
    assert ok
    assert "<title>What 2021 added</title>" in page.read_text(encoding="utf-8")


def test_headless(lake, tmp_path):
    """qgis_process, from the checkout as a plugin."""
    program = shutil.which("qgis_process.bin") or shutil.which("qgis_process")
    if program is None:
        pytest.skip("qgis_process is not installed")
    (tmp_path / "plugins").mkdir()
    (tmp_path / "plugins" / "lakefloor").symlink_to(ROOT)
    shoreline = tmp_path / "shoreline.geojson"
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32615"}}
    feature = {"type": "Feature", "properties": {}, "geometry": mapping(shore())}
    shoreline.write_text(
        json.dumps({"type": "FeatureCollection", "crs": crs, "features": [feature]})
    )
    environment = {
        **os.environ,
        "QGIS_PLUGINPATH": str(tmp_path / "plugins"),
        "QGIS_CUSTOM_CONFIG_PATH": str(tmp_path / "profile"),
        "QT_QPA_PLATFORM": "offscreen",
    }

    def call(*words):
        done = subprocess.run([program, *words], env=environment, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    call("plugins", "enable", "lakefloor")
    soundings, page = tmp_path / "then.gpkg", tmp_path / "page.html"
    call(
        "run", "lakefloor:readdatabase", "--", f"DATABASE={lake[0]}", "AS_OF=2019-12-31",
        f"OUTPUT={soundings}",
    )  # fmt: skip
    layer = QgsVectorLayer(str(soundings), "then", "ogr")
    assert layer.featureCount() == len(lake[1][0])
    call(
        "run", "lakefloor:whatvisitadded", "--", f"DATABASE={lake[0]}", "YEAR=2021",
        f"SHORELINE={shoreline}", f"REPORT={page}",
    )  # fmt: skip
    assert "<title>What 2021 added</title>" in page.read_text(encoding="utf-8")
