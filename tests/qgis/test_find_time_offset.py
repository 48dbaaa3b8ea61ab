"""Find time offset in the real QGIS."""

import numpy as np
import pytest
from qgis.core import QgsProcessingException

FIELDS = (
    "field=visit:string&field=time:datetime(0,3)&field=raw_depth_m:double&field=depth_m:double"
    "&field=status:string&field=corrections:string"
)


@pytest.fixture
def patch_test(memory_layer):
    """Runs to and fro over 6 + 3 tanh(x / 8) at 2 m/s, the position 0.5 s older than the depth."""

    def make(runs=4, tau=0.5):
        wkts, rows = [], []
        for k in range(runs):
            way = 1.0 if k % 2 == 0 else -1.0
            for t in range(-30, 31):
                x = way * 2.0 * t
                depth = 6.0 + 3.0 * float(np.tanh(x / 8.0))
                wkts.append(f"POINT({400000 + x - way * 2.0 * tau} 5150000)")
                seconds = 100 * k + t + 30
                clock = f"09:{seconds // 60:02d}:{seconds % 60:02d}"
                rows.append(["May", f"2026-05-14T{clock}", depth, depth, "accepted", ""])
        return memory_layer("Point", wkts, "EPSG:32615", FIELDS, rows, name="patch test")

    return make


def table(layer):
    return [feature.attributes() for feature in layer.getFeatures()]


def test_patch_test(run, patch_test, feedback, tmp_path):
    report = tmp_path / "offset.html"
    result = run(
        "findtimeoffset",
        {"INPUT": patch_test(), "TIME_OFFSETS": "TEMPORARY_OUTPUT", "REPORT": str(report)},
        feedback,
    )
    assert result["TIME_OFFSET"] == pytest.approx(0.5, abs=1e-5)
    assert result["DETERMINABLE"] == 1
    assert 0.05 < result["UNCERTAINTY"] < 0.5
    rows = table(result["TIME_OFFSETS"])
    assert [row[0] for row in rows] == ["May", "all visits"]
    assert rows[0][1] == pytest.approx(0.5, abs=1e-5)
    assert rows[0][3] >= 1
    assert rows[0][4] == "determined"
    text = report.read_text(encoding="utf-8")
    assert "+0.50" in text
    assert "data:image/png;base64," in text
    assert "antenna ahead of the transducer" in text
    assert "Enter 0.50 s as the time offset in Correct depths" in feedback.text


def test_not_determinable_is_a_result(run, patch_test, feedback):
    result = run(
        "findtimeoffset",
        {"INPUT": patch_test(runs=1), "TIME_OFFSETS": "TEMPORARY_OUTPUT"},
        feedback,
    )
    assert result["DETERMINABLE"] == 0
    assert result["TIME_OFFSET"] is None
    assert "not determinable: no two tracks pass within 5 m" in feedback.text
    row = table(result["TIME_OFFSETS"])[0]
    assert str(row[1]) in ("NULL", "None")


def test_result_enters_correct_depths(run, patch_test):
    layer = patch_test()
    found = run("findtimeoffset", {"INPUT": layer, "TIME_OFFSETS": "TEMPORARY_OUTPUT"})
    done = run(
        "correctdepths",
        {
            "INPUT": layer,
            "TIME_OFFSET": found["TIME_OFFSET"],
            "DRAFT": 0.0,
            "ACTUAL_SOUND_SPEED": 1500.0,
            "OUTPUT": "TEMPORARY_OUTPUT",
        },
    )["OUTPUT"]
    for feature in done.getFeatures():
        x = feature.geometry().asPoint().x() - 400000.0
        if abs(x) < 40.0:
            assert feature["depth_m"] == pytest.approx(6.0 + 3.0 * np.tanh(x / 8.0), abs=1e-4)


def test_beyond_the_search(run, patch_test, feedback):
    result = run(
        "findtimeoffset",
        {"INPUT": patch_test(tau=3.0), "MAX_TIME_OFFSET": 1, "TIME_OFFSETS": "TEMPORARY_OUTPUT"},
        feedback,
    )
    assert result["DETERMINABLE"] == 0
    assert "beyond the searched range, -1 to 1 s" in feedback.text


def test_cancel_leaves_no_file(run, patch_test, recorder, tmp_path):
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run(
            "findtimeoffset",
            {
                "INPUT": patch_test(),
                "TIME_OFFSETS": str(tmp_path / "t.gpkg"),
                "REPORT": str(tmp_path / "r.html"),
            },
            recorder(cancel_at=1),
        )
    assert list(tmp_path.iterdir()) == []
