"""Visits fitted to the lake, and gauge readings far apart, in the real QGIS."""

import json
import sqlite3
import sys
from pathlib import Path

import numpy as np
import pytest
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsVectorLayer,
)

from lakefloor.algorithms import _store
from lakefloor.algorithms._io.outputs import Outputs
from lakefloor.algorithms.core.soundings import concatenate, parse_corrections

sys.path.insert(0, str(Path(__file__).parents[1] / "core"))
from made_visits import JULY, MAY, across, outing, reduced, rms

EXAMPLE = Path(__file__).parents[2] / "example_project"
UTM = QgsCoordinateReferenceSystem("EPSG:32615")
EAST, NORTH = 400_000.0, 5_150_000.0


@pytest.fixture
def layer(provider, tmp_path):
    def make(soundings, name):
        path = str(tmp_path / f"{name}.gpkg")
        algorithm = provider.algorithm("correctdepths").create()
        context = QgsProcessingContext()
        placed = soundings.replace(x=soundings.x + EAST, y=soundings.y + NORTH)
        with Outputs(algorithm, {"OUTPUT": path}, context, QgsProcessingFeedback()) as out:
            out.soundings("OUTPUT", placed, UTM)
        return path

    return make


@pytest.fixture
def lake(run, layer, tmp_path):
    """A lake database with the visit of May at the dock's datum."""
    store = str(tmp_path / "lake.gpkg")
    run("addtodatabase", {"INPUT": layer(reduced(MAY, 1.0), "may"), "DATABASE": store})
    return store


def held(store, visit):
    found = concatenate(_store.read(store, visits=[visit]))
    return found.replace(x=found.x - EAST, y=found.y - NORTH)


def kept(store, visit):
    with sqlite3.connect(store) as db:
        return json.loads(
            db.execute("SELECT parameters FROM visits WHERE visit = ?", (visit,)).fetchone()[0]
        )


def test_a_visit_with_a_wrong_gauge_level_is_fitted(run, layer, lake, feedback):
    """The lake stood at 0.2 m; 0.5 m was written down, so all depths are 0.3 m too shallow."""
    result = run(
        "addtodatabase",
        {"INPUT": layer(reduced(JULY, 0.5), "july"), "DATABASE": lake, "LEVEL": "fit to the lake"},
        feedback,
    )
    assert result["VISIT_OFFSET"] == pytest.approx(-0.3, abs=0.05)
    assert 0.0 < result["OFFSET_UNCERTAINTY"] < 0.03
    july = held(lake, "2026-07-02")
    assert rms(july, 0.0) < 0.12
    pairs = parse_corrections(july.corrections[0])
    assert pairs["level_from"] == "fit"
    assert pairs["given_level_m"] == "0.500"
    assert float(pairs["level_m"]) == pytest.approx(0.2, abs=0.05)
    memory = kept(lake, "2026-07-02")
    assert memory["level"] == "fit to the lake"
    found = memory["level_offsets"]["2026-07-02"]
    assert found["offset_m"] == pytest.approx(result["VISIT_OFFSET"], abs=1e-4)
    assert "whatever the lake level that was given" in "".join(feedback.warnings)


def test_as_reduced_a_visit_enters_as_it_is(run, layer, lake):
    wrong = reduced(JULY, 0.25)
    result = run("addtodatabase", {"INPUT": layer(wrong, "july"), "DATABASE": lake})
    assert result["VISIT_OFFSET"] is None
    assert kept(lake, "2026-07-02")["level"] == "as reduced"
    depth = np.sort(held(lake, "2026-07-02").depth)
    np.testing.assert_allclose(depth, np.sort(wrong.depth), atol=1e-9)


def test_a_visit_that_entered_wrong_is_replaced_by_the_fitted_one(run, layer, lake):
    wrong = layer(reduced(JULY, 0.5), "july")
    run("addtodatabase", {"INPUT": wrong, "DATABASE": lake, "LEVEL": "fit to the lake"})
    before = held(lake, "2026-07-02")
    # Added again it is there already.
    again = run("addtodatabase", {"INPUT": wrong, "DATABASE": lake, "LEVEL": "fit to the lake"})
    assert again["ADDED"] == 0
    lower = layer(reduced(JULY, 0.9), "lower")
    run(
        "addtodatabase",
        {"INPUT": lower, "DATABASE": lake, "LEVEL": "fit to the lake", "MODE": "replace"},
    )
    np.testing.assert_allclose(held(lake, "2026-07-02").depth, before.depth, atol=1e-6)


def test_too_few_meetings_leave_the_database_as_it_was(run, layer, lake):
    pings = reduced(outing("2026-07-02", -0.8, [((10.0, 20.0), (10.0, 80.0))]), 0.2)
    few = layer(pings, "few")
    before = Path(lake).read_bytes()
    with pytest.raises(QgsProcessingException, match=r"in 3 places.*Choose 'as reduced'"):
        run("addtodatabase", {"INPUT": few, "DATABASE": lake, "LEVEL": "fit to the lake"})
    assert Path(lake).read_bytes() == before
    assert run("addtodatabase", {"INPUT": few, "DATABASE": lake})["ADDED"] == len(pings)


