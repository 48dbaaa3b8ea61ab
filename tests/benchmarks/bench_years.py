"""What a year added, and the lake as of a day, beside the same by other tools, in one process.

    /usr/bin/python3 tests/benchmarks/bench_years.py [--soundings 200000] [--times 3]

A lake database of three visits, in three years, each of so many soundings. Two pairs are timed in
turns; seconds are of the clock and, in brackets, of the processor, medians of ``--times`` turns; MB
is the peak of the process so far, QGIS included.

- read as of a day: *Soundings from lake database* with all soundings as of a day after the last;
  the peer is the same without a day.
- page: *What a visit added* for the last year; the peer is what a person would run for its
  figures: both states read, drawn, and asked for statistics and contours, and their difference.

Of 600,000 soundings on 4 km2, cells of 2 m (QGIS 3.22, two busy processors), the page took 0.63 of
the time of its peer (64 of 104 s, 20 of 31 s of the processor), since smoothing and the growth of
the error are learned once, and nothing is written between the steps. A day costs nothing that shows
(6.5 s of the processor with and without).
"""

import argparse
import json
import resource
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "qgis"), str(Path(__file__).parent)]
import fresh_qgis  # noqa: F401, I001  starts QGIS, with the checkout as "lakefloor"

import numpy as np
from bench_store import visit
from qgis.core import QgsProcessingFeedback
from shapely.geometry import box, mapping

CELL, YEARS = 2.5, (2019, 2021, 2023)
LAKE = box(399_990.0, 5_149_990.0, 402_010.0, 5_152_010.0)


def make_lake(folder, count):
    """Write the store and its shoreline."""
    from lakefloor.algorithms import _store

    for number, year in enumerate(YEARS):
        soundings = visit(number, count)
        start = np.datetime64(f"{year}-06-15T12:00", "ms")
        time_ = start + np.arange(count) * np.timedelta64(200, "ms")
        _store.add(folder / "lake.gpkg", soundings.replace(time=time_), "EPSG:32615")
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32615"}}
    feature = {"type": "Feature", "properties": {}, "geometry": mapping(LAKE)}
    text = json.dumps({"type": "FeatureCollection", "crs": crs, "features": [feature]})
    (folder / "shore.geojson").write_text(text)


def steps(folder):
    """Return the pairs: name, ours and its peer."""
    import processing

    store, shore = str(folder / "lake.gpkg"), str(folder / "shore.geojson")

    def run(name, **parameters):
        feedback = QgsProcessingFeedback(False)
        return processing.run(f"lakefloor:{name}", parameters, feedback=feedback)

    def read(name, **day):
        out = str(folder / f"{name}.gpkg")
        return run("readdatabase", DATABASE=store, OUTPUT=out, **day)["OUTPUT"]

    def by_hand():
        for year in YEARS[-2:]:
            soundings, surface = read("then", AS_OF=f"{year}-12-31"), str(folder / f"{year}.tif")
            options = {"SHORELINE": shore, "CELL_SIZE": CELL, "OUTPUT": surface}
            run("smoothsurface", INPUT=soundings, **options)
            run("lakestatistics", INPUT=surface, SHORELINE=shore, CSV=str(folder / "lake.csv"))
            contours = str(folder / "contours.gpkg")
            run("depthcontours", INPUT=surface, SHORELINE=shore, INTERVAL=1.0, OUTPUT=contours)
        run(
            "surfacedifference",
            INPUT=str(folder / f"{YEARS[-1]}.tif"),
            OLDER_SURFACE=str(folder / f"{YEARS[-2]}.tif"),
            OUTPUT=str(folder / "difference.tif"),
        )

    def page():
        run(
            "whatvisitadded",
            DATABASE=store,
            YEAR=YEARS[-1],
            SHORELINE=shore,
            CELL_SIZE=CELL,
            REPORT=str(folder / "page.html"),
        )

    return [
        ("read as of a day", lambda: read("day", AS_OF="2030-01-01"), lambda: read("all")),
        ("page", page, by_hand),
    ]


def main():
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--soundings", type=int, default=200_000)
    parser.add_argument("--times", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        make_lake(Path(folder), options.soundings)
        for name, ours, peer in steps(Path(folder)):
            taken = {ours: [], peer: []}
            for _ in range(options.times):
                for step in (ours, peer):
                    clock, cpu = time.perf_counter(), time.process_time()
                    step()
                    taken[step].append((time.perf_counter() - clock, time.process_time() - cpu))
            (clock, cpu), (clock_peer, cpu_peer) = (
                map(statistics.median, zip(*taken[step])) for step in (ours, peer)
            )
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(
                f"{name:18s} {clock:6.1f} s ({cpu:5.1f})   peer {clock_peer:6.1f} s "
                f"({cpu_peer:5.1f})   ratio {clock / clock_peer:.2f} ({cpu / cpu_peer:.2f})   "
                f"{peak:.0f} MB",
                flush=True,
            )


if __name__ == "__main__":
    main()
