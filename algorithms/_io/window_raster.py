"""A raster of which windows are written one by one, while others look at it."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import numpy as np
from osgeo import gdal

from .._i18n import tr
from ..core.errors import LakefloorError
from .gdal_errors import done, made, quiet

__all__ = ["WindowRaster"]

#: Windows around the first ones for which there is room.
_ROOM = 4


class WindowRaster:
    """A GeoTIFF without compression whose tiles are the windows; what is not written takes no room.

    Parameters
    ----------
    folder : Path
    name : str
        Of the file, without its ending and the number that it gets when it grows.
    crs : str
        WKT.
    cell : float
        m.
    cells : int
        Along a side of a window.
    bands : sequence of str
        Their descriptions.
    """

    def __init__(self, folder, name, crs, cell, cells, bands):
        self._folder, self._name, self._crs = Path(folder), name, crs
        self._cell, self._cells, self._bands = cell, cells, tuple(bands)
        self._corner, self._size, self._number = (0, 0), (0, 0), 0
        self.path, self._written = None, set()

    def cover(self, first: tuple, last: tuple) -> bool:
        """Make room for windows from one key to another; return whether the file is another one."""
        now = self._corner, tuple(c + s - 1 for c, s in zip(self._corner, self._size))
        if self.path is not None:
            inside = all(a <= b for a, b in zip(now[0], first))
            if inside and all(a >= b for a, b in zip(now[1], last)):
                return False
            first = tuple(map(min, first, now[0]))
            last = tuple(map(max, last, now[1]))
        corner = tuple(c - _ROOM for c in first)
        size = tuple(b - a + 1 + _ROOM for a, b in zip(corner, last))
        before = self._read() if self.path is not None else []
        self._make(corner, size)
        if before:
            self._put(before)
        return True

    def write(self, key: tuple, values) -> bool:
        """Write the bands of a window; return whether the file is another one now.

        Parameters
        ----------
        key : tuple of int
            Column and row of the window.
        values : sequence of array, shape (cells, cells)

        Raises
        ------
        LakefloorError
            If it cannot be written.
        """
        grown = self.cover(key, key)
        blocks = [np.ascontiguousarray(band, dtype=np.float32) for band in values]
        self._put([(key, blocks)])
        return grown

    def _put(self, windows):
        """Write windows, each a key and its blocks."""
        try:
            self._put_once(windows)
        except RuntimeError:
            try:
                self._put_once(windows)  # a program that looks at new files holds one for a moment
            except RuntimeError as error:
                raise self._cannot_write(error) from error
        self._written.update(key for key, _ in windows)

    def _put_once(self, windows):
        """Write windows into the file, and close it: only then others see all."""
        with quiet():
            gdal.ErrorReset()
            dataset = made(gdal.Open(str(self.path), gdal.GA_Update))
            for key, blocks in windows:
                left, top = self._place(key)
                for number, block in enumerate(blocks, 1):
                    done(dataset.GetRasterBand(number).WriteArray(block, left, top))
            dataset = None
            if gdal.GetLastErrorType() >= gdal.CE_Failure:
                raise RuntimeError(gdal.GetLastErrorMsg())

    def _place(self, key):
        return tuple((k - c) * self._cells for k, c in zip(key, self._corner))

    def _make(self, corner, size):
        self._number += 1
        path = self._folder / f"{self._name}_{self._number}.tif"
        options = ["TILED=YES", "SPARSE_OK=TRUE", "INTERLEAVE=BAND"]
        options += [f"BLOCKXSIZE={self._cells}", f"BLOCKYSIZE={self._cells}", "BIGTIFF=IF_SAFER"]
        dataset = None
        with quiet(), suppress(RuntimeError):
            dataset = gdal.GetDriverByName("GTiff").Create(
                str(path),
                size[0] * self._cells,
                size[1] * self._cells,
                len(self._bands),
                gdal.GDT_Float32,
                options,
            )
        if dataset is None:
            raise self._cannot_write()
        side = self._cells * self._cell
        dataset.SetGeoTransform(
            (corner[0] * side, self._cell, 0.0, -corner[1] * side, 0.0, -self._cell)
        )
        dataset.SetProjection(self._crs)
        for number, text in enumerate(self._bands, 1):
            band = dataset.GetRasterBand(number)
            band.SetDescription(text)
            band.SetNoDataValue(float("nan"))
        # Written when it closes, which is now even if somebody holds this frame.
        band = dataset = None
        self._corner, self._size, self.path = corner, size, path

    def _read(self):
        """Return the windows that were written, each a key and its blocks."""
        dataset, n = None, self._cells
        with quiet(), suppress(RuntimeError):
            dataset = gdal.Open(str(self.path))
        if dataset is None:
            raise self._cannot_write()
        windows = [
            (key, dataset.ReadAsArray(*self._place(key), n, n).reshape(-1, n, n))
            for key in self._written
        ]
        dataset = None
        return windows

    def _cannot_write(self, error=""):
        reason = str(error) or gdal.GetLastErrorMsg() or tr("no reason is given")
        return LakefloorError(
            tr(
                "Cannot write the map on the water into '{}' ({}). Check that the disk is not full."
            ).format(self._folder, reason)
        )
