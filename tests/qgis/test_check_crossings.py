"""Check crossing lines in the real QGIS."""

import base64
import re
from html.parser import HTMLParser

import numpy as np
import pytest
from qgis.core import QgsProcessingContext, QgsProcessingException, QgsProject, QgsVectorLayer

FOOT = 0.3048
FIELDS = (
    "field=visit:string&field=lane:int&field=time:datetime&field=depth_m:double"
    "&field=uncert_m:double&field=status:string&field=corrections:string"
)
# A worked set of ten crossings, ft: main line less cross-line.
TEN = [0.2, -0.1, 0.3, 0.0, -0.2, 0.1, 0.4, 0.1, -0.1, 0.3]


@pytest.fixture
def soundings(memory_layer):
    """Ten lanes of visit A, each deeper by one of TEN, and one cross-line of visit B."""
    points, rows = [], []
    for lane, feet in enumerate(TEN, start=1):
        for east in range(0, 60, 5):
            points.append((east, 20.0 * lane))
            rows.append(
                ["A", lane, "2026-05-14T09:00:00", (30.0 + feet) * FOOT, 0.05, "accepted", ""]
            )
    for north in range(0, 230, 5):
        points.append((28.0, north + 1.0))
        rows.append(["B", 1, "2026-06-14T09:00:00", 30.0 * FOOT, 0.05, "accepted", ""])
    wkts = [f"POINT({400000 + x} {5150000 + y})" for x, y in points]
    return memory_layer("Point", wkts, "EPSG:32615", FIELDS, rows)


def checked(run, layer, feedback=None, **options):
    return run(
        "checkcrosslines",
        {"INPUT": layer, "CROSSINGS": "TEMPORARY_OUTPUT", "UNIT": "ft", **options},
        feedback,
    )


def test_worked_set_of_ten_crossings(run, soundings, feedback):
    result = checked(run, soundings, feedback)
    assert (result["BETWEEN"], result["WITHIN"]) == (10, 0)
    # Worked with numpy and scipy apart from this code; ft.
    for name, feet in (
        ("BIAS", 0.100),
        ("STANDARD_DEVIATION", 0.200),
        ("RMSE", 0.21448),
        ("RMSE95", 0.42037),
        ("SOUNDING95", 0.27719),
        ("PERCENTILE95", 0.355),
    ):
        assert result[name] / FOOT == pytest.approx(feet, abs=5e-6), name
    rows = list(result["CROSSINGS"].getFeatures())
    by_north = sorted(rows, key=lambda f: f.geometry().asPoint().y())
    assert [f["difference_m"] / FOOT for f in by_north] == pytest.approx(TEN, abs=1e-9)
    first = by_north[0]
    assert (first["visit_a"], first["visit_b"], first["lane_a"]) == ("A", "B", 1)
    assert first["angle_deg"] == pytest.approx(90.0, abs=1e-3)
    assert first["uncert_m"] == pytest.approx(0.05 * np.sqrt(2.0))
    assert first["kind"] == "crossing"
    assert first["time_b"].toString("yyyy-MM-dd") == "2026-06-14"
    assert first.geometry().asPoint().x() == pytest.approx(400028.0)
    assert "Crossings between visits: 10, mean difference +0.10 ft" in feedback.text


class _Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.cells, self.images = [], [], []

    def handle_starttag(self, tag, attrs):
        if tag == "img":
            self.images.append(dict(attrs)["src"])
        elif tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.cells.append(data)


def test_report(run, soundings, tmp_path):
    target = tmp_path / "report.html"
    result = checked(run, soundings, REPORT=str(target))
    assert result["REPORT"] == str(target)
    text = target.read_text(encoding="utf-8")
    tags = _Tags()
    tags.feed(text)
    assert tags.open == []
    assert len(tags.images) == 2
    for image in tags.images:
        png = base64.b64decode(image.split(",", 1)[1])
        assert png.startswith(b"\x89PNG")
        assert len(png) > 4000
    for words in ("0.42", "0.21", "0.28", "Special", "EM 1110-2-1003", "common practice"):
        assert words in text
    # S-44 special order at 30 ft allows sqrt(2) times 0.851 ft: all ten pass.
    assert re.search(r"Special</td><td>IHO S-44</td><td>10</td><td>10</td><td>100.0%", text)
    again = tmp_path / "again.html"
    checked(run, soundings, REPORT=str(again))
    assert again.read_bytes() == target.read_bytes()
    metric = tmp_path / "metric.html"
    checked(run, soundings, REPORT=str(metric), UNIT="m")
    assert "depth difference (m)" in metric.read_text(encoding="utf-8")
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "again.html",
        "metric.html",
        "report.html",
    ]


