"""The models on the example lake: a map near the truth; structure and an outing from it."""

import json
import os
import sqlite3
from pathlib import Path

import numpy as np
import pytest
from qgis.core import QgsProcessingException, QgsProject, QgsRasterLayer, QgsVectorLayer

ROOT = Path(__file__).resolve().parents[2]
EXAMPLE = ROOT / "example_project"
MODEL = "logstolakemap"


def _parameters(folder):
    (folder / "project").mkdir(parents=True)
    return {
        "LOG_FOLDER": str(EXAMPLE / "logs"),
        "SHORELINE": str(EXAMPLE / "shoreline.geojson"),
        "GAUGE": str(EXAMPLE / "gauge.csv"),
        "LEVEL_UNIT": "ft",
        "DATUM_ELEVATION": 2.0,
        "DATUM_NAME": "dock gauge",
        "TITLE": "Lake Marrowby",
        "uncertaintybudget:Soundings": str(folder / "soundings.gpkg"),
        "tinsurface:TIN surface": str(folder / "tin.tif"),
        "idwsurface:IDW surface": str(folder / "idw.tif"),
        "smoothsurface:Smooth surface": str(folder / "smooth.tif"),
        "depthcontours:Depth contours": str(folder / "contours.gpkg"),
        "depthareas:Depth areas": str(folder / "areas.gpkg"),
        "bottomslope:Bottom slope": str(folder / "slope.tif"),
        "breaklines:Breaklines": str(folder / "break_lines.gpkg"),
        "mapsheet:Map sheet": str(folder / "sheet.pdf"),
        "lakeproject:Lake project": str(folder / "project" / "lake.qgz"),
    }


@pytest.fixture(scope="module")
def mapped(provider, tmp_path_factory):
    """Run the model once; the folder with its files."""
    import processing

    folder = tmp_path_factory.mktemp("lake")
    processing.run(f"lakefloor:{MODEL}", _parameters(folder))
    return folder


def _truth():
    import sys

    sys.path.insert(0, str(EXAMPLE))
    try:
        import truth
    finally:
        sys.path.remove(str(EXAMPLE))
    return truth


@pytest.mark.parametrize(
    ("name", "worst"), [("tin.tif", 0.10), ("idw.tif", 0.15), ("smooth.tif", 0.075)]
)
def test_surface_is_near_the_truth(mapped, name, worst):
    """The truth is the formula that the example's logs were made from."""
    from osgeo import gdal

    dataset = gdal.Open(str(mapped / name))
    west, dx, _, north, _, dy = dataset.GetGeoTransform()
    depth = dataset.GetRasterBand(1).ReadAsArray().astype(float)
    sigma = dataset.GetRasterBand(2).ReadAsArray().astype(float)
    rows, cols = np.nonzero(depth != dataset.GetRasterBand(1).GetNoDataValue())
    x, y = west + (cols + 0.5) * dx, north + (rows + 0.5) * dy
    error = depth[rows, cols] - _truth().depth_m(x, y)
    known = np.isfinite(error)
    assert known.mean() > 0.99
    error, sigma = error[known], sigma[rows, cols][known]
    assert np.sqrt(np.mean(error**2)) < worst
    assert abs(error.mean()) < 0.05
    assert np.abs(error).max() < 2.5
    assert np.mean(np.abs(error) <= 2 * sigma) > 0.9


def test_soundings_keep_every_ping_and_its_reason(mapped):
    layer = QgsVectorLayer(str(mapped / "soundings.gpkg"))
    status = [f["status"] for f in layer.getFeatures()]
    rejected = [s for s in status if s != "accepted"]
    assert len(status) > 10_000
    # planted.csv lists the faults; each needs its reason, and few good soundings may go with them.
    assert 60 <= len(rejected) <= 400
    assert all(rejected)


def test_contours_are_one_foot_apart(mapped):
    layer = QgsVectorLayer(str(mapped / "contours.gpkg"))
    depths = sorted({f["depth"] for f in layer.getFeatures()})
    assert depths == pytest.approx(list(range(1, len(depths) + 1)))
    # The lake is 10.99 m = 36.1 ft deep.
    assert 34 <= depths[-1] <= 37


def test_break_lines_have_crest_and_toe(mapped):
    layer = QgsVectorLayer(str(mapped / "break_lines.gpkg"))
    assert {f["kind"] for f in layer.getFeatures()} == {"crest", "steepest", "toe"}


def test_sheet_is_a_georeferenced_pdf(mapped):
    content = (mapped / "sheet.pdf").read_bytes()
    assert content.startswith(b"%PDF")
    assert b"/Measure" in content or b"LGIDict" in content


