"""Rows between two looks at cancel: real algorithms on layers of many rows, calls counted."""

import sys
from collections import Counter
from inspect import CO_GENERATOR

import numpy as np
import pytest
from qgis.core import QgsProcessingContext, QgsProcessingFeedback, QgsProject, QgsVectorLayer

from lakefloor.algorithms.core.exchange.csv_table import csv_document
from lakefloor.algorithms.core.exchange.gpx import gpx_document
from lakefloor.algorithms.core.exchange.kml import kml_document
from lakefloor.algorithms.core.exchange.marks import Waypoint
from lakefloor.algorithms.core.reading.nmea import checksum

ROWS = 5500
#: A few thousand: fewer than the rows, so that a loop without a look shows.
MOST = 5000


class Looks(QgsProcessingFeedback):
    """A feedback that counts, between two looks at ``isCanceled``, how often any one call was made
    from the same line of the same run of a function: the rows that a loop has gone through.
    """

    def __init__(self):
        super().__init__(False)
        self.looks, self.most, self.where, self._counts = 0, 0, "", {}

    def isCanceled(self):
        sys.setprofile(None)
        self.looks += 1
        for counts in self._counts.values():
            for call, count in counts.items():
                if count > self.most:
                    self.most, self.where = count, str(call)
        self._counts = {}
        sys.setprofile(self._see)
        return False

    def _see(self, frame, event, argument):
        if event == "c_call":
            caller, name = frame, getattr(argument, "__name__", "")
        elif event == "call" and not frame.f_code.co_flags & CO_GENERATOR:
            caller, name = frame.f_back, frame.f_code.co_name
            self._counts.pop(id(frame), None)  # another run at the place of an earlier one
        else:
            return
        if caller is not None and "/algorithms/" in caller.f_code.co_filename:
            code = caller.f_code
            where = f"{code.co_filename}:{caller.f_lineno} {code.co_name} calls {name}"
            self._counts.setdefault(id(caller), Counter())[where] += 1

    def pushInfo(self, info):
        pass

    def pushWarning(self, warning):
        pass

    def watch(self, work):
        sys.setprofile(self._see)
        try:
            return work()
        finally:
            self.isCanceled()
            sys.setprofile(None)


def position(i):
    """Return longitude and latitude of a ping on lanes 12 m apart, or on one that crosses them."""
    lane, k = divmod(i, 250)
    if i < 0.9 * ROWS:
        x, y = lane * 12.0, (k if lane % 2 == 0 else 250 - k) * 2.0
    else:
        x, y = k * ROWS * 12.0 / 250.0 / 250.0, (lane % 4) * 110.0 + 50.0
    return -93.1 + x / 78_600.0, 45.1 + y / 111_000.0


def depth(i):
    lon, lat = position(i)
    return 5.0 + np.sin((lat - 45.1) * 2000.0) + np.cos((lon + 93.1) * 1500.0)


def nmea():
    out = []
    for i in range(ROWS):
        lon, lat = position(i)
        hour, minute, second = 14 + i // 3600, i // 60 % 60, i % 60
        day = "09" if i < 0.9 * ROWS else "15"
        for body in (
            f"GPRMC,{hour:02d}{minute:02d}{second:02d},A,45{(lat - 45) * 60:08.5f},N,"
            f"093{(-lon - 93) * 60:08.5f},W,4.3,0.0,{day}0726,,",
            f"SDDPT,{depth(i):.2f},0.4", "YXMTW,18.5,C",
        ):
            out.append(f"${body}*{checksum(body):02X}\r\n")
    return "".join(out)


def table():
    start = np.datetime64("2026-07-09T09:00:00")
    return "lon,lat,time,depth_ft,water_temp_f,visit,depth_flag\n" + "".join(
        "{:.7f},{:.7f},{}-05:00,{:.2f},66.0,July,A\n".format(
            *position(i), start + i, depth(i) / 0.3048) for i in range(ROWS))


def track():
    start = np.datetime64("2026-07-09T14:00:00")
    return "<gpx><trk><trkseg>" + "".join(
        '<trkpt lon="{:.7f}" lat="{:.7f}"><time>{}Z</time><depth unit="m">{:.2f}</depth></trkpt>\n'
        .format(*position(i), start + i, depth(i)) for i in range(ROWS)) + "</trkseg></trk></gpx>"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("many")


