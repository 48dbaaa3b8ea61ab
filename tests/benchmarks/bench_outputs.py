"""What it costs that results are read again and brought to the disk before they replace anything.

    .venv/bin/python tests/benchmarks/bench_outputs.py [ROWS] [FOLDER]

A square surface of three bands (8000 rows by default: 64 million cells) is written as the
algorithms write it; the peer is the writing itself, in the same run.
"""

import os
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("PROJ_DATA", "/usr/share/proj")
sys.path.insert(0, str(Path(__file__).resolve().parents[2] / ".ci"))

import checkout  # noqa: F401
import numpy as np
from qgis.core import QgsApplication, QgsCoordinateReferenceSystem

from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms._io.rasters import BANDS
from lakefloor.algorithms._io.staging import Staging
from lakefloor.algorithms._io.whole import check_whole
from lakefloor.algorithms.core.grid import Grid


def surface(rows):
    """Return a bowl with noise, as a surface has it, and what a third of it lacks."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[-1.0 : 1.0 : complex(0, rows), -1.0 : 1.0 : complex(0, rows)].astype(np.float32)
    depth = 12.0 * (1.0 - x**2 - y**2) + rng.normal(0.0, 0.02, x.shape).astype(np.float32)
    depth[depth < 0.0] = np.nan
    grid = Grid(depth, 500_000.0, 5_100_000.0, 1.0, 1.0)
    return [grid, grid.like(np.sqrt(np.abs(depth)) * 0.1), grid.like(np.abs(x) + 0.0 * depth)]


def main():
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 8000
    app = QgsApplication([], False)
    app.initQgis()
    grids = surface(rows)
    with tempfile.TemporaryDirectory(dir=sys.argv[2] if len(sys.argv) > 2 else None) as folder:
        final = Path(folder) / "surface.tif"
        with Staging() as staging:
            path = staging.stage(final)
            times = [time.process_time()]
            write_raster(path, grids, BANDS, QgsCoordinateReferenceSystem("EPSG:32615"), {})
            times.append(time.process_time())
            check_whole(path)
            times.append(time.process_time())
            staging.move()
            staging.finish()
            times.append(time.process_time())
        size = final.stat().st_size
    written, read, moved = np.diff(times)
    print(f"{rows} x {rows} cells of 3 bands, {size / 1e6:.0f} MB")
    print(f"written            {written:6.2f} s")
    print(f"read again, whole  {read:6.2f} s  ({100 * read / written:.0f} % of writing)")
    print(f"flushed and moved  {moved:6.2f} s  ({100 * moved / written:.0f} % of writing)")
    sys.stdout.flush()
    os._exit(0)


if __name__ == "__main__":
    main()
