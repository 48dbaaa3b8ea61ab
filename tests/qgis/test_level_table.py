"""Level table in the real QGIS."""

import sys
from pathlib import Path

import numpy as np
import pytest
from qgis.core import QgsProcessingException, QgsVectorLayer
from shapely import wkb

sys.path.insert(0, str(Path(__file__).parent))
from lakes import DEEPEST, RADIUS, files_of, paraboloid, shore

FOOT = 0.3048
TRUE_AREA = np.pi * RADIUS**2 / 0.9996**2


@pytest.fixture
def shoreline(memory_layer):
    return memory_layer("Polygon", [shore().wkt])


def table(run, surface, shoreline, feedback=None, **options):
    return run(
        "areavolumebylevel",
        {
            "INPUT": surface,
            "SHORELINE": shoreline,
            "OUTPUT": "TEMPORARY_OUTPUT",
            "UNCOVERED": "TEMPORARY_OUTPUT",
            **options,
        },
        feedback,
    )


def test_tenths_of_a_foot_and_what_three_feet_uncover(run, tmp_path, shoreline, feedback):
    result = table(run, paraboloid(tmp_path), shoreline, feedback, DRAWDOWN=3.0)
    rows = list(result["OUTPUT"].getFeatures())
    assert len(rows) == result["COUNT"] == int(DEEPEST / FOOT * 10) + 1
    assert [rows[-1]["level"], rows[-2]["level"]] == [0.0, -0.1]
    for row in rows[-100::9]:
        left = 1.0 + row["level_m"] / DEEPEST
        assert row["area_m2"] == pytest.approx(left * TRUE_AREA, rel=2e-3)
        assert row["volume_m3"] == pytest.approx(left**2 * TRUE_AREA * DEEPEST / 2, rel=2e-3)
        assert row["volume_pct"] == pytest.approx(100 * left**2, rel=2e-3)
        assert row["volume_sd_m3"] > 0.03 * row["area_m2"]
    assert (rows[-1]["area_unit"], rows[-1]["volume_unit"]) == ("acres", "acre-ft")

    share = 3.0 * FOOT / DEEPEST
    assert result["UNCOVERED_PERCENT"] == pytest.approx(100 * share, rel=2e-3)
    (bare,) = result["UNCOVERED"].getFeatures()
    assert bare["area_m2"] == pytest.approx(share * TRUE_AREA, rel=2e-3)
    assert bare["area"] == pytest.approx(bare["area_m2"] / 4046.8564224)
    ring = wkb.loads(bytes(bare.geometry().asWkb()))
    inner = RADIUS * np.sqrt(1 - share)
    hole = ring.geoms[0].interiors[0]
    assert np.hypot(*(np.asarray(hole.coords) - (500_000.0, 5_100_000.0)).T) == pytest.approx(
        inner, abs=0.1
    )
    assert "A drawdown of 3 ft uncovers" in feedback.text


def test_water_of_a_day_and_an_unknown_sound_speed(run, tmp_path, shoreline, feedback):
    surface = paraboloid(
        tmp_path, COMMON_UNCERT_SHARE="0.0257", DATUM_NAME="water level of 2026-05-14"
    )
    rows = list(table(run, surface, shoreline, feedback)["OUTPUT"].getFeatures())
    assert all(row["volume_sd_m3"] > 0.0257 * row["volume_m3"] for row in rows[1:])
    assert (
        "Levels count from the water level of 2026-05-14. The height of the lake at that time"
        in "".join(feedback.warnings)
    )


def test_above_the_datum_as_far_as_the_land_is_known(run, tmp_path, shoreline, feedback):
    surface = paraboloid(tmp_path, land=30.0)  # up to 1.9 m
    result = table(
        run, surface, shoreline, feedback, UNIT="m", STEP=0.25, MIN_LEVEL=-1, MAX_LEVEL=4
    )
    levels = [f["level"] for f in result["OUTPUT"].getFeatures()]
    assert levels == [-1.0, -0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5]
    assert result["MAX_LEVEL_M"] == 1.5
    assert "does not hold the land" in feedback.text
    top = max(result["OUTPUT"].getFeatures(), key=lambda f: f["level"])
    assert top["area_m2"] == pytest.approx(TRUE_AREA * (1 + 1.5 / DEEPEST), rel=3e-3)
    assert top["uncovered_m2"] == 0.0


def test_files(run, tmp_path, shoreline):
    result = table(
        run,
        paraboloid(tmp_path),
        shoreline,
        STEP=1,
        OUTPUT=str(tmp_path / "levels.csv"),
        UNCOVERED=str(tmp_path / "dry.gpkg"),
    )
    text = (tmp_path / "levels.csv").read_text(encoding="utf-8").splitlines()
    assert text[0].startswith("level,unit,area,area_unit,area_pct,volume")
    assert len(text) == 1 + result["COUNT"]
    assert QgsVectorLayer(result["UNCOVERED"], "dry").featureCount() == 1
    assert files_of(tmp_path) == ["dry.gpkg", "levels.csv", "paraboloid.tif"]


def test_refusals(run, tmp_path, shoreline, recorder):
    surface = paraboloid(tmp_path)
    with pytest.raises(QgsProcessingException, match="drawdown"):
        table(run, surface, shoreline, DRAWDOWN=0)
    with pytest.raises(QgsProcessingException, match="must be below"):
        table(run, surface, shoreline, MIN_LEVEL=2)
    with pytest.raises(QgsProcessingException):
        table(run, surface, shoreline, recorder(cancel_at=40), OUTPUT=str(tmp_path / "a.csv"))
    assert files_of(tmp_path) == ["paraboloid.tif"]
