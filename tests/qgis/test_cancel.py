"""Rows between two looks at cancel: real algorithms on many rows, the turns of loops counted."""

import ast
import shutil
import sys
from collections import Counter
from functools import cache
from inspect import CO_GENERATOR
from pathlib import Path

import numpy as np
import pytest
from qgis.core import (
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProject,
    QgsVectorLayer,
)

from lakefloor.algorithms import algorithm_classes
from lakefloor.algorithms.core import threads
from lakefloor.algorithms.core.exchange.csv_file import csv_document
from lakefloor.algorithms.core.exchange.gpx_file import gpx_document
from lakefloor.algorithms.core.exchange.kml_file import kml_document
from lakefloor.algorithms.core.exchange.waypoints import Waypoint
from lakefloor.algorithms.core.reading.nmea_sentences import sentence_checksum

sys.path.insert(0, str(Path(__file__).parent))
from every_algorithm import make_lake, steps

ROWS = 4300
#: A few thousand: fewer than the rows, so that a loop without a look shows.
MOST = 4000
#: What QGIS writes beside a raster that it shows.
_OF_QGIS = ".aux.xml"


@cache
def _loops(file):
    """Return the first line of what each loop of a file repeats."""
    tree = ast.parse(Path(file).read_text(encoding="utf-8"))
    loops = (node for node in ast.walk(tree) if isinstance(node, (ast.For, ast.While)))
    return {node.body[0].lineno for node in loops}


def _waits(frame):
    """Tell whether a call comes from where other threads are waited for."""
    while frame is not None:
        if frame.f_code.co_filename == threads.__file__:
            return True
        frame = frame.f_back
    return False


@cache
def _ours(code):
    return "/algorithms/" in code.co_filename


@cache
def _has_loops(code):
    return _ours(code) and not _loops(code.co_filename).isdisjoint(
        line for _, _, line in code.co_lines()
    )


class Looks(QgsProcessingFeedback):
    """A feedback that counts, between two looks at ``isCanceled``, the rows that a loop has gone
    through: how often the same run of a function came to the same loop's first line, or made a
    call from the same line.

    ``cancel_at`` is the number of the look that is answered by yes, as every later one.
    """

    def __init__(self, cancel_at=None):
        super().__init__(False)
        self.looks, self.most, self.where = 0, 0, ""
        self._cancel_at, self._counts, self._watching = cancel_at, {}, False

    def isCanceled(self):
        sys.setprofile(None)
        # While threads are at work it is looked by the clock, once or many times.
        self.looks += not _waits(sys._getframe(1))
        for counts in self._counts.values():
            for (code, line, what), count in counts.items():
                if count > self.most:
                    self.most = count
                    self.where = f"{code.co_filename}:{line} {code.co_name} {what}"
        self._counts = {}
        if self._watching:
            sys.setprofile(self._see)
        return self._cancel_at is not None and self.looks >= self._cancel_at

    def _see(self, frame, event, argument):
        if event == "c_call":
            caller, name = frame, getattr(argument, "__name__", "")
        elif event == "call" and not frame.f_code.co_flags & CO_GENERATOR:
            caller, name = frame.f_back, frame.f_code.co_name
            self._counts.pop(id(frame), None)  # another run at the place of an earlier one
        else:
            return
        if caller is not None and _ours(caller.f_code):
            self._count(caller, f"calls {name}")

    def _trace(self, frame, event, argument):
        if not frame.f_code.co_flags & CO_GENERATOR:
            self._counts.pop(id(frame), None)
        return self._line if _has_loops(frame.f_code) else None

    def _line(self, frame, event, argument):
        if event == "line" and frame.f_lineno in _loops(frame.f_code.co_filename):
            self._count(frame, "loops")
        return self._line

    def _count(self, frame, what):
        self._counts.setdefault(id(frame), Counter())[frame.f_code, frame.f_lineno, what] += 1

    def pushInfo(self, info):
        pass

    def pushWarning(self, warning):
        pass

    def reportError(self, error, fatalError=False):
        pass

    def watch(self, work):
        before = sys.gettrace()
        self._watching = True
        sys.setprofile(self._see)
        sys.settrace(self._trace)
        try:
            return work()
        finally:
            sys.settrace(before)
            self._watching = False
            self.isCanceled()


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
            f"SDDPT,{depth(i):.2f},0.4",
            "YXMTW,18.5,C",
        ):
            out.append(f"${body}*{sentence_checksum(body):02X}\r\n")
    return "".join(out)


def table():
    start = np.datetime64("2026-07-09T09:00:00")
    return "lon,lat,time,depth_ft,water_temp_f,visit,depth_flag\n" + "".join(
        "{:.7f},{:.7f},{}-05:00,{:.2f},66.0,July,A\n".format(
            *position(i), start + i, depth(i) / 0.3048
        )
        for i in range(ROWS)
    )


