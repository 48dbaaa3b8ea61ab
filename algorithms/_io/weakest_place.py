"""The weakest place of a depth surface that lies in a file."""

from __future__ import annotations

import numpy as np
from osgeo import gdal

from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.surface.weakest_place import weakest_place

__all__ = ["weakest_box"]

#: Band of the standard uncertainty.
_UNCERTAINTY = 2
#: So many cells along the longer side are looked at; a place is a fifteenth of it.
_CELLS, _PLACES = 900, 15


def weakest_box(path):
    """Return the box around the least certain place of a surface.

    Parameters
    ----------
    path : str

    Returns
    -------
    (west, south, east, north), or None
        In the CRS of the file; None where the surface has no uncertainty.

    Raises
    ------
    LakefloorError
        If the file cannot be read.
    """
    try:
        dataset = gdal.OpenEx(str(path), gdal.OF_RASTER | gdal.OF_READONLY)
    except RuntimeError:
        dataset = None
    if dataset is None:
        raise LakefloorError(tr("'{}' cannot be opened. Run the step again.").format(path))
    if dataset.RasterCount < _UNCERTAINTY:
        return None
    columns, rows = dataset.RasterXSize, dataset.RasterYSize
    step = max(1.0, max(columns, rows) / _CELLS)
    band = dataset.GetRasterBand(_UNCERTAINTY)
    seen = band.ReadAsArray(
        buf_xsize=max(1, round(columns / step)), buf_ysize=max(1, round(rows / step))
    ).astype(float)
    seen[seen == band.GetNoDataValue()] = np.nan
    size = max(1, max(seen.shape) // _PLACES)
    found = weakest_place(seen, size)
    if found is None:
        return None
    west, width, _, north, _, height = dataset.GetGeoTransform()
    row, column = ((place + 0.5) * step for place in found)
    half = size * step
    return (
        west + (column - half) * width,
        north + (row + half) * height,
        west + (column + half) * width,
        north + (row - half) * height,
    )
