"""The map on the water, drawn beside QGIS and in a thread of QGIS, while a boat sounds a lake.

    python3 tests/benchmarks/bench_water.py [--minutes 10] [--earlier 1000000] [--hertz 10]
                                            [--only process|thread]

With the Python of QGIS. A lake of 4 km2 holds a million soundings of earlier visits and a map.
A player sends a boat's position and depth over TCP; the real recorder, page and layers take them,
and a canvas of 1,300 x 900 pixels that is shown follows the boat. First the map is drawn in a
process of its own, then, as the peer, in a thread of QGIS; each for so many minutes. Told are:

- age: from the moment a ping was sent to the end of the first drawing of the canvas that began
  after its window had been written;
- gaps of the main thread by a timer of 10 ms (``tests/window/gaps.py``), the work of the main
  thread in each, and above 0.1 s what went on;
- memory and processor time of QGIS and of the process.

Ten minutes each on QGIS 3.22 with two processors, for which four to nine other programs waited all
the time: the age of a ping was 1.3 s in the median and 2.5 s for 95% in the process, 1.5 s and 2.6 s
in the thread. 166 of 56,000 gaps were above 50 ms with the process, 300 of 53,000 with the thread;
the main thread never worked for more than 0.1 s. QGIS had 433 MB beside a process of 577 MB, and
816 MB with the thread. In two and a half minutes with ten others waiting, and the waiting for a
processor taken off, 13 of 11,000 gaps were above 50 ms and one above 100 ms with the process (worst
122 ms), 85 and 22 of 7,700 with the thread (worst 427 ms), which holds Python's lock.
"""

import argparse
import os
import re
import sys
import tempfile
import time
from collections import deque
from pathlib import Path
from types import SimpleNamespace

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent / "window"), str(HERE)]
sys.path.append("/usr/share/qgis/python/plugins")
if not os.environ.get("DISPLAY"):
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import conftest  # noqa: F401  makes the repository the package "lakefloor"
import numpy as np
from bench_store import visit
from gaps import Gaps
from qgis.core import QgsApplication, QgsProcessingFeedback, QgsProject, QgsRectangle
from qgis.gui import QgsMapCanvas
from qgis.PyQt.QtCore import QCoreApplication
from qgis.PyQt.QtWidgets import QMainWindow
from shapely.geometry import box, mapping

CRS, WEST, SOUTH, SIDE = "EPSG:32615", 400_000.0, 5_150_000.0, 2000.0
SPEED_MS = 2.2
VIEW_M = 700.0


class AllGaps(Gaps):
    """Keeps every gap, what the main thread worked in it, and how long it had no processor, s."""

    def begin(self):
        super().begin()
        self.all = []

    def _tick(self):
        since, before = self._last, self._work
        super()._tick()
        self.all.append((self._last - since, *(b - a for a, b in zip(before, self._work))))


