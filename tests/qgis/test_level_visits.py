"""Level visits in the real QGIS."""

import numpy as np
import pytest
from qgis.core import QgsProcessingException

FIELDS = (
    "field=visit:string&field=lane:int&field=raw_depth_m:double&field=depth_m:double"
    "&field=uncert_m:double&field=status:string&field=corrections:string"
)
DATUM = "datum=low water;datum_elev_m=0.6;level_m=0.700"


def bottom(x, y):
    return 6.0 + 0.01 * x + 0.02 * y


@pytest.fixture
def layer(memory_layer):
    """Lanes of visit 'May', at a datum; cross-lanes of 'July', 0.3 m deeper and without one."""

    def make(may=DATUM, july="", apart=0.0, noise=0.01):
        rng = np.random.default_rng(7)
        points, rows = [], []

        def run(visit, lane, x, y, shift, corrections):
            for px, py in zip(x, y):
                depth = bottom(px, py) + shift + noise * rng.standard_normal()
                points.append((px, py))
                rows.append(
                    [visit, lane, float(depth), float(depth), 0.05, "accepted", corrections]
                )

        steps = np.arange(0.0, 100.0, 4.0)
        for k in range(4):
            run("May", k + 1, steps, np.full(steps.size, 20.0 * k + 10), 0.0, may)
            run("July", k + 1, np.full(steps.size, 20.0 * k + 11 + apart), steps, 0.3, july)
        wkts = [f"POINT({400000 + x} {5150000 + y})" for x, y in points]
        return memory_layer("Point", wkts, "EPSG:32615", FIELDS, rows)

    return make


def level(run, layer, feedback=None, **options):
    return run(
        "adjustvisits",
        {"INPUT": layer, "OUTPUT": "TEMPORARY_OUTPUT", "OFFSETS": "TEMPORARY_OUTPUT", **options},
        feedback,
    )


def offsets(result):
    return {f["visit"]: f for f in result["OFFSETS"].getFeatures()}


def test_a_visit_without_a_gauge_joins_the_lake(run, layer, feedback):
    result = level(run, layer(), feedback, DIFFERENCES="TEMPORARY_OUTPUT")
    table = offsets(result)
    assert table["May"]["offset_m"] == 0.0
    assert table["May"]["remark"] == "reference visit"
    assert table["July"]["offset_m"] == pytest.approx(0.3, abs=0.01)
    assert 0.0005 < table["July"]["std_error_m"] < 0.01
    assert result["USED"] >= 16
    assert result["NOT_ADJUSTED"] == 0
    assert result["MAX_OFFSET"] == table["July"]["offset_m"]
    assert result["RMS_BEFORE"] == pytest.approx(0.3, abs=0.02)
    assert result["RMS_AFTER"] < 0.03
    for feature in result["OUTPUT"].getFeatures():
        x, y = feature.geometry().asPoint().x() - 400000, feature.geometry().asPoint().y() - 5150000
        assert feature["depth_m"] == pytest.approx(bottom(x, y), abs=0.06)
        assert "datum=low water;datum_elev_m=0.6" in feature["corrections"]
        raw = bottom(x, y) + (0.3 if feature["visit"] == "July" else 0.0)
        assert feature["raw_depth_m"] == pytest.approx(raw, abs=0.06)
    misfits = list(result["DIFFERENCES"].getFeatures())
    assert len(misfits) == result["USED"]
    assert max(abs(f["misfit_m"]) for f in misfits) < 0.06
    assert "'July': offset +0.3" in feedback.text


def test_a_second_run_finds_nothing_more(run, layer, feedback):
    first = level(run, layer())
    held = level(run, first["OUTPUT"], feedback)
    assert "All visits are reference visits, so nothing was moved." in "".join(feedback.warnings)
    again = level(run, first["OUTPUT"], REFERENCE_VISITS="May")
    assert offsets(again)["July"]["offset_m"] == pytest.approx(0.0, abs=1e-6)
    before = [(f["depth_m"], f["corrections"]) for f in first["OUTPUT"].getFeatures()]
    for result in (held, again):
        after = [(f["depth_m"], f["corrections"]) for f in result["OUTPUT"].getFeatures()]
        assert [c for _, c in after] == [c for _, c in before]
        assert [d for d, _ in after] == pytest.approx([d for d, _ in before], abs=1e-6)


def test_held_by_name(run, layer, feedback):
    table = offsets(level(run, layer(may=""), feedback, REFERENCE_VISITS=" July , "))
    assert table["July"]["offset_m"] == 0.0
    assert table["May"]["offset_m"] == pytest.approx(-0.3, abs=0.01)
    both = offsets(level(run, layer(july=DATUM), feedback, REFERENCE_VISITS="May; July"))
    assert both["May"]["held"] == both["July"]["held"] == 1
    one = offsets(level(run, layer(july=DATUM), REFERENCE_VISITS="'May';"))
    assert (one["May"]["held"], one["July"]["held"]) == (1, 0)
    with pytest.raises(QgsProcessingException, match="soundings have no reference visit 'June'"):
        level(run, layer(), REFERENCE_VISITS="June")


def test_nothing_held_is_told(run, layer, feedback):
    result = level(run, layer(may=""), feedback)
    table = offsets(result)
    assert table["July"]["offset_m"] == pytest.approx(-table["May"]["offset_m"])
    assert "sum to zero" in feedback.text
    assert "datum" not in next(result["OUTPUT"].getFeatures())["corrections"]


def test_visits_without_a_link_are_named(run, layer, feedback):
    with pytest.raises(QgsProcessingException, match="no place where two visits meet"):
        level(run, layer(apart=5000.0))


def test_by_lane(run, layer, feedback):
    result = level(run, layer(), feedback, ADJUST_BY="lane", OVERLAPS=False)
    rows = list(result["OFFSETS"].getFeatures())
    assert len(rows) == 8
    may = [f["offset_m"] for f in rows if f["visit"] == "May"]
    july = [f["offset_m"] for f in rows if f["visit"] == "July"]
    assert sum(may) == pytest.approx(0.0, abs=1e-9)
    assert july == pytest.approx([0.3] * 4, abs=0.02)
    assert "'July' lane 1: offset" in feedback.text


def test_cancel_leaves_no_file(run, layer, recorder, tmp_path):
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run(
            "adjustvisits",
            {
                "INPUT": layer(),
                "OUTPUT": str(tmp_path / "levelled.gpkg"),
                "OFFSETS": str(tmp_path / "offsets.csv"),
            },
            recorder(cancel_at=1),
        )
    assert list(tmp_path.iterdir()) == []


def test_files(run, layer, tmp_path):
    result = run(
        "adjustvisits",
        {
            "INPUT": layer(),
            "OUTPUT": str(tmp_path / "levelled.gpkg"),
            "OFFSETS": str(tmp_path / "offsets.csv"),
            "DIFFERENCES": str(tmp_path / "misfits.gpkg"),
        },
    )
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "levelled.gpkg",
        "misfits.gpkg",
        "offsets.csv",
    ]
    text = (tmp_path / "offsets.csv").read_text(encoding="utf-8")
    assert text.startswith("visit,lane,offset_m,std_error_m")
    assert result["OUTLIERS"] >= 0
