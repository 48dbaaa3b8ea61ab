"""A county of lakes (example_project/county): three of them through the real engine."""

import csv
import json
import math
import os
import re
import shutil
import signal
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pytest
from osgeo import gdal
from qgis.core import QgsProject, QgsVectorLayer

COUNTY = Path(__file__).resolve().parents[2] / "example_project" / "county"
sys.path.insert(0, str(COUNTY))
import settings

pytestmark = [
    # All of them, so that a quick run does not map the lakes for the shortest of the tests.
    pytest.mark.slow,
    # Continuous integration installs the engine; there, its lack is a failure.
    pytest.mark.skipif(
        shutil.which("snakemake") is None and not os.environ.get("CI"),
        reason="Snakemake is not installed (sh .ci/setup.sh county)",
    ),
]

LAKES = ("pell_pond", "quillet_pond", "stane_quarry")
#: As README.md of the county says: RMS error, m; volume error, %; errors within twice the
#: standard uncertainty, %.
MOST_RMS_M, MOST_VOLUME_PERCENT, LEAST_WITHIN_PERCENT = 0.25, 1.0, 90.0


class County:
    """A folder of lakes and what the workflow makes of it."""

    def __init__(self, folder):
        self.lakes, self.output = folder / "lakes", folder / "output"
        command = ["/usr/bin/python3", COUNTY / "make_lakes.py", self.lakes, *LAKES]
        subprocess.run(command, check=True, capture_output=True)
        self.said = ""

    def start(self):
        command = ["sh", COUNTY / "run.sh", self.lakes, self.output]
        return subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
            env={**os.environ, "CORES": "2"},
        )

    def run(self):
        process = self.start()
        self.said = process.communicate()[0]
        return process.returncode

    def figures(self, lake):
        return self.output / "maps" / lake / "figures.json"

    def times(self):
        """Return when each lake's result was made."""
        return {
            p.parent.name: p.stat().st_mtime_ns for p in self.output.glob("maps/*/figures.json")
        }

    def redone(self, before):
        return {lake for lake, made in self.times().items() if before.get(lake) != made}

    def summary(self):
        with (self.output / "summary.csv").open(encoding="utf-8", newline="") as file:
            return {row["Folder"]: row for row in csv.DictReader(file)}

    def report(self):
        return (self.output / "report.html").read_text(encoding="utf-8")

    def set_draft(self, lake, meters):
        path = self.lakes / lake / "lake.yaml"
        text, found = re.subn(r"DRAFT: .*", f"DRAFT: {meters}", path.read_text(encoding="utf-8"))
        assert found == 1
        path.write_text(text, encoding="utf-8")


@pytest.fixture(scope="module")
def county(tmp_path_factory):
    made = County(tmp_path_factory.mktemp("county"))
    assert made.run() == 0, made.said
    return made


def test_settings_know_the_parameters_of_the_model(provider):
    model = provider.algorithm("logstolakemap")
    names = {p.name() for p in model.parameterDefinitions() if not p.isDestination()}
    # LOGS is a list of files; a folder does the same.
    assert set(settings.MODEL) == names - {"LOGS"}


