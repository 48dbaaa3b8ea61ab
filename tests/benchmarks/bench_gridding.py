"""Gridding side by side: seconds, memory and error of ours and of what else there is.

    /usr/bin/python3 tests/benchmarks/bench_gridding.py [--spacing 10 20 40] [--large]
    /usr/bin/python3 tests/benchmarks/bench_gridding.py --real LOG [LOG ...]

Ours, scipy, GDAL, QGIS and, where they are installed, GMT and GRASS get the same soundings and
the same shore nodes, on the same grid. Each runs in a process of its own; seconds are those of
the gridding call, with the input read already (GDAL, GMT and GRASS read their files within, and
GRASS starts within, about a second), and MB is what the call added at its peak (not known of
GMT and GRASS, which are programs of their own). Ours makes the uncertainty and the distance
within that time too.

On the invented lake the error is against the truth, over the cells within the shoreline that
every method filled; "filled" is the share of the lake that got a depth. On real logs the lanes
of the main direction predict the soundings of the lanes that run across them; a lane across is
never gridded, and "filled" is the share of its soundings. The error is then of the surface and
of the soundings together, position, level and all.

QGIS's IDW weighs all soundings for every cell and is left out above 1e10 pairs; GRASS's splines
are left out above 200,000 points, where they take many minutes.
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
sys.path[:0] = [str(HERE.parent), str(HERE)]
import conftest  # noqa: F401  makes the repository the package "lakefloor"
import made_lake
from scipy.ndimage import map_coordinates
from shapely.affinity import scale

from lakefloor.algorithms.core.cleaning.cleaning import clean
from lakefloor.algorithms.core.grid import empty_grid
from lakefloor.algorithms.core.polygons import inside
from lakefloor.algorithms.core.reading.logs import read_logs
from lakefloor.algorithms.core.spacing import GAP_IN_SPACINGS, lane_spacing, suggest_cell, usable
from lakefloor.algorithms.core.surface import learning, tiles
from lakefloor.algorithms.core.surface.frame import frame
from lakefloor.algorithms.core.surface.nodes import shore_nodes

MOST_PAIRS = 1e10
MOST_SPLINE_POINTS = 200_000


def _ours(method, **options):
    """Return a method as the toolbox runs it: learned once, drawn tile by tile."""

    def prepare(job):
        ours, grid = job["ours"], job["grid"]

        def run():
            spacing = lane_spacing(ours["soundings"])
            f = frame(**ours, max_gap=GAP_IN_SPACINGS * spacing, spacing=spacing)
            learned = learning.learn(f, method, options)
            record = tiles.Record(method, options, ours["cell"], spacing, f.max_gap, learned)
            out = np.full(grid.shape, np.nan)
            # The edges of both grids are multiples of the same cell.
            row = round((grid.north - f.grid.north) / grid.dy)
            col = round((f.grid.west - grid.west) / grid.dx)
            drawn = out[row : row + f.grid.shape[0], col : col + f.grid.shape[1]]

            def write(rows, cols, bands):
                drawn[rows, cols] = bands[0]

            tiles.draw(f, record, write)
            return out

        return run

    return prepare


def scipy_linear(job):
    from scipy.interpolate import LinearNDInterpolator

    grid = job["grid"]

    def run():
        # Only the cells of the lake: scipy searches all triangles for a point beyond them.
        shoreline = job["ours"]["shoreline"]
        wet = np.ones(grid.shape, bool) if shoreline is None else inside(shoreline, grid)
        r, c = np.nonzero(wet)
        out = np.full(grid.shape, np.nan)
        out[r, c] = LinearNDInterpolator(job["xyz"][:, :2], job["xyz"][:, 2])(grid.x[c], grid.y[r])
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
            "/vsimem/out.tif",
            path,
            algorithm=algorithm,
            outputBounds=[west, south, east, north],
            width=cols,
            height=rows,
            outputType=gdal.GDT_Float64,
        )
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


def gmt_surface(job):
    """Continuous curvature splines in tension on block means, as GMT's manual advises."""
    from osgeo import gdal

    gdal.UseExceptions()
    grid, folder = job["grid"], job["folder"]
    west, south, east, north = grid.bounds
    job["xyz"].tofile(folder / "points.bin")
    where = [f"-R{west}/{east}/{south}/{north}", f"-I{grid.dx:g}", "-r"]

    def run():
        means = subprocess.run(
            ["gmt", "blockmean", "points.bin", *where, "-bi3d", "-bo3d"],
            cwd=folder,
            check=True,
            capture_output=True,
        ).stdout
        subprocess.run(
            ["gmt", "surface", *where, "-bi3d", "-T0.25", "-Gout.nc"],
            cwd=folder,
            check=True,
            input=means,
            capture_output=True,
        )
        return gdal.Open(str(folder / "out.nc")).ReadAsArray().astype(float)

    return run


