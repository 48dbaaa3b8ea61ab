"""Bottom type and hard-soft transitions as a user runs them."""

import sys
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsCoordinateReferenceSystem, QgsProcessingException, QgsRasterLayer

from lakefloor.algorithms import _styling
from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms.core.grid import Grid
from lakefloor.algorithms.core.soundings import concatenate

sys.path[:0] = [str(Path(__file__).parents[1] / "core"), str(Path(__file__).parent)]
import hard_lakes
from number_signs import assert_same_but_for_signs, html_text, locale

UTM15 = QgsCoordinateReferenceSystem("EPSG:32615")
WEST, SOUTH = 400_000.0, 5_100_000.0
FIELDS = "&".join(
    f"field={name}:{kind}"
    for name, kind in (
        ("visit", "string"),
        ("lane", "integer"),
        ("depth_m", "double"),
        ("hardness", "double"),
        ("status", "string"),
    )
)


def moved(grid):
    return Grid(grid.values, grid.west + WEST, grid.north + SOUTH, grid.dx, grid.dy)


@pytest.fixture
def depth(tmp_path):
    path = tmp_path / "depth.tif"
    write_raster(
        path, [moved(hard_lakes.depth_grid(5.0))], ["depth (m)"], UTM15, {"DATUM_NAME": "gauge"}
    )
    return str(path)


@pytest.fixture
def soundings(memory_layer):
    """Make a soundings layer of a made lake."""

    def make(hardness=hard_lakes.patches, parts=None, **traits):
        s = hard_lakes.survey(hardness, **traits) if parts is None else concatenate(parts)
        points = [f"POINT({WEST + x} {SOUTH + y})" for x, y in zip(s.x, s.y)]
        rows = [
            (v, 0, float(d), None if np.isnan(h) else float(h), "accepted")
            for v, d, h in zip(s.visit, s.depth, s.hardness)
        ]
        return memory_layer("Point", points, fields=FIELDS, rows=rows, name="pings")

    return make


@pytest.fixture
def mapped(run, soundings, depth, tmp_path, feedback):
    """Map the lake with two hard grounds; a fixture must not hold layers when QGIS leaves."""

    def call():
        pings = soundings(per_decade=-0.15)
        return pings, run(
            "bottomtype",
            {
                "INPUT": pings,
                "SURFACE": depth,
                "CELL_SIZE": 4.0,
                "OUTPUT": str(tmp_path / "type.tif"),
                "AREAS": "TEMPORARY_OUTPUT",
                "REPORT": str(tmp_path / "report.html"),
            },
            feedback,
        )

    return call


def bands(path):
    dataset = gdal.Open(str(path))
    return dataset, [
        np.where(b == -9999.0, np.nan, b)
        for b in (dataset.GetRasterBand(i + 1).ReadAsArray() for i in range(dataset.RasterCount))
    ]


def truth_classes(dataset, shape):
    west, dx, _, north, _, dy = dataset.GetGeoTransform()
    x = west + (np.arange(shape[1]) + 0.5) * dx - WEST
    y = north + (np.arange(shape[0]) + 0.5) * dy - SOUTH
    return np.where(hard_lakes.patches(*np.meshgrid(x, y)) > 0.475, 3, 1)