def test_in_a_new_database_it_is_told(run, layer, tmp_path, feedback):
    store = str(tmp_path / "new.gpkg")
    run(
        "addtodatabase",
        {"INPUT": layer(reduced(MAY, 1.0), "may"), "DATABASE": store, "LEVEL": "fit to the lake"},
        feedback,
    )
    assert "no other visit to fit to" in "".join(feedback.warnings)
    np.testing.assert_allclose(held(store, "2026-05-14").depth, reduced(MAY, 1.0).depth)


# -- readings far apart ---------------------------------------------------------


@pytest.fixture
def gauge(tmp_path):
    """Two readings of the dock, eleven months apart."""
    path = tmp_path / "gauge.csv"
    path.write_text(
        "time,level_m\n2025-08-02T08:00,0.95\n2026-07-10T08:00,1.40\n", encoding="utf-8"
    )
    return str(path)


def test_readings_eleven_months_apart_are_not_joined(run, layer, gauge, feedback):
    options = {
        "INPUT": layer(JULY, "july"),
        "GAUGE": gauge,
        "LEVEL_UNIT": "meters",
        "DATUM_ELEVATION": 1.0,
        "OUTPUT": "TEMPORARY_OUTPUT",
    }
    with pytest.raises(
        QgsProcessingException,
        match=r"lie between readings 342 days apart: 0\.95 m at 2025-08-02T08:00 UTC and 1\.4 m at "
        r"2026-07-10T08:00 UTC\. The maximum gap is 2 days.*choose 'fit to the lake'",
    ):
        run("reducetodatum", options)
    wide = run("reducetodatum", {**options, "MAX_GAP": 342.0})["OUTPUT"]
    # 7.75 of 342 days before the second reading: 15 mm x sqrt(7.75 x 334.25 / 342) = 41 mm.
    pairs = parse_corrections(next(wide.getFeatures())["corrections"])
    assert pairs["level_sd_m"] == "0.041"
    own = run("reducetodatum", {**options, "LEVEL": "fit to the lake"}, feedback)
    assert own["MIN_LEVEL"] is None
    first = next(own["OUTPUT"].getFeatures())
    assert first["corrections"].endswith("datum=water level of 2026-07-02;level=unknown")
    assert "lie between readings 342 days apart" in "".join(feedback.warnings)


def test_what_lies_in_a_gap_is_fitted_to_the_lake(run, layer, gauge, lake):
    both = concatenate(
        [JULY, outing("2026-07-10", 0.4, across(50.0, 9.0), seed=9, clock="09:00:00")]
    )
    done = run(
        "reducetodatum",
        {
            "INPUT": layer(both, "both"),
            "GAUGE": gauge,
            "LEVEL_UNIT": "meters",
            "DATUM_ELEVATION": 1.0,
            "DATUM_NAME": "dock",
            "HOLD_READINGS": True,
            "LEVEL": "fit to the lake",
            "OUTPUT": "TEMPORARY_OUTPUT",
        },
    )
    assert done["MAX_LEVEL"] == pytest.approx(1.4)
    run("addtodatabase", {"INPUT": done["OUTPUT"], "DATABASE": lake})
    july, tenth = held(lake, "2026-07-02"), held(lake, "2026-07-10")
    assert rms(july, 0.0) < 0.12
    assert rms(tenth, 0.0) < 0.12
    assert parse_corrections(july.corrections[0])["level"] == "unknown"
    # Known levels stay as they are where the visits are added as reduced.
    assert "level_offset_m" not in parse_corrections(tenth.corrections[0])


# -- the model --------------------------------------------------------------------


def _visit(folder, logs, number, **options):
    return {
        "LOGS": [str(EXAMPLE / "logs" / name) for name in logs],
        "DATABASE": str(folder / "lake.gpkg"),
        "SHORELINE": str(EXAMPLE / "shoreline.geojson"),
        "GAUGE": str(EXAMPLE / "gauge.csv"),
        "LEVEL_UNIT": "ft",
        "DATUM_ELEVATION": 2.0,
        "DATUM_NAME": "dock gauge",
        "CELL_SIZE": 8.0,
        **{
            output: str(folder / f"{name}{number}.{form}")
            for output, name, form in (
                ("uncertaintybudget:Soundings", "own", "gpkg"),
                ("addtodatabase:Bottom change", "change", "gpkg"),
                ("readdatabase:Soundings of all visits", "all", "gpkg"),
                ("smoothsurface:Smooth surface", "smooth", "tif"),
                ("depthcontours:Depth contours", "contours", "gpkg"),
            )
        },
        **options,
    }