def track():
    start = np.datetime64("2026-07-09T14:00:00")
    return (
        "<gpx><trk><trkseg>"
        + "".join(
            '<trkpt lon="{:.7f}" lat="{:.7f}"><time>{}Z</time>'
            '<depth unit="m">{:.2f}</depth></trkpt>\n'.format(*position(i), start + i, depth(i))
            for i in range(ROWS)
        )
        + "</trkseg></trk></gpx>"
    )


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
        result = feedback.watch(
            lambda: processing.run(
                f"lakefloor:{name}", parameters, feedback=feedback, context=context
            )
        )
        assert feedback.most <= MOST, f"{name}: {feedback.most} times {feedback.where}"
        assert feedback.looks >= 2
        return result

    return call


def count(path):
    return QgsVectorLayer(str(path), "layer", "ogr").featureCount()


@pytest.mark.parametrize("kind", ["nmea", "csv", "gpx"])
def test_readers_of_logs_look_every_few_thousand_rows(watched, folder, kind):
    log = folder / f"a_log.{kind}"
    log.write_text({"nmea": nmea, "csv": table, "gpx": track}[kind]())
    out = folder / f"{kind}.gpkg"
    watched("readlogs", INPUT=[str(log)], OUTPUT=str(out))
    assert count(out) >= ROWS - 2
    if kind == "csv":
        watched(
            "readpointlayer",
            INPUT=str(out),
            DEPTH_FIELD="depth_m",
            TIME_FIELD="time",
            VISIT_FIELD="visit",
            TEMPERATURE_FIELD="water_temp_c",
            OUTPUT=str(folder / "points.gpkg"),
        )


@pytest.mark.parametrize(
    ("kind", "write"), [("gpx", gpx_document), ("kml", kml_document), ("csv", csv_document)]
)
def test_waypoints_look_every_few_thousand_rows(watched, folder, kind, write):
    file, out = folder / f"marks.{kind}", folder / f"marks_{kind}.gpkg"
    time = np.datetime64("2026-07-09T14:00:00", "ms")
    file.write_bytes(
        write(
            [Waypoint(*position(i), f"p{i}", "note", "flag", depth(i), time) for i in range(ROWS)]
        )
    )
    watched("importwaypoints", INPUT=str(file), OUTPUT=str(out), LINES="TEMPORARY_OUTPUT")
    assert count(out) == ROWS
    watched("exportwaypoints", INPUT=str(out), OUTPUT=str(folder / f"again.{kind}"))


def _files(folder):
    """Return the bytes of every file in a folder by its path, and the folders in it."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in folder.rglob("*")
        if not path.name.endswith(_OF_QGIS)
    }


def _changed(folder, other):
    ones, others = _files(folder), _files(other)
    return [path for path in {*ones, *others} if ones.get(path, 0) != others.get(path, 0)]


def test_every_algorithm_looks_and_leaves_nothing_when_cancelled(provider, tmp_path):
    """Each is run and watched, then again from where it began, cancelled at its last look."""
    import processing

    make_lake(tmp_path / "lake", along_m=1.15)
    out, before, after = (tmp_path / name for name in ("out", "before", "after"))
    out.mkdir()
    tried, wrong = set(), []

    def run(name, parameters, feedback):
        context = QgsProcessingContext()
        context.setProject(QgsProject.instance())
        return context, lambda: processing.run(
            f"lakefloor:{name}", parameters, feedback=feedback, context=context
        )

    for name, parameters in steps(tmp_path / "lake", out):
        tried.add(name)
        if name == "comparemethods":
            parameters["CELL_SIZE"] = 12.0
        shutil.copytree(out, before)
        feedback = Looks()
        feedback.watch(run(name, parameters, feedback)[1])
        if feedback.most > MOST or feedback.looks < 2:
            wrong.append((name, feedback.looks, feedback.most, feedback.where))
        out.rename(after)
        shutil.copytree(before, out)
        # The last look of all is the watch's own.
        context, again = run(name, parameters, Looks(cancel_at=feedback.looks - 1))
        try:
            if again():
                wrong.append((name, "went on when cancelled"))
        except QgsProcessingException as error:
            wrong.append((name, str(error)))
        if _changed(out, before):
            wrong.append((name, "left or changed", _changed(out, before)))
        if context.layersToLoadOnCompletion():
            wrong.append((name, "loads", list(context.layersToLoadOnCompletion())))
        shutil.rmtree(before)
        shutil.rmtree(out)
        after.rename(out)
    assert not wrong
    assert tried == {algorithm.NAME for algorithm in algorithm_classes()}