def grass_rst(job):
    """Regularised spline with tension, on both cores, with the defaults of v.surf.rst."""
    from osgeo import gdal

    gdal.UseExceptions()
    grid, folder = job["grid"], job["folder"]
    west, south, east, north = grid.bounds
    np.savetxt(folder / "points.txt", job["xyz"], fmt="%.3f", delimiter="|")

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
        f"g.region w={west} s={south} e={east} n={north} res={grid.dx} -s",
        f"v.in.ascii in={folder}/points.txt out=points x=1 y=2 z=3 -z -t -b sep='|' --quiet",
        create=("-c", "EPSG:32615"),
    )

    def run():
        grass(
            "v.surf.rst input=points elevation=depth nprocs=2 --quiet",
            f"r.out.gdal in=depth out={folder}/out.tif type=Float64 nodata=-9999 -c --quiet",
        )
        values = gdal.Open(str(folder / "out.tif")).ReadAsArray()
        values[values == -9999.0] = np.nan
        return values

    return run


METHODS = {
    "ours TIN": _ours("tin"),
    "scipy linear": scipy_linear,
    "gdal_grid linear": gdal_linear,
    "QGIS TIN": qgis_tin,
    "ours IDW": _ours("idw", power=2.0, neighbours=12),
    "ours smooth": _ours("smooth"),
    "gdal_grid invdistnn": gdal_invdistnn,
    "QGIS IDW": qgis_idw,
    "GMT surface": gmt_surface,
    "GRASS v.surf.rst": grass_rst,
}


def _runs(method, job) -> bool:
    """Tell whether a method is installed and can be waited for."""
    if method == "QGIS IDW":
        return len(job["xyz"]) * job["grid"].values.size <= MOST_PAIRS
    if method == "GMT surface":
        return shutil.which("gmt") is not None
    if method == "GRASS v.surf.rst":
        return shutil.which("grass") is not None and len(job["xyz"]) <= MOST_SPLINE_POINTS
    return True


def _job(survey, shoreline, spacing, shore_step):
    """Return what each method is given."""
    cell = suggest_cell(lane_spacing(survey))
    xyz = np.column_stack([survey.x, survey.y, survey.depth])
    bounds = (survey.x.min(), survey.y.min(), survey.x.max(), survey.y.max())
    if shoreline is not None:
        shore = shore_nodes(shoreline, shore_step, 0.0, cell / 4.0)
        xyz = np.vstack([xyz, np.column_stack([shore.xy, shore.depth])])
        bounds = shoreline.bounds
    return {
        "ours": {"soundings": survey, "shoreline": shoreline, "cell": cell},
        "xyz": xyz,
        "grid": empty_grid(bounds, cell),
        "spacing": spacing,
    }


def made(spacing, size, ping):
    """Return a survey of the lake blown up ``size`` times, and a judge of surfaces of it."""
    survey = made_lake.survey(spacing / size, ping=ping / size, position=0.7 / size)
    survey = survey.replace(x=survey.x * size, y=survey.y * size)
    shoreline = scale(made_lake.shoreline(3.0 / size), size, size, origin=(0, 0))
    job = _job(survey, shoreline, spacing, spacing / 4.0)
    grid = job["grid"]
    wet = inside(shoreline, grid)
    x, y = np.meshgrid(grid.x / size, grid.y / size)
    truth = made_lake.true_depth(x, y)[wet]
    title = f"{spacing:g} m lanes, lake of {shoreline.area / 1e6:.1f} km2"
    return title, job, lambda values: values[wet] - truth