def test_bands_areas_figures_and_report(mapped, feedback):
    _, result = mapped()
    dataset, (hardness, sigma, bottom, probability, distance) = bands(result["OUTPUT"])
    assert [dataset.GetRasterBand(i).GetDescription() for i in (1, 3)] == [
        "relative hardness",
        "bottom class (1 soft, 2 medium, 3 hard)",
    ]
    known = np.isfinite(hardness)
    assert ((hardness[known] >= 0) & (hardness[known] <= 1)).all()
    assert (sigma[known] > 0).all()
    assert ((probability[known] >= 0.5) & (probability[known] <= 1)).all()
    assert (distance[known] >= 0).all()
    assert set(np.unique(bottom[known])) == {1.0, 3.0}
    assert (bottom == truth_classes(dataset, bottom.shape))[known].mean() > 0.97
    assert result["CLASSES"] == 2
    assert result["DEPTH_TREND"] == pytest.approx(-0.15, abs=0.02)
    assert result["SOFT_PERCENT"] + result["HARD_PERCENT"] == pytest.approx(100.0)
    assert result["VISITS_LEFT_OUT"] == 0
    assert result["KAPPA"] is None
    assert dataset.GetMetadata()["DATUM_NAME"] == "gauge"
    assert dataset.GetMetadata()["HARDNESS"] == "relative"
    areas = {f["bottom"]: f for f in result["AREAS"].getFeatures()}
    assert set(areas) == {"soft", "hard"}
    cell = 4.0**2
    assert areas["hard"]["area_m2"] == pytest.approx(cell * (bottom == 3).sum())
    assert areas["hard"].geometry().area() == pytest.approx(areas["hard"]["area_m2"])
    assert areas["hard"]["share"] == pytest.approx(result["HARD_PERCENT"] / 100.0)
    page = Path(result["REPORT"]).read_text(encoding="utf-8")
    assert page.count("data:image/png") == 4
    assert "relative to this sounder" in page
    assert "relative to this sounder" in feedback.text
    assert "gain 0.8" in feedback.text


def test_transitions_follow_from_the_bottom_type(run, mapped, depth):
    pings, result = mapped()
    layer = QgsRasterLayer(result["OUTPUT"], "type")
    found = run(
        "hardsofttransitions",
        {"INPUT": layer, "SURFACE": depth, "SOUNDINGS": pings, "OUTPUT": "TEMPORARY_OUTPUT"},
    )
    lines = list(found["OUTPUT"].getFeatures())
    assert found["TRANSITIONS"] == len(lines) == 2
    assert found["UNSUPPORTED_M"] == 0.0
    assert found["SUPPORTED_M"] == pytest.approx(2 * np.pi * 130.0, rel=0.05)
    for line, (px, py, radius) in zip(lines, hard_lakes.PATCHES):
        ring = line.geometry()
        box = ring.boundingBox()
        assert box.center().x() - WEST == pytest.approx(px, abs=4.0)
        assert box.center().y() - SOUTH == pytest.approx(py, abs=4.0)
        assert box.width() / 2 == pytest.approx(radius, abs=4.0)
        # 10 to 90 percent of tanh(x / 3 m): 2 artanh(0.8) 3 m = 6.6 m (calculus).
        assert line["width_m"] == pytest.approx(6.6, abs=2.5)
        assert line["width_from"] == "soundings"
        assert line["contrast"] == pytest.approx(0.35, abs=0.04)
        assert line["hard_side"] == "left"
        # With the hard inside on its left the ring runs counter-clockwise.
        points = ring.asPolyline()
        assert sum(a.x() * b.y() - b.x() * a.y() for a, b in zip(points, points[1:])) > 0
        assert line["supported"] == 1
        assert 0.5 < line["confidence"] <= 1.0
        assert line["depth_from_m"] <= line["depth_m"] <= line["depth_to_m"]
        assert line["length_m"] == pytest.approx(ring.length(), rel=1e-6)
    alone = run("hardsofttransitions", {"INPUT": layer, "OUTPUT": "TEMPORARY_OUTPUT"})
    assert {f["width_from"] for f in alone["OUTPUT"].getFeatures()} == {"surface"}
    assert all(f["depth_m"] in (None,) or not f["depth_m"] for f in alone["OUTPUT"].getFeatures())


