"""Print how far a map of Lake Marrowby is from the true lake.

    /usr/bin/python3 example_project/compare.py DEPTH.tif [--lines breaklines.gpkg]

DEPTH.tif has depth below datum (m) in band 1 and, where there are more bands,
one standard uncertainty (m) in band 2 and distance to the nearest sounding (m)
in band 3. The lines have a field ``kind`` with ``crest`` and ``toe``.
"""

import argparse
from pathlib import Path

import numpy as np
import truth
from osgeo import gdal, ogr, osr

gdal.UseExceptions()

#: Classes of distance to the nearest sounding, m.
DISTANCES = (0.0, 1.0, 2.5, 5.0, 10.0, 20.0, np.inf)
#: A mapped line is right, and a true line is found, within this distance, m.
TOLERANCE = 5.0
#: Mapped lines further than this from the true drop-off belong to other forms, m.
NEIGHBOURHOOD = 25.0


def read_bands(path):
    """Return the bands as arrays (NaN where nodata) and the geotransform.

    Returns
    -------
    list of array, shape (rows, cols)
    tuple
        GDAL's geotransform.
    """
    source = gdal.Open(str(path))
    crs = source.GetSpatialRef()
    expected = osr.SpatialReference()
    expected.ImportFromEPSG(truth.EPSG)
    if crs is None or not crs.IsSame(expected):
        raise SystemExit(f"{path} is not in EPSG:{truth.EPSG}; warp it to that CRS first.")
    bands = []
    for k in range(1, source.RasterCount + 1):
        band = source.GetRasterBand(k)
        values = band.ReadAsArray().astype(float)
        nodata = band.GetNoDataValue()
        bands.append(values if nodata is None else np.where(values == nodata, np.nan, values))
    return bands, source.GetGeoTransform()


