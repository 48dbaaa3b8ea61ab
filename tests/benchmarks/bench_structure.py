"""Seconds and memory of what reads structure out of a surface, beside general terrain tools.

Run: ``/usr/bin/python3 tests/benchmarks/bench_structure.py [--cells 4000000] [--only NAME ...]``

The surface is made: every cell wet, a rolling floor with shelves 2 m to 5 m high, humps and holes,
noise as a surface between lanes 20 m apart has it; the bottom is hard above 7 m and on the humps.
Bottom type is mapped from soundings along those lanes, one every 4 m, on the same cells; the
transitions are drawn in what it maps. Each runs in a process of its own. Memory is the peak of
resident memory above that before the call, so it holds the results but not the surface given;
that of GRASS is not measured. Where other work runs on the machine, the seconds of processor time
tell more.

Peers do less: gdaldem's slope and position index (3 x 3 cells), GRASS's geomorphons with a search
of 100 m, which name each cell but draw no object and know no uncertainty.
"""

import argparse
import json
import os
import pickle
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent)]
import conftest  # noqa: F401  makes the repository the package "lakefloor"
from scipy.ndimage import gaussian_filter

from lakefloor.algorithms.core.grid import Grid, Surface
from lakefloor.algorithms.core.soundings import Soundings

CELL, SPACING, PING, NOISE = 2.0, 20.0, 4.0, 0.05


def true_depth(x, y):
    """Depth, m: shelves along wavy edges, a rolling floor with humps and holes every 500 m."""
    edge = (y + 60.0 * np.sin(x / 90.0) + 40.0 * np.sin(x / 37.0)) % 1000.0
    z = 6.0 + 2.0 * np.tanh((edge - 500.0) / 15.0) - 2.0 * np.tanh((edge - 980.0) / 30.0)
    return z + 1.5 * np.sin(x / 80.0) * np.sin(y / 80.0) + 0.3 * np.sin(x / 31.0 + y / 47.0)


def hardness(depth):
    return 0.3 + 0.2 * (1.0 + np.tanh((6.0 - depth) / 0.3))


def surface(cells):
    """Return depth, uncertainty and distance on a square of so many cells."""
    side = round(np.sqrt(cells))
    grid = Grid(np.zeros((side, side)), 0.0, side * CELL, CELL, CELL)
    x, y = np.meshgrid(grid.x, grid.y)
    rough = gaussian_filter(np.random.default_rng(1).normal(size=x.shape), SPACING / 4.0 / CELL)
    depth = grid.like(true_depth(x, y) + NOISE * rough / rough.std())
    return depth, grid.like(np.full(x.shape, NOISE)), grid.like(np.abs(y % SPACING - SPACING / 2))


def survey(depth):
    """Return soundings with hardness along lanes west-east across the surface."""
    west, south, east, north = depth.bounds
    x, y = np.meshgrid(np.arange(west, east, PING), np.arange(south + SPACING / 2, north, SPACING))
    lane = np.repeat(np.arange(len(y)) + 1, x.shape[1])
    x, y = x.ravel(), y.ravel()
    rng = np.random.default_rng(2)
    z = true_depth(x, y)
    return Soundings.build(
        x,
        y,
        z + rng.normal(0.0, NOISE, len(x)),
        hardness=np.clip(hardness(z) + rng.normal(0.0, 0.05, len(x)), 0.0, 1.0),
        lane=lane,
        visit="made",
        uncert=NOISE,
    )


def break_lines(folder):
    from lakefloor.algorithms.core.structure.breaklines import breaklines as ours

    depth, uncertainty, distance = _load(folder)

    def run():
        lines = ours(Surface(depth, uncertainty, distance))
        return f"{len(set(lines.attributes['drop_off']))} drop-offs"

    return run


def bottom_forms(folder):
    from lakefloor.algorithms.core.structure.bottom_forms import bottom_forms as ours

    depth, uncertainty, distance = _load(folder)

    def run():
        areas, *_ = ours(Surface(depth, uncertainty, distance))
        return f"{len(areas)} forms"

    return run


def bottom_type(folder):
    from lakefloor.algorithms.core.hardness.bottom_type import bottom_type as ours

    depth, _, _ = _load(folder)
    soundings = survey(depth)

    def run():
        result = ours(soundings, depth, cell=CELL)
        with open(folder / "type.pickle", "wb") as file:
            pickle.dump(
                (result.hardness, result.uncertainty, result.distance, result.thresholds), file
            )
        return f"{len(soundings):,} soundings, {len(result.classes)} classes"

    return run


def transitions(folder):
    from lakefloor.algorithms.core.hardness.hardness_map import HardnessMap
    from lakefloor.algorithms.core.hardness.transitions import find_transitions

    if not (folder / "type.pickle").exists():
        bottom_type(folder)()
    with open(folder / "type.pickle", "rb") as file:
        mapped, uncertainty, distance, thresholds = pickle.load(file)
    depth, _, _ = _load(folder)
    soundings = survey(depth)

    def run():
        lines = find_transitions(
            HardnessMap(mapped, uncertainty=uncertainty, distance=distance, spacing=SPACING),
            thresholds,
            depth=depth,
            soundings=soundings,
        )
        return f"{len(lines)} lines"

    return run


