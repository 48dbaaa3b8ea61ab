"""Logs into a lake database and the map out of it, on the example lake: as Logs to lake map."""

import sys
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsProcessingParameterDefinition, QgsVectorLayer

EXAMPLE = Path(__file__).resolve().parents[2] / "example_project"
#: The levels of the visits above the lake datum, m, after example_project/README.md.
LEVELS = {"2025-05-17": 0.21, "2025-08-09": -0.05, "2026-06-20": 0.33}
GAUGE = {
    "GAUGE": str(EXAMPLE / "gauge.csv"),
    "LEVEL_UNIT": "feet",
    "DATUM_ELEVATION": 2.0,
    "DATUM_NAME": "dock gauge",
}
VISITS = (["2025-05-17_1.nmea", "2025-05-17_2.nmea"], ["2025-08-09.csv"], ["2026-06-20.gpx"])


def _add(run, folder, **given):
    return run(
        "logstodatabase",
        {
            "DATABASE": str(folder / "lake.gpkg"),
            "addtodatabase:Bottom change": str(folder / "change.gpkg"),
            **given,
        },
    )


def _map(run, folder, **given):
    files = {
        "readdatabase:Soundings of all visits": "soundings.gpkg",
        "smoothsurface:Smooth surface": "smooth.tif",
        "depthcontours:Depth contours": "contours.gpkg",
        "depthareas:Depth areas": "areas.gpkg",
        "bottomslope:Bottom slope": "slope.tif",
        "breaklines:Breaklines": "breaks.gpkg",
        "mapsheet:Map sheet": "sheet.pdf",
        "lakereport:Lake report": "report.pdf",
        "lakereport:Lake report as a web page": "report.html",
    }
    return run(
        "maplakedatabase",
        {
            "DATABASE": str(folder / "lake.gpkg"),
            "SHORELINE": str(EXAMPLE / "shoreline.geojson"),
            "TITLE": "Lake Marrowby",
            "LAKE": "Invented County",
            "REPORT_PAGE_SIZE": "A4",
            "PAGE_SIZE": "Tabloid",
            "MARKS": f"{EXAMPLE / 'marks.gpx'}|layername=waypoints",
            **{output: str(folder / file) for output, file in files.items()},
            **given,
        },
    )


def _bands(path):
    return gdal.Open(str(path)).ReadAsArray()


def _error(path):
    """Return by how much the depths of a surface are too deep, m."""
    sys.path.insert(0, str(EXAMPLE))
    try:
        import truth
    finally:
        sys.path.remove(str(EXAMPLE))
    dataset = gdal.Open(str(path))
    west, dx, _, north, _, dy = dataset.GetGeoTransform()
    band = dataset.GetRasterBand(1)
    depth = band.ReadAsArray().astype(float)
    rows, cols = np.nonzero(depth != band.GetNoDataValue())
    true = truth.depth_m(west + (cols + 0.5) * dx, north + (rows + 0.5) * dy)
    return (depth[rows, cols] - true)[np.isfinite(true)]


def test_first_visits_of_a_new_database_map_as_logs_to_lake_map(run, tmp_path):
    added = _add(run, tmp_path, LOG_FOLDER=str(EXAMPLE / "logs"), **GAUGE)
    assert added["addtodatabase:ADDED"] == 10492
    assert added["addtodatabase:OPEN_FINDINGS"] == 0
    assert added["addtodatabase:UPDATED_DATABASE"] == str(tmp_path / "lake.gpkg")
    before = (tmp_path / "lake.gpkg").read_bytes()
    _map(run, tmp_path)
    assert (tmp_path / "lake.gpkg").read_bytes() == before
    direct = tmp_path / "direct"
    (direct / "project").mkdir(parents=True)
    run(
        "logstolakemap",
        {
            "LOG_FOLDER": str(EXAMPLE / "logs"),
            "SHORELINE": str(EXAMPLE / "shoreline.geojson"),
            **GAUGE,
            "uncertaintybudget:Soundings": str(direct / "soundings.gpkg"),
            "tinsurface:TIN surface": str(direct / "tin.tif"),
            "idwsurface:IDW surface": str(direct / "idw.tif"),
            "smoothsurface:Smooth surface": str(direct / "smooth.tif"),
            "depthcontours:Depth contours": str(direct / "contours.gpkg"),
            "depthareas:Depth areas": str(direct / "areas.gpkg"),
            "bottomslope:Bottom slope": str(direct / "slope.tif"),
            "breaklines:Breaklines": str(direct / "breaks.gpkg"),
            "mapsheet:Map sheet": str(direct / "sheet.pdf"),
            "lakeproject:Lake project": str(direct / "project" / "lake.qgz"),
        },
    )
    for name in ("smooth.tif", "slope.tif"):
        assert np.array_equal(_bands(tmp_path / name), _bands(direct / name), equal_nan=True)
    for name in ("contours.gpkg", "areas.gpkg", "breaks.gpkg"):
        shapes = [
            [f.geometry().asWkb().data() for f in QgsVectorLayer(str(at / name)).getFeatures()]
            for at in (tmp_path, direct)
        ]
        assert shapes[0] == shapes[1]
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF")
    assert "Invented County" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_the_database_may_be_given_from_where_the_command_is(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    logs = [str(EXAMPLE / "logs" / "2025-08-09.csv")]
    relative = {"DATABASE": "lake.gpkg", "LOGS": logs}
    assert _add(run, tmp_path, **relative)["addtodatabase:ADDED"] > 0
    assert _add(run, tmp_path, **relative)["addtodatabase:ADDED"] == 0


def _pairs(corrections):
    return dict(pair.split("=") for pair in corrections.split(";"))


@pytest.mark.parametrize("together", [True, False])
def test_without_a_gauge_depths_count_from_the_first_visit(run, tmp_path, together):
    if together:
        _add(run, tmp_path, LOG_FOLDER=str(EXAMPLE / "logs"))
    else:
        for number, files in enumerate(VISITS):
            done = _add(run, tmp_path, LOGS=[str(EXAMPLE / "logs" / name) for name in files])
            assert (done["addtodatabase:VISIT_OFFSET"] is None) == (number == 0)
    # Between the steps of a model there is no file that a person could look for.
    book = run("logbook", {"DATABASE": str(tmp_path / "lake.gpkg"), "OUTPUT": "memory:"})["OUTPUT"]
    assert [f["files"] or "" for f in book.getFeatures()] == 3 * [""]
    layer = QgsVectorLayer(f"{tmp_path / 'lake.gpkg'}|layername=soundings")
    offsets = {
        f["visit"]: float(_pairs(f["corrections"]).get("level_offset_m", 0.0))
        for f in layer.getFeatures()
    }
    first = LEVELS["2025-05-17"]
    for visit, level in LEVELS.items():
        assert offsets[visit] == pytest.approx(level - first, abs=0.03)
    _map(run, tmp_path)
    error = _error(tmp_path / "smooth.tif") - first
    assert np.sqrt(np.mean(error**2)) < 0.09


def test_forms_show_at_most_seven_inputs_first(provider):
    advanced = QgsProcessingParameterDefinition.Flag.FlagAdvanced
    models = [a for a in provider.algorithms() if a.groupId().endswith("models")]
    assert len(models) == 7
    for model in models:
        shown = [
            p.name()
            for p in model.parameterDefinitions()
            if not p.isDestination() and not p.flags() & advanced
        ]
        assert 5 <= len(shown) <= 7, model.id()
