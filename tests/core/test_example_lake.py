"""The example lake: its truth is what it claims, and its files are what it documents."""

import csv
import datetime
import importlib.util
import json
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from pyproj import Transformer
from shapely.geometry import LineString, Polygon, shape

EXAMPLE = Path(__file__).resolve().parents[2] / "example_project"

#: As in example_project/README.md, pings (sentences for bad_checksum and half_line) a file.
PLANTED = {
    "2025-05-17": {
        "spike": 22,
        "double_echo": 12,
        "no_depth": 18,
        "zero_depth": 8,
        "position_jump": 3,
        "no_fix": 4,
        "bad_checksum": 8,
        "half_line": 1,
    },
    "2025-08-09": {
        "spike": 8,
        "double_echo": 5,
        "no_depth": 5,
        "zero_depth": 4,
        "not_a_number": 3,
        "duplicate": 3,
        "stopped": 90,
    },
    "2026-06-20": {"spike": 5, "no_depth": 3},
}
FILES = {
    "logs/2025-05-17_1.nmea",
    "logs/2025-05-17_2.nmea",
    "logs/2025-08-09.csv",
    "logs/2026-06-20.gpx",
    "shoreline.geojson",
    "old_contours.geojson",
    "marks.gpx",
    "gauge.csv",
    "planted.csv",
}