def test_names_are_escaped(run, soundings, tmp_path):
    soundings.startEditing()
    for feature in soundings.getFeatures():
        if feature["visit"] == "A":
            soundings.changeAttributeValue(feature.id(), 0, "<b>A & co")
    soundings.commitChanges()
    target = tmp_path / "report.html"
    checked(run, soundings, REPORT=str(target))
    assert "&lt;b&gt;A &amp; co" in target.read_text(encoding="utf-8")


def test_too_few_and_none(run, memory_layer, feedback, tmp_path):
    wkts = [f"POINT({400000 + x} 5150000)" for x in range(0, 50, 5)]
    layer = memory_layer("Point", wkts, "EPSG:32615", "field=depth_m:double", [[5.0]] * 10)
    report = tmp_path / "none.html"
    result = checked(run, layer, feedback, REPORT=str(report))
    assert (result["BETWEEN"], result["RMSE95"]) == (0, None)
    assert result["CROSSINGS"].featureCount() == 0
    assert "No crossing was found" in feedback.text
    assert "No crossing was found" in report.read_text(encoding="utf-8")


def test_degrees_are_projected(run, memory_layer, feedback):
    wkts = [f"POINT({-93 + k * 1e-5} 46.5)" for k in range(-20, 21)]
    wkts += [f"POINT({-93 + 1e-6} {46.5 + (k + 0.5) * 1e-5})" for k in range(-20, 21)]
    rows = [[name, depth] for name, depth in (("A", 5.0), ("B", 5.5)) for _ in range(41)]
    layer = memory_layer(
        "Point", wkts, "EPSG:4326", "field=visit:string&field=depth_m:double", rows
    )
    result = checked(run, layer, feedback)
    assert result["BETWEEN"] == 1
    assert result["BIAS"] == pytest.approx(-0.5)
    assert "projected to EPSG:32615" in feedback.text
    assert "1 crossing between visits is too few" in feedback.text


def test_style(run, soundings):
    from lakefloor.algorithms._styling import apply_style

    layer = checked(run, soundings)["CROSSINGS"]
    apply_style(layer, "crossings")
    rules = layer.renderer().rootRule().children()
    assert [rule.label() for rule in rules] == ["first track deeper", "first track shallower"]
    shown = [sum(1 for f in layer.getFeatures(rule.filterExpression())) for rule in rules]
    assert shown == [7, 3]
    empty = QgsVectorLayer("Point?crs=EPSG:32615&field=difference_m:double", "none", "memory")
    apply_style(empty, "crossings")
    assert len(empty.renderer().rootRule().children()) == 2


def test_cancel_and_bad_input_leave_no_file(run, soundings, recorder, memory_layer, tmp_path):
    target, report = tmp_path / "crossings.gpkg", tmp_path / "report.html"
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run(
            "checkcrosslines",
            {"INPUT": soundings, "CROSSINGS": str(target), "REPORT": str(report)},
            recorder(cancel_at=1),
        )
    bare = memory_layer("Point", ["POINT(1 1)"], "EPSG:32615")
    with pytest.raises(QgsProcessingException, match="no field 'depth_m'"):
        run("checkcrosslines", {"INPUT": bare, "CROSSINGS": str(target)})
    assert list(tmp_path.iterdir()) == []
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    result = run("checkcrosslines", {"INPUT": soundings, "CROSSINGS": str(target)}, None, context)
    assert result["CROSSINGS"] == str(target)
    assert [p.name for p in tmp_path.iterdir()] == ["crossings.gpkg"]