def test_the_summary_has_the_figures_of_the_files(county):
    rows = county.summary()
    assert set(rows) == set(LAKES)
    for lake, row in rows.items():
        folder = county.output / "maps" / lake
        assert (row["Result"], row["Why not mapped"]) == ("mapped", "")
        with (folder / "statistics.csv").open(encoding="utf-8", newline="") as file:
            table = {r["figure"]: float(r["value_si"]) for r in csv.DictReader(file)}
        assert float(row["Area (m²)"]) == pytest.approx(table["area"], rel=1e-6)
        assert float(row["Volume (m³)"]) == pytest.approx(table["volume"], rel=1e-6)
        assert float(row["Maximum depth (m)"]) == pytest.approx(table["max_depth"], rel=1e-6)
        assert float(row["Mean depth (m)"]) == pytest.approx(table["mean_depth"], rel=1e-6)

        soundings = QgsVectorLayer(str(folder / "soundings.gpkg"), "soundings")
        status = [f["status"] for f in soundings.getFeatures()]
        assert int(row["Soundings"]) == len(status)
        assert int(row["Accepted soundings"]) == status.count("accepted") > 1000
        lines = QgsVectorLayer(str(folder / "contours.gpkg"), "contours")
        length = {0: 0.0, 1: 0.0}
        for line in lines.getFeatures():
            length[line["supported"]] += line.geometry().length()
        share = 100.0 * length[1] / sum(length.values())
        assert float(row["Supported contours (% of length)"]) == pytest.approx(share, rel=1e-5)
        source = gdal.Open(str(folder / "depth_smooth.tif"))
        surface = source.GetRasterBand(2)
        nodata = surface.GetNoDataValue()
        values = [
            v for v in surface.ReadAsArray().ravel().tolist() if v != nodata and not math.isnan(v)
        ]
        median = statistics.median(values)
        said = float(row["Depth, median standard uncertainty (m)"])
        assert said == pytest.approx(median, rel=1e-5)
        assert float(row["Time (s)"]) > 1.0
        assert float(row["Peak memory (MB)"]) > 100.0


def test_errors_are_within_what_the_page_says(county):
    for row in county.summary().values():
        assert float(row["Depth error, RMS (m)"]) < MOST_RMS_M
        assert abs(float(row["Volume error (%)"])) < MOST_VOLUME_PERCENT
        assert float(row["Errors within 2 standard uncertainties (%)"]) > LEAST_WITHIN_PERCENT


def test_the_report_stands_alone(county):
    page = county.report()
    for title in ("Pell Pond", "Quillet Pond", "Stane Quarry"):
        assert f'aria-label="Depth map of {title}"' in page
    assert "3 of 3 lakes are mapped" in page
    assert "not for navigation" in page
    assert "://" not in page
    assert "src=" not in page


def test_the_project_finds_its_layers_where_the_folder_was_put(county):
    project = QgsProject()
    assert project.read(str(county.output / "maps" / "pell_pond" / "lake.qgz"))
    layers = project.mapLayers().values()
    assert len(layers) > 5
    assert [layer.name() for layer in layers if not layer.isValid()] == []
    project.clear()


