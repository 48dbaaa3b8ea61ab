"""Uncertainty budget in the real QGIS."""

import numpy as np
import pytest
from qgis.core import QgsCoordinateReferenceSystem, QgsProcessingException

from lakefloor.algorithms.core.grid import Grid

FIELDS = (
    "field=visit:string&field=raw_depth_m:double&field=depth_m:double&field=uncert_m:double"
    "&field=speed_ms:double&field=status:string&field=corrections:string"
)
ONLY_POSITION = {
    "POSITION_UNCERTAINTY": 1.6,
    "TIME_OFFSET_UNCERTAINTY": 0.0,
    "SOUNDER_FIXED": 0.0,
    "SOUNDER_PERCENTAGE": 0.0,
    "TEMPERATURE_UNCERTAINTY": 0.0,
    "DRAFT_UNCERTAINTY": 0.0,
    "LEVEL_UNCERTAINTY": 0.0,
    "SOUND_SPEED_MEASURED": True,
}


@pytest.fixture
def slope(memory_layer):
    """Lanes 5 m apart over a slope of 10 %."""

    def make(crs="EPSG:32615"):
        wkts, rows = [], []
        for y in range(0, 40, 5):
            for x in range(0, 60, 2):
                wkts.append(f"POINT({400000 + x} {5150000 + y})")
                rows.append(
                    [
                        "May",
                        5.0 + 0.1 * x,
                        5.0 + 0.1 * x,
                        9.9,
                        2.0,
                        "accepted",
                        "draft_m=0.3;sound_speed=1500->1465.9;datum=dock",
                    ]
                )
        return memory_layer("Point", wkts, crs, FIELDS, rows, name="slope")

    return make


def column(layer, name):
    return [feature[name] for feature in layer.getFeatures()]


def test_worked_example(run, slope, feedback):
    # Worked by hand: 1.6 m on a slope of 10 %: 0.16 m.
    result = run(
        "uncertaintybudget",
        {
            "INPUT": slope(),
            **ONLY_POSITION,
            "OUTPUT": "TEMPORARY_OUTPUT",
            "TERMS": "TEMPORARY_OUTPUT",
        },
        feedback,
    )
    layer = result["OUTPUT"]
    assert column(layer, "uncert_m") == pytest.approx([0.16] * 240)
    assert column(layer, "depth_m") == column(layer, "raw_depth_m")
    assert result["MEAN_UNCERTAINTY"] == pytest.approx(0.16)
    assert result["MEAN_SLOPE"] == pytest.approx(0.1)
    rows = {f["term"]: (f["rms_m"], f["share_pct"]) for f in result["TERMS"].getFeatures()}
    assert rows["position on slope"] == pytest.approx((0.16, 100.0))
    assert rows["total"] == pytest.approx((0.16, 100.0))
    assert len(rows) == 7
    assert "Visit 'May': 240 soundings, standard uncertainty 0.160 m" in feedback.text


def test_slope_from_a_surface(run, slope, tmp_path):
    from lakefloor.algorithms._io.raster_file import write_raster

    cols = np.arange(-20, 80) + 0.5
    path = tmp_path / "surface.tif"
    grid = Grid(np.tile(9.0 + 0.05 * cols, (80, 1)), 399980.0, 5150060.0, 1.0, 1.0)
    write_raster(path, [grid], ["depth"], QgsCoordinateReferenceSystem("EPSG:32615"), {})
    result = run(
        "uncertaintybudget",
        {"INPUT": slope(), "SURFACE": str(path), **ONLY_POSITION, "OUTPUT": "TEMPORARY_OUTPUT"},
    )
    assert column(result["OUTPUT"], "uncert_m") == pytest.approx([0.08] * 240, rel=1e-4)


def test_defaults_chain_after_reduce(run, slope, tmp_path):
    target = tmp_path / "budget.gpkg"
    result = run("uncertaintybudget", {"INPUT": slope(), "OUTPUT": str(target)})
    assert target.exists()
    # sqrt(0.03^2 + (0.005 * 8)^2 + 0.03^2 + 0.02^2 + 0.1^2 + (0.2 * 2 * 0.1)^2) = 0.125 at 8 m,
    # before sound speed (worked by hand).
    assert 0.12 < result["MEAN_UNCERTAINTY"] < 0.15
    assert "TERMS" not in result


def test_all_terms_zero_is_refused(run, slope):
    with pytest.raises(QgsProcessingException, match="All parts of the uncertainty are 0"):
        run(
            "uncertaintybudget",
            {
                "INPUT": slope(),
                **ONLY_POSITION,
                "POSITION_UNCERTAINTY": 0.0,
                "OUTPUT": "TEMPORARY_OUTPUT",
            },
        )


def test_cancel_leaves_no_file(run, slope, recorder, tmp_path):
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run(
            "uncertaintybudget",
            {"INPUT": slope(), "OUTPUT": str(tmp_path / "b.gpkg")},
            recorder(cancel_at=1),
        )
    assert list(tmp_path.iterdir()) == []