def test_project_opens_styled_with_relative_paths(mapped, tmp_path):
    moved = tmp_path / "elsewhere"
    os.rename(mapped / "project", moved)
    try:
        project = QgsProject()
        assert project.read(str(moved / "lake.qgz"))
        layers = list(project.mapLayers().values())
        assert len(layers) >= 7
        assert all(layer.isValid() for layer in layers)
        assert project.layoutManager().printLayouts()
    finally:
        os.rename(moved, mapped / "project")


def test_nothing_else_is_left(mapped):
    assert not [name for name in os.listdir(mapped) if name.startswith(".lakefloor")]


def test_slope_raster_opens(mapped):
    layer = QgsRasterLayer(str(mapped / "slope.tif"))
    assert layer.isValid()
    assert layer.bandCount() == 2


def test_gauge_that_ends_too_early_stops_the_model(provider, tmp_path):
    import processing

    gauge = tmp_path / "gauge.csv"
    gauge.write_text("time_utc,level_ft\n2025-05-17T20:00:00Z,2.7\n2025-05-18T02:00:00Z,2.7\n")
    parameters = {**_parameters(tmp_path / "out"), "GAUGE": str(gauge)}
    with pytest.raises(QgsProcessingException):
        processing.run(f"lakefloor:{MODEL}", parameters)
    assert os.listdir(tmp_path / "out") == ["project"]
    assert os.listdir(tmp_path / "out" / "project") == []


def _forgotten(folder, **given):
    parameters = {**_parameters(folder), **given}
    for name in ("GAUGE", "DATUM_NAME"):
        del parameters[name]
    if "DATUM_ELEVATION" not in given:
        del parameters["DATUM_ELEVATION"]
    return parameters


def test_forgotten_gauge_prints_no_phantom(provider, tmp_path):
    """Depths count from the water of the first day, which stood 0.21 m above the datum."""
    import processing
    from osgeo import gdal

    processing.run(f"lakefloor:{MODEL}", _forgotten(tmp_path / "out"))
    layer = QgsVectorLayer(str(tmp_path / "out" / "soundings.gpkg"))
    found = {
        f["visit"]: dict(pair.split("=") for pair in f["corrections"].split(";"))
        for f in layer.getFeatures()
    }
    offset = {visit: float(pairs["level_offset_m"]) for visit, pairs in found.items()}
    # Levels of the three visits after example_project/README.md: +0.21, -0.05 and +0.33 m.
    assert list(offset.values()) == pytest.approx([0.0, -0.26, 0.12], abs=0.03)
    assert {pairs["datum"] for pairs in found.values()} == {"water level of 2025-05-17"}
    dataset = gdal.Open(str(tmp_path / "out" / "smooth.tif"))
    west, dx, _, north, _, dy = dataset.GetGeoTransform()
    depth = dataset.GetRasterBand(1).ReadAsArray().astype(float)
    rows, cols = np.nonzero(depth != dataset.GetRasterBand(1).GetNoDataValue())
    depth = depth[rows, cols]
    truth = _truth().depth_m(west + (cols + 0.5) * dx, north + (rows + 0.5) * dy)
    known = np.isfinite(truth)
    error = depth[known] - truth[known] - 0.21
    assert np.sqrt(np.mean(error**2)) < 0.09
    assert depth.max() == pytest.approx(10.99 + 0.21, abs=0.1)
    # The true volume, 1.150 million m3, and 0.21 m of water over 24.49 ha.
    assert depth.sum() * dx * -dy == pytest.approx(1.150e6 + 0.21 * 244_900, rel=0.01)


def test_forgotten_gauge_with_a_datum_is_refused(provider, tmp_path, feedback):
    import processing

    with pytest.raises(QgsProcessingException):
        processing.run(
            f"lakefloor:{MODEL}",
            _forgotten(tmp_path / "out", DATUM_ELEVATION=2.0),
            feedback=feedback,
        )
    assert "The gauge reading at the lake datum is given, but no lake level." in feedback.text
    assert os.listdir(tmp_path / "out") == ["project"]
    assert os.listdir(tmp_path / "out" / "project") == []


def _visit(tmp_path, logs, number):
    return {
        "LOGS": [str(EXAMPLE / "logs" / name) for name in logs],
        "DATABASE": str(tmp_path / "lake.gpkg"),
        "SHORELINE": str(EXAMPLE / "shoreline.geojson"),
        "GAUGE": str(EXAMPLE / "gauge.csv"),
        "LEVEL_UNIT": "ft",
        "DATUM_ELEVATION": 2.0,
        "DATUM_NAME": "dock gauge",
        "CELL_SIZE": 4.0,
        "uncertaintybudget:Soundings": "memory:",
        "addtodatabase:Bottom change": str(tmp_path / f"change{number}.gpkg"),
        "readdatabase:Soundings of all visits": str(tmp_path / f"all{number}.gpkg"),
        "smoothsurface:Smooth surface": str(tmp_path / f"smooth{number}.tif"),
        "depthcontours:Depth contours": str(tmp_path / f"contours{number}.gpkg"),
    }


