"""The figures of one mapped lake, read from its own files."""

import csv

import numpy as np
from osgeo import gdal, ogr, osr
from settings import LakeError
from shapely import wkb
from shapely.ops import unary_union

gdal.UseExceptions()
ogr.UseExceptions()

#: Row of statistics.csv -> name of its figure; those with True have a standard uncertainty.
ROWS = {
    "area": ("area_m2", True),
    "volume": ("volume_m3", True),
    "max_depth": ("max_depth_m", True),
    "mean_depth": ("mean_depth_m", True),
    "mapped_share": ("mapped_percent", False),
}
#: The small map of the report has so many depths, as exact as this part of the longer side.
MOST_BANDS, OUTLINE = 12, 1.0 / 300.0


def of_statistics(path):
    """Return area, volume and depths with their standard uncertainties, from statistics.csv."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = {row["figure"]: row for row in csv.DictReader(file)}
    found = {}
    for row, (name, uncertain) in ROWS.items():
        found[name] = float(rows[row]["value_si"])
        if uncertain:
            found[f"{name}_sd"] = float(rows[row]["standard_uncertainty_si"])
    return found


def _query(path, statement):
    source = gdal.OpenEx(str(path), gdal.OF_VECTOR)
    rows = source.ExecuteSQL(statement, dialect="SQLITE")
    values = [tuple(f.GetField(i) for i in range(f.GetFieldCount())) for f in rows]
    source.ReleaseResultSet(rows)
    return values


def of_soundings(path):
    """Return how many soundings there are, and how many of them are accepted."""
    statement = "SELECT count(*), sum(status = 'accepted') FROM soundings"
    ((count, accepted),) = _query(path, statement)
    return {"soundings": count, "accepted": accepted or 0}


def of_contours(path):
    """Return the percentage of the contours' length that the uncertainty supports."""
    lines = _query(path, "SELECT supported, sum(ST_Length(geom)) FROM contours GROUP BY supported")
    length = {bool(supported): meters or 0.0 for supported, meters in lines}
    total = sum(length.values())
    return {"supported_percent": 100.0 * length.get(True, 0.0) / total if total else None}


def _bands(path):
    source = gdal.Open(str(path))
    bands = []
    for number in (1, 2):
        band = source.GetRasterBand(number)
        values, nodata = band.ReadAsArray().astype(float), band.GetNoDataValue()
        bands.append(values if nodata is None else np.where(values == nodata, np.nan, values))
    return (*bands, source.GetGeoTransform(), source.GetSpatialRef())


def of_surface(path):
    """Return the median standard uncertainty of depth, m, and the size of a cell, m."""
    _, uncertainty, transform, _ = _bands(path)
    return {"uncertainty_m": float(np.nanmedian(uncertainty)), "cell_m": transform[1]}


def of_errors(path, truth, folder):
    """Return how far a depth surface is from depths that are known, or nothing without them.

    Parameters
    ----------
    path : Path
        Depth surface.
    truth : dict or None
        ``depths``, a table of longitude, latitude and depth_m, and the true ``area_m2``,
        ``volume_m3`` and ``max_depth_m``.
    folder : Path
        Where the table lies.
    """
    if not truth:
        return {}
    try:
        known = np.genfromtxt(folder / truth["depths"], delimiter=",", names=True, ndmin=1)
        lon, lat, true = (known[name] for name in ("longitude", "latitude", "depth_m"))
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise LakeError(f"The true depths cannot be read ({error}). Correct 'truth'.") from None
    depth, uncertainty, transform, crs = _bands(path)
    from_degrees = osr.SpatialReference()
    from_degrees.ImportFromEPSG(4326)
    for each in (from_degrees, crs):
        each.SetAxisMappingStrategy(osr.OAMS_TRADITIONAL_GIS_ORDER)
    to_map = osr.CoordinateTransformation(from_degrees, crs)
    x, y, _ = np.array(to_map.TransformPoints(np.column_stack([lon, lat]))).T
    mapped, sigma = (between_cells(band, transform, x, y) for band in (depth, uncertainty))
    error = (mapped - true)[np.isfinite(mapped)]
    within = np.abs(mapped - true) <= 2.0 * sigma
    found = {
        "checked": int(error.size),
        "error_rms_m": float(np.sqrt(np.mean(error**2))),
        "error_mean_m": float(error.mean()),
        "error_95_m": float(np.percentile(np.abs(error), 95)),
        "error_within_percent": float(100.0 * within[np.isfinite(mapped)].mean()),
    }
    return {**found, **{f"true_{k}": float(v) for k, v in truth.items() if k != "depths"}}


def between_cells(band, transform, x, y):
    """Return a band at places, interpolated between the four cells around; NaN where one lacks."""
    col = (x - transform[0]) / transform[1] - 0.5
    row = (y - transform[3]) / transform[5] - 0.5
    c, r = np.floor(col).astype(int), np.floor(row).astype(int)
    rows, cols = band.shape
    inside = (c >= 0) & (r >= 0) & (c < cols - 1) & (r < rows - 1)
    c, r, u, v = np.where(inside, c, 0), np.where(inside, r, 0), col - c, row - r
    upper = (1 - u) * band[r, c] + u * band[r, c + 1]
    lower = (1 - u) * band[r + 1, c] + u * band[r + 1, c + 1]
    return np.where(inside, (1 - v) * upper + v * lower, np.nan)


def outline(path):
    """Return depths as [depth_m, rings] for a small map, coordinates from its south-west corner, m.

    Depth areas are joined to at most :data:`MOST_BANDS`.
    """
    source = gdal.OpenEx(str(path), gdal.OF_VECTOR)
    layer = source.GetLayer(0)
    west, east, south, north = layer.GetExtent()
    exact = OUTLINE * max(east - west, north - south)
    areas = sorted(
        ((f["depth_from_m"], wkb.loads(bytes(f.GetGeometryRef().ExportToWkb()))) for f in layer),
        key=lambda area: area[0],
    )
    each = -(-len(areas) // MOST_BANDS)
    bands = []
    for first in range(0, len(areas), each):
        joined = unary_union([shape for _, shape in areas[first : first + each]]).simplify(exact)
        rings = [r for p in getattr(joined, "geoms", [joined]) for r in (p.exterior, *p.interiors)]
        drawn = [[[round(x - west), round(y - south)] for x, y in r.coords] for r in rings]
        bands.append([areas[first][0], drawn])
    return {"size": [round(east - west), round(north - south)], "areas": bands}
