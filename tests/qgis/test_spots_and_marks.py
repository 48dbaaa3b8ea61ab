"""Candidate spots, described marks, places like them and profiles as a user runs them."""

import csv
import sys
from pathlib import Path

import numpy as np
import pytest
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProject,
    QgsRasterLayer,
    QgsVectorLayer,
)
from shapely.geometry import LineString, Point

from lakefloor.algorithms import _styling
from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms._io.rasters import BANDS
from lakefloor.algorithms.core.crs import project
from lakefloor.algorithms.core.grid import empty_grid

EXAMPLE = Path(__file__).resolve().parents[2] / "example_project"
sys.path.insert(0, str(EXAMPLE))
import truth

UTM15 = QgsCoordinateReferenceSystem("EPSG:32615")
FOOT = 0.3048


def true_grids(cell):
    grid = empty_grid(truth.shoreline_polygon().bounds, cell)
    x, y = np.meshgrid(grid.x, grid.y)
    depth = grid.like(truth.depth_m(x, y))
    wet = np.isfinite(depth.values)
    hardness = grid.like(np.where(wet, truth.hardness_truth(x, y), np.nan))
    return depth, hardness, wet


@pytest.fixture(scope="module")
def lake(tmp_path_factory, qgis_app):
    """The invented lake's true depth and hardness, as rasters that Lakefloor writes."""
    folder = tmp_path_factory.mktemp("lake")
    depth, hardness, wet = true_grids(2.0)
    flat = depth.like(np.where(wet, 0.15, np.nan))
    write_raster(folder / "depth.tif", [depth, flat, flat], BANDS, UTM15, {})
    classes = depth.like(
        np.where(
            wet, np.select([hardness.values > 0.6, hardness.values < 0.4], [3.0, 1.0], 2.0), np.nan
        )
    )
    write_raster(
        folder / "bottom.tif",
        [hardness, flat, classes, depth.like(np.where(wet, 0.9, np.nan))],
        ("hardness", "standard uncertainty", "class", "probability"),
        UTM15,
        {},
    )
    return {name: str(folder / f"{name}.tif") for name in ("depth", "bottom")}


def wkt(line):
    return LineString(line).wkt


@pytest.fixture
def structure(memory_layer):
    """Break-lines, transitions and forms of the invented lake, from its formulas."""
    breaks = memory_layer(
        "LineString",
        [wkt(truth.crest_line()), wkt(truth.toe_line())],
        fields="field=kind:string&field=height_m:double",
        rows=[("crest", 2.7), ("toe", 2.7)],
    )
    transitions = memory_layer("LineString", [wkt(line) for line in truth.transition_lines()])
    hump = Point(truth.ORIGIN[0] + truth.HUMP["x"], truth.ORIGIN[1] + truth.HUMP["y"]).buffer(26)
    forms = memory_layer(
        "Polygon",
        [hump.wkt],
        fields="field=form:string&field=relief_m:double",
        rows=[("hump", 4.5)],
    )
    return {"BREAKLINES": breaks, "TRANSITIONS": transitions, "BOTTOM_FORMS": forms}


def by_name(layer):
    return {feature["name"]: feature for feature in layer.getFeatures()}


# -- candidate spots ---------------------------------------------------------------------


def test_default_table_finds_spots_on_true_structure(run, lake, structure, feedback):
    result = run(
        "candidatespots",
        {"INPUT": lake["depth"], **structure, "OUTPUT": "TEMPORARY_OUTPUT"},
        feedback,
    )
    spots = list(result["OUTPUT"].getFeatures())
    assert result["SPOTS"] == len(spots) > 3
    assert result["BEST_SCORE"] == pytest.approx(spots[0]["score"])
    assert [f["rank"] for f in spots] == list(range(1, len(spots) + 1))
    best = spots[0]
    place = Point(best.geometry().asPoint().x(), best.geometry().asPoint().y())
    crest = LineString(truth.crest_line())
    # Within the windows of the table: 10 m of the crest, 8 to 16 ft.
    assert place.distance(crest) <= 10.0
    assert best["crest_m"] == pytest.approx(place.distance(crest), abs=0.3)
    assert 8 * FOOT <= truth.depth_m(place.x, place.y) <= 16 * FOOT
    assert best["depth_m"] == pytest.approx(float(truth.depth_m(place.x, place.y)), abs=0.05)
    east, north = project([best["lon"]], [best["lat"]], truth.EPSG)
    assert (east[0], north[0]) == pytest.approx((place.x, place.y), abs=0.01)
    assert "crest of a 9 ft drop-off" in best["note"]
    assert best["name"].startswith("S01 ")
    assert best["name"].endswith("FT")
    assert best["note"] in feedback.text
    weighed = (
        2 * best["transition_fit"]
        + 3 * best["crest_fit"]
        + 2 * best["depth_fit"]
        + best["deep_water_fit"]
    ) / 8.0
    assert best["score"] == pytest.approx(weighed * best["trust"])