def real(log, max_depth):
    """Return the lanes of the main direction of a log, and a judge by the lanes across."""
    survey = usable(clean(read_logs([log]).soundings, max_depth=max_depth).soundings)
    _, lane = np.unique(
        [f"{v} {n}" for v, n in zip(survey.visit, survey.lane)], return_inverse=True
    )
    lane[survey.lane == 0] = -1
    axis, length = np.full(len(survey), np.nan), np.zeros(len(survey))
    for number in range(lane.max() + 1):
        of = np.flatnonzero(lane == number)
        if len(of) > 1:
            east, north = np.ptp(survey.x[of]), np.ptp(survey.y[of])
            rising = np.cov(survey.x[of], survey.y[of])[0, 1] >= 0
            axis[of] = np.degrees(np.arctan2(north if rising else -north, east)) % 180.0
            length[of] = np.hypot(east, north) / len(of)
    axes = np.arange(0.0, 180.0, 5.0)
    away = np.abs((axis - axes[:, None] + 90.0) % 180.0 - 90.0)
    main = int(np.argmax(((away < 20.0) * length).sum(axis=1)))
    known, across = survey.select(away[main] < 20.0), survey.select(away[main] > 60.0)
    job = _job(known, None, lane_spacing(known), None)
    grid = job["grid"]
    row, col = (grid.north - across.y) / grid.dy - 0.5, (across.x - grid.west) / grid.dx - 0.5
    title = (
        f"{Path(log).name}: lanes toward {(90.0 - axes[main]) % 180.0:.0f} degrees, "
        f"{job['spacing']:.0f} m apart, predict {len(across):,} soundings across"
    )

    def misfit(values):
        at = map_coordinates(values, [row, col], order=1, mode="constant", cval=np.nan)
        return at - across.depth

    return title, job, misfit


def worker(method, folder):
    """Run one method and leave its grid and figures in ``folder``."""
    folder = Path(folder)
    job = pickle.loads((folder / "job.pickle").read_bytes())
    job["folder"] = folder
    run = METHODS[method](job)
    # Linux: the peak of resident memory starts again from here.
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    before = _memory("VmRSS")
    start = time.perf_counter()
    values = run()
    seconds = time.perf_counter() - start
    outside = method in ("GMT surface", "GRASS v.surf.rst")
    mb = float("nan") if outside else _memory("VmHWM") - before
    figures = {"seconds": seconds, "mb": mb}
    np.save(folder / "depth.npy", values)
    (folder / "figures.json").write_text(json.dumps(figures), encoding="utf-8")


def _memory(key):
    """Return a line of /proc/self/status, MB."""
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith(key):
            return int(line.split()[1]) / 1024.0
    raise KeyError(key)


def compare(title, job, misfit):
    """Run every method on one survey and print the table."""
    rows, cols = job["grid"].shape
    print(
        f"\n{title}: {len(job['ours']['soundings']):,} soundings, {rows} x {cols} cells of "
        f"{job['grid'].dx:g} m"
    )
    misfits, figures = {}, {}
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        for method in METHODS:
            if not _runs(method, job):
                continue
            work = folder / method.replace(" ", "_")
            work.mkdir()
            (work / "job.pickle").write_bytes(pickle.dumps(job))
            call = [sys.executable, __file__, "--worker", method, "--folder", str(work)]
            done = subprocess.run(call, capture_output=True, text=True, check=False)
            if not (work / "figures.json").exists():
                print(f"  {method}: failed\n{done.stderr[-2000:]}")
                continue
            misfits[method] = misfit(np.load(work / "depth.npy"))
            figures[method] = json.loads((work / "figures.json").read_text(encoding="utf-8"))
            shutil.rmtree(work)
    common = np.all([np.isfinite(values) for values in misfits.values()], axis=0)
    if not common.any():
        print("  no place that every method filled")
        return
    print(
        f"  {'method':<20} {'s':>8} {'MB':>7} {'RMSE m':>8} {'p95 m':>8} {'max m':>7} {'filled':>7}"
    )
    for method, values in misfits.items():
        error = np.abs(values[common])
        print(
            f"  {method:<20} {figures[method]['seconds']:>8.2f} {figures[method]['mb']:>7.0f} "
            f"{np.sqrt(np.mean(error**2)):>8.4f} {np.percentile(error, 95):>8.4f} "
            f"{error.max():>7.2f} {np.isfinite(values).mean():>7.2%}",
            flush=True,
        )


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--spacing", type=float, nargs="*", default=[10.0, 20.0, 40.0])
    parser.add_argument("--large", action="store_true", help="add 16 km2 with 600,000 soundings")
    parser.add_argument("--real", nargs="+", default=[], metavar="LOG", help="logs or folders")
    parser.add_argument("--max-depth", type=float, help="deeper soundings of logs are false, m")
    parser.add_argument("--worker", choices=list(METHODS), help=argparse.SUPPRESS)
    parser.add_argument("--folder", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.worker:
        worker(options.worker, options.folder)
        return
    surveys = [(real, (log, options.max_depth)) for log in options.real]
    if not options.real:
        surveys = [(made, (spacing, 1.0, 2.0)) for spacing in options.spacing]
    if options.large:
        surveys.append((made, (20.0, 4.0, 1.33)))
    for survey, arguments in surveys:
        compare(*survey(*arguments))


if __name__ == "__main__":
    main()