def _gdal(what, folder):
    from osgeo import gdal

    gdal.UseExceptions()

    def run():
        gdal.DEMProcessing(str(folder / "out.tif"), str(folder / "depth.tif"), what)
        return "raster"

    return run


def gdal_slope(folder):
    return _gdal("slope", folder)


def gdal_tpi(folder):
    return _gdal("TPI", folder)


def grass_geomorphon(folder):
    def grass(*commands, create=()):
        script = folder / "commands.sh"
        script.write_text("set -e\n" + "\n".join(commands), encoding="utf-8")
        place = folder / "location" / ("" if create else "PERMANENT")
        subprocess.run(
            ["grass", *create, str(place), "--exec", "sh", str(script)],
            check=True,
            capture_output=True,
        )

    grass(
        f"r.in.gdal input={folder}/depth.tif output=depth --quiet",
        "g.region raster=depth",
        create=("-c", f"{folder}/depth.tif"),
    )

    def run():
        grass(f"r.geomorphon elevation=depth forms=forms search={round(100 / CELL)} --quiet")
        return "raster"

    return run


TASKS = {
    "ours break-lines": break_lines,
    "ours bottom forms": bottom_forms,
    "ours bottom type": bottom_type,
    "ours transitions": transitions,
    "gdaldem slope": gdal_slope,
    "gdaldem TPI": gdal_tpi,
    "GRASS r.geomorphon": grass_geomorphon,
}


def _load(folder):
    return [
        Grid(np.load(folder / f"{name}.npy"), *json.loads((folder / "place.json").read_text()))
        for name in ("depth", "uncertainty", "distance")
    ]


def _prepare(cells, folder):
    from osgeo import gdal, osr

    depth, *others = surface(cells)
    for name, grid in zip(("depth", "uncertainty", "distance"), (depth, *others)):
        np.save(folder / f"{name}.npy", grid.values)
    place = depth.west, depth.north, depth.dx, depth.dy
    (folder / "place.json").write_text(json.dumps(place), encoding="utf-8")
    rows, cols = depth.shape
    tif = gdal.GetDriverByName("GTiff").Create(
        str(folder / "depth.tif"), cols, rows, 1, gdal.GDT_Float32
    )
    tif.SetGeoTransform((depth.west, CELL, 0.0, depth.north, 0.0, -CELL))
    srs = osr.SpatialReference()
    srs.ImportFromEPSG(32615)
    tif.SetProjection(srs.ExportToWkt())
    tif.GetRasterBand(1).WriteArray(depth.values)
    return depth.shape


def _memory(key):
    """Return a line of /proc/self/status, MB."""
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith(key):
            return int(line.split()[1]) / 1024.0
    raise KeyError(key)


def _cpu():
    """Return seconds that this process and those it waited for have kept processors busy."""
    return sum(os.times()[:4])


def worker(task, folder):
    run = TASKS[task](folder)
    # Linux: the peak of resident memory starts again from here.
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    before, start, cpu = _memory("VmRSS"), time.perf_counter(), _cpu()
    found = run()
    seconds, cpu = time.perf_counter() - start, _cpu() - cpu
    mb = float("nan") if task.startswith("GRASS") else _memory("VmHWM") - before
    (folder / "figures.json").write_text(json.dumps([seconds, cpu, mb, found]), encoding="utf-8")


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--cells", type=float, default=4e6)
    parser.add_argument("--only", nargs="+", choices=list(TASKS), default=list(TASKS))
    parser.add_argument("--worker", choices=list(TASKS), help=argparse.SUPPRESS)
    parser.add_argument("--folder", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.worker:
        worker(options.worker, Path(options.folder))
        return
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        rows, cols = _prepare(options.cells, folder)
        print(f"{rows} x {cols} cells of {CELL:g} m, {os.cpu_count()} cores")
        print(f"  {'':<20} {'s':>8} {'CPU s':>8} {'MB':>7}")
        ours = [0.0, 0.0, 0.0]
        for task in options.only:
            if task.startswith("GRASS") and shutil.which("grass") is None:
                continue
            call = [sys.executable, __file__, "--worker", task, "--folder", str(folder)]
            (folder / "figures.json").unlink(missing_ok=True)
            done = subprocess.run(call, capture_output=True, text=True, check=False)
            if not (folder / "figures.json").exists():
                print(f"  {task}: failed\n{done.stderr[-2000:]}")
                continue
            seconds, cpu, mb, found = json.loads((folder / "figures.json").read_text("utf-8"))
            print(f"  {task:<20} {seconds:>8.2f} {cpu:>8.2f} {mb:>7.0f}  {found}", flush=True)
            if task.startswith("ours"):
                ours = [ours[0] + seconds, ours[1] + cpu, max(ours[2], mb)]
        print(
            f"  {'ours in all':<20} {ours[0]:>8.2f} {ours[1]:>8.2f} {ours[2]:>7.0f}  "
            "(memory: the most)"
        )


if __name__ == "__main__":
    main()