class Ages:
    """Follows pings from the player to the canvas: each by the window of the map in which it lies."""

    def __init__(self, canvas, layers):
        self._sent = deque(maxlen=3000)  # of fixes: time of the GPS, ms; of the computer, s
        self._when, self._waiting, self._side = {}, [], None
        self._drawn, self._asked, self._drawing = {}, {}, {}
        self.found, self.pictures = [], []
        layers.host.ready.connect(self._ready)
        layers.host.heard.connect(self._heard)
        layers.host.drawn.connect(self._take)
        layers.shown.connect(self._shown)
        canvas.renderStarting.connect(self._begin)
        canvas.mapCanvasRefreshed.connect(self._end)

    def begin(self):
        """Forget what was found."""
        self.found, self.pictures = [], []

    def sent(self, data):
        """Note when fixes are sent."""
        now = time.monotonic()
        for h, m, s in re.findall(rb"GGA,(\d\d)(\d\d)(\d\d\.\d+)", data):
            self._sent.append((round(1000 * (3600 * int(h) + 60 * int(m) + float(s))), now))

    def recorded(self, heard):
        """Take what the recorder has heard."""
        ms = heard.soundings.time.astype("datetime64[ms]").astype(np.int64) % 86_400_000
        self._when[heard.monotonic_us] = np.interp(ms, *np.array(self._sent.copy()).T)

    def _ready(self, facts):
        self._side = 256 * facts["cell"]

    def _heard(self, seen):
        if self._side is None:
            return  # earlier soundings are read yet
        places = zip(seen["x"] // self._side, -seen["y"] // self._side, seen["accepted"])
        for (col, row, drawn), sent in zip(places, self._when.pop(seen["stamp"])):
            if drawn:
                self._waiting.append(((int(col), int(row)), seen["stamp"], sent))

    def _take(self, picture):
        self.pictures.append(picture.key)
        self._drawn[picture.key] = max(picture.stamp, self._drawn.get(picture.key, 0))

    def _shown(self, _):
        self._asked = dict(self._drawn)

    def _begin(self):
        self._drawing = self._asked

    def _end(self):
        now, left = time.monotonic(), []
        for key, stamp, sent in self._waiting:
            if stamp <= self._drawing.get(key, -1):
                self.found.append(now - sent)
            else:
                left.append((key, stamp, sent))
        self._waiting = left

    @property
    def left(self):
        """Pings that are not shown yet, of those that were heard."""
        return len(self._waiting)


def make_lake(folder, count):
    """Return a lake with so many soundings in its database, a shoreline and a map."""
    import json

    import processing

    from lakefloor.algorithms import _store
    from lakefloor.algorithms._lake.facts import Boat, LakeFacts
    from lakefloor.algorithms._lake.making import new_lake
    from lakefloor.algorithms._lake.runs import RunRecord, begin_run, finish_run

    shore = folder / "shore.geojson"
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32615"}}
    lake = box(WEST - 10.0, SOUTH - 10.0, WEST + SIDE + 10.0, SOUTH + SIDE + 10.0)
    feature = {"type": "Feature", "properties": {}, "geometry": mapping(lake)}
    shore.write_text(json.dumps({"type": "FeatureCollection", "crs": crs, "features": [feature]}))
    facts = LakeFacts("Lake Marrowby", unit="feet", time_zone="America/Chicago", boat=Boat("", 0.3))
    lake = new_lake(folder, facts, shoreline=shore)
    visits = max(count // 100_000, 1)
    for number in range(visits):
        soundings = visit(number, count // visits)
        _store.add(lake.database, soundings, CRS)
        if number == 0:
            few = folder / "few.gpkg"
            _store.add(few, soundings.select(np.arange(0, len(soundings), 2)), CRS)
    run = begin_run(lake, "map")
    values = {
        "INPUT": f"{few}|layername=soundings",
        "SHORELINE": str(shore),
        "OUTPUT": str(run / "surface.tif"),
    }
    processing.run("lakefloor:smoothsurface", values, feedback=QgsProcessingFeedback(False))
    output = {"surface": f"map/{run.name}/surface.tif"}
    finish_run(run, RunRecord("map", run.name, algorithm="smoothsurface", outputs=output))
    return lake, facts


def boat(seconds, hertz, begin):
    """Return the timeline of a boat that drives lanes, of so many seconds."""
    from lakefloor.algorithms.core import crs
    from lakefloor.algorithms.core.playing.timeline import sentences_of
    from lakefloor.algorithms.core.soundings import Soundings

    n = int(seconds * hertz)
    way = begin + SPEED_MS / hertz * np.arange(n)
    length, apart = SIDE - 100.0, 25.0
    lane, along = np.divmod(way, length + apart)
    along = np.minimum(along, length)
    x = WEST + 50.0 + np.where(lane % 2, length - along, along)
    y = SOUTH + 50.0 + (apart * lane) % length
    rng = np.random.default_rng(3)
    depth = 8 + 4 * np.sin((x - WEST) / 150) * np.cos((y - SOUTH) / 220) + rng.normal(0, 0.04, n)
    lon, lat = crs.transform(x, y, CRS, 4326)
    ms = (1000.0 / hertz * np.arange(n)).astype(np.int64)
    at = np.datetime64("2026-07-09T14:00:00", "ms") + ms.astype("timedelta64[ms]")
    return sentences_of(
        Soundings.build(
            lon, lat, np.round(depth, 2), raw_depth=np.round(depth, 2), time=at, speed=SPEED_MS,
            hardness=0.5 + 0.3 * np.sin(x / 90.0),
        )
    )  # fmt: skip


def memory_mb(pid):
    """Return the resident memory of a process, MB; its peak is told by VmHWM."""
    text = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    return [int(re.search(rf"{name}:\s+(\d+)", text)[1]) / 1024 for name in ("VmRSS", "VmHWM")]


def processor_s(pid):
    """Return the processor time of a process, s."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def wait(holds, seconds):
    """Let QGIS's window live until something holds; return whether it does."""
    end = time.monotonic() + seconds
    while not holds() and time.monotonic() < end:
        QCoreApplication.processEvents()
        time.sleep(0.001)
    return holds()


def live(seconds):
    """Let QGIS's own loop run for so long."""
    from qgis.PyQt.QtCore import QEventLoop, QTimer

    loop = QEventLoop()
    QTimer.singleShot(int(1000 * seconds), loop.quit)
    loop.exec_() if hasattr(loop, "exec_") else loop.exec()


class Window:
    """What the door has, with a canvas that is shown."""

    def __init__(self):
        self.main, self.canvas = QMainWindow(), QgsMapCanvas()
        self.main.setCentralWidget(self.canvas)
        self.main.resize(1300, 900)
        self.main.show()
        self.iface = SimpleNamespace(mainWindow=lambda: self.main, mapCanvas=lambda: self.canvas)

    def outing(self, lake, in_thread):
        """Return an outing with its page, ready to begin."""
        from qgis.core import QgsCoordinateReferenceSystem
        from qgis.gui import QgsLayerTreeMapCanvasBridge
        from qgis.PyQt.QtCore import Qt
        from qgis.PyQt.QtWidgets import QDockWidget

        from lakefloor.plugin.door.taking import StepTaker
        from lakefloor.plugin.door.work import LakeWork
        from lakefloor.plugin.running import Runner
        from lakefloor.plugin.water.mark_key import MarkKey
        from lakefloor.plugin.water.outing import Outing

        QgsProject.instance().clear()
        QgsProject.instance().setCrs(QgsCoordinateReferenceSystem(CRS))
        root = QgsProject.instance().layerTreeRoot()
        self.bridge = QgsLayerTreeMapCanvasBridge(root, self.canvas)
        self.canvas.setDestinationCrs(QgsProject.instance().crs())
        here = QgsRectangle(WEST + 50.0, SOUTH + 50.0, WEST + 50.0, SOUTH + 50.0)
        self.canvas.setExtent(here.buffered(VIEW_M / 2.0))
        work = LakeWork()
        outing = Outing(self.iface, work, StepTaker(Runner()), MarkKey(self.main))
        outing.told.connect(lambda text, *_: print("  told:", text, flush=True))
        dock = QDockWidget()
        dock.setWidget(outing.page)
        self.main.addDockWidget(Qt.DockWidgetArea.RightDockWidgetArea, dock)
        host = outing.session.mapping.host
        start = host.start
        host.start = lambda settings: start(settings, in_thread)
        assert work.open(lake.path)
        return outing


def measure(window, lake, facts, title, in_thread, given):
    """Play an outing; print what was found."""
    from lakefloor.plugin.simulator.player import Player, TcpOutlet
    from lakefloor.plugin.water.sources import SourceSpec

    class Noting(TcpOutlet):
        def send(self, data):
            if data:
                ages.sent(data)
            super().send(data)

    seconds = 60.0 * given.minutes
    outing = window.outing(lake, in_thread)
    mapping_, ready = outing.session.mapping, []
    ages = Ages(window.canvas, mapping_)
    mapping_.host.ready.connect(ready.append)
    player = Player(boat(seconds + 60.0, given.hertz, 900.0), 1.0, Noting(), waits=True)
    player.start()
    gaps, began = AllGaps(), time.monotonic()
    outing.session.recorder.heard.connect(ages.recorded)
    outing._start(
        lake,
        facts,
        [SourceSpec("tcp", player.place)],
        {"draft_m": facts.boat.draft_m, "levels": []},
    )
    wait(lambda: ages.pictures, 300.0)
    print(f"{title}: first picture after {time.monotonic() - began:.1f} s, ", end="")
    wait(lambda: ready, 300.0)
    print(f"ready after {time.monotonic() - began:.1f} s, {ready}", flush=True)
    print("  " + gaps.text("while it begins"), flush=True)
    wait(lambda: ages.found, 120.0)
    process, own = mapping_.host._process, os.getpid()
    pids = {"QGIS": own} if process is None else {"QGIS": own, "process": process.pid}
    before = {name: processor_s(pid) for name, pid in pids.items()}
    ages.begin()
    gaps.begin()
    live(seconds)
    whole, worked, queued = 1000.0 * np.array(gaps.all).T
    found = np.array(ages.found)
    print(
        f"  age of {len(found)} pings: median {np.median(found):.2f} s, 95% "
        f"{np.percentile(found, 95):.2f} s, worst {found.max():.2f} s; {ages.left} wait at the end; "
        f"{len(ages.pictures)} pictures of {len(set(ages.pictures))} windows"
    )
    print(
        f"  gaps of the main thread: {_spread(whole)}\n"
        f"    less waiting for a processor: {_spread(whole - queued)}; most work {worked.max():.0f} ms"
    )
    for name, pid in pids.items():
        now, peak = memory_mb(pid)
        used = processor_s(pid) - before[name]
        print(f"  {name}: {now:.0f} MB, peak {peak:.0f} MB; processor {100 * used / seconds:.0f}%")
    print("  " + gaps.text("gaps").replace("\n", "\n  "), flush=True)
    gaps.end()
    outing.session.leave()
    outing.stop()
    player.stop()
    live(1.0)


def _spread(ms):
    return (
        f"median {np.median(ms):.1f} ms, 99% {np.percentile(ms, 99):.1f} ms, worst {ms.max():.0f} ms, "
        f"{int((ms > 50).sum())} above 50 ms, {int((ms > 100).sum())} above 100 ms of {len(ms)}"
    )


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--earlier", type=int, default=1_000_000)
    parser.add_argument("--hertz", type=float, default=10.0)
    parser.add_argument("--only", choices=("process", "thread"))
    parser.add_argument("--folder", type=Path, help="keeps the lake for another time")
    given = parser.parse_args()
    application = QgsApplication([], True)
    application.initQgis()
    from processing.core.Processing import Processing

    Processing.initialize()
    import lakefloor

    plugin = lakefloor.classFactory(None)
    plugin.initProcessing()
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.folder or Path(scratch)
        lake, facts = lake_in(folder, given.earlier)
        window = Window()
        for title, in_thread in (("process", False), ("thread", True)):
            if given.only in (None, title):
                measure(window, lake, facts, title, in_thread, given)
    sys.stdout.flush()
    os._exit(0)  # QGIS without its application has nothing to save


def lake_in(folder, count):
    """Return the lake in a folder, made where it is not there."""
    from lakefloor.algorithms._lake.facts import read_facts
    from lakefloor.algorithms._lake.folder import LakeFolder

    there = folder / "Lake Marrowby"
    if there.is_dir():
        lake = LakeFolder(there)
        return lake, read_facts(there)
    began = time.monotonic()
    lake, facts = make_lake(folder, count)
    print(f"lake of {count} soundings made in {time.monotonic() - began:.0f} s", flush=True)
    return lake, facts


if __name__ == "__main__":
    main()
