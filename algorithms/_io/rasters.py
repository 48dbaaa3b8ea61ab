"""Rasters as grids, and what Lakefloor's own say of themselves."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import numpy as np
from osgeo import gdal
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.grid import Grid, Surface
from .layer_crs import metric_crs

#: Band descriptions of a Lakefloor surface, in order.
BANDS = ("depth (m)", "standard uncertainty (m)", "distance to the nearest sounding (m)")

#: Bands of a difference of two surfaces.
CHANGE_BANDS = (
    "change of depth (m)",
    "joint standard uncertainty (m)",
    "significance: 1 deeper, -1 shallower",
)

#: What a raster of Lakefloor holds: its name, and how its band 1 describes itself.
CONTENTS = {
    "depth": (QT_TRANSLATE_NOOP("@default", "depth"), BANDS[0]),
    "slope": (QT_TRANSLATE_NOOP("@default", "bottom slope"), "slope (degrees)", "slope (percent)"),
    "hardness": (QT_TRANSLATE_NOOP("@default", "bottom type"), "relative hardness"),
    "forms": (QT_TRANSLATE_NOOP("@default", "bottom forms"), "bottom form (code)"),
    "difference": (
        QT_TRANSLATE_NOOP("@default", "a difference of depths"),
        "change of depth (m)",
        "general less detail (m)",
    ),
    "likeness": (
        QT_TRANSLATE_NOOP("@default", "likeness or score"),
        "similarity (0 to 1)",
        "score (0 to 1)",
    ),
}

#: Metadata item in which a surface says what standard uncertainty all its depths have in
#: common, a share of depth.
COMMON_SHARE_ITEM = "COMMON_UNCERT_SHARE"

#: Metadata item in which a raster says with which lane spacing it was drawn, m.
SPACING_ITEM = "LANE_SPACING_M"

#: Metadata domain and item in which a raster says how it was drawn.
RECORD_DOMAIN, RECORD_ITEM = "LAKEFLOOR", "RECORD"


def require_content(layer, wanted):
    """Refuse a raster of Lakefloor that holds something else, by its own description.

    Parameters
    ----------
    layer : QgsRasterLayer
    wanted : str
        A key of :data:`CONTENTS`. Rasters that others made pass: what they hold is not known.

    Raises
    ------
    LakefloorError
    """
    if content_of(layer) not in ("", wanted):
        described = _first_description(layer)
        raise LakefloorError(
            tr("Raster '{}' holds '{}', but {} is needed here. Choose another raster.").format(
                layer.name(), described, tr(CONTENTS[wanted][0])
            )
        )


def content_of(layer) -> str:
    """Return what a raster of Lakefloor holds, a key of :data:`CONTENTS`, "" for any other."""
    known = {description: kind for kind, (_, *all_) in CONTENTS.items() for description in all_}
    return known.get(_first_description(layer), "")


def _first_description(layer) -> str:
    dataset = _open(layer)  # owns its bands
    return dataset.GetRasterBand(1).GetDescription()


def read_raster(layer, feedback, of_depth=True):
    """Read a depth raster, or another one of the same make.

    Parameters
    ----------
    layer : QgsRasterLayer
    of_depth : bool
        Whether band 1 must be depth.

    Returns
    -------
    surface : Surface
        ``uncertainty`` and ``distance`` are None where the raster has no such bands, and
        ``spacing`` where it does not say it.
    crs : QgsCoordinateReferenceSystem
    metadata : dict of str to str
        The raster's own items, e.g. its datum.

    Raises
    ------
    LakefloorError
        If the raster has no CRS, is rotated or cannot be read, holds something else by its own
        description, or most of its depths are negative.
    """
    if of_depth:
        require_content(layer, "depth")
    dataset = _open(layer)
    crs = layer.crs()
    target = metric_crs(crs, layer.extent(), layer.name(), feedback)
    metadata = dataset.GetMetadata()
    names = [dataset.GetRasterBand(i + 1).GetDescription() for i in range(dataset.RasterCount)]
    if target != crs:
        dataset = _projected(dataset, layer, target, "bilinear")
    band = _bands_of(dataset, layer)
    depth = band(1)
    known = np.isfinite(depth.values)
    # Land around a lake may be there as negative depth, and be larger than the lake.
    above, below = (np.count_nonzero(v) for v in (depth.values < 0.0, depth.values > 0.0))
    if of_depth and above > 50 * below:
        raise LakefloorError(
            tr(
                "Nearly all cells of raster '{}' are negative. Depth is in meters, positive down. If "
                "it holds elevations, subtract them from the lake level with the raster "
                "calculator, then run again."
            ).format(layer.name())
        )
    if not known.any():
        feedback.pushWarning(
            tr("Raster '{}' holds no depth: no cell of band 1 has a value.").format(layer.name())
        )
    lakefloor = names[:3] == list(BANDS)
    return (
        Surface(
            depth,
            band(2) if lakefloor else None,
            band(3) if lakefloor else None,
            _spacing(metadata),
        ),
        target,
        metadata,
    )


def read_bands(layer, crs, feedback) -> list:
    """Read the bands of any raster as grids in ``crs``, projected cell by cell where need be.

    Raises
    ------
    LakefloorError
        If the raster has no CRS, is rotated or cannot be read.
    """
    metric_crs(layer.crs(), layer.extent(), layer.name(), feedback)
    dataset = _open(layer)
    if layer.crs() != crs:
        # Classes have no values between them.
        dataset = _projected(dataset, layer, crs, "near")
    band = _bands_of(dataset, layer)
    return [band(number) for number in range(1, dataset.RasterCount + 1)]


def _bands_of(dataset, layer):
    """Return what reads a band by its number, as a grid."""
    west, dx, skew_x, north, skew_y, dy = dataset.GetGeoTransform()
    if skew_x or skew_y or dy >= 0 or dx <= 0:
        raise LakefloorError(
            tr(
                "Raster '{}' is rotated or not north-up; warp it with 'Warp (reproject)' first."
            ).format(layer.name())
        )

    def band(number) -> Grid:
        values = _numbers(dataset.GetRasterBand(number), layer.name())
        return Grid(values, west, north, dx, -dy)

    return band


class StoredSurface:
    """A Lakefloor surface on disk that is read in parts.

    Attributes
    ----------
    grid : Grid
        Its geometry; the values are NaN, of no memory.
    record : str
        How it was drawn; empty if it does not say.
    """

    def __init__(self, layer):
        self._dataset = dataset = _open(layer)
        self._name = layer.name()
        west, dx, _, north, _, dy = dataset.GetGeoTransform()
        void = np.broadcast_to(np.nan, (dataset.RasterYSize, dataset.RasterXSize))
        self.grid = Grid(void, west, north, dx, -dy)
        self.record = dataset.GetMetadataItem(RECORD_ITEM, RECORD_DOMAIN) or ""

    def copy_for(self, grid: Grid):
        """Return the file that a surface on ``grid`` can begin as a copy of, or None."""
        same = self.grid.shape == grid.shape and np.allclose(
            (self.grid.west, self.grid.north), (grid.west, grid.north), rtol=0, atol=1e-6 * grid.dx
        )
        plain = (
            self._dataset.GetDriver().ShortName == "GTiff"
            and not self._dataset.GetRasterBand(1).GetOverviewCount()
            and Path(self._dataset.GetDescription()).is_file()
        )
        return Path(self._dataset.GetDescription()) if same and plain else None

    def read(self, rows, cols) -> list:
        """Return the bands within slices of rows and columns, single precision."""
        place = cols.start, rows.start, cols.stop - cols.start, rows.stop - rows.start
        bands = []
        for number in range(1, len(BANDS) + 1):
            band = self._dataset.GetRasterBand(number)
            values = _cells(band, self._name, *place)
            values[values == band.GetNoDataValue()] = np.nan
            bands.append(values)
        return bands

    def close(self):
        """Let go of the file, so that it may be exchanged."""
        self._dataset = None


def common_share(metadata) -> float:
    """Return the standard uncertainty that all depths of a surface share; 0 where it says none."""
    try:
        share = float(metadata.get(COMMON_SHARE_ITEM, ""))
    except ValueError:
        return 0.0
    return share if 0.0 < share < 1.0 else 0.0


def spacing_item(spacing) -> dict:
    """Return the metadata that say with which lane spacing, m, a raster was drawn."""
    return {SPACING_ITEM: f"{spacing:.6g}"} if spacing else {}


def _spacing(metadata):
    """Return the lane spacing that a raster states, m, or None."""
    try:
        spacing = float(metadata.get(SPACING_ITEM, ""))
    except ValueError:
        return None
    return spacing if 0.0 < spacing < np.inf else None


def _open(layer):
    """Open a raster with GDAL, which raises errors once any plugin has asked it to."""
    dataset = None
    with suppress(RuntimeError):
        dataset = gdal.Open(layer.source())
    if dataset is None:
        raise LakefloorError(
            tr("Raster '{}' cannot be read by GDAL; export it to GeoTIFF first.").format(
                layer.name()
            )
        )
    return dataset


def _projected(dataset, layer, crs, resampling):
    """Return a raster in memory, projected to ``crs``."""
    warped = None
    with suppress(RuntimeError):
        warped = gdal.Warp(
            "",
            dataset,
            format="MEM",
            srcSRS=layer.crs().toWkt(),
            dstSRS=crs.toWkt(),
            resampleAlg=resampling,
            outputType=gdal.GDT_Float64,
            dstNodata=float("nan"),
        )
    if warped is None:
        raise LakefloorError(
            tr("Raster '{}' ({}) cannot be projected to {}. Is its CRS the right one?").format(
                layer.name(), layer.crs().authid() or tr("custom CRS"), crs.authid()
            )
        )
    return warped


def _cells(band, name, *place):
    """Return the values of a band, or of ``place``: first column and row, columns, rows."""
    values = None
    with suppress(RuntimeError):
        values = band.ReadAsArray(*place)
    if values is None:
        raise LakefloorError(
            tr("Raster '{}' cannot be read in full; its file is damaged. Make it again.").format(
                name
            )
        )
    return values


def _numbers(band, name):
    """Return the values of a band, NaN where there is none."""
    values = _cells(band, name).astype(float)
    values[~np.isfinite(values) | (values == band.GetNoDataValue())] = np.nan
    return values