def test_default_table_means_the_same_depths_in_feet_and_in_metres(run, lake, structure):
    feet, metres = (
        run(
            "candidatespots",
            {"INPUT": lake["depth"], **structure, "UNIT": unit, "OUTPUT": "TEMPORARY_OUTPUT"},
        )["OUTPUT"]
        for unit in ("ft", "m")
    )
    places = [[(f["depth_m"], f["score"]) for f in layer.getFeatures()] for layer in (feet, metres)]
    assert places[0] == places[1]
    assert all(f["name"].endswith("M") for f in metres.getFeatures())


def test_own_table_in_metres_with_bottom_type_and_score_raster(run, lake, structure, tmp_path):
    result = run(
        "candidatespots",
        {
            "INPUT": lake["depth"],
            **structure,
            "BOTTOM_TYPE": lake["bottom"],
            "UNIT": "m",
            "CRITERIA": ["hump", "", "", "2", "hard", "0", "5", "1", "Depth", "2", "4", "1"],
            "MAX_SPOTS": 2,
            "MIN_DISTANCE": 10.0,
            "OUTPUT": str(tmp_path / "spots.gpkg"),
            "SCORE": str(tmp_path / "score.tif"),
        },
    )
    layer = QgsVectorLayer(result["OUTPUT"], "spots")
    spots = list(layer.getFeatures())
    assert len(spots) == 2
    assert spots[0]["hump_m"] == 0.0
    assert "on the hump of 4.5 m relief" in spots[0]["note"]
    assert spots[0]["hard_bottom_fit"] == 1.0
    grid = QgsRasterLayer(str(tmp_path / "score.tif"))
    value, known = grid.dataProvider().sample(spots[0].geometry().asPoint(), 1)
    assert known
    assert value == pytest.approx(spots[0]["score"], abs=0.05)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (["perch", "0", "1", "1"], "'perch' is not a thing that can count"),
        (["depth", "8"], "no whole number of rows"),
        (["depth", "9", "8", "1"], "must be below"),
        (["hump", "", "", "1", "toe", "0", "9", "1"], "'toe' needs the layer of breaklines"),
    ],
)
def test_table_is_checked_before_running(run, lake, rows, message):
    with pytest.raises(QgsProcessingException, match=message):
        run(
            "candidatespots",
            {"INPUT": lake["depth"], "CRITERIA": rows, "OUTPUT": "TEMPORARY_OUTPUT"},
        )


def test_break_lines_chain_into_spots_and_spots_into_gpx(run, lake, tmp_path):
    breaks = run("breaklines", {"INPUT": lake["depth"], "OUTPUT": str(tmp_path / "b.gpkg")})
    spots = run(
        "candidatespots",
        {
            "INPUT": lake["depth"],
            "BREAKLINES": breaks["OUTPUT"],
            "CRITERIA": ["crest", "0", "10", "1", "depth", "8", "16", "1"],
            "MAX_SPOTS": 4,
            "OUTPUT": str(tmp_path / "spots.gpkg"),
        },
    )
    # Spots are marks like any other.
    marks = run(
        "describemarks",
        {
            "MARKS": spots["OUTPUT"],
            "INPUT": lake["depth"],
            "BREAKLINES": breaks["OUTPUT"],
            "OUTPUT": "TEMPORARY_OUTPUT",
        },
    )
    for feature in marks["OUTPUT"].getFeatures():
        assert feature["crest_m"] <= 15.0
        assert feature["remark"].startswith(f"{feature['depth_m'] / FOOT:.0f} ft deep")
    gpx = run("exportwaypoints", {"INPUT": spots["OUTPUT"], "OUTPUT": str(tmp_path / "s.gpx")})
    text = Path(gpx["OUTPUT"]).read_text(encoding="utf-8")
    assert text.count("<wpt") == 4
    assert "S01 " in text