def test_one_bottom_is_said_plainly(run, soundings, depth, tmp_path, feedback):
    pings = soundings(lambda x, y: 0.4 + 0.0 * x, gains=((1.0, 0.0),) * 3)
    path = str(tmp_path / "one.tif")
    result = run(
        "bottomtype",
        {
            "INPUT": pings,
            "SURFACE": depth,
            "CELL_SIZE": 5.0,
            "OUTPUT": path,
            "AREAS": "TEMPORARY_OUTPUT",
            "ADJUST_VISITS": "no adjustment",
        },
        feedback,
    )
    assert result["CLASSES"] == 1
    assert result["HARD_PERCENT"] is None
    assert result["AREAS"].featureCount() == 0
    assert "single class" in feedback.text
    recorder = type(feedback)()
    found = run("hardsofttransitions", {"INPUT": path, "OUTPUT": "TEMPORARY_OUTPUT"}, recorder)
    assert found["TRANSITIONS"] == 0
    assert "no transition to draw" in recorder.text


def samples(memory_layer, count, flip=False):
    rng = np.random.default_rng(5)
    points, rows = [], []
    for name, (px, py, radius) in (("hard", hard_lakes.PATCHES[0]), ("soft", (210.0, 260.0, 30.0))):
        for _ in range(count):
            angle, r = rng.uniform(0, 2 * np.pi), 0.7 * radius * np.sqrt(rng.uniform())
            x, y = WEST + px + r * np.cos(angle), SOUTH + py + r * np.sin(angle)
            points.append(f"POINT({x} {y})")
            rows.append(({"hard": "soft", "soft": "hard"}[name] if flip else name.title(),))
    return memory_layer("Point", points, fields="field=felt:string", rows=rows, name="pole")


def test_samples_calibrate(run, soundings, depth, memory_layer, tmp_path, feedback):
    common = {
        "INPUT": soundings(),
        "SURFACE": depth,
        "CELL_SIZE": 5.0,
        "SAMPLE_FIELD": "felt",
        "REPORT": str(tmp_path / "report.html"),
        "AREAS": None,
    }
    result = run(
        "bottomtype",
        {**common, "SAMPLES": samples(memory_layer, 12), "OUTPUT": str(tmp_path / "c.tif")},
        feedback,
    )
    assert result["KAPPA"] == pytest.approx(1.0)
    assert result["AGREEMENT_PERCENT"] == 100.0
    assert 0.35 < result["THRESHOLD_LOW"] < 0.6
    assert "24 bottom samples" in feedback.text
    assert "sampled (down)" in (tmp_path / "report.html").read_text(encoding="utf-8")
    for layer, words in (
        (samples(memory_layer, 4), "Too few bottom samples"),
        (samples(memory_layer, 9, flip=True), "do not have a higher hardness"),
    ):
        with pytest.raises(QgsProcessingException, match=words):
            run("bottomtype", {**common, "SAMPLES": layer, "OUTPUT": str(tmp_path / "n.tif")})
    assert not (tmp_path / "n.tif").exists()


def test_bad_input_is_named(run, soundings, depth, memory_layer, tmp_path):
    out = {"OUTPUT": str(tmp_path / "bad.tif"), "AREAS": None}
    x, y = hard_lakes.lanes("y", 60.0)
    good = hard_lakes.visit("a", x, y, hard_lakes.patches, 1)
    none = good.replace(hardness=np.full(len(good), np.nan))
    hundred = good.replace(hardness=100.0 * good.hardness)
    for part, words in ((none, "has a hardness"), (hundred, "must lie within 0 and 1")):
        with pytest.raises(QgsProcessingException, match=words):
            run("bottomtype", {"INPUT": soundings(parts=[part]), "SURFACE": depth, **out})
    pole = memory_layer(
        "Point",
        [f"POINT({WEST + 9} {SOUTH + 9})"],
        fields="field=felt:string",
        rows=[("rock",)],
        name="pole",
    )
    with pytest.raises(QgsProcessingException, match="'pole', row 1: field 'felt' holds 'rock'"):
        run(
            "bottomtype",
            {
                "INPUT": soundings(parts=[good]),
                "SURFACE": depth,
                "SAMPLES": pole,
                "SAMPLE_FIELD": "felt",
                **out,
            },
        )
    with pytest.raises(QgsProcessingException, match="Choose the field"):
        run(
            "bottomtype",
            {"INPUT": soundings(parts=[good]), "SURFACE": depth, "SAMPLES": pole, **out},
        )
    with pytest.raises(QgsProcessingException, match="higher hardness than medium"):
        run(
            "bottomtype",
            {"INPUT": soundings(parts=[good]), "SURFACE": depth, "MEDIUM_FROM": 0.7, **out},
        )
    with pytest.raises(QgsProcessingException, match="bottom type is needed here"):
        run("hardsofttransitions", {"INPUT": depth, "OUTPUT": "TEMPORARY_OUTPUT"})
    assert not (tmp_path / "bad.tif").exists()