def load(name):
    spec = importlib.util.spec_from_file_location(name, EXAMPLE / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def truth():
    yield load("truth")
    del sys.modules["truth"]


@pytest.fixture(scope="module")
def generate(truth):
    yield load("generate")
    del sys.modules["generate"]


@pytest.fixture(scope="module")
def planted():
    with open(EXAMPLE / "planted.csv", encoding="utf-8", newline="") as file:
        return [(row["file"], int(row["line"]), row["kind"]) for row in csv.DictReader(file)]


def log_lines(name):
    return (EXAMPLE / name).read_bytes().decode("ascii").split("\n")


# -- truth -------------------------------------------------------------------------


def test_depth_is_zero_at_the_shore_and_positive_inside(truth):
    for ring, inward in ((truth.shore_ring(5000), 1.0), (truth.island_ring(800), -1.0)):
        ahead = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
        left = np.column_stack([-ahead[:, 1], ahead[:, 0]]) / np.hypot(*ahead.T)[:, None]
        inside = truth.depth_m(*(ring + inward * 0.05 * left).T)
        assert np.all((inside > 0) & (inside < 0.03))
        assert np.isnan(truth.depth_m(*(ring - inward * 0.05 * left).T)).all()
    depth = truth.sample_grid(2.0)[2]
    assert depth.min() > 0


def test_polygon_follows_the_shore(truth):
    polygon = truth.shoreline_polygon()
    assert polygon.is_valid
    assert len(polygon.interiors) == 1
    fine = Polygon(truth.shore_ring(20000), [truth.island_ring(4000)])
    assert polygon.area == pytest.approx(fine.area, rel=2e-4)
    assert polygon.area == pytest.approx(24.49e4, abs=100.0)
    west, south, east, north = polygon.bounds
    assert (east - west, north - south) == (pytest.approx(717, abs=1), pytest.approx(438, abs=1))


def test_depths_are_as_stated(truth):
    x, y, depth = truth.sample_grid(1.0)
    u, v = truth.local(x, y)
    assert depth.max() == pytest.approx(10.99, abs=0.01)
    assert depth.sum() == pytest.approx(1.150e6, abs=1e3)

    def around(form, reach):
        near = np.hypot(u - form["x"], v - form["y"]) < reach
        return depth[near], u[near], v[near]

    hump = around(truth.HUMP, 20.0)[0]
    assert hump.min() == pytest.approx(2.96, abs=0.01)
    second = around(truth.SECOND_HOLE, 60.0)[0]
    assert second.max() == pytest.approx(8.75, abs=0.01)
    # From hole to hole the way between point and hump is shallower than both.
    across = [
        truth.depth_m(np.full(120, truth.ORIGIN[0] + at), truth.ORIGIN[1] + np.arange(-60.0, 60.0))
        for at in np.arange(-170.0, 75.0, 2.0)
    ]
    sill = min(np.nanmax(column) for column in across)
    assert sill == pytest.approx(7.94, abs=0.01)


def test_crest_and_toe_are_where_the_profile_bends_most(truth):
    # z = (H/2) tanh(n/w): the extremes of z'' are at n = -+w atanh(1/sqrt(3)) = -+0.658479 w.
    np.testing.assert_allclose(truth.CREST_TOE, 0.658479, atol=1e-6)
    n = np.arange(-14.0, 14.01, 0.05)
    at = np.arange(-140.0, 141.0, 10.0)
    lines = [truth.face_parallel(offset, -140.0, 140.0, 10.0) for offset in n]
    profiles = np.array([truth.depth_m(*line.T) for line in lines])
    bend = np.gradient(np.gradient(profiles, n, axis=0), n, axis=0)[4:-4]
    expected = truth.CREST_TOE * truth._face_width(at)
    np.testing.assert_allclose(n[4:-4][bend.argmax(axis=0)], -expected, atol=0.35)
    np.testing.assert_allclose(n[4:-4][bend.argmin(axis=0)], expected, atol=0.35)
    slope = np.gradient(profiles, n, axis=0)
    np.testing.assert_allclose(n[slope.argmax(axis=0)], 0.0, atol=0.35)
    # Greatest slope of that profile is H / (2 w), with H from far shelf to far basin.
    assert 0.30 < slope.max() < 0.46

    for line, sign in ((truth.crest_line(), -1), (truth.toe_line(), 1)):
        away = truth._face_distance(*truth.local(*line.T))[0]
        assert np.all(np.sign(away) == sign)
        np.testing.assert_allclose(np.abs(away), 4.6, atol=0.3)
        face = LineString(truth.face_parallel(0.0, -200.0, 200.0))
        exact = [face.distance(shape({"type": "Point", "coordinates": p})) for p in line[::10]]
        np.testing.assert_allclose(np.abs(away[::10]), exact, atol=0.01)


def test_hardness_crosses_halfway_on_the_transition_lines(truth):
    lines = truth.transition_lines()
    assert len(lines) == 3
    for line in lines:
        np.testing.assert_allclose(np.median(truth.hardness_truth(*line.T)), 0.51, atol=0.01)
    x, y, _ = truth.sample_grid(3.0)
    hardness = truth.hardness_truth(x, y)
    assert hardness.min() == pytest.approx(0.28, abs=0.01)
    assert hardness.max() == pytest.approx(0.74, abs=0.01)


def test_sound_speed_agrees_with_iapws95(generate):
    # IAPWS-95 at 0.101325 MPa, computed with the library iapws.
    for temp, speed in ((5, 1426.1694), (10, 1447.2722), (20, 1482.3462), (25, 1496.7014)):
        assert generate.sound_speed(temp) == pytest.approx(speed, abs=0.05)


# -- files -------------------------------------------------------------------------


def test_files_come_out_byte_for_byte(tmp_path):
    command = [sys.executable, str(EXAMPLE / "generate.py"), "--output", str(tmp_path)]
    subprocess.run(command, check=True, capture_output=True)
    made = {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file()}
    assert made == FILES
    for name in FILES:
        assert (tmp_path / name).read_bytes() == (EXAMPLE / name).read_bytes(), name
    assert sum((tmp_path / name).stat().st_size for name in FILES) < 4e6


def test_planted_faults_are_as_documented(planted):
    counts = {visit: Counter() for visit in PLANTED}
    for name, _, kind in planted:
        counts[name[len("logs/") :][:10]][kind] += 1
    for kind in ("spike", "double_echo", "no_depth", "zero_depth"):
        counts["2025-05-17"][kind] /= 2  # DPT and DBT of a ping
    for kind in ("position_jump", "no_fix"):
        counts["2025-05-17"][kind] /= 2  # GGA and RMC of a fix
    assert counts == PLANTED
    text = (EXAMPLE / "README.md").read_text(encoding="utf-8")
    for kind in {kind for visit in PLANTED.values() for kind in visit}:
        cells = re.search(rf"^\| {kind} \|(.*?)\|(.*?)\|(.*?)\|", text, re.MULTILINE).groups()
        stated = [int(cell or 0) for cell in (c.strip() for c in cells)]
        assert stated == [PLANTED[visit].get(kind, 0) for visit in PLANTED], kind


def test_only_the_planted_sentences_have_a_wrong_checksum(planted):
    # NMEA 0183: the exclusive or of the characters between $ and *, two upper-case hex digits.
    for name in ("logs/2025-05-17_1.nmea", "logs/2025-05-17_2.nmea"):
        wrong = set()
        for number, line in enumerate(log_lines(name), start=1):
            match = re.fullmatch(r"\$([^*]*)\*([0-9A-F]{2})\r", line)
            computed = 0
            for char in match[1] if match else "":
                computed ^= ord(char)
            if line and (match is None or computed != int(match[2], 16)):
                wrong.add(number)
        kinds = ("bad_checksum", "half_line")
        assert wrong == {line for file, line, kind in planted if file == name and kind in kinds}


def test_planted_lines_show_their_fault(planted):
    texts = {name: log_lines(name) for name in FILES if name.startswith("logs/")}
    for name, number, kind in planted:
        line = texts[name][number - 1]
        if kind == "no_depth":
            assert ",,f,,M,,F" in line or "DPT,," in line or ",,0." in line or "s:depth" not in line
        elif kind == "zero_depth":
            assert "DPT,0.00," in line or "DBT,0.0," in line or ",0.0,0." in line
        elif kind == "no_fix":
            assert ",V,,,,,,," in line or ",,,,,0,03," in line
        elif kind == "duplicate":
            assert line == texts[name][number - 2]
        elif kind == "not_a_number":
            assert ",---," in line
        elif kind == "half_line":
            assert number == len(texts[name])


def test_evening_visit_crosses_midnight_utc(planted):
    stamps = []
    for name in ("logs/2025-05-17_1.nmea", "logs/2025-05-17_2.nmea"):
        bad = {line for file, line, kind in planted if (file, kind) == (name, "bad_checksum")}
        for number, line in enumerate(log_lines(name), start=1):
            match = re.match(r"\$GPRMC,(\d{6})\.00,A,.*,(\d{6}),,,A", line)
            if match and number not in bad:
                stamps.append(datetime.datetime.strptime(match[2] + match[1], "%d%m%y%H%M%S"))
    steps = {b - a for a, b in zip(stamps[:-1], stamps[1:])}
    assert min(steps) == datetime.timedelta(seconds=1)
    assert max(steps) == datetime.timedelta(seconds=5)  # the fixes that were not had
    assert {stamp.day for stamp in stamps} == {17, 18}


def test_logged_depths_reduce_to_the_truth(truth, generate, planted):
    """The August rows, worked by hand-written steps, against the true bottom."""
    bad = {line for file, line, _ in planted if file == "logs/2025-08-09.csv"}
    rows = list(csv.DictReader(log_lines("logs/2025-08-09.csv")))
    rows = [row for line, row in enumerate(rows, start=2) if line not in bad]
    columns = ("lon", "lat", "depth_ft", "water_temp_f")
    lon, lat, feet, temp_f = (np.array([float(row[k]) for row in rows]) for k in columns)
    times = [datetime.datetime.fromisoformat(row["time"]).timestamp() for row in rows]
    with open(EXAMPLE / "gauge.csv", encoding="utf-8", newline="") as file:
        gauge = list(csv.DictReader(file))
    knots = [
        datetime.datetime.fromisoformat(row["time_utc"].replace("Z", "+00:00")).timestamp()
        for row in gauge
    ]
    level = np.interp(times, knots, [float(row["level_ft"]) for row in gauge]) - 2.00
    celsius = (temp_f - 32.0) / 1.8
    depth = feet * 0.3048 * generate.sound_speed(celsius) / 1500.0 + 0.30 - level * 0.3048
    x, y = Transformer.from_crs(4326, 32615, always_xy=True).transform(lon, lat)
    error = depth - truth.depth_m(x, y)
    assert abs(error.mean()) < 0.03
    # On the drop-off 0.6 m of position is worth 0.2 m of depth.
    assert np.sqrt(np.mean(error**2)) < 0.15
    assert np.median(np.abs(error)) < 0.05


def test_evening_pings_lie_halfway_between_fixes(truth, generate, planted):
    name = "logs/2025-05-17_1.nmea"
    bad = {line for file, line, _ in planted if file == name}
    fixes, depths = [], {}
    for number, line in enumerate(log_lines(name), start=1):
        fields = line.split(",")
        if fields[0] == "$GPGGA":
            lat, lon = fields[2], fields[4]
            west, north = float(lon[:3]) + float(lon[3:]) / 60, float(lat[:2]) + float(lat[2:]) / 60
            fixes.append((-west, north))
        elif fields[0] == "$SDDPT" and number not in bad:
            depths[len(fixes) - 1] = float(fields[1])
    x, y = Transformer.from_crs(4326, 32615, always_xy=True).transform(*np.array(fixes).T)
    jump = np.hypot(np.diff(x), np.diff(y)) > 20.0
    # 11 degrees C; 0.30 m draft; the gauge read 2.69 to 2.70 ft, 0.70 ft above datum.
    rows = np.array([i for i in depths if i + 1 < len(x) and not jump[max(i - 4, 0) : i + 5].any()])
    logged = np.array([depths[i] for i in rows]) * generate.sound_speed(11.0) / 1500.0
    logged = logged + 0.30 - 0.70 * 0.3048

    def rmse(share):
        at = [(1.0 - share) * c[rows] + share * c[rows + 1] for c in (x, y)]
        return np.sqrt(np.mean((logged - truth.depth_m(*at)) ** 2))

    assert rmse(0.5) < 0.10
    assert rmse(0.5) < min(rmse(0.0), rmse(1.0))


def test_shoreline_and_old_map(truth):
    features = json.loads((EXAMPLE / "shoreline.geojson").read_text())["features"]
    assert [f["properties"]["name"] for f in features] == ["Lake Marrowby"]
    forward = Transformer.from_crs(4326, 32615, always_xy=True).transform

    def projected(coordinates):
        return np.column_stack(forward(*np.array(coordinates).T))

    rings = [projected(ring) for ring in features[0]["geometry"]["coordinates"]]
    lake = Polygon(rings[0], rings[1:])
    assert lake.is_valid
    assert lake.symmetric_difference(truth.shoreline_polygon()).area < 30.0

    features = json.loads((EXAMPLE / "old_contours.geojson").read_text())["features"]
    lines = {}
    for feature in features:
        line = LineString(projected(feature["geometry"]["coordinates"]))
        assert line.is_simple
        assert lake.contains(line)
        assert not any(line.intersects(other) for other in lines.values())
        lines[feature["properties"]["depth_ft"]] = line
    assert sorted(lines) == [5, 10, 15, 20, 25, 30, 35]
    # Vague: drawn up to 8 m off and 10 % too deep, and without the hump.
    for depth_ft, line in lines.items():
        at = np.array(line.coords)
        off_hump = np.hypot(*(at - truth.ORIGIN - (-60.0, 62.0)).T) > 60.0
        real = truth.depth_m(*at[off_hump].T) / 0.3048
        assert 0.6 * depth_ft < np.median(real) < 1.35 * depth_ft


# -- comparison --------------------------------------------------------------------


def test_comparison_reports_a_known_error(truth):
    pytest.importorskip("osgeo")
    compare = load("compare")
    try:
        transform = (376640.0, 2.0, 0.0, 5146240.0, 0.0, -2.0)
        x, y = np.meshgrid(376641.0 + 2.0 * np.arange(380), 5146239.0 - 2.0 * np.arange(240))
        depth = truth.depth_m(x, y) + 0.25
        table = dict(compare.compare_surface(depth, transform, np.full(depth.shape, 0.2)))
        assert "RMSE 0.250, bias +0.250, 95% 0.250, max 0.250 m" in table["all cells"]
        assert table["errors within 1 std. uncertainty"].startswith("0.0%")
        assert table["errors within 2 std. uncertainty"].startswith("100.0%")
        assert table["lake covered by the map"] == "100.0%"
        assert table["mapped cells on land"] == "0"

        whole = truth.crest_line()
        half = whole[np.cumsum(np.hypot(*np.diff(whole, axis=0, prepend=whole[:1]).T)) < 190.0]
        length = LineString(whole).length
        lines = {"crest": compare.resample(half), "toe": truth.toe_line() + (0.0, 12.0)}
        table = dict(compare.compare_lines(lines))
        complete = float(re.match(r"complete (\d+)%, correct 100%", table["crest"])[1])
        assert complete == pytest.approx(100.0 * (190.0 + compare.TOLERANCE) / length, abs=1.0)
        assert table["toe"].startswith("complete 0%, correct 0%")
    finally:
        del sys.modules["compare"]
