"""The process that draws the map on the water: a Python without QGIS at the end of two pipes."""

import os
import queue
import signal
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from shapely import wkb
from shapely.geometry import box

pytest.importorskip("osgeo", reason="GDAL knows the CRS of a lake database")

from lakefloor.algorithms import _store
from lakefloor.algorithms._growing import map_work, start
from lakefloor.algorithms._growing.frames import HELLO, read_frame, write_frame
from lakefloor.algorithms._growing.serving import run
from lakefloor.algorithms.core import crs
from lakefloor.algorithms.core.soundings import Soundings

EPSG, WEST, SOUTH = 32615, 400_000.0, 5_150_000.0
DRAFT = 0.3
LEVEL = 12.0 * 0.3048


def plane(x, y):
    """Depth of a plane bottom below the waterline, m."""
    return 2.0 + 0.02 * (x - WEST) + 0.01 * (y - SOUTH)


def driven(x, y, draft=DRAFT):
    """Return soundings as a sounder gives them, below the transducer, in degrees."""
    lon, lat = crs.transform(x, y, EPSG, 4326)
    depth = plane(x, y) - draft
    return Soundings.build(lon, lat, depth, raw_depth=depth, corrections="from=transducer")


def lanes(west=WEST, south=SOUTH, side=200.0, apart=10.0):
    """Return places along lanes over a square, 2 m apart, in order."""
    along = np.arange(0.0, side, 2.0)
    y = np.repeat(np.arange(0.0, side, apart), len(along))
    turned = (np.repeat(np.arange(len(y) // len(along)), len(along)) % 2).astype(bool)
    x = np.tile(along, len(y) // len(along))
    return west + np.where(turned, side - 2.0 - x, x), south + y


def begin(**more):
    return "begin", {"epsg": EPSG, "spacing": 10.0, "draft_m": DRAFT, **more}


class Worker:
    """A process, and what it has said."""

    def __init__(self, numpy=np.__version__, path=()):
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join(map(str, path))}
        self.process = subprocess.Popen(
            [sys.executable, start.__file__, "lakefloor", numpy],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=environment,
        )

    def send(self, *message):
        write_frame(self.process.stdin, message)

    def until(self, kind):
        """Return what comes, up to a message of a kind."""
        said = []
        while not said or said[-1][0] != kind:
            said.append(read_frame(self.process.stdout))
            assert said[-1][0] != "failed", said[-1][1]
        return said

    def end(self):
        self.process.stdin = self.process.stdin.close()
        _, error = self.process.communicate(timeout=60)
        return self.process.returncode, error.decode()


@pytest.fixture
def without_qgis(tmp_path):
    """A folder in which qgis and Qt are packages that cannot be imported."""
    return without(tmp_path / "none", "qgis", "PyQt5", "PyQt6")


def without(folder, *names):
    for name in names:
        (folder / name).mkdir(parents=True)
        (folder / name / "__init__.py").write_text(f"raise ImportError('{name}')")
    return folder


def test_a_plane_bottom_is_drawn_where_the_boat_was_without_qgis(without_qgis):
    worker = Worker(path=[without_qgis])
    assert worker.until("hello") == [HELLO]
    worker.send(*begin(shoreline=wkb.dumps(box(WEST - 50, SOUTH - 50, WEST + 250, SOUTH + 250))))
    (ready,) = worker.until("ready")
    assert ready[1]["earlier"] == 0
    x, y = lanes()
    worker.send("add", driven(x, y), 17)
    heard, picture = worker.until("picture")
    # Places are projected and back within a millimeter; the draft is undone.
    np.testing.assert_allclose(heard[1]["x"], x, atol=1e-3)
    np.testing.assert_allclose(heard[1]["depth"], plane(x, y), atol=1e-6)
    assert heard[1]["accepted"].all()
    seen = picture[1]  # the window in which the boat was most comes before its neighbors
    assert seen.stamp == 17
    col, row = np.meshgrid(np.arange(256), np.arange(256))
    at_x, at_y = seen.west + (col + 0.5) * seen.cell, seen.north - (row + 0.5) * seen.cell
    inner = (at_x > WEST + 20) & (at_x < WEST + 180) & (at_y > SOUTH + 20) & (at_y < SOUTH + 180)
    assert np.isfinite(seen.depth[inner]).all()
    # A thin plate through places on a plane is that plane.
    np.testing.assert_allclose(seen.depth[inner], plane(at_x, at_y)[inner], atol=0.02)
    line = np.concatenate([xy for level, _, xy in seen.contours if abs(level - LEVEL) < 1e-9])
    near = ((line > [WEST + 20, SOUTH + 20]) & (line < [WEST + 180, SOUTH + 180])).all(axis=1)
    assert near.sum() > 20
    np.testing.assert_allclose(plane(*line[near].T), LEVEL, atol=0.02)
    assert worker.end() == (0, "")


def test_the_soundings_of_a_lake_database_are_drawn_where_new_ones_come(without_qgis, tmp_path):
    x, y = lanes()
    at = np.datetime64("2024-05-14", "ms") + np.arange(len(x)) * np.timedelta64(1, "s")
    may = Soundings.build(x, y, plane(x, y), time=at, visit="may")
    _store.add(tmp_path / "lake.gpkg", may, f"EPSG:{EPSG}")
    worker = Worker(path=[without_qgis])
    worker.send(*begin(database=str(tmp_path / "lake.gpkg")))
    *_, ready = worker.until("ready")
    assert ready[1]["earlier"] == len(x)
    # The boat crosses the middle, a foot above the level of then.
    few = np.arange(WEST + 20, WEST + 180, 2.0)
    worker.send("add", driven(few, np.full(len(few), SOUTH + 101.0), DRAFT - 0.3048), 5)
    *_, level, picture = worker.until("picture")
    assert level[0] == "level"
    assert level[1]["shift_m"] == pytest.approx(-0.3048, abs=0.03)
    assert np.isfinite(picture[1].depth).sum() > 8000
    assert worker.end()[0] == 0  # GDAL may warn of what its next version does


def test_todays_soundings_are_drawn_while_those_of_a_database_are_read(tmp_path, monkeypatch):
    """Reading waits here until the first picture has come; the level was typed before."""
    x, y = lanes()
    may = Soundings.build(x, y, plane(x, y), visit="may")
    first, waiting, said = threading.Event(), queue.Queue(), []

    def slow(path):
        assert first.wait(60.0)
        return may

    monkeypatch.setattr(map_work, "_read_earlier", slow)
    few = np.arange(WEST + 20, WEST + 180, 2.0)
    waiting.put(begin(database="lake.gpkg"))
    waiting.put(("level", -0.3048))
    waiting.put(("add", driven(few, np.full(len(few), SOUTH + 101.0), DRAFT - 0.3048), 5))
    waiting.put(("plan", {}))

    def send(answer):
        said.append(answer)
        if answer[0] == "picture":
            first.set()
        if answer[0] == "planned":
            waiting.put(("stop",))

    run(waiting, send)
    kinds = [kind for kind, *_ in said]
    assert kinds.index("picture") < kinds.index("ready") < kinds.index("planned")
    assert said[kinds.index("ready")][1]["earlier"] == len(x)
    # Its window is drawn again, with the earlier soundings: more of the lake at the same place.
    before = said[kinds.index("picture")][1]
    after = [m[1] for m in said[kinds.index("ready") :] if m[0] == "picture"]
    after = next(picture for picture in after if picture.key == before.key)
    assert np.isfinite(after.depth).sum() > 2 * np.isfinite(before.depth).sum()
    assert after.stamp == before.stamp == 5
    # Both stand at the typed level, which is that of the plane.
    for picture in (before, after):
        row = int((picture.north - (SOUTH + 101.0)) / picture.cell)
        col = int((WEST + 100.0 - picture.west) / picture.cell)
        at = picture.west + (col + 0.5) * picture.cell, picture.north - (row + 0.5) * picture.cell
        assert picture.depth[row, col] == pytest.approx(plane(*at), abs=0.03)


def test_a_level_that_is_typed_before_the_crs_is_known_counts():
    served.wanted = 1
    x, y = lanes()
    said = served(
        ("begin", {"epsg": None, "spacing": 10.0}), ("level", -1.0), ("add", driven(x, y), 1)
    )
    heard = next(message[1] for message in said if message[0] == "heard")
    picture = next(message[1] for message in said if message[0] == "picture")
    assert heard["epsg"] == EPSG
    assert np.nanmin(picture.depth) == pytest.approx(heard["depth"].min() - 1.0, abs=0.3)


def test_a_database_that_cannot_be_read_is_told_and_the_map_drawn(tmp_path):
    (tmp_path / "lake.gpkg").write_text("no database")
    worker = Worker()
    worker.send(*begin(database=str(tmp_path / "lake.gpkg")))
    said = worker.until("ready")
    assert [message[0] for message in said] == ["hello", "told", "ready"]
    assert "lake.gpkg" in said[1][1]
    worker.send("add", driven(*lanes()), 1)
    assert worker.until("picture")
    worker.end()


def test_the_folder_of_the_plugin_may_have_any_name(tmp_path):
    """As a checkout that was unpacked as lakefloor-main."""
    code = """
        import importlib, subprocess, sys
        sys.path.insert(0, sys.argv[1])
        import start
        start.load("lakefloor-main")
        frames, soundings = (
            importlib.import_module("lakefloor-main.algorithms." + name)
            for name in ("_growing.frames", "core.soundings"))
        import numpy as np
        p = subprocess.Popen([sys.executable, start.__file__, "lakefloor-main", np.__version__],
                             stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        frames.write_frame(p.stdin, ("begin", {"epsg": 32615}))
        made = soundings.Soundings.build([-93.0], [45.0], [3.0])
        frames.write_frame(p.stdin, ("add", made, 1))
        print(*(frames.read_frame(p.stdout)[0] for _ in range(3)))
        p.communicate()
    """
    command = [sys.executable, "-c", textwrap.dedent(code), str(Path(start.__file__).parent)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.stdout == "hello ready heard\n", done.stderr


def test_arrays_that_the_other_end_cannot_read_are_not_sent():
    worker = Worker(numpy="9.1.0")
    with pytest.raises(EOFError):
        worker.until("hello")
    code, error = worker.end()
    assert code == 1
    assert "9.1.0" in error


@pytest.mark.parametrize("name", ["osgeo", "scipy"])
def test_a_python_without_a_library_says_nothing(tmp_path, name):
    worker = Worker(path=[without(tmp_path, name)])
    with pytest.raises(EOFError):
        worker.until("hello")
    assert worker.end()[0] == 1


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_it_ends_when_its_parent_is_killed():
    code = (
        "import subprocess, sys\n"
        f"p = subprocess.Popen([sys.executable, {start.__file__!r}, 'lakefloor', '{np.__version__}'],"
        " stdin=subprocess.PIPE, stdout=subprocess.PIPE)\n"
        "p.stdout.read(8)\n"
        "print(p.pid, flush=True)\n"
        "p.wait()\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    worker = int(parent.stdout.readline())
    assert is_alive(worker)
    parent.send_signal(signal.SIGKILL)
    parent.wait()
    parent.stdout.close()
    end = time.monotonic() + 30.0
    while is_alive(worker):
        assert time.monotonic() < end
        time.sleep(0.05)


def is_alive(pid):
    stat = Path(f"/proc/{pid}/stat")
    if Path("/proc").is_dir():
        return (
            stat.exists() and stat.read_text(encoding="utf-8").rsplit(")", 1)[1].split()[0] != "Z"
        )
    try:
        os.kill(pid, 0)
    except OSError:
        return False
    return True


def served(*messages):
    """Return what comes of messages that wait all at once, until all is drawn."""
    waiting, said = queue.Queue(), []
    for message in messages:
        waiting.put(message)

    def send(answer):
        said.append(answer)
        if answer[0] == "picture":
            drawn = sum(kind == "picture" for kind, *_ in said)
            if drawn == served.wanted:
                waiting.put(("stop",))

    run(waiting, send)
    return said


def test_the_newest_window_is_drawn_first_and_every_one_once():
    """Two parts of the lake far apart, 300 m wide: the second came last."""
    side = 256 * 1.0
    first, last = lanes(side=300.0), lanes(WEST + 20 * side, side=100.0)
    served.wanted = 1
    said = served(begin(), ("add", driven(*first), 1), ("add", driven(*last), 2))
    keys = [message[1].key for message in said if message[0] == "picture"]
    assert keys[0][0] >= int((WEST + 20 * side) // side) - 1
    served.wanted = 5
    said = served(begin(), ("add", driven(*first), 1), ("add", driven(*last), 2))
    stamps = [message[1].stamp for message in said if message[0] == "picture"]
    assert {1, 2} == set(stamps)


def test_a_message_that_fails_is_told_and_the_next_is_taken():
    served.wanted = 1
    said = served(begin(), ("add", "no soundings", 1), ("add", driven(*lanes()), 2))
    kinds = [message[0] for message in said]
    assert kinds.index("failed") < kinds.index("picture")