def test_surface_without_uncertainty_is_said(run, tmp_path, feedback):
    depth, _, _ = true_grids(4.0)
    write_raster(tmp_path / "plain.tif", [depth], ("z",), UTM15, {})
    result = run(
        "candidatespots",
        {
            "INPUT": str(tmp_path / "plain.tif"),
            "CRITERIA": "depth,200,300,1",
            "OUTPUT": "TEMPORARY_OUTPUT",
        },
        feedback,
    )
    assert result["SPOTS"] == 0
    assert result["BEST_SCORE"] is None
    assert "no uncertainty" in feedback.text
    assert "No place reaches" in feedback.text


def test_layers_of_another_kind_are_named(run, lake, structure):
    with pytest.raises(QgsProcessingException, match="does not hold|'kind'"):
        run(
            "candidatespots",
            {
                "INPUT": lake["depth"],
                "BREAKLINES": structure["BOTTOM_FORMS"],
                "CRITERIA": ["crest", "0", "9", "1"],
                "OUTPUT": "TEMPORARY_OUTPUT",
            },
        )
    with pytest.raises(QgsProcessingException, match="no field 'kind'"):
        run(
            "candidatespots",
            {
                "INPUT": lake["depth"],
                "BREAKLINES": structure["TRANSITIONS"],
                "CRITERIA": ["crest", "0", "9", "1"],
                "OUTPUT": "TEMPORARY_OUTPUT",
            },
        )


# -- marks -----------------------------------------------------------------------------------


def test_marks_of_a_gpx_file_are_described(run, lake, structure, feedback):
    result = run(
        "describemarks",
        {
            "MARKS": f"{EXAMPLE / 'marks.gpx'}|layername=waypoints",
            "INPUT": lake["depth"],
            **structure,
            "BOTTOM_TYPE": lake["bottom"],
            "OUTPUT": "TEMPORARY_OUTPUT",
        },
        feedback,
    )
    marks = by_name(result["OUTPUT"])
    assert len(marks) == 8
    for name, mark in marks.items():
        x, y = mark.geometry().asPoint()
        depth = float(truth.depth_m(x, y))
        if np.isfinite(depth):
            assert mark["depth_m"] == pytest.approx(depth, abs=0.1), name
        for kind, line in (("crest", truth.crest_line()), ("toe", truth.toe_line())):
            line = LineString(line)
            assert mark[f"{kind}_m"] == pytest.approx(line.distance(Point(x, y)), abs=0.3), name
    hump = marks["HUMP"]
    assert (hump["form"], hump["form_m"], hump["relief_m"]) == ("hump", 0.0, 4.5)
    assert hump["bottom"] == "hard"
    assert hump["bottom_prob"] == pytest.approx(0.9)
    assert hump["remark"] == "top of the hump, gravel"
    assert "on the hump of 15 ft relief" in hump["note"]
    assert hump["note"] in feedback.text
    saddle = marks["SADDLE"]
    # The hump lies to the north-east of the saddle before it.
    assert saddle["form_dir"] == "north-east"
    assert 22.5 <= saddle["form_deg"] < 67.5
    assert marks["DEEP HOLE"]["bottom"] == "soft"
    assert marks["DEEP HOLE"]["deep_water_m"] == 0.0
    assert result["MARKS_ON_MAP"] == 8
    assert result["MARKS_OFF_MAP"] == 0


def test_a_surface_alone_and_a_mark_off_the_map(run, lake, memory_layer):
    x, y = truth.ORIGIN
    layer = memory_layer("Point", [f"POINT({x} {y})", f"POINT({x + 5000} {y})"])
    result = run(
        "describemarks",
        {"MARKS": layer, "INPUT": lake["depth"], "UNIT": "m", "OUTPUT": "TEMPORARY_OUTPUT"},
    )
    marks = by_name(result["OUTPUT"])
    assert (result["MARKS_ON_MAP"], result["MARKS_OFF_MAP"]) == (1, 1)
    assert marks["1"]["depth_m"] == pytest.approx(float(truth.depth_m(x, y)), abs=0.05)
    for field in ("crest_m", "hardness", "form", "bottom"):
        assert not marks["1"][field]
    assert not marks["2"]["depth_m"]
    assert marks["2"]["note"] == "no depth is mapped here"
    assert marks["2"]["lon"] == pytest.approx(-94.537, abs=0.01)


