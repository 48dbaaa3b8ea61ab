"""How time and memory of gridding grow with the lake, and what adding a visit costs.

    /usr/bin/python3 tests/benchmarks/bench_scale.py [--method tin idw smooth]
                                                     [--soundings 10000 100000 1000000] [--check]

A round lake with an island is sounded on lanes 8 m apart and gridded to cells of 1 m, about ten a
sounding: ten million soundings make a hundred million cells. Each lake runs in a process of its
own. "seconds" are from soundings in memory to the closed GeoTIFF; "n log n" are the same for each
million soundings and unit of log2, so that they stay where they are, or fall, if time grows no
faster. "MB" is the peak of the whole process, input, Python and libraries included.

Then a visit is added: a day's 20,000 pings (a tenth of the lake's soundings, if that is fewer)
over a square of it. "update" are the seconds to bring the surface up to date, all again from the
soundings in memory, with how many tiles were drawn. At last an islet is mapped and cut out of the
shoreline: "islet" are the seconds of that update. With --check a fourth run draws all tiles with
the parameters learned for the first surface; every value of every band must be that of the updates.

Where the time of an update goes, and the floor. With 2 of 144 tiles to draw, of 10 million
soundings, half was reading the tiles that stay, for the figures in the log, a fifth the nodes of
all soundings, the rest sorting soundings and digests of all that each tile is drawn from. Now each
tile's figures stand in the record, nodes are made for the tiles that are drawn, and a sounding is
digested once, as 8 bytes. What still grows with the lake: one pass over the 32 bytes of each
sounding, sorting them into squares, 8 bytes of each for every tile that it is in, the shoreline,
and the copy of the older file. Of processor time it was 25 s, and is 6.4 s without that copy.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))
import conftest  # noqa: F401  makes the repository the package "lakefloor"
from osgeo import gdal
from qgis.core import QgsCoordinateReferenceSystem, QgsRasterLayer
from shapely.geometry import Point

from lakefloor.algorithms._io.raster_file import RasterFile
from lakefloor.algorithms._io.rasters import BANDS, RECORD_DOMAIN, RECORD_ITEM, StoredSurface
from lakefloor.algorithms.core.soundings import ACCEPTED, Soundings
from lakefloor.algorithms.core.spacing import GAP_IN_SPACINGS, lane_spacing
from lakefloor.algorithms.core.surface import learning, tiles
from lakefloor.algorithms.core.surface.frame import frame
from lakefloor.algorithms.core.surface.surface_record import (
    Record,
    record_from_text,
    record_to_text,
)

SPACING, PING, CELL = 8.0, 1.25, 1.0
EAST, NORTH = 480_000.0, 5_200_000.0
VISIT = 20_000


def depth_at(x, y, radius):
    """Return a bowl with ridges and humps, m."""
    bowl = 30.0 * (1.0 - (np.hypot(x, y) / radius) ** 2)
    return bowl + 2.0 * np.sin(x / 60.0) * np.cos(y / 90.0) + 0.4 * np.sin(x / 13.0 + y / 29.0)


def survey(radius, visit, seed, box=None):
    """Return lanes over the lake, or over a box of it (west, south, east, north)."""
    west, south, east, north = box or (-radius, -radius, radius, radius)
    rng = np.random.default_rng(seed)
    lanes = np.arange(south + 0.5 * SPACING, north, SPACING)
    along = np.arange(west + 0.5 * PING, east, PING)
    x = np.tile(along, len(lanes))
    y = np.repeat(lanes, len(along)) + np.tile(0.6 * np.sin(along / 40.0), len(lanes))
    lane = np.repeat(np.arange(1, len(lanes) + 1, dtype=np.int32), len(along))
    r = np.hypot(x, y)
    wet = (r < radius - 3.0) & (r > 0.1 * radius + 3.0)
    x, y, lane = x[wet], y[wet], lane[wet]
    n = len(x)
    depth = depth_at(x, y, radius) + rng.normal(0.0, 0.05, n)

    def text(value):
        # One text seen n times, as the reader of layers keeps it.
        column = np.empty(n, dtype=object)
        column.fill(value)
        return column

    blank = vars(Soundings.build([np.nan], [np.nan], [np.nan]))
    known = {
        "x": x + EAST, "y": y + NORTH, "depth": depth, "lane": lane, "visit": text(visit),
        "uncert": np.full(n, 0.06), "status": text(ACCEPTED), "corrections": text("draft_m=0.3"),
    }  # fmt: skip
    return Soundings(**{**{k: np.broadcast_to(v, (n,)) for k, v in blank.items()}, **known})


def grid(soundings, shoreline, method, path, older=None):
    """Grid to a GeoTIFF as the algorithm does; return tiles, tiles drawn and cells with depth."""
    record = None
    if older is not None:
        stored = StoredSurface(QgsRasterLayer(str(older)))
        record = record_from_text(stored.record)
        if path.name.startswith("anew"):
            record.tiles.clear()
    spacing = record.spacing if record else lane_spacing(soundings)
    f = frame(
        soundings,
        cell=CELL,
        max_gap=GAP_IN_SPACINGS * spacing,
        spacing=spacing,
        shoreline=shoreline,
        later=record is not None,
    )
    if record is None:
        options = {"power": 2.0, "neighbours": 12} if method == "idw" else {}
        learned = learning.learn(f, method, options)
        record = Record(method, options, CELL, spacing, f.max_gap, learned)
    crs = QgsCoordinateReferenceSystem("EPSG:32615")
    start = stored.copy_for(f.grid) if older else None
    with RasterFile(path, f.grid, BANDS, crs, start) as raster:
        record, figures, drawn = tiles.draw(
            f,
            record,
            raster.write,
            old_grid=older and stored.grid,
            read=older and stored.read,
            rewrite=start is None,
        )
        raster.describe({RECORD_ITEM: record_to_text(record)}, RECORD_DOMAIN)
    return len(record.tiles), drawn, figures.cells, f.grid.values.size


def same(a, b):
    """Tell whether every value of every band of two rasters is the same."""
    a, b = gdal.Open(str(a)), gdal.Open(str(b))
    rows = range(0, a.RasterYSize, 512)
    size = [min(512, a.RasterYSize - row) for row in rows]
    return all(
        np.array_equal(
            a.ReadAsArray(0, row, a.RasterXSize, n), b.ReadAsArray(0, row, b.RasterXSize, n)
        )
        for row, n in zip(rows, size)
    )


def child(method, wanted, check):
    radius = np.sqrt(wanted * SPACING * PING / np.pi / 0.99)
    shoreline = (
        Point(EAST, NORTH)
        .buffer(radius, 2000)
        .difference(Point(EAST, NORTH).buffer(0.1 * radius, 500))
    )
    lake = survey(radius, "first", 1)
    found = {"soundings": len(lake)}
    with tempfile.TemporaryDirectory() as folder:
        first, second, third, anew = (
            Path(folder) / f"{name}.tif" for name in ("first", "second", "third", "anew")
        )

        def timed(soundings, shore, *paths):
            clock, cpu = time.perf_counter(), time.process_time()
            out = grid(soundings, shore, method, *paths)
            return time.perf_counter() - clock, time.process_time() - cpu, out

        found["seconds"], found["cpu"], (found["tiles"], _, _, found["cells"]) = timed(
            lake, shoreline, first
        )
        side = np.sqrt(min(VISIT, 0.1 * len(lake)) * SPACING * PING)
        corner = 0.45 * radius
        visit = survey(radius, "second", 2, (corner, corner, corner + side, corner + side))
        lake = Soundings(
            **{
                name: np.broadcast_to(value[:1], (len(lake) + len(visit),))
                if not value.strides[0]
                else np.concatenate([value, getattr(visit, name)])
                for name, value in vars(lake).items()
            }
        )
        found["added"] = len(visit)
        found["update"], _, (_, found["drawn"], _, _) = timed(lake, shoreline, second, first)
        islet = Point(EAST - corner, NORTH + corner).buffer(2.0 * SPACING)
        shoreline = shoreline.difference(islet)
        found["islet"], _, (_, found["redrawn"], _, _) = timed(lake, shoreline, third, second)
        found["MB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        if check:
            found["anew"], _, _ = timed(lake, shoreline, anew, first)
            found["same"] = same(third, anew)
    print(json.dumps(found))


def main():
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--method", nargs="+", default=list(tiles.METHODS))
    parser.add_argument("--soundings", nargs="+", type=int, default=[10_000, 100_000, 1_000_000])
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--child", action="store_true")
    options = parser.parse_args()
    if options.child:
        child(options.method[0], options.soundings[0], options.check)
        return
    print(
        "method  soundings        cells  tiles  seconds  processor  n log n    MB  "
        "update  tiles drawn  added   islet  tiles drawn"
    )
    for method in options.method:
        for n in options.soundings:
            done = subprocess.run(
                [
                    sys.executable,
                    __file__,
                    "--child",
                    "--method",
                    method,
                    "--soundings",
                    str(n),
                    *(["--check"] if options.check else []),
                ],
                capture_output=True,
                text=True,
                check=False,
            )
            if done.returncode:
                raise SystemExit(done.stderr)
            f = json.loads(done.stdout.splitlines()[-1])
            unit = f["soundings"] / 1e6 * np.log2(f["soundings"])
            line = (
                f"{method:6s} {f['soundings']:10d} {f['cells']:12d} {f['tiles']:6d} "
                f"{f['seconds']:8.1f} {f['cpu']:10.1f} {f['seconds'] / unit:8.3f} "
                f"{f['MB']:5.0f} {f['update']:7.1f} {f['drawn']:12d} {f['added']:6d} "
                f"{f['islet']:7.1f} {f['redrawn']:12d}"
            )
            if options.check:
                equal = "the same values" if f["same"] else "OTHER VALUES"
                line += f"   all tiles with the same parameters: {f['anew']:.1f} s, {equal}"
            print(line, flush=True)


if __name__ == "__main__":
    main()
