"""What a step costs from layer to layer: ours beside QGIS's own on the same layer, in one run.

    /usr/bin/python3 tests/benchmarks/bench_steps.py [--soundings 600000] [--times 5]
        [--rows file memory surface model] [--before CHECKOUT] [--folder FOLDER]

An invented lake is sounded at 5 mph on lanes 20 m apart, with a ping each half second (see
:mod:`made_lake`). Each step runs in a process of its own, twice: "cold" is the first run, with the
input's pages dropped from the system's cache and the libraries not yet imported, "warm" the second.
Both are medians of ``--times`` processes, in seconds of the clock; "cpu" are seconds of the
processor in the warm run and "MB" the peak of the process, QGIS and input included. "ratio" is
warm over the warm time of the row's peer, which does about the least that QGIS can do there:

- file: a GeoPackage to a GeoPackage; the peer is ``native:savefeatures``, which copies.
- memory: a memory layer to a memory layer; the peer is ``native:extractbyexpression`` of all rows,
  which shares the attributes of its input and computes nothing.
- surface: a GeoPackage to a raster of 2.5 m; the peer is ``qgis:tininterpolation`` of one field,
  which makes no uncertainty.
- model: NMEA logs to a lake map with all its layers and sheets, headless. With ``--before`` an
  earlier state, in a checkout of its own, runs the same and is the peer.

Where the time of a model of 598,050 pings goes (QGIS 3.22, two processors; 104 s of the clock
under cProfile, 14 steps): computing 67 s (three surfaces with their uncertainty 21, statistics of
the lake for two sheets 13, contours and areas 10, slopes for the uncertainty 5), writing 23 s
(five layers of soundings 14, copies for the lake project 5, the sheet as PDF 3), reading 11 s
(soundings nine times 8, rasters 2), checking what was written 3 s. The earlier state, which moved
soundings row by row, took 600 s under cProfile.
The floor: a layer of these soundings has 119 MB, so some 0.6 GB are written and 1.1 GB read; a
plain copy of one takes 0.4 s of the clock, and 0.1 s of the processor.
"""

import argparse
import contextlib
import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
EPSG = 32615
EAST, NORTH = 480_000.0, 5_200_000.0
CELL = 2.5

#: Row of the table -> steps, the peer first.
ROWS = {
    "file": ("native:savefeatures", "cleansoundings", "reducetodatum"),
    "memory": ("native:extractbyexpression", "cleansoundings", "reducetodatum"),
    "surface": ("qgis:tininterpolation", "tinsurface", "smoothsurface"),
    "model": ("logstolakemap",),
}


# -- what is measured: the parent --------------------------------------------------------


def main():
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--soundings", type=int, default=600_000)
    parser.add_argument("--times", type=int, default=5)
    parser.add_argument("--rows", nargs="+", choices=list(ROWS), default=list(ROWS))
    parser.add_argument("--before", type=Path)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--child", nargs=3, metavar=("CHECKOUT", "ROW", "STEP"))
    options = parser.parse_args()
    if options.child:
        checkout, row, step = options.child
        child(Path(checkout), row, step, options.folder)
        return
    with contextlib.ExitStack() as stack:
        folder = options.folder or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        if not (folder / "soundings.gpkg").exists():
            make_inputs(options.soundings, folder)
        print(f"{(folder / 'count.txt').read_text()} soundings, medians of {options.times}")
        print(f"{'':34s} {'cold s':>8s} {'warm s':>8s} {'cpu s':>8s} {'MB':>6s} {'ratio':>6s}")
        for row in options.rows:
            measure(row, options, folder)


def measure(row, options, folder):
    """Run the steps of a row in turn, as often as asked for, and print them."""
    jobs = [(step, ROOT) for step in ROWS[row]]
    if options.before:
        older = [(s, options.before.resolve()) for s in ROWS[row] if ":" not in s]
        jobs = older + jobs if row == "model" else jobs + older
    found = {job: [] for job in jobs}
    for _ in range(options.times):
        for step, checkout in jobs:
            call = [sys.executable, __file__, "--folder", folder, "--child", checkout, row, step]
            done = subprocess.run(call, capture_output=True, text=True, check=False)
            if done.returncode:
                raise SystemExit(f"{step}: {done.stdout}{done.stderr}")
            found[step, checkout].append(json.loads(done.stdout.splitlines()[-1]))
    peer = None
    for (step, checkout), runs in found.items():
        figures = {key: statistics.median(run[key] for run in runs) for key in runs[0]}
        peer = peer or figures["warm"]
        name = f"{row}: {step}{'' if checkout == ROOT else ' (before)'}"
        print(
            f"{name:34s} {figures['cold']:8.2f} {figures['warm']:8.2f} {figures['cpu']:8.2f} "
            f"{figures['mb']:6.0f} {figures['warm'] / peer:6.2f}",
            flush=True,
        )