def test_nothing_changed_nothing_done_and_one_changed_one_done(county):
    before = county.times()
    assert county.run() == 0
    assert "Nothing to be done" in county.said
    assert county.redone(before) == set()

    # A log that is cut in half, and has an older date than before.
    log = county.lakes / "quillet_pond" / "logs" / "2026-06-13.csv"
    lines = log.read_text().splitlines(keepends=True)
    log.write_text("".join(lines[: len(lines) // 2]))
    os.utime(log, (1e9, 1e9))
    assert county.run() == 0, county.said
    assert county.redone(before) == {"quillet_pond"}
    half = county.summary()["quillet_pond"]
    assert half["Result"] == "mapped in part"
    assert (
        f"Only {float(half['Mapped (% of area)']):.0f}% of the lake has a depth" in county.report()
    )

    before = county.times()
    shallower = float(county.summary()["pell_pond"]["Mean depth (m)"])
    county.set_draft("pell_pond", 0.8)
    assert county.run() == 0, county.said
    assert county.redone(before) == {"pell_pond"}
    assert float(county.summary()["pell_pond"]["Mean depth (m)"]) > shallower + 0.3


def test_broken_lakes_are_reported_and_stop_no_other(county):
    before = county.times()
    shores = [county.lakes / lake / "shoreline.geojson" for lake in LAKES[:2]]
    kept = [shore.read_text() for shore in shores]
    shores[0].unlink()
    # The CRS of UTM 15N written over longitudes and latitudes.
    wrong = '"FeatureCollection","crs":{"type":"name","properties":{"name":"EPSG:32615"}},'
    shores[1].write_text(kept[1].replace('"FeatureCollection",', wrong))
    assert county.run() == 3, county.said
    assert county.redone(before) == {"pell_pond", "quillet_pond"}
    rows, page = county.summary(), county.report()
    assert rows["stane_quarry"]["Result"] == "mapped"
    assert rows["pell_pond"]["Area (m²)"] == ""
    for lake, sentence in (
        ("pell_pond", "'shoreline.geojson' that lake.yaml gives as SHORELINE is missing"),
        ("quillet_pond", "The soundings and the shoreline do not overlap."),
    ):
        assert rows[lake]["Result"] == "not mapped"
        assert sentence in rows[lake]["Why not mapped"]
        assert rows[lake]["Why not mapped"].replace("'", "&#x27;") in page
        left = {p.name for p in county.figures(lake).parent.iterdir()}
        assert left <= {"figures.json", "log.txt"}
    assert "1 of 3 lakes is mapped" in page
    for shore, text in zip(shores, kept):
        shore.write_text(text)


def _processes(session):
    """Return the processes of a session: their ids and commands."""
    found = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
            command = (stat.parent / "cmdline").read_bytes().replace(b"\0", b" ").decode()
        except OSError:
            continue
        if int(fields[3]) == session and fields[0] != "Z":
            found[int(stat.parent.name)] = command
    return found


def _wait(condition, seconds=600.0):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if found := condition():
            return found
        time.sleep(0.05)
    raise AssertionError("It did not come to that.")


def _some(session, name):
    return [pid for pid, command in _processes(session).items() if name in command]


def test_a_killed_run_goes_on_where_it_stopped(county):
    for lake in LAKES[:2]:
        county.set_draft(lake, 0.35)
    before = county.times()
    process = county.start()
    part = county.output / "maps" / ".pell_pond.part" / "soundings.gpkg"
    _wait(part.exists)
    (engine,) = [p for p, c in _processes(process.pid).items() if "snakemake -s" in c]
    os.kill(engine, signal.SIGKILL)
    assert process.wait() == 1
    # The run that was begun notices, and ends; nothing of it counts as a result.
    _wait(lambda: not _processes(process.pid))
    process.communicate()
    assert not county.figures("pell_pond").exists()

    assert county.run() == 0, county.said
    assert county.redone(before) == set(LAKES[:2])
    assert not list((county.output / "maps").glob(".*"))
    for lake in LAKES[:2]:
        assert json.loads(county.figures(lake).read_text(encoding="utf-8"))["error"] is None


def test_a_killed_lake_is_tried_again_then_noted_and_redone_by_the_next_run(county):
    county.set_draft("pell_pond", 0.45)
    process = county.start()
    for _ in range(2):
        victim = _wait(lambda: _some(process.pid, "lakefloor:logstolakemap"))[0]
        os.kill(victim, signal.SIGKILL)
        _wait(lambda gone=victim: gone not in _processes(process.pid))
    said = process.communicate()[0]
    assert process.returncode == 3, said
    assert "QGIS stopped without a message (exit code -9)" in said
    assert "The next run tries again." in county.summary()["pell_pond"]["Why not mapped"]
    before = county.times()
    assert county.run() == 0, county.said
    assert county.redone(before) == {"pell_pond"}


def test_the_same_file_runs_by_a_submit_command(county):
    county.set_draft("pell_pond", 0.31)
    before = county.times()
    done = subprocess.run(
        ["snakemake", "-s", COUNTY / "Snakefile", "--profile", COUNTY / "profiles" / "trial"]
        + ["--directory", county.output, "--config", f"lakes={county.lakes}"],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert "Provided cluster nodes: 1" in done.stderr
    assert county.redone(before) == {"pell_pond"}
    assert county.summary()["pell_pond"]["Result"] == "mapped"
