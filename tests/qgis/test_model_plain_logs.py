"""The models on what a stranger has: plain logs, no gauge, no temperature, any hemisphere.

The lake is a formula, its logs hold RMC and DBT alone, and its water is as cold as it says here.
"""

import csv
import json
import os
import re
import shutil
import subprocess

import numpy as np
import pytest
from osgeo import gdal
from pyproj import Transformer
from qgis.core import QgsProcessingException, QgsProcessingFeedback, QgsVectorLayer

MODEL = "logstolakemap"

#: UTM zone 59 south: the South Island of New Zealand.
EPSG, EAST, NORTH = 32759, 400_000.0, 5_040_000.0
WIDE, HIGH = 110.0, 70.0

#: Sound speed of the lake's water at 9 degrees C (Marczak 1997, from memory) and in the sounder.
SPEED, ASSUMED, DRAFT = 1442.5, 1500.0, 0.3


def depth_at(x, y):
    """Depth below the usual water, m: a bowl of 9 m with a hump; 0 at the shore."""
    u, v = (x - EAST) / WIDE, (y - NORTH) / HIGH
    bowl = 9.0 * (1.0 - (u**2 + v**2))
    return bowl - 2.0 * np.exp(-((u - 0.3) ** 2 + v**2) / 0.03)


def shoreline(path):
    turn = np.linspace(0.0, 2.0 * np.pi, 181)
    x, y = EAST + WIDE * np.cos(turn), NORTH + HIGH * np.sin(turn)
    ring = np.column_stack([x, y]).round(3).tolist()
    path.write_text(
        json.dumps(
            {
                "type": "FeatureCollection",
                "crs": {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{EPSG}"}},
                "features": [
                    {
                        "type": "Feature",
                        "properties": {},
                        "geometry": {"type": "Polygon", "coordinates": [ring]},
                    }
                ],
            }
        )
    )
    return str(path)


def sentence(body):
    value = 0
    for character in body:
        value ^= ord(character)
    return f"${body}*{value:02X}\r\n"


def minutes(value, width, letters):
    whole, rest = divmod(abs(value), 1.0)
    return f"{int(whole):0{width}d}{60.0 * rest:08.5f},{letters[int(value < 0)]}"


def log(path, day, level, along, seed, spacing=12.0, start=8.0):
    """Write one outing as RMC and DBT, one of each a second, on water ``level`` m high.

    The first lane runs ``start`` m from the southern, or the western, shore.
    """
    rng = np.random.default_rng(seed)
    x, y = [], []
    reach, other = (WIDE, HIGH) if along else (HIGH, WIDE)
    for k, at in enumerate(np.arange(-other + start, other - 7.0, spacing)):
        half = reach * np.sqrt(1.0 - (at / other) ** 2) - 4.0
        if half < 5.0:
            continue
        run = np.arange(-half, half, 2.2) * (1 if k % 2 else -1)
        side = np.full(run.size, at)
        x.append(run if along else side)
        y.append(side if along else run)
    x, y = EAST + np.concatenate(x), NORTH + np.concatenate(y)
    # Each depth is sounded halfway to the next fix, where it is logged.
    middle = [np.append(0.5 * (v[1:] + v[:-1]), v[-1]) for v in (x, y)]
    below = depth_at(*middle) + level - DRAFT
    shown = below * ASSUMED / SPEED + rng.normal(0.0, 0.03, x.size)
    away = np.cumsum(rng.normal(0.0, 0.05, (2, x.size)), axis=1)
    away *= 0.5 / away.std()
    lon, lat = Transformer.from_crs(EPSG, 4326, always_xy=True).transform(x + away[0], y + away[1])
    date = f"{day[8:10]}{day[5:7]}{day[2:4]}"
    lines = []
    for i in range(x.size):
        clock = f"{2 + i // 3600:02d}{i // 60 % 60:02d}{i % 60:02d}.00"
        lines.append(
            sentence(
                f"GPRMC,{clock},A,{minutes(lat[i], 2, 'NS')},{minutes(lon[i], 3, 'EW')},4.3,,{date},,"
            )
        )
        if shown[i] > 0.3:
            lines.append(sentence(f"SDDBT,{shown[i] / 0.3048:.1f},f,{shown[i]:.2f},M,,F"))
    path.write_text("".join(lines), newline="")


def outputs(folder):
    (folder / "project").mkdir(parents=True)
    names = {
        "uncertaintybudget:Soundings": "soundings.gpkg", "tinsurface:TIN surface": "tin.tif",
        "idwsurface:IDW surface": "idw.tif", "smoothsurface:Smooth surface": "smooth.tif",
        "depthcontours:Depth contours": "contours.gpkg", "depthareas:Depth areas": "areas.gpkg",
        "bottomslope:Bottom slope": "slope.tif", "breaklines:Breaklines": "break_lines.gpkg",
        "mapsheet:Map sheet": "sheet.pdf", "lakeproject:Lake project": "project/lake.qgz",
    }  # fmt: skip
    return {name: str(folder / file) for name, file in names.items()}


def surface(path):
    """Return place, depth and uncertainty of the cells that have a depth."""
    dataset = gdal.Open(str(path))
    west, dx, _, north, _, dy = dataset.GetGeoTransform()
    depth, sigma = (dataset.GetRasterBand(k).ReadAsArray().astype(float) for k in (1, 2))
    rows, cols = np.nonzero(depth != dataset.GetRasterBand(1).GetNoDataValue())
    x, y = west + (cols + 0.5) * dx, north + (rows + 0.5) * dy
    return x, y, depth[rows, cols], sigma[rows, cols]


def words(pdf):
    """Return the text of a sheet without its white space: lines are broken anywhere."""
    text = subprocess.run(
        ["pdftotext", "-raw", str(pdf), "-"], check=True, capture_output=True, text=True
    ).stdout
    return re.sub(r"\s+", "", text)


def corrections(path):
    rows = [(f["visit"], f["corrections"]) for f in QgsVectorLayer(str(path)).getFeatures()]
    return {visit: dict(pair.split("=", 1) for pair in text.split(";")) for visit, text in rows}


class Told(QgsProcessingFeedback):
    """Keeps warnings and errors."""

    def __init__(self):
        super().__init__(False)
        self.warnings, self.errors = [], []

    def pushWarning(self, warning):
        self.warnings.append(warning)

    def reportError(self, error, fatalError=False):
        self.errors.append(error)


@pytest.fixture(scope="module")
def stranger(provider, tmp_path_factory):
    """Map two outings 0.8 m apart from logs, shoreline and draft alone; folder and log."""
    import processing

    folder = tmp_path_factory.mktemp("stranger")
    (folder / "logs").mkdir()
    log(folder / "logs" / "one.nmea", "2026-01-10", 0.0, True, 1)
    log(folder / "logs" / "two.nmea", "2026-02-21", -0.8, False, 2)
    feedback = Told()
    processing.run(
        f"lakefloor:{MODEL}",
        {
            "LOG_FOLDER": str(folder / "logs"),
            "SHORELINE": shoreline(folder / "shore.geojson"),
            "DRAFT": DRAFT,
            **outputs(folder / "out"),
        },
        feedback=feedback,
    )
    return folder / "out", feedback


def test_plain_logs_are_mapped_from_folder_shoreline_and_draft(stranger):
    out, feedback = stranger
    assert QgsVectorLayer(str(out / "soundings.gpkg")).crs().authid() == f"EPSG:{EPSG}"
    x, y, depth, sigma = surface(out / "smooth.tif")
    error = depth - depth_at(x, y)
    # The rule is 0.35 m; 0.08 m was measured.
    assert np.sqrt(np.mean(error**2)) < 0.15
    # 1459 for 1442.5 m/s makes depths 1.2 % too great; the uncertainty allows for 2.6 %.
    assert np.mean(np.abs(error) <= 2.0 * sigma) > 0.9
    assert depth.max() == pytest.approx(9.0, abs=0.3)
    told = "\n".join(feedback.warnings)
    assert "No water temperature is known for visit '2026-01-10', '2026-02-21'" in told
    assert "No lake level is known" in told
    assert (out / "sheet.pdf").read_bytes().startswith(b"%PDF")


def test_two_outings_are_levelled_by_their_crossings(stranger):
    out, _ = stranger
    found = corrections(out / "soundings.gpkg")
    assert {p["datum"] for p in found.values()} == {"water level of 2026-01-10"}
    assert all(p["level"] == "unknown" and "datum_elev_m" not in p for p in found.values())
    assert float(found["2026-02-21"]["level_offset_m"]) == pytest.approx(-0.8, abs=0.1)
    assert 0.0 < float(found["2026-02-21"]["level_offset_sd_m"]) < 0.05
    # One value in the correction and in the budget: 2.57 % of the water below the transducer.
    layer = QgsVectorLayer(str(out / "soundings.gpkg"))
    deep = [f for f in layer.getFeatures() if f["depth_m"] > 8.0 and f["status"] == "accepted"]
    assert all(f["uncert_m"] >= 0.0257 * (f["depth_m"] - DRAFT - 0.85) for f in deep)


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")
def test_the_sheet_says_what_nobody_knew(stranger):
    out, _ = stranger
    text = words(out / "sheet.pdf")
    for said in (
        "below the water level of 2026-01-10. The lake level at that time is not known.",
        "No water temperature was logged. The sound speed is assumed to be 1459 ± 74 m/s.",
        "No lake level was read for 2026-02-21. Its depths are adjusted where tracks cross.",
        "shoreline, taken as depth 0",
    ):
        assert said.replace(" ", "") in text


def test_volume_and_depths_allow_for_the_unknown_sound_speed(stranger, tmp_path):
    import processing

    out, _ = stranger
    found = processing.run(
        "lakefloor:lakestatistics",
        {
            "INPUT": str(out / "smooth.tif"),
            "SHORELINE": str(out.parent / "shore.geojson"),
            "UNIT": "m",
            "REPORT": str(tmp_path / "report.html"),
            "CSV": str(tmp_path / "f.csv"),
        },
    )
    # Half of a cone's bowl, less a hump: by integration of the formula.
    truth = np.pi * WIDE * HIGH * (4.5 - 2.0 * 0.03)
    assert abs(found["VOLUME_M3"] - truth) < 2.0 * found["VOLUME_SD_M3"]
    with (tmp_path / "f.csv").open(encoding="utf-8", newline="") as file:
        rows = {row["figure"]: row for row in csv.DictReader(file)}
    for name in ("volume", "mean_depth", "max_depth"):
        share = float(rows[name]["standard_uncertainty_si"]) / float(rows[name]["value_si"])
        assert 0.0257 < share < 0.06, name
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "too large or too small by up to 5.0% alike" in page
    assert "Lake level: at the water level of 2026-01-10." in page


def test_outings_that_do_not_meet_are_refused_in_one_sentence(provider, tmp_path):
    import processing

    (tmp_path / "logs").mkdir()
    log(tmp_path / "logs" / "one.nmea", "2026-01-10", 0.0, True, 1, spacing=24.0)
    # A single lane along the southern shore, where the first outing has one 24 m beside it.
    log(tmp_path / "logs" / "two.nmea", "2026-02-21", -0.8, True, 2, spacing=24.0, start=20.0)
    feedback = Told()
    with pytest.raises(QgsProcessingException) as refusal:
        processing.run(
            f"lakefloor:{MODEL}",
            {
                "LOG_FOLDER": str(tmp_path / "logs"),
                "SHORELINE": shoreline(tmp_path / "s.geojson"),
                **outputs(tmp_path / "out"),
            },
            feedback=feedback,
        )
    # Later QGIS raises what a step says, where older ones only report it.
    sentences = {*feedback.errors, str(refusal.value)}
    (told,) = (error for error in sentences if "No lake level" in error)
    assert "visit '2026-02-21'" in told
    assert "Give gauge readings or a lake level" in told
    assert os.listdir(tmp_path / "out") == ["project"]