def test_names_come_from_the_field_chosen(run, lake, memory_layer):
    x, y = truth.ORIGIN
    layer = memory_layer(
        "Point",
        [f"POINT({x} {y})"],
        fields="field=name:string&field=code:string",
        rows=[("A", "B7")],
    )
    parameters = {"MARKS": layer, "INPUT": lake["depth"], "OUTPUT": "TEMPORARY_OUTPUT"}
    assert list(by_name(run("describemarks", parameters)["OUTPUT"])) == ["A"]
    parameters["NAME_FIELD"] = "code"
    assert list(by_name(run("describemarks", parameters)["OUTPUT"])) == ["B7"]


def test_marks_without_place_are_refused(run, lake, memory_layer):
    with pytest.raises(QgsProcessingException, match="no mark with a position"):
        run(
            "describemarks",
            {
                "MARKS": memory_layer("Point", [None]),
                "INPUT": lake["depth"],
                "OUTPUT": "TEMPORARY_OUTPUT",
            },
        )


def test_more_like_marks_on_the_crest_are_on_the_crest(
    run, lake, structure, memory_layer, tmp_path, feedback
):
    crest = LineString(truth.crest_line())
    marks = [crest.interpolate(d) for d in np.linspace(20.0, 0.6 * crest.length, 7)]
    layer = memory_layer(
        "Point",
        [p.wkt for p in marks],
        fields="field=name:string",
        rows=[(f"C{i}",) for i in range(7)],
    )
    result = run(
        "findplaceslikemarks",
        {
            "MARKS": layer,
            "INPUT": lake["depth"],
            **structure,
            "BOTTOM_TYPE": lake["bottom"],
            "MAX_PLACES": 4,
            "MIN_DISTANCE": 20.0,
            "OUTPUT": "TEMPORARY_OUTPUT",
            "SIMILARITY": str(tmp_path / "like.tif"),
        },
        feedback,
    )
    places = list(result["OUTPUT"].getFeatures())
    assert result["PLACES"] == len(places) == 4
    for feature in places:
        place = Point(*feature.geometry().asPoint())
        assert place.distance(crest) < 8.0
        assert min(place.distance(mark) for mark in marks) >= 20.0
        assert feature["note"].startswith(f"like {feature['mark']}: depth")
    assert (result["GROUPS"], round(result["P_VALUE"], 3)) == (7, 0.005)
    assert result["AUC"] > 0.9 > result["RANDOM_AUC"]
    assert "these marks lead to each other" in feedback.text
    assert QgsRasterLayer(str(tmp_path / "like.tif")).isValid()


def test_few_marks_are_not_tested_and_it_is_said(run, lake, memory_layer, feedback):
    x, y = truth.ORIGIN
    result = run(
        "findplaceslikemarks",
        {
            "MARKS": memory_layer("Point", [f"POINT({x} {y})"]),
            "INPUT": lake["depth"],
            "OUTPUT": "TEMPORARY_OUTPUT",
        },
        feedback,
    )
    assert result["AUC"] is None
    assert result["GROUPS"] == 1
    assert "Not tested" in feedback.text


def test_marks_elsewhere_are_refused(run, lake, memory_layer):
    with pytest.raises(QgsProcessingException, match="No mark lies on the mapped"):
        run(
            "findplaceslikemarks",
            {
                "MARKS": memory_layer("Point", ["POINT(0 0)"]),
                "INPUT": lake["depth"],
                "OUTPUT": "TEMPORARY_OUTPUT",
            },
        )


# -- profile ---------------------------------------------------------------------------------


@pytest.fixture
def across(memory_layer):
    """A line over the hump, from land to land, and a short one of its own name."""
    x, y = truth.ORIGIN[0] + truth.HUMP["x"], truth.ORIGIN[1] + truth.HUMP["y"]
    return memory_layer(
        "LineString",
        [
            f"LINESTRING({x} {y + 400}, {x} {y}, {x} {y - 500})",
            f"LINESTRING({x - 40} {y}, {x + 40} {y})",
        ],
        fields="field=name:string",
        rows=[("North & south",), ("Hump",)],
    )