def test_visits_add_up_and_a_log_added_twice_changes_nothing(provider, tmp_path):
    import processing

    may = ["2025-05-17_1.nmea", "2025-05-17_2.nmea"]
    for number, logs in enumerate((may, ["2025-08-09.csv"], may)):
        parameters = _visit(tmp_path, logs, number)
        if number == 2:
            parameters["OLD_SURFACE"] = str(tmp_path / "smooth1.tif")
        processing.run("lakefloor:addavisit", parameters)
    counts = []
    for number in range(3):
        layer = QgsVectorLayer(str(tmp_path / f"all{number}.gpkg"))
        counts.append(layer.featureCount())
    # 6,371 pings of May and 2,844 of August have a depth and a position.
    assert counts == [6371, 6371 + 2844, 6371 + 2844]
    before, after = (QgsRasterLayer(str(tmp_path / f"smooth{n}.tif")) for n in (1, 2))
    assert after.isValid()
    blocks = [
        layer.dataProvider().block(1, layer.extent(), layer.width(), layer.height()).data()
        for layer in (before, after)
    ]
    assert blocks[0] == blocks[1]


def _stored(store):
    """Return the corrections of each visit of a store, and what is kept beside it."""
    layer = QgsVectorLayer(f"{store}|layername=soundings")
    texts = {f["visit"]: f["corrections"] for f in layer.getFeatures()}
    with sqlite3.connect(store) as db:
        kept = dict(db.execute("SELECT visit, parameters FROM visits"))
    return {
        visit: (dict(pair.split("=") for pair in text.split(";")), json.loads(kept[visit]))
        for visit, text in texts.items()
    }


def test_an_outing_without_a_gauge_is_fitted_to_the_store(provider, tmp_path, feedback):
    """On 9 August the lake stood 0.05 m below the datum; nobody read the gauge."""
    import processing

    may = ["2025-05-17_1.nmea", "2025-05-17_2.nmea"]
    processing.run("lakefloor:addavisit", _visit(tmp_path, may, 0))
    august = _visit(tmp_path, ["2025-08-09.csv"], 1)
    for name in ("GAUGE", "DATUM_ELEVATION", "DATUM_NAME"):
        del august[name]
    processing.run("lakefloor:addavisit", august, feedback=feedback)
    pairs, kept = _stored(tmp_path / "lake.gpkg")["2025-08-09"]
    assert float(pairs["level_offset_m"]) == pytest.approx(-0.05, abs=0.03)
    assert 0.0 < float(pairs["level_offset_sd_m"]) < 0.02
    assert (pairs["datum"], pairs["level"]) == ("dock gauge", "unknown")
    assert "level_m" not in pairs
    (offset,) = kept["level_offsets"].values()
    assert offset["offset_m"] == pytest.approx(float(pairs["level_offset_m"]))
    assert offset["places"] > 100
    assert "The depths of visit '2025-08-09' are fitted to the lake database" in "".join(
        feedback.warnings
    )
    assert "Visit '2025-08-09': visit offset -0.0" in feedback.text
    # The same log again changes nothing, and needs no crossings.
    again = _visit(tmp_path, ["2025-08-09.csv"], 2)
    for name in ("GAUGE", "DATUM_ELEVATION", "DATUM_NAME"):
        del again[name]
    before = (tmp_path / "lake.gpkg").read_bytes()
    processing.run("lakefloor:addavisit", again)
    assert (tmp_path / "lake.gpkg").read_bytes() == before


def test_a_visit_with_a_wrong_draft_stops_the_model(provider, tmp_path, feedback):
    """The transducer hung 0.3 m below the water, as example_project/README.md says."""
    import processing

    may = ["2025-05-17_1.nmea", "2025-05-17_2.nmea"]
    processing.run("lakefloor:addavisit", _visit(tmp_path, may, 0))
    before = (tmp_path / "lake.gpkg").read_bytes()
    august = {**_visit(tmp_path, ["2025-08-09.csv"], 1), "DRAFT": 0.6}
    with pytest.raises(QgsProcessingException, match="added. Visit '2025-08-09' reads 0."):
        processing.run("lakefloor:addavisit", august, feedback=feedback)
    assert (tmp_path / "lake.gpkg").read_bytes() == before
    august["FINDINGS"] = "enter all the same"
    processing.run("lakefloor:addavisit", august)
    _, kept = _stored(tmp_path / "lake.gpkg")["2025-08-09"]
    (finding,) = kept["findings"]
    assert finding["code"] == "offset"
    assert finding["value"] == pytest.approx(0.3, abs=0.1)