def test_cancel_leaves_nothing(run, soundings, depth, tmp_path, recorder):
    folder = tmp_path / "results"
    folder.mkdir()
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run(
            "bottomtype",
            {
                "INPUT": soundings(),
                "SURFACE": depth,
                "OUTPUT": str(folder / "type.tif"),
                "AREAS": None,
            },
            recorder(20),
        )
    assert not list(folder.iterdir())


def test_styles(mapped, run):
    _, result = mapped()
    raster = QgsRasterLayer(result["OUTPUT"], "type")
    _styling.apply_style(raster, "bottom_type")
    assert raster.renderer().type() == "singlebandpseudocolor"
    assert len(raster.styleManager().styles()) == 2
    styles = raster.styleManager()
    styles.setCurrentStyle(next(s for s in styles.styles() if s != styles.currentStyle()))
    assert raster.renderer().type() == "paletted"
    assert [c.value for c in raster.renderer().classes()] == [1, 2, 3]
    _styling.apply_style(result["AREAS"], "bottom_areas")
    assert {c.value() for c in result["AREAS"].renderer().categories()} == {
        "soft",
        "medium",
        "hard",
    }
    lines = run("hardsofttransitions", {"INPUT": raster, "OUTPUT": "TEMPORARY_OUTPUT"})["OUTPUT"]
    _styling.apply_style(lines, "transitions")
    assert len(lines.renderer().rootRule().children()) == 2


def test_report_in_german_numbers(mapped, tmp_path):
    reports = []
    for name in ("en_US", "de_DE"):
        with locale(name):
            mapped()
        reports.append(html_text(tmp_path / "report.html"))
        (tmp_path / "type.tif").unlink()
    assert_same_but_for_signs(reports[1], reports[0], "de_DE")


def test_soundings_far_off_the_shoreline_are_set_aside(
    run, soundings, depth, memory_layer, tmp_path, feedback
):
    survey = hard_lakes.survey(hard_lakes.patches)
    far = survey.select(slice(0, 40))
    far = far.replace(x=far.x + 3000.0)
    west, south = WEST - 5.0, SOUTH - 5.0
    east, north = WEST + hard_lakes.WIDTH + 5.0, SOUTH + hard_lakes.HEIGHT + 5.0
    lake = memory_layer(
        "Polygon",
        [
            f"POLYGON(({west} {south}, {east} {south}, {east} {north}, {west} {north}, "
            f"{west} {south}))"
        ],
    )
    grids = []
    for name, parts in (("alone", [survey]), ("both", [survey, far])):
        path = tmp_path / f"{name}.tif"
        run(
            "bottomtype",
            {
                "INPUT": soundings(parts=parts),
                "SURFACE": depth,
                "CELL_SIZE": 4.0,
                "SHORELINE": lake,
                "OUTPUT": str(path),
            },
            feedback,
        )
        grids.append(bands(path)[1][0])
    assert "40 soundings lie 2." in feedback.text
    np.testing.assert_array_equal(*grids)