# -- the inputs ---------------------------------------------------------------------------


def make_inputs(count, folder):
    """Write soundings, shoreline and logs of a lake with about ``count`` soundings."""
    sys.path[:0] = [str(ROOT / ".ci"), str(HERE)]
    import checkout  # noqa: F401
    import made_lake
    import numpy as np
    from osgeo import gdal
    from shapely.affinity import scale, translate
    from shapely.geometry import mapping

    gdal.UseExceptions()
    size = 4.0 * np.sqrt(count / 690_000)
    soundings = made_lake.survey(20.0 / size, ping=1.33 / size, position=0.7 / size)
    n = len(soundings)
    soundings = soundings.replace(
        x=EAST + soundings.x * size,
        y=NORTH + soundings.y * size,
        time=np.datetime64("2026-05-14T13:00", "ms") + np.arange(n) * np.timedelta64(500, "ms"),
        hardness=np.full(n, 0.5),
        water_temp=np.full(n, 17.5),
        speed=np.full(n, 2.7),
        course=np.full(n, 90.0),
    )
    write_soundings(soundings, folder / "soundings.gpkg")
    lake = scale(made_lake.shoreline(3.0 / size), size, size, origin=(0, 0))
    crs = {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{EPSG}"}}
    shore = {"type": "Feature", "properties": {}, "geometry": mapping(translate(lake, EAST, NORTH))}
    collection = {"type": "FeatureCollection", "crs": crs, "features": [shore]}
    (folder / "shoreline.geojson").write_text(json.dumps(collection), encoding="utf-8")
    (folder / "logs").mkdir()
    write_nmea(soundings, folder / "logs")
    (folder / "count.txt").write_text(f"{n:,}", encoding="utf-8")


def write_soundings(soundings, path):
    """Write a layer with GDAL, feature by feature."""
    import numpy as np
    from osgeo import gdal, ogr, osr

    from lakefloor.algorithms.core.soundings import SCHEMA

    kinds = {
        "text": ogr.OFTString,
        "int": ogr.OFTInteger,
        "double": ogr.OFTReal,
        "datetime": ogr.OFTDateTime,
    }
    srs = osr.SpatialReference()
    srs.ImportFromEPSG(EPSG)
    dataset = gdal.GetDriverByName("GPKG").Create(str(path), 0, 0, 0, gdal.GDT_Unknown)
    layer = dataset.CreateLayer("soundings", srs, ogr.wkbPoint)
    for name, (_, kind) in SCHEMA.items():
        layer.CreateField(ogr.FieldDefn(name, kinds[kind]))
    columns = [
        np.datetime_as_string(soundings.time, "ms").tolist()
        if kind == "datetime"
        else getattr(soundings, attr).tolist()
        for attr, kind in SCHEMA.values()
    ]
    dataset.StartTransaction()
    for x, y, *values in zip(soundings.x.tolist(), soundings.y.tolist(), *columns):
        feature = ogr.Feature(layer.GetLayerDefn())
        for i, value in enumerate(values):
            if value == value:
                feature.SetField(i, f"{value}Z" if columns[i] is columns[2] else value)
        point = ogr.Geometry(ogr.wkbPoint)
        point.AddPoint_2D(x, y)
        feature.SetGeometryDirectly(point)
        layer.CreateFeature(feature)
    dataset.CommitTransaction()


def write_nmea(soundings, folder):
    """Write NMEA 0183 logs, one a day: RMC and DPT for each ping."""
    import numpy as np
    from pyproj import Transformer

    lon, lat = Transformer.from_crs(EPSG, 4326, always_xy=True).transform(soundings.x, soundings.y)
    texts = np.datetime_as_string(soundings.time, "ms").tolist()
    lines = {}
    for text, east, north, depth in zip(texts, lon.tolist(), lat.tolist(), soundings.depth):
        day, clock = text[:10], text[11:].replace(":", "")[:9]
        date = day[8:] + day[5:7] + day[2:4]
        place = f"{_angle(north, 2)},N,{_angle(-east, 3)},W"
        lines.setdefault(day, []).append(_sentence(f"GPRMC,{clock},A,{place},4.3,90.0,{date},,,A"))
        lines[day].append(_sentence(f"SDDPT,{depth:.2f},0.0"))
    for day, content in lines.items():
        (folder / f"{day}.nmea").write_bytes("".join(content).encode("ascii"))


def _angle(degrees, digits):
    whole = int(degrees)
    return f"{whole:0{digits}d}{60.0 * (degrees - whole):09.6f}"


def _sentence(body):
    total = 0
    for byte in body.encode("ascii"):
        total ^= byte
    return f"${body}*{total:02X}\r\n"


# -- one step: the child -----------------------------------------------------------------


def child(checkout, row, step, folder):
    """Run one step twice and print its figures."""
    registry = start(checkout, peer=":" in step)
    found = {}
    with tempfile.TemporaryDirectory(dir=folder) as out:
        for name in ("cold", "warm"):
            algorithm = registry.algorithmById(step if ":" in step else f"lakefloor:{step}")
            given = parameters(row, step, folder, Path(out) / name)
            (Path(out) / name).mkdir()
            if name == "cold":
                forget(folder)
            clock, cpu = time.perf_counter(), time.process_time()
            run(algorithm, given)
            found[name] = time.perf_counter() - clock
            found["cpu"] = time.process_time() - cpu
    found["mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps(found), flush=True)
    os._exit(0)


def start(checkout, peer):
    """Start QGIS with the plugin of a checkout; return the registry of algorithms."""
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    os.environ.setdefault("PROJ_DATA", "/usr/share/proj")
    sys.path[:0] = [str(checkout / ".ci"), "/usr/share/qgis/python/plugins"]
    import checkout as package  # noqa: F401
    from qgis.analysis import QgsNativeAlgorithms
    from qgis.core import QgsApplication

    start.application = QgsApplication([], False)
    start.application.initQgis()
    registry = QgsApplication.processingRegistry()
    if peer:
        from processing.core.Processing import Processing

        Processing.initialize()
    else:
        from lakefloor.plugin.provider import LakefloorProvider

        registry.addProvider(QgsNativeAlgorithms(registry))
        start.provider = LakefloorProvider()
        registry.addProvider(start.provider)
    return registry


def parameters(row, step, folder, out):
    """Return what a step is given."""
    from qgis.core import QgsFeatureRequest, QgsVectorLayer

    path = folder / "soundings.gpkg"
    shoreline = str(folder / "shoreline.geojson")
    if row == "model":
        model = start.provider.algorithm(step)
        given = {"LOG_FOLDER": str(folder / "logs"), "SHORELINE": shoreline}
        return given | destinations(model, out)
    layer = QgsVectorLayer(f"{path}|layername=soundings", "soundings", "ogr")
    if row == "memory":
        layer = layer.materialize(QgsFeatureRequest())
    given = {"INPUT": layer, "OUTPUT": "memory:" if row == "memory" else str(out / "out.gpkg")}
    if row == "surface":
        given |= {"SHORELINE": shoreline, "CELL_SIZE": CELL, "OUTPUT": str(out / "out.tif")}
    if step == "reducetodatum":
        given |= {"LAKE_LEVEL": 1.2, "DATUM_ELEVATION": 2.0, "DATUM_NAME": "dock gauge"}
    elif step == "native:extractbyexpression":
        given["EXPRESSION"] = "true"
    elif step == "qgis:tininterpolation":
        field = layer.fields().indexFromName("depth_m")
        box = layer.extent()
        given = {
            "INTERPOLATION_DATA": f"{layer.source()}::~::0::~::{field}::~::0",
            "METHOD": 0,
            "EXTENT": f"{box.xMinimum()},{box.xMaximum()},{box.yMinimum()},{box.yMaximum()} "
            f"[EPSG:{EPSG}]",
            "PIXEL_SIZE": CELL,
            "OUTPUT": str(out / "out.tif"),
        }
    return given


def destinations(model, folder):
    """Return a file in a folder for each result of a model."""
    endings = {"sink": "gpkg", "rasterDestination": "tif"}
    given = {}
    for definition in model.destinationParameterDefinitions():
        ending = endings.get(definition.type()) or definition.defaultFileExtension()
        name = definition.name().partition(":")[0]
        given[definition.name()] = str(folder / f"{name}.{ending}")
    return given


def forget(folder):
    """Drop the pages of the inputs from the system's cache."""
    for path in (*folder.glob("*.*"), *folder.glob("logs/*")):
        if path.is_file():
            descriptor = os.open(path, os.O_RDONLY)
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
            os.close(descriptor)


def run(algorithm, given):
    """Run an algorithm as the toolbox does, on the main thread."""
    from qgis.core import QgsProcessingContext, QgsProcessingFeedback, QgsProject

    context, feedback = QgsProcessingContext(), QgsProcessingFeedback(False)
    context.setProject(QgsProject.instance())
    results, ok = algorithm.create().run(given, context, feedback)
    if not ok:
        raise SystemExit(feedback.textLog())
    return results


if __name__ == "__main__":
    main()
