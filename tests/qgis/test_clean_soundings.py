"""Clean soundings in the real QGIS."""

import numpy as np
import pytest
from qgis.core import QgsFeatureRequest, QgsProcessingException, QgsVectorLayer

FIELDS = (
    "field=visit:string&field=time:datetime&field=raw_depth_m:double&field=depth_m:double"
    "&field=speed_ms:double&field=status:string"
)


@pytest.fixture
def log(memory_layer):
    """A lane over a flat bottom of 6 m with a spike, a zero and a double echo."""

    def make(depth=None, status=None, crs="EPSG:32615", speed=2.2):
        if depth is None:
            depth = np.round(6.0 + np.random.default_rng(0).normal(0, 0.03, 200), 2)
            depth[20] = 1.5
            depth[50] = 0.0
            depth[100:112] *= 2.0
        n = len(depth)
        if crs == "EPSG:4326":
            points = [f"Point({-91.0 + i * 1e-5} 44.0)" for i in range(n)]
        else:
            points = [f"Point({500000 + i * 1.1} 4870000)" for i in range(n)]
        rows = [
            (
                "one",
                f"2024-06-01T08:{i // 120:02d}:{i % 120 / 2:06.3f}Z",
                float(d),
                float(d),
                speed,
                status[i] if status else "accepted",
            )
            for i, d in enumerate(depth)
        ]
        return memory_layer("Point", points, crs=crs, fields=FIELDS, rows=rows, name="log")

    return make


def statuses(layer):
    request = QgsFeatureRequest()
    request.setFlags(QgsFeatureRequest.Flag.NoGeometry)
    return [feature["status"] for feature in layer.getFeatures(request)]


def test_all_soundings_come_out_with_their_reason(run, log, feedback):
    out = run(
        "cleansoundings", {"INPUT": log(), "OUTPUT": "memory:", "COUNTS": "memory:"}, feedback
    )
    status = statuses(out["OUTPUT"])
    assert len(status) == 200
    assert status[20] == "spike along track"
    assert status[50] == "no bottom"
    assert set(status[100:112]) == {"double echo"}
    assert (out["TOTAL"], out["ACCEPTED"], out["REJECTED"]) == (200, 186, 14)
    depth = [feature["depth_m"] for feature in out["OUTPUT"].getFeatures()]
    assert depth[20] == 1.5
    assert depth[100] > 11.5
    table = {f["reason"]: (f["soundings"], f["share_percent"]) for f in out["COUNTS"].getFeatures()}
    assert table["accepted"] == (186, 93.0)
    assert table["double echo"] == (12, 6.0)
    assert table["position jump"] == (0, 0.0)
    assert "double echo: 12 (6.00%)" in feedback.text
    assert "no second lane" in feedback.text


def test_the_limits_and_gates_reach_the_core(run, log):
    def rejected(**parameters):
        layer = log(depth=np.full(50, 6.0))
        out = run("cleansoundings", {"INPUT": layer, "OUTPUT": "memory:", **parameters})
        return out["REJECTED"]

    assert rejected() == 0
    assert rejected(MAX_DEPTH=5.0) == 50
    assert rejected(MIN_DEPTH=7.0) == 50
    assert rejected(MAX_SPEED=2.0) == 50
    assert rejected(MAX_SPEED=2.0, FORGET_EARLIER=True) == 50
    assert rejected(MIN_SPEED=3.0) == 50


def test_an_empty_speed_limit_is_no_limit(run, log):
    layer = log(depth=np.full(50, 6.0), speed=9.0)
    assert run("cleansoundings", {"INPUT": layer, "OUTPUT": "memory:"})["REJECTED"] == 50
    out = run("cleansoundings", {"INPUT": layer, "OUTPUT": "memory:", "MAX_SPEED": None})
    assert out["REJECTED"] == 0


def test_earlier_reasons_stay_unless_forgotten(run, log):
    status = ["accepted"] * 200
    status[5], status[6] = "too fast", "by hand"
    layer = log(status=status)
    kept = statuses(run("cleansoundings", {"INPUT": layer, "OUTPUT": "memory:"})["OUTPUT"])
    anew = statuses(
        run("cleansoundings", {"INPUT": layer, "OUTPUT": "memory:", "FORGET_EARLIER": True})[
            "OUTPUT"
        ]
    )
    assert kept[5:7] == ["too fast", "by hand"]
    assert anew[5:7] == ["accepted", "by hand"]


def test_a_cleaned_layer_goes_in_again(run, log):
    first = run("cleansoundings", {"INPUT": log(), "OUTPUT": "memory:"})
    again = run("cleansoundings", {"INPUT": first["OUTPUT"], "OUTPUT": "memory:"})
    assert again["REJECTED"] == first["REJECTED"]


def test_degrees_are_projected_and_said(run, log, feedback):
    out = run("cleansoundings", {"INPUT": log(crs="EPSG:4326"), "OUTPUT": "memory:"}, feedback)
    assert out["OUTPUT"].crs().authid() == "EPSG:32615"
    assert "is projected to EPSG:32615" in feedback.text
    assert statuses(out["OUTPUT"])[20] == "spike along track"


def test_nothing_accepted_is_a_warning(run, log, feedback):
    layer = log(depth=np.full(30, 6.0))
    run("cleansoundings", {"INPUT": layer, "OUTPUT": "memory:", "MAX_DEPTH": 1.0}, feedback)
    assert "No sounding was accepted" in feedback.text


def test_bad_input_is_told(run, log, memory_layer):
    def refused(layer, **parameters):
        with pytest.raises(QgsProcessingException) as error:
            run("cleansoundings", {"INPUT": layer, "OUTPUT": "memory:", **parameters})
        return str(error.value)

    assert "depth_m" in refused(memory_layer("Point", ["Point(0 0)"], fields="field=z:double"))
    assert "holds no soundings" in refused(log(depth=np.zeros(0)))
    assert "coordinate reference system" in refused(log(crs=""))
    assert "deepest depth" in refused(log(), MIN_DEPTH=9.0, MAX_DEPTH=3.0)


def test_identical_points_and_missing_depths(run, memory_layer):
    rows = [("one", None, d, d, None, None) for d in (3.0, None, -1.0, 3.0, 3.0)]
    layer = memory_layer("Point", ["Point(500000 4870000)"] * 5, fields=FIELDS, rows=rows)
    out = run("cleansoundings", {"INPUT": layer, "OUTPUT": "memory:"})
    assert statuses(out["OUTPUT"]) == ["accepted", "no bottom", "no bottom", "accepted", "accepted"]


def test_a_cancelled_run_leaves_no_file(run, log, recorder, tmp_path):
    target = tmp_path / "cleaned.gpkg"
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run("cleansoundings", {"INPUT": log(), "OUTPUT": str(target)}, recorder(cancel_at=30))
    assert list(tmp_path.iterdir()) == []
    out = run("cleansoundings", {"INPUT": log(), "OUTPUT": str(target)})
    assert QgsVectorLayer(out["OUTPUT"]).featureCount() == 200