@pytest.fixture
def watched(provider):
    """Run an algorithm and hold it to :data:`MOST` rows between two looks."""
    import processing

    def call(name, **parameters):
        feedback, context = Looks(), QgsProcessingContext()
        context.setProject(QgsProject.instance())
        result = feedback.watch(lambda: processing.run(
            f"lakefloor:{name}", parameters, feedback=feedback, context=context))
        assert feedback.most <= MOST, f"{name}: {feedback.most} times {feedback.where}"
        assert feedback.looks >= 2
        return result

    return call


def count(path):
    return QgsVectorLayer(str(path), "layer", "ogr").featureCount()


@pytest.fixture(scope="module")
def soundings(provider, folder):
    """Read the log once, as a layer of soundings."""
    import processing

    (folder / "log.nmea").write_text(nmea())
    processing.run("lakefloor:readlogs", {
        "INPUT": [str(folder / "log.nmea")], "OUTPUT": str(folder / "soundings.gpkg")})
    processing.run("lakefloor:reducetodatum", {
        "INPUT": str(folder / "soundings.gpkg"), "LEVEL": 290.2, "DATUM_ELEVATION": 290.0,
        "DATUM_NAME": "dock", "OUTPUT": str(folder / "reduced.gpkg")})
    return str(folder / "soundings.gpkg")


@pytest.mark.parametrize("kind", ["nmea", "csv", "gpx"])
def test_readers_of_logs_look_every_few_thousand_rows(watched, folder, kind):
    log = folder / f"a_log.{kind}"
    log.write_text({"nmea": nmea, "csv": table, "gpx": track}[kind]())
    out = folder / f"{kind}.gpkg"
    watched("readlogs", INPUT=[str(log)], OUTPUT=str(out))
    assert count(out) >= ROWS - 2


@pytest.mark.parametrize(("kind", "write"), [
    ("gpx", gpx_document), ("kml", kml_document), ("csv", csv_document)])
def test_waypoints_look_every_few_thousand_rows(watched, folder, kind, write):
    file, out = folder / f"marks.{kind}", folder / f"marks_{kind}.gpkg"
    time = np.datetime64("2026-07-09T14:00:00", "ms")
    file.write_bytes(write(
        [Waypoint(*position(i), f"p{i}", "note", "flag", depth(i), time) for i in range(ROWS)]))
    watched("importwaypoints", INPUT=str(file), OUTPUT=str(out), LINES="TEMPORARY_OUTPUT")
    assert count(out) == ROWS
    watched("exportwaypoints", INPUT=str(out), OUTPUT=str(folder / f"again.{kind}"))


@pytest.mark.parametrize(("name", "parameters"), [
    ("readpointlayer", {"DEPTH_FIELD": "depth_m", "TIME_FIELD": "time", "VISIT_FIELD": "visit",
                        "TEMPERATURE_FIELD": "water_temp_c"}),
    ("cleansoundings", {}), ("findtimeoffset", {"TABLE": "TEMPORARY_OUTPUT"}),
    ("correctdepths", {"DRAFT": 0.4, "TIME_OFFSET": 0.5}),
    ("reducetodatum", {"LEVEL": 290.2, "DATUM_ELEVATION": 290.0, "DATUM_NAME": "dock"}),
    ("checkcrossings", {"CROSSINGS": "TEMPORARY_OUTPUT"}),
    ("levelvisits", {"OFFSETS": "TEMPORARY_OUTPUT"}),
    ("uncertaintybudget", {}), ("tinsurface", {}), ("idwsurface", {}), ("smoothsurface", {}),
], ids=lambda value: value if isinstance(value, str) else "")
def test_soundings_look_every_few_thousand_rows(watched, soundings, folder, name, parameters):
    out = folder / (f"{name}.tif" if "surface" in name else f"{name}.gpkg")
    watched(name, INPUT=soundings, OUTPUT=str(out), **parameters)


def test_the_store_looks_every_few_thousand_rows(watched, soundings, folder):
    store, reduced = str(folder / "store.gpkg"), str(folder / "reduced.gpkg")
    for _ in range(2):
        watched("addtostore", INPUT=reduced, STORE=store)
    watched("readstore", STORE=store, OUTPUT=str(folder / "out.gpkg"))
    assert count(folder / "out.gpkg") >= ROWS - 2
