"""Gridding side by side: seconds, memory and error against the truth of an invented lake.

    /usr/bin/python3 tests/benchmarks/bench_gridding.py [--spacing 10 20 40] [--large]

Ours, scipy, GDAL and QGIS get the same soundings and the same shore nodes, on the same grid.
Each runs in a process of its own; seconds are those of the gridding call, with the input read
already (GDAL reads its file within), and MB is what the call added at its peak. Ours makes the
uncertainty and the distance within that time too. The error is taken over the cells within the
shoreline that every method filled; "filled" is the share of the lake that got a depth. QGIS's
IDW weighs all soundings for every cell and is left out above 1e10 pairs.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE)]
import conftest  # noqa: F401  makes the repository the package "lakefloor"
import made_lake
from shapely.affinity import scale

from lakefloor.algorithms.core.grid import empty_grid
from lakefloor.algorithms.core.polygons import inside
from lakefloor.algorithms.core.spacing import lane_spacing, suggest_cell
from lakefloor.algorithms.core.surface.surface_nodes import shore_nodes

MOST_PAIRS = 1e10


def ours_tin(job):
    from lakefloor.algorithms.core.surface.tin import tin_surface

    return lambda: _on(job["grid"], tin_surface(**job["ours"]).depth)


def ours_idw(job):
    from lakefloor.algorithms.core.surface.idw import idw_surface

    return lambda: _on(job["grid"], idw_surface(**job["ours"]).depth)


def ours_smooth(job):
    from lakefloor.algorithms.core.surface.smooth_surface import smooth_surface

    return lambda: _on(job["grid"], smooth_surface(**job["ours"])[0].depth)


def _on(grid, depth):
    """Copy a surface onto the common grid, whose edges are multiples of the same cell."""
    out = np.full(grid.shape, np.nan)
    row = round((grid.north - depth.north) / grid.dy)
    col = round((depth.west - grid.west) / grid.dx)
    out[row : row + depth.shape[0], col : col + depth.shape[1]] = depth.values
    return out


def scipy_linear(job):
    from scipy.interpolate import LinearNDInterpolator

    grid = job["grid"]

    def run():
        # Only the cells of the lake: scipy searches all triangles for a point beyond them.
        r, c = np.nonzero(inside(job["ours"]["shoreline"], grid))
        out = np.full(grid.shape, np.nan)
        out[r, c] = LinearNDInterpolator(job["xyz"][:, :2], job["xyz"][:, 2])(
            grid.x[c], grid.y[r]
        )
        return out

    return run


def _gdal(job, algorithm):
    from osgeo import gdal, ogr

    gdal.UseExceptions()
    vector = ogr.GetDriverByName("Memory").CreateDataSource("points")
    layer = vector.CreateLayer("points", geom_type=ogr.wkbPoint25D)
    for x, y, z in job["xyz"].tolist():
        feature = ogr.Feature(layer.GetLayerDefn())
        feature.SetGeometryDirectly(ogr.CreateGeometryFromWkt(f"POINT Z ({x} {y} {z})"))
        layer.CreateFeature(feature)
    path = str(job["folder"] / "points.fgb")
    ogr.GetDriverByName("FlatGeobuf").CopyDataSource(vector, path)
    west, south, east, north = job["grid"].bounds
    rows, cols = job["grid"].shape

    def run():
        out = gdal.Grid(
            "/vsimem/out.tif", path, algorithm=algorithm, outputBounds=[west, south, east, north],
            width=cols, height=rows, outputType=gdal.GDT_Float64,
        )  # fmt: skip
        values = out.ReadAsArray()
        # Row 0 is the southern one unless the bounds are given from north to south.
        values = values[::-1] if out.GetGeoTransform()[5] > 0 else values
        values[values == -9999.0] = np.nan
        return values

    return run


def gdal_linear(job):
    return _gdal(job, "linear:radius=0:nodata=-9999")


def gdal_invdistnn(job):
    radius = 2.5 * job["spacing"]
    return _gdal(job, f"invdistnn:power=2:max_points=12:radius={radius}:nodata=-9999")


def _qgis(job, kind):
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    from qgis.analysis import (
        QgsGridFileWriter,
        QgsIDWInterpolator,
        QgsInterpolator,
        QgsTinInterpolator,
    )
    from qgis.core import (
        QgsApplication,
        QgsFeature,
        QgsGeometry,
        QgsPoint,
        QgsRectangle,
        QgsVectorLayer,
    )

    job["application"] = QgsApplication([], False)
    job["application"].initQgis()
    layer = QgsVectorLayer("PointZ?crs=EPSG:32615", "points", "memory")
    features = []
    for x, y, z in job["xyz"].tolist():
        feature = QgsFeature()
        feature.setGeometry(QgsGeometry(QgsPoint(x, y, z)))
        features.append(feature)
    layer.dataProvider().addFeatures(features)
    layer.updateExtents()
    west, south, east, north = job["grid"].bounds
    rows, cols = job["grid"].shape
    path = str(job["folder"] / "out.asc")

    def run():
        data = QgsInterpolator.LayerData()
        data.source = layer
        data.valueSource = QgsInterpolator.ValueSource.ValueZ
        data.sourceType = QgsInterpolator.SourceType.SourcePoints
        make = {"tin": QgsTinInterpolator, "idw": QgsIDWInterpolator}[kind]
        interpolator = make([data])
        QgsGridFileWriter(
            interpolator, path, QgsRectangle(west, south, east, north), cols, rows
        ).writeFile()
        values = np.loadtxt(path, skiprows=6)
        values[values == -9999.0] = np.nan
        return values

    return run


def qgis_tin(job):
    return _qgis(job, "tin")


def qgis_idw(job):
    return _qgis(job, "idw")


METHODS = {
    "ours TIN": ours_tin,
    "scipy linear": scipy_linear,
    "gdal_grid linear": gdal_linear,
    "QGIS TIN": qgis_tin,
    "ours IDW": ours_idw,
    "ours smooth": ours_smooth,
    "gdal_grid invdistnn": gdal_invdistnn,
    "QGIS IDW": qgis_idw,
}


def make_job(spacing, size, ping):
    """Return a survey of the lake blown up ``size`` times, and the grid for it."""
    survey = made_lake.survey(spacing / size, ping=ping / size, position=0.7 / size)
    survey = survey.replace(x=survey.x * size, y=survey.y * size)
    shoreline = scale(made_lake.shoreline(3.0 / size), size, size, origin=(0, 0))
    cell = suggest_cell(lane_spacing(survey))
    shore = shore_nodes(shoreline, spacing / 4.0, 0.0, cell / 4.0)
    soundings = np.column_stack([survey.x, survey.y, survey.depth])
    return {
        "ours": {"soundings": survey, "shoreline": shoreline, "cell": cell},
        "xyz": np.vstack([soundings, np.column_stack([shore.xy, shore.depth])]),
        "grid": empty_grid(shoreline.bounds, cell),
        "spacing": spacing,
    }


def worker(method, spacing, size, ping, folder):
    """Run one method and leave its grid and figures in ``folder``."""
    job = make_job(spacing, size, ping)
    job["folder"] = Path(folder)
    run = METHODS[method](job)
    # Linux: the peak of resident memory starts again from here.
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    before = _memory("VmRSS")
    start = time.perf_counter()
    values = run()
    seconds = time.perf_counter() - start
    figures = {"seconds": seconds, "mb": _memory("VmHWM") - before}
    np.save(Path(folder) / "depth.npy", values)
    (Path(folder) / "figures.json").write_text(json.dumps(figures), encoding="utf-8")


def _memory(key):
    """Return a line of /proc/self/status, MB."""
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith(key):
            return int(line.split()[1]) / 1024.0
    raise KeyError(key)


def compare(spacing, size, ping):
    """Run every method on one survey and print the table."""
    job = make_job(spacing, size, ping)
    grid = job["grid"]
    print(
        f"\n{spacing:g} m lanes, lake of {job['ours']['shoreline'].area / 1e6:.1f} km2: "
        f"{len(job['ours']['soundings']):,} soundings, {grid.shape[0]} x {grid.shape[1]} cells "
        f"of {grid.dx:g} m"
    )
    results = {}
    for method in METHODS:
        if method == "QGIS IDW" and len(job["xyz"]) * grid.values.size > MOST_PAIRS:
            continue
        with tempfile.TemporaryDirectory() as folder:
            call = [sys.executable, __file__, "--worker", method, "--folder", folder]
            call += ["--spacing", str(spacing), "--size", str(size), "--ping", str(ping)]
            done = subprocess.run(call, capture_output=True, text=True, check=False)
            figures = Path(folder) / "figures.json"
            if not figures.exists():
                print(f"  {method}: failed\n{done.stderr[-2000:]}")
                continue
            results[method] = (
                np.load(Path(folder) / "depth.npy"),
                json.loads(figures.read_text(encoding="utf-8")),
            )
    wet = inside(job["ours"]["shoreline"], grid)
    x, y = np.meshgrid(grid.x / size, grid.y / size)
    truth = made_lake.true_depth(x, y)
    common = wet & np.all([np.isfinite(values) for values, _ in results.values()], axis=0)
    print(f"  {'method':<20} {'s':>8} {'MB':>7} {'RMSE m':>8} {'max m':>7} {'filled':>7}")
    for method, (values, figures) in results.items():
        error = (values - truth)[common]
        filled = np.isfinite(values[wet]).mean()
        print(
            f"  {method:<20} {figures['seconds']:>8.2f} {figures['mb']:>7.0f} "
            f"{np.sqrt(np.mean(error**2)):>8.4f} {np.abs(error).max():>7.2f} {filled:>7.2%}"
        )


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--spacing", type=float, nargs="+", default=[10.0, 20.0, 40.0])
    parser.add_argument("--large", action="store_true", help="add 16 km2 with 600,000 soundings")
    parser.add_argument("--worker", choices=list(METHODS), help=argparse.SUPPRESS)
    parser.add_argument("--folder", help=argparse.SUPPRESS)
    parser.add_argument("--size", type=float, default=1.0, help=argparse.SUPPRESS)
    parser.add_argument("--ping", type=float, default=2.0, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.worker:
        worker(options.worker, options.spacing[0], options.size, options.ping, options.folder)
        return
    for spacing in options.spacing:
        compare(spacing, 1.0, 2.0)
    if options.large:
        compare(20.0, 4.0, 1.33)


if __name__ == "__main__":
    main()
