"""The lake's store beside a plain layer written by GDAL: seconds and memory.

    /usr/bin/python3 tests/benchmarks/bench_store.py [--rows 1000000] [--visits 10]

Both hold the same soundings of one lake in a GeoPackage with a spatial index. GDAL writes them
as features in one transaction and knows nothing of visits, duplicates or changes of the bottom;
ours compares each visit with all earlier ones. Each runs in a process of its own; seconds are of
the clock and, in brackets, of the processor; MB is the peak of the process so far less what it
had before the first step, the visit's own arrays included. "add 20 pings" is the median of five.

Where the time goes, and the floor. For 20 pings into 1 million (a file of 338 MB), 0.16 to 0.19 MB
are written and synced once. All of the file was looked over first: 2.0 to 2.2 of 2.2 s, of which
integrity_check() took 1.2 s, rtreecheck() 0.9 s and counting each visit's rows 0.08 s; 1.6 s of
processor time in all. Now it is 0.19 to 0.26 s of processor time, of which 0.17 s go into the nodes
of the spatial index (53 MB are read): by these the older soundings near the new ones are found, and
none may be missing unseen. That part still grows with the store. GDAL, which checks and compares
nothing, appends the 20 rows in 0.02 s. Of 100 000 more rows 1.2 of 1.7 s are inserts into the
spatial index.
"""

import argparse
import json
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))
import conftest  # noqa: F401, I001  makes the repository the package "lakefloor"
from osgeo import gdal, ogr, osr
from lakefloor.algorithms import _store
from lakefloor.algorithms.core.soundings import SCHEMA
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.visits.by_hand import HOLD_BACK, VisitPart
from shapely.geometry import box

CRS = "EPSG:32615"
SIDE = 2000.0
#: Name of the step of a few pings, and how often it is done; the median counts.
FEW, TIMES = "add 20 pings", 5
AREA = (400_800.0, 5_150_800.0, 401_000.0, 5_151_000.0)  # a hundredth of the lake