def test_a_store_without_any_gauge_counts_from_its_first_visit(provider, tmp_path, feedback):
    import processing

    for number, logs in enumerate((["2025-08-09.csv"], ["2026-06-20.gpx"])):
        parameters = _visit(tmp_path, logs, number)
        for name in ("GAUGE", "DATUM_ELEVATION", "DATUM_NAME"):
            del parameters[name]
        processing.run("lakefloor:addavisit", parameters, feedback=feedback)
    found = _stored(tmp_path / "lake.gpkg")
    assert {pairs["datum"] for pairs, _ in found.values()} == {"water level of 2025-08-09"}
    # 0.33 m and -0.05 m above the datum: 0.38 m apart.
    assert float(found["2026-06-20"][0]["level_offset_m"]) == pytest.approx(0.38, abs=0.05)
    assert "The lake database counts depths from the water level of 2025-08-09" in feedback.text


def _structure(mapped, folder, with_bottom_type):
    name = "structureandbottomtype" if with_bottom_type else "structurefromasurface"
    outputs = {
        "depthcontours:Depth contours": "contours.gpkg", "bottomslope:Bottom slope": "slope.tif",
        "breaklines:Breaklines": "break_lines.gpkg", "bottomforms:Bottom forms": "forms.gpkg",
        "candidatespots:Candidate spots": "spots.gpkg", "exportwaypoints:Waypoints": "spots.gpx",
        "structuresheets:Structure sheets": "sheets.pdf",
    }  # fmt: skip
    parameters = {
        "SURFACE": str(mapped / "smooth.tif"), "SHORELINE": str(EXAMPLE / "shoreline.geojson"),
        "SPOTS": 6,
    }  # fmt: skip
    if with_bottom_type:
        parameters["SOUNDINGS"] = str(mapped / "soundings.gpkg")
        outputs.update(
            {
                "bottomtype:Bottom type": "bottom_type.tif",
                "bottomtype:Bottom type report": "bottom_type.html",
                "hardsofttransitions:Hard-soft transitions": "transitions.gpkg",
            }
        )
    return name, {**parameters, **{key: str(folder / file) for key, file in outputs.items()}}


@pytest.mark.parametrize("with_bottom_type", [False, True])
def test_structure_is_read_out_of_the_surface(mapped, tmp_path, with_bottom_type):
    import processing

    name, parameters = _structure(mapped, tmp_path, with_bottom_type)
    processing.run(f"lakefloor:{name}", parameters)
    assert {Path(v).name for k, v in parameters.items() if ":" in k} <= set(os.listdir(tmp_path))
    forms = QgsVectorLayer(str(tmp_path / "forms.gpkg"))
    humps = [f for f in forms.getFeatures() if f["form"] == "hump"]
    # The lake has one hump, its top 2.97 m below the datum.
    assert len(humps) == 1
    assert humps[0]["top_depth_m"] == pytest.approx(2.97, abs=0.15)
    spots = list(QgsVectorLayer(str(tmp_path / "spots.gpkg")).getFeatures())
    assert 0 < len(spots) <= 6
    assert [f["score"] for f in spots] == sorted((f["score"] for f in spots), reverse=True)
    waypoints = QgsVectorLayer(f"{tmp_path / 'spots.gpx'}|layername=waypoints")
    assert [f["name"] for f in waypoints.getFeatures()] == [f["name"] for f in spots]


def test_outing_starts_at_the_launch_and_keeps_its_time(mapped, tmp_path):
    import processing

    results = processing.run(
        "lakefloor:planthenextouting",
        {
            "SURFACE": str(mapped / "smooth.tif"),
            "SHORELINE": str(EXAMPLE / "shoreline.geojson"),
            "LAUNCH": "-94.605899,46.456116 [EPSG:4326]",
            "TIME": 20.0,
            "breaklines:Breaklines": str(tmp_path / "break_lines.gpkg"),
            "nextouting:Lanes of the next outing": str(tmp_path / "lanes.gpkg"),
            "nextouting:Survey gaps": str(tmp_path / "gaps.gpkg"),
            "nextouting:Route for the GPS device": str(tmp_path / "route.gpx"),
        },
    )
    lanes = QgsVectorLayer(results["nextouting:Lanes of the next outing"])
    assert 0 < max(f["elapsed_min"] for f in lanes.getFeatures()) <= 20.0
    route = QgsVectorLayer(f"{tmp_path / 'route.gpx'}|layername=route_points")
    first = next(route.getFeatures()).geometry().asPoint()
    assert (first.x(), first.y()) == pytest.approx((-94.605899, 46.456116), abs=2e-4)