def test_profile_is_the_true_depth_along_the_line(run, lake, across, tmp_path):
    result = run(
        "depthprofile",
        {
            "INPUT": lake["depth"],
            "LINES": across,
            "BOTTOM_TYPE": lake["bottom"],
            "OUTPUT": str(tmp_path / "profile.csv"),
            "REPORT": str(tmp_path / "profile.html"),
        },
    )
    with open(tmp_path / "profile.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {row["line_name"] for row in rows} == {"North & south", "Hump"}
    first = [row for row in rows if row["line"] == "1"]
    # Every cell size along 900 m, both ends included.
    assert len(first) == 451
    assert float(first[-1]["distance_m"]) == pytest.approx(900.0)
    assert first[0]["depth_m"] == ""
    assert first[-1]["depth_m"] == ""
    lon, lat = (np.array([float(row[key]) for row in rows]) for key in ("lon", "lat"))
    true = truth.depth_m(*project(lon, lat, truth.EPSG))
    found = np.array([float(row["depth_m"] or "nan") for row in rows])
    both = np.isfinite(true) & np.isfinite(found)
    assert both.sum() > 200
    assert np.sqrt(np.mean((found - true)[both] ** 2)) < 0.02
    assert result["DEEPEST_M"] == pytest.approx(np.nanmax(true), abs=0.02)
    assert float(rows[-1]["depth_ft"]) == pytest.approx(found[-1] / FOOT)
    assert (result["LINES_DRAWN"], round(result["LENGTH_M"])) == (2, 980)
    assert {row["bottom"] for row in rows if row["line"] == "2"} <= {"hard", "medium", "soft"}
    page = (tmp_path / "profile.html").read_text(encoding="utf-8")
    assert "North &amp; south" in page
    assert page.count("data:image/png") == 2
    assert "Not for navigation" in page


def test_profile_elsewhere_is_refused(run, lake, memory_layer):
    with pytest.raises(QgsProcessingException, match="No part of the line lies on mapped"):
        run(
            "depthprofile",
            {
                "INPUT": lake["depth"],
                "LINES": memory_layer("LineString", ["LINESTRING(0 0, 9 9)"]),
                "OUTPUT": "TEMPORARY_OUTPUT",
            },
        )


def test_profile_in_degrees_and_metres(run, lake, memory_layer):
    line = memory_layer(
        "LineString", ["LINESTRING(-94.6035 46.4569, -94.6015 46.4569)"], crs="EPSG:4326"
    )
    result = run(
        "depthprofile",
        {
            "INPUT": lake["depth"],
            "LINES": line,
            "UNIT": "m",
            "STEP": 10.0,
            "OUTPUT": "TEMPORARY_OUTPUT",
        },
    )
    layer = result["OUTPUT"]
    assert layer.crs() == UTM15
    assert layer.fields().indexFromName("depth_ft") < 0
    # 0.002 degrees at this latitude are 153.6 m on the ellipsoid.
    assert result["LENGTH_M"] == pytest.approx(153.6, abs=0.5)


# -- all of them -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["candidatespots", "describemarks", "findplaceslikemarks",
                                  "depthprofile"])  # fmt: skip
def test_cancel_leaves_nothing(run, lake, structure, across, tmp_path, recorder, name):
    folder = tmp_path / "out"
    folder.mkdir()
    parameters = {"INPUT": lake["depth"], "OUTPUT": str(folder / "out.gpkg")}
    parameters.update({"LINES": across} if name == "depthprofile" else structure)
    if name in ("describemarks", "findplaceslikemarks"):
        parameters["MARKS"] = f"{EXAMPLE / 'marks.gpx'}|layername=waypoints"
    with pytest.raises(QgsProcessingException):
        run(name, parameters, recorder(cancel_at=20))
    assert list(folder.iterdir()) == []


@pytest.mark.parametrize("style", ["spots", "places", "marks", "profile"])
def test_styles_draw(memory_layer, style):
    layer = memory_layer(
        "Point",
        ["POINT(0 0)"],
        fields="field=name:string&field=score:double",
        rows=[("S01 12FT", 0.8)],
    )
    _styling.apply_style(layer, style)
    assert layer.renderer().type() == "singleSymbol"
    assert layer.labelsEnabled() == (style != "profile")


def test_results_are_styled_when_loaded(run, lake, tmp_path):
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    target = str(tmp_path / "score.tif")
    run(
        "candidatespots",
        {
            "INPUT": lake["depth"],
            "CRITERIA": ["depth", "8", "16", "1"],
            "OUTPUT": "TEMPORARY_OUTPUT",
            "SCORE": target,
        },
        context=context,
    )
    layer = QgsRasterLayer(target, "score")
    _styling.apply_style(layer, "score")
    assert layer.renderer().type() == "singlebandpseudocolor"