def visit(number, n, side=SIDE):
    """Sail n pings of parallel lanes over a square, by default the whole lake of 4 km2."""
    rng = np.random.default_rng(number)
    lanes = max(int(np.sqrt(n / 40)), 1)
    along = np.linspace(0, side, -(-n // lanes))
    lane = np.repeat(np.arange(lanes), along.size)[:n]
    s = np.tile(along, lanes)[:n]
    s = np.where(lane % 2, side - s, s)
    t = (lane + rng.uniform()) * side / lanes
    x, y = (s, t) if number % 2 else (t, s)
    depth = 8 + 4 * np.sin(x / 150) * np.cos(y / 220) + rng.normal(0, 0.04, n)
    return Soundings.build(
        400_000 + x + rng.normal(0, 0.3, n),
        5_150_000 + y,
        np.round(depth / 0.03048) * 0.03048,
        visit=f"visit {number:03d}",
        lane=lane,
        uncert=0.08,
        speed=2.2,
        water_temp=19.5,
        time=np.datetime64("2015-05-01T12:00:00.250", "ms")
        + np.timedelta64(40 * number, "D")
        + np.arange(n) * np.timedelta64(200, "ms"),
        corrections="from=transducer;time_offset_s=0;draft_m=0.3;sound_speed=1500->1480.1;"
        "datum=ordinary high water;datum_elev_m=290;level_m=290.120",
    )


def peak_mb():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def ours(path, n, visits):
    def add(number):
        return _store.add(path, visit(number, n), CRS)

    yield "add all but the last", lambda: [add(k) for k in range(visits - 1)]
    yield "add the last visit", lambda: add(visits - 1)
    yield "add it again", lambda: add(visits - 1)
    yield "add 20 000 over 200 m", lambda: _store.add(path, visit(visits, 20_000, 200.0), CRS)
    for k in range(TIMES):
        few = visit(visits + 1 + k, 20, 5.0)
        yield f"{FEW} {k}", lambda few=few: _store.add(path, few, CRS)
    yield "read one area", lambda: sum(len(p) for p in _store.read(path, box=AREA))
    yield "read all", lambda: sum(len(p) for p in _store.read(path))
    yield "remove a visit", lambda: _store.remove(path, ["visit 003"])
    yield "undo that", lambda: _store.undo(path)
    yield (
        "hold back one area",
        lambda: _store.set_aside(path, VisitPart(box(*AREA)), HOLD_BACK, words="weeds"),
    )
    yield "log-book", lambda: _store.log_book(path)
    yield from review(path, n)


def review(path, n):
    """Decide on soundings, few and all, switch a visit off, and glance at the store."""
    some = visit(1, n).select(slice(1000, 1005))
    yield "find 5 soundings", lambda: _store.find_rows(path, some)
    yield "reject 5 soundings", lambda: _store.decide(path, _store.find_rows(path, some), "reject")
    yield "undo that too", lambda: _store.undo(path)
    yield "reject all", lambda: _store.decide(path, all_rows(path), "reject", reason="fish")
    yield "undo reject all", lambda: _store.undo(path)
    yield "switch a visit off", lambda: _store.switch_visits(path, ["visit 001"], on=False)
    yield "rename it", lambda: _store.rename_visit(path, "visit 001", "renamed")
    yield "state", lambda: _store.state_of(path)
    yield "list of visits", lambda: _store.visits_of(path)
    yield "what can be undone", lambda: _store.undoable(path)


def all_rows(path):
    """Return the numbers of all soundings."""
    with closing(sqlite3.connect(str(path))) as db:
        return [fid for (fid,) in db.execute("SELECT fid FROM soundings")]


def gdal_layer(path, n, visits):
    kinds = {
        "text": ogr.OFTString,
        "int": ogr.OFTInteger,
        "double": ogr.OFTReal,
        "datetime": ogr.OFTDateTime,
    }

    def opened():
        dataset = gdal.OpenEx(str(path), gdal.OF_UPDATE | gdal.OF_VECTOR)
        return dataset, dataset.GetLayer("soundings")

    def write(s, layer):
        times = np.datetime_as_string(s.time, "ms").tolist()
        columns = [
            times if kind == "datetime" else getattr(s, attr).tolist()
            for attr, kind in SCHEMA.values()
        ]
        definition = layer.GetLayerDefn()
        for x, y, *values in zip(s.x.tolist(), s.y.tolist(), *columns):
            feature = ogr.Feature(definition)
            for i, value in enumerate(values):
                if value == value:
                    feature.SetField(i, value)
            point = ogr.Geometry(ogr.wkbPoint)
            point.AddPoint_2D(x, y)
            feature.SetGeometryDirectly(point)
            layer.CreateFeature(feature)

    def make():
        srs = osr.SpatialReference()
        srs.ImportFromEPSG(32615)
        dataset = gdal.GetDriverByName("GPKG").Create(str(path), 0, 0, 0, gdal.GDT_Unknown)
        layer = dataset.CreateLayer("soundings", srs, ogr.wkbPoint)
        for name, (_, kind) in SCHEMA.items():
            layer.CreateField(ogr.FieldDefn(name, kinds[kind]))
        dataset.StartTransaction()
        for number in range(visits - 1):
            write(visit(number, n), layer)
        dataset.CommitTransaction()

    def append():
        dataset, layer = opened()
        dataset.StartTransaction()
        write(visit(visits - 1, n), layer)
        dataset.CommitTransaction()

    def read(box):
        _, layer = opened()
        if box:
            layer.SetSpatialFilterRect(*box)
        return sum(1 for f in layer if f.GetField("depth_m") is not None)

    def remove():
        dataset, _ = opened()
        dataset.ExecuteSQL("DELETE FROM soundings WHERE visit = 'visit 003'")

    def append_few(number):
        dataset, layer = opened()
        dataset.StartTransaction()
        write(visit(number, 20, 5.0), layer)
        dataset.CommitTransaction()

    yield "add all but the last", make
    yield "add the last visit", append
    for k in range(TIMES):
        yield f"{FEW} {k}", lambda k=k: append_few(visits + 1 + k)
    yield "read one area", lambda: read(AREA)
    yield "read all", lambda: read(None)
    yield "remove a visit", remove


def child(which, rows, visits):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "lake.gpkg"
        visit(0, 10)
        before, found = peak_mb(), {}
        steps = {"ours": ours, "GDAL": gdal_layer}[which]
        for name, step in steps(path, rows // visits, visits):
            clock, cpu = time.perf_counter(), time.process_time()
            step()
            found[name] = (
                time.perf_counter() - clock,
                time.process_time() - cpu,
                peak_mb() - before,
            )
        few = [found.pop(name) for name in list(found) if name.startswith(FEW)]
        found[FEW] = [float(np.median(column)) for column in zip(*few)]
        found["size"] = path.stat().st_size / 1e6
    print(json.dumps(found))


def main():
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--visits", type=int, default=10)
    parser.add_argument("--child")
    options = parser.parse_args()
    if options.child:
        child(options.child, options.rows, options.visits)
        return
    results = {}
    for which in ("ours", "GDAL"):
        done = subprocess.run(
            [
                sys.executable,
                __file__,
                "--child",
                which,
                "--rows",
                str(options.rows),
                "--visits",
                str(options.visits),
            ],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            raise SystemExit(done.stderr)
        results[which] = json.loads(done.stdout.splitlines()[-1])
    print(f"{options.rows} soundings in {options.visits} visits")
    for step in results["ours"]:
        cells = []
        for which in results:
            value = results[which].get(step)
            if step == "size":
                cells.append(f"{which} {value:.0f} MB")
            elif value:
                cells.append("{} {:8.2f} s ({:8.2f}) {:5.0f} MB".format(which, *value))
        print(f"{step:22s}", "   ".join(cells))


if __name__ == "__main__":
    main()