def compare_surface(depth, transform, uncertainty=None, distance=None):
    """Return the errors (map minus truth) of a depth surface as a table of figures.

    Parameters
    ----------
    depth, uncertainty, distance : array, shape (rows, cols)
        m; NaN where there is none.
    transform : tuple
        GDAL's geotransform of a north-up raster.

    Returns
    -------
    list of (str, str)
        What was measured, and the figure with its unit.
    """
    rows, cols = depth.shape
    x = transform[0] + (np.arange(cols) + 0.5) * transform[1]
    y = transform[3] + (np.arange(rows) + 0.5) * transform[5]
    true = truth.depth_m(*np.meshgrid(x, y))
    cell_area = abs(transform[1] * transform[5])
    mapped, wet = np.isfinite(depth), np.isfinite(true)
    error = (depth - true)[mapped & wet]
    if error.size == 0:
        raise SystemExit("The surface has no cell on Lake Marrowby.")
    table = [
        ("lake covered by the map", f"{100.0 * error.size / wet.sum():.1f}%"),
        ("mapped cells on land", f"{np.sum(mapped & ~wet)}"),
        *_figures("all cells", error),
    ]
    if distance is not None:
        away = distance[mapped & wet]
        for low, high in zip(DISTANCES[:-1], DISTANCES[1:]):
            part = error[(away >= low) & (away < high)]
            name = f"{low:g}-{high:g} m" if np.isfinite(high) else f"over {low:g} m"
            if part.size:
                table += _figures(f"sounding {name} away", part)
    if uncertainty is not None:
        sigma = uncertainty[mapped & wet]
        known = np.isfinite(sigma)
        for times, normal in ((1, 68.3), (2, 95.4)):
            within = 100.0 * np.mean(np.abs(error[known]) <= times * sigma[known])
            table.append(
                (f"errors within {times} std. uncertainty", f"{within:.1f}% (normal: {normal}%)")
            )

    polygon = truth.shoreline_polygon()
    _, _, fine = truth.sample_grid(1.0)
    area, volume, deepest = mapped.sum() * cell_area, np.nansum(depth) * cell_area, np.nanmax(depth)
    for name, got, real, unit in (
        ("area", area / 1e4, polygon.area / 1e4, "ha"),
        ("volume", volume / 1e3, fine.sum() / 1e3, "1000 m³"),
        ("maximum depth", deepest, fine.max(), "m"),
    ):
        change = 100.0 * (got / real - 1.0)
        table.append((name, f"{got:.2f} {unit}, truth {real:.2f} ({change:+.2f}%)"))

    top = np.array([truth.HUMP["x"], truth.HUMP["y"]]) + truth.ORIGIN
    near = np.hypot(*np.meshgrid(x - top[0], y - top[1])) < 25.0
    if np.isfinite(depth[near]).any():
        at = np.nanargmin(np.where(near, depth, np.nan))
        dx, dy = x[at % cols] - top[0], y[at // cols] - top[1]
        table.append(
            (
                "shallowest depth on the hump",
                f"{depth.flat[at]:.2f} m, truth {truth.depth_m(*top):.2f} m, "
                f"{np.hypot(dx, dy):.1f} m from its top",
            )
        )
    return table


def _figures(name, error):
    return [
        (
            name,
            f"n {error.size}, RMSE {np.sqrt(np.mean(error**2)):.3f}, bias {error.mean():+.3f}, "
            f"95% {np.percentile(np.abs(error), 95):.3f}, max {np.abs(error).max():.3f} m",
        )
    ]


def read_lines(path):
    """Return the lines of each kind, resampled to points 1 m apart, as arrays of shape (n, 2)."""
    source = gdal.OpenEx(str(path), gdal.OF_VECTOR)
    points = {}
    for k in range(source.GetLayerCount()):
        layer = source.GetLayer(k)
        if layer.GetLayerDefn().GetFieldIndex("kind") < 0:
            continue
        for feature in layer:
            geometry = feature.GetGeometryRef()
            if geometry is None:
                continue
            for part in ogr.ForceToMultiLineString(geometry.Clone()):
                xy = np.array(part.GetPoints())[:, :2]
                points.setdefault(feature["kind"], []).append(resample(xy))
    return {kind: np.vstack(parts) for kind, parts in points.items()}


def resample(xy, step=1.0):
    """Return points ``step`` m apart along a line, shape (k, 2), each standing for that length."""
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    at = np.arange(step / 2, run[-1], step)
    return np.column_stack([np.interp(at, run, xy[:, k]) for k in (0, 1)])


def nearest(points, others):
    """Return the distance from each of ``points`` to the nearest of ``others``, shape (n,), m."""
    return np.array([np.hypot(*(others - p).T).min() for p in points])


def compare_lines(lines):
    """Return completeness and correctness of the mapped crest and toe.

    Completeness is the share of the true line's length that has a mapped line
    of its kind within :data:`TOLERANCE`; correctness the share of the mapped
    length within it of the true line (Heipke et al. 1997, ISPRS 32, part 3-2W3).
    Mapped lines further than :data:`NEIGHBOURHOOD` from the steep stretch, as at
    the hump, the island and the north shore, are left out.

    Parameters
    ----------
    lines : dict of str to array, shape (n, 2)
        Points 1 m apart by kind.

    Returns
    -------
    list of (str, str)
    """
    table = []
    face = resample(truth.steepest_line())
    for kind, true in (("crest", truth.crest_line()), ("toe", truth.toe_line())):
        true = resample(true)
        mapped = lines.get(kind, np.empty((0, 2)))
        mapped = mapped[nearest(mapped, face) <= NEIGHBOURHOOD] if len(mapped) else mapped
        if not len(mapped):
            table.append((kind, "none mapped"))
            continue
        found, right = nearest(true, mapped), nearest(mapped, true)
        complete, correct = (100.0 * np.mean(d <= TOLERANCE) for d in (found, right))
        figure = f"complete {complete:.0f}%, correct {correct:.0f}% (within {TOLERANCE:g} m)"
        if complete:
            figure += f", mean distance {found[found <= TOLERANCE].mean():.1f} m"
        table.append((kind, figure))
    return table


def main():
    parser = argparse.ArgumentParser(description="Compare a map of Lake Marrowby with the truth.")
    parser.add_argument("depth", type=Path, help="depth surface, m below datum")
    parser.add_argument("--lines", type=Path, help="break-lines with a field 'kind'")
    arguments = parser.parse_args()
    bands, transform = read_bands(arguments.depth)
    table = compare_surface(bands[0], transform, *bands[1:3])
    if arguments.lines:
        table += compare_lines(read_lines(arguments.lines))
    for name, figure in table:
        print(f"{name:32s} {figure}")


if __name__ == "__main__":
    main()