def test_add_a_visit_fits_a_visit_whose_gauge_has_a_gap(provider, tmp_path, feedback, recorder):
    """On 9 August the lake stood 0.05 m below the datum; the readings of that day are missing."""
    import processing

    rows = (EXAMPLE / "gauge.csv").read_text().splitlines()
    gap = tmp_path / "gauge.csv"
    gap.write_text("\n".join(row for row in rows if not row.startswith("2025-08-09")))
    may = ["2025-05-17_1.nmea", "2025-05-17_2.nmea"]
    processing.run("lakefloor:addavisit", _visit(tmp_path, may, 0))
    before = (tmp_path / "lake.gpkg").read_bytes()
    august = _visit(tmp_path, ["2025-08-09.csv"], 1, GAUGE=str(gap))
    with pytest.raises(QgsProcessingException) as refused:
        processing.run("lakefloor:addavisit", august, feedback=(told := recorder()))
    # QGIS 3.22 says it in the log, 3.40 in the exception.
    gap_words = "lie between readings 70 days apart: 2.07 ft at 2025-07-12T13:30"
    assert gap_words in told.text + str(refused.value)
    assert (tmp_path / "lake.gpkg").read_bytes() == before
    august["VISIT_LEVEL"] = "fit to the lake"
    processing.run("lakefloor:addavisit", august, feedback=feedback)
    layer = QgsVectorLayer(f"{tmp_path / 'lake.gpkg'}|layername=soundings")
    pairs = next(
        parse_corrections(f["corrections"])
        for f in layer.getFeatures()
        if f["visit"] == "2025-08-09"
    )
    assert float(pairs["level_offset_m"]) == pytest.approx(-0.05, abs=0.03)
    assert (pairs["level"], pairs["level_from"], pairs["datum"]) == ("unknown", "fit", "dock gauge")
    assert "are fitted to the lake database" in "".join(feedback.warnings)


def test_add_a_visit_runs_without_any_level(provider, tmp_path):
    """The settings of the lake give its datum each time, also on days without a reading."""
    import processing

    may = ["2025-05-17_1.nmea", "2025-05-17_2.nmea"]
    processing.run("lakefloor:addavisit", _visit(tmp_path, may, 0))
    options = _visit(tmp_path, ["2025-08-09.csv"], 1, VISIT_LEVEL="fit to the lake")
    del options["GAUGE"]
    processing.run("lakefloor:addavisit", options)
    assert len(_store.contents(tmp_path / "lake.gpkg").visits) == 2


def test_add_a_visit_corrects_a_visit_that_entered_with_a_wrong_draft(provider, tmp_path):
    import processing

    may = ["2025-05-17_1.nmea", "2025-05-17_2.nmea"]
    wrong = {**_visit(tmp_path, may, 0), "DRAFT": 1.3, "DEPTH_FROM": "transducer"}
    processing.run("lakefloor:addavisit", wrong)
    (visit,) = _store.contents(tmp_path / "lake.gpkg").visits
    before = concatenate(_store.read(tmp_path / "lake.gpkg"))
    right = {**_visit(tmp_path, may, 1), "DRAFT": 0.3, "DEPTH_FROM": "transducer"}
    processing.run("lakefloor:addavisit", right)
    np.testing.assert_array_equal(
        concatenate(_store.read(tmp_path / "lake.gpkg")).depth, before.depth
    )
    processing.run("lakefloor:addavisit", {**right, "MODE": "replace"})
    (again,) = _store.contents(tmp_path / "lake.gpkg").visits
    assert (again.name, again.soundings) == (visit.name, visit.soundings)
    after = concatenate(_store.read(tmp_path / "lake.gpkg"))
    both = before.accepted & after.accepted
    np.testing.assert_allclose((before.depth - after.depth)[both], 1.0, atol=1e-6)


def test_the_rest_of_a_visit_at_another_level_is_told(run, layer, lake, feedback):
    """The first half was fitted; the whole then comes as it was reduced, 5 cm off."""
    july = reduced(JULY, 0.25)
    half = july.select(slice(0, len(july) // 2))
    fit = {"DATABASE": lake, "LEVEL": "fit to the lake"}
    offset = run("addtodatabase", {"INPUT": layer(half, "half"), **fit})["VISIT_OFFSET"]
    run("addtodatabase", {"INPUT": layer(july, "july"), "DATABASE": lake}, feedback)
    (told,) = [text for text in feedback.warnings if text.startswith("The rest of visit")]
    assert f"differ by {offset:+.3f} m" in told
    assert "choose 'replace'" in told
    run("addtodatabase", {"INPUT": layer(july, "again"), **fit, "MODE": "replace"}, feedback)
    offsets = {parse_corrections(t)["level_offset_m"] for t in held(lake, "2026-07-02").corrections}
    assert len(offsets) == 1
