"""The only place where results become files and layers.

Results are written to a hidden folder beside their destination and moved into
place together at the end, so that a cancelled or failed run leaves nothing.
"""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np
from osgeo import gdal, ogr
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFeatureSink,
    QgsFields,
    QgsGeometry,
    QgsLineString,
    QgsPoint,
    QgsProcessingContext,
    QgsProcessingOutputLayerDefinition,
    QgsProperty,
    QgsRasterFileWriter,
    QgsWkbTypes,
)
from shapely.geometry import MultiPolygon

from . import _styling
from ._compat import make_field, restore_milliseconds
from ._gdal import quiet
from ._i18n import tr
from ._layers import BANDS, SCHEMA, srs_wkt, to_qdatetime
from ._staging import staging_folder, write_file
from .core.errors import Cancelled, LakefloorError
from .core.exchange.csv_table import as_text
from .core.grid import Areas, Grid, Lines, Surface
from .core.soundings import Soundings

NODATA = -9999.0
_BATCH = 2000
_MOST_CACHE = 256 * 2**20


class Outputs:
    """The results of one run of an algorithm.

    Use as a context manager around the writing; leaving it without an error
    moves every file into place. ``results`` is what the algorithm returns.
    """

    def __init__(self, algorithm, parameters, context, feedback):
        self.algorithm = algorithm
        self.parameters = parameters
        self.context = context
        self.feedback = feedback
        self.results = {}
        self._staged = []  # (folder, final path, layer definition or None, output name)
        self._styles = []

    def __enter__(self):
        return self

    def __exit__(self, kind, error, trace):
        try:
            if kind is None:
                self._commit()
        finally:
            for folder, *_ in self._staged:
                shutil.rmtree(folder, ignore_errors=True)
        return False

    def _commit(self):
        for folder, final, definition, name in self._staged:
            parts = sorted(folder.iterdir())
            for part in parts:
                target = final.parent / part.name
                if target.is_dir():
                    raise LakefloorError(tr("'{}' is a folder; choose another file name.").format(
                        target))
                try:
                    # Another program that has the old GeoPackage open keeps its changes in such
                    # files; SQLite would write them into the new one.
                    for suffix in ("-wal", "-shm", "-journal"):
                        target.with_name(target.name + suffix).unlink(missing_ok=True)
                    os.replace(part, target)
                    # Statistics and pyramids of the file that was there before.
                    for suffix in (".aux.xml", ".ovr"):
                        stale = target.with_name(target.name + suffix)
                        if folder / stale.name not in parts:
                            stale.unlink(missing_ok=True)
                except OSError as error:
                    raise LakefloorError(
                        tr("Cannot write '{}' ({}). Is it open in another program?").format(
                            target, error.strerror)
                    ) from error
            if definition is not None and definition.destinationProject is not None:
                details = QgsProcessingContext.LayerDetails(
                    definition.destinationName or self._label(name),
                    definition.destinationProject, name,
                )
                self.context.addLayerToLoadOnCompletion(str(final), details)
        for name, value in self.results.items():
            if isinstance(value, np.generic):
                # QGIS shows numpy's own numbers as empty.
                self.results[name] = value.item()
        for target, style, options in self._styles:
            _styling.style_on_load(self.context, target, style, options)

    def _label(self, name):
        return self.algorithm.parameterDefinition(name).description()

    def wanted(self, name) -> bool:
        """Tell whether an optional output was asked for."""
        value = self.parameters.get(name)
        return value is not None and value != ""

    def _stage(self, final: Path, definition, name) -> Path:
        folder = staging_folder(final.parent)
        self._staged.append((folder, final, definition, name))
        return folder / final.name

    # -- vector -----------------------------------------------------------------

    def features(self, name, fields, wkb_type, crs, rows, style=None, count=0, **options):
        """Write features.

        Parameters
        ----------
        fields : list of (str, str)
            Name and kind (``double``, ``int``, ``text``, ``datetime``).
        rows : iterable of (QgsGeometry or None, list)
        style : str, optional
            Name of a style in :mod:`._styling`.
        """
        if not self.wanted(name):
            return
        qgs_fields = QgsFields()
        for field_name, kind in fields:
            qgs_fields.append(make_field(field_name, kind))
        parameters = dict(self.parameters)
        final, definition = self._vector_file(name)
        if final is not None:
            path = self._stage(final, definition, name)
            staged = QgsProcessingOutputLayerDefinition(str(path))
            if definition is not None:
                staged.createOptions = definition.createOptions
            parameters[name] = staged
        sink, target = self.algorithm.parameterAsSink(
            parameters, name, self.context, qgs_fields, wkb_type, crs
        )
        if sink is None:
            raise LakefloorError(
                self.algorithm.invalidSinkError(self.parameters, name)
            )
        if final is not None and final.suffix.lower() == ".csv":
            rows = _without_formulas(rows)
        batch, i = [], -1
        for i, (geometry, attributes) in enumerate(rows):
            feature = QgsFeature(qgs_fields)
            if geometry is not None:
                feature.setGeometry(geometry)
            feature.setAttributes(attributes)
            batch.append(feature)
            if len(batch) == _BATCH:
                self._add(sink, batch, name)
                batch = []
                if count:
                    self.feedback.setProgress(100.0 * i / count)
        self._add(sink, batch, name)
        sink.flushBuffer()
        del sink
        if final is not None:
            self._check_whole(path, i + 1, name)
            target = str(final)
        if style:
            self._styles.append((target, style, options))
        self.results[name] = target

    def _add(self, sink, batch, name):
        if self.feedback.isCanceled():
            raise Cancelled
        if batch and not sink.addFeatures(batch, QgsFeatureSink.Flag.FastInsert):
            raise LakefloorError(
                tr("Cannot write '{}': {}. Is the disk full?").format(
                    self._label(name), sink.lastError())
            )

    def _check_whole(self, path, count, name):
        """Refuse a GeoPackage cut short: on a full disk QGIS closes it without a word."""
        if path.suffix.lower() != ".gpkg":
            return
        source, whole = None, False
        with quiet(), suppress(RuntimeError):
            source = ogr.Open(str(path))
            whole = source is not None and source.GetLayer(0).GetFeatureCount() == count
        del source
        if not whole:
            raise LakefloorError(
                tr("'{}' could not be written in full. Nothing was kept; is the disk full?").format(
                    self._label(name))
            )

    def _vector_file(self, name):
        """Return the file that a sink goes to, or None where it is no plain new file."""
        value = self.parameters[name]
        definition = value if isinstance(value, QgsProcessingOutputLayerDefinition) else None
        target = definition.sink if definition is not None else value
        if isinstance(target, QgsProperty):
            target, _ = target.valueAsString(self.context.expressionContext())
        target = str(target)
        if target == "TEMPORARY_OUTPUT" or target.startswith(("memory:", "ogr:", "postgis:")):
            return None, definition
        if not Path(target).suffix or "://" in target or " table=" in target:
            return None, definition
        return Path(target).absolute(), definition

    def soundings(self, name, soundings, crs, count=0):
        """Write a soundings layer in the schema that all algorithms share.

        Parameters
        ----------
        soundings : Soundings or iterable of Soundings
            Parts of a large layer are written one after the other.
        count : int
            Soundings in all parts, for the progress.
        """
        if isinstance(soundings, Soundings):
            soundings, count = [soundings], len(soundings)
        times = []

        def rows():
            for part in _slices(soundings):
                times.append(part.time)
                converted = [
                    _to_attributes(getattr(part, attr), kind) for attr, kind in SCHEMA.values()
                ]
                finite = np.isfinite(part.x) & np.isfinite(part.y)
                for i, attributes in enumerate(zip(*converted)):
                    point = QgsGeometry(QgsPoint(part.x[i], part.y[i])) if finite[i] else None
                    yield point, list(attributes)

        self.features(
            name, [(f, kind) for f, (_, kind) in SCHEMA.items()], QgsWkbTypes.Type.Point, crs,
            rows(), style="soundings", count=count,
        )
        for folder, final, _, staged_for in self._staged:
            if staged_for == name and final.suffix.lower() == ".shp":
                self.feedback.pushWarning(
                    tr("A shapefile keeps neither times of day nor field names of more than ten "
                       "letters, so '{}' no longer says which corrections and which datum its "
                       "depths have. Work with a GeoPackage (.gpkg).").format(final.name)
                )
            if staged_for == name and times:
                restore_milliseconds(folder / final.name, "time", np.concatenate(times))

    def lines(self, name, lines: Lines, fields, crs, style=None, **options):
        """Write lines; ``fields`` lists (name, kind) of the attributes to write, in order."""
        columns = [_to_attributes(lines.attributes[field], kind) for field, kind in fields]

        def rows():
            for i, coords in enumerate(lines.coords):
                geometry = QgsGeometry(QgsLineString(coords[:, 0].tolist(), coords[:, 1].tolist()))
                yield geometry, [column[i] for column in columns]

        self.features(name, fields, QgsWkbTypes.Type.LineString, crs, rows(), style=style,
                      count=len(lines), **options)

    def areas(self, name, areas: Areas, fields, crs, style=None, **options):
        """Write polygons; ``fields`` as in :meth:`lines`."""
        columns = [_to_attributes(areas.attributes[field], kind) for field, kind in fields]

        def rows():
            for i, polygon in enumerate(areas.polygons):
                if polygon.geom_type == "Polygon":
                    polygon = MultiPolygon([polygon])
                geometry = QgsGeometry()
                geometry.fromWkb(polygon.wkb)
                yield geometry, [column[i] for column in columns]

        self.features(name, fields, QgsWkbTypes.Type.MultiPolygon, crs, rows(), style=style,
                      count=len(areas), **options)

    def table(self, name, fields, rows):
        """Write a table without geometry; each row is a list of values in field order."""
        self.features(name, fields, QgsWkbTypes.Type.NoGeometry, QgsCoordinateReferenceSystem(),
                      ((None, list(row)) for row in rows))

    # -- raster and other files -----------------------------------------------

    def surface(self, name, surface: Surface, crs, metadata=None):
        """Write a Lakefloor surface: depth, uncertainty and distance as three bands."""
        self.raster(name, [surface.depth, surface.uncertainty, surface.distance], BANDS, crs,
                    metadata, style="surface")

    @contextmanager
    def surface_parts(self, name, grid: Grid, crs, start: Path | None = None):
        """Write a Lakefloor surface part by part, into the :class:`RasterFile` that this yields."""
        path = self.algorithm.parameterAsOutputLayer(self.parameters, name, self.context)
        staged = self._stage(Path(path).absolute(), None, name)
        with RasterFile(staged, grid, BANDS, crs, start) as raster:
            yield raster
        self._styles.append((path, "surface", {}))
        self.results[name] = path

    def raster(self, name, grids: list[Grid], descriptions, crs, metadata=None, style=None,
               **options):
        """Write grids of one geometry as the bands of a raster."""
        if not self.wanted(name):
            return
        path = self.algorithm.parameterAsOutputLayer(self.parameters, name, self.context)
        final = Path(path).absolute()
        staged = self._stage(final, None, name)
        write_raster(staged, grids, descriptions, crs, metadata or {}, self._check)
        if style:
            self._styles.append((path, style, options))
        self.results[name] = path

    def file(self, name) -> Path:
        """Return where to write a file output, to be moved into place at the end."""
        path = self.algorithm.parameterAsFileOutput(self.parameters, name, self.context)
        self.results[name] = path
        return self._stage(Path(path).absolute(), None, name)

    def text(self, name, make):
        """Write a text that ``make()`` returns, in UTF-8, if that output was asked for."""
        if self.wanted(name):
            write_file(self.file(name), make().encode("utf-8"))

    def _check(self):
        if self.feedback.isCanceled():
            raise Cancelled


def _slices(parts):
    """Yield soundings in parts of which each is one look at cancel."""
    for part in parts:
        for start in range(0, len(part), _BATCH):
            yield part.select(slice(start, start + _BATCH))


def _without_formulas(rows):
    """Yield rows for a table of text in which no spreadsheet takes a text for a formula."""
    for geometry, attributes in rows:
        yield geometry, [as_text(v) if isinstance(v, str) else v for v in attributes]


def _to_attributes(values, kind) -> list:
    """Return attribute values of one column as QGIS takes them, NULL where there is none."""
    if kind == "datetime":
        return [to_qdatetime(v) for v in np.asarray(values, dtype="datetime64[ms]")]
    if kind == "text":
        return [None if v is None else str(v) for v in values]
    if kind == "int":
        return [None if v is None else int(v) for v in values]
    return [v if v == v else None for v in np.asarray(values, dtype=float).tolist()]


class RasterFile:
    """A raster that is written part by part; a GeoTIFF is tiled and compressed.

    Other formats are made from a GeoTIFF beside them when it is complete. One that begins as a
    copy of another raster, ``start``, has its geometry, bands and values.
    """

    def __init__(self, path: Path, grid: Grid, descriptions, crs, start: Path | None = None):
        driver = QgsRasterFileWriter.driverForExtension(path.suffix.lstrip(".")) or "GTiff"
        self._path, self._driver = path, driver
        self._file = path if driver == "GTiff" else path.with_name(f"{path.stem}.part.tif")
        # The cache counts as memory of the run, and its default grows with the computer.
        self._cache = gdal.GetCacheMax()
        gdal.SetCacheMax(min(self._cache, _MOST_CACHE))
        if start is not None:
            shutil.copyfile(start, self._file)
            self._dataset = gdal.Open(str(self._file), gdal.GA_Update)
            return
        rows, cols = grid.shape
        self._dataset = gdal.GetDriverByName("GTiff").Create(
            str(self._file), cols, rows, len(descriptions), gdal.GDT_Float32,
            # Measured on a depth surface: level 1 is written in half the time of level 6 and is
            # 2 % larger; with bands apart the depth alone is read in less than half the time.
            ["TILED=YES", "INTERLEAVE=BAND", "COMPRESS=DEFLATE", "PREDICTOR=3", "ZLEVEL=1",
             "BIGTIFF=IF_SAFER"],
        )
        if self._dataset is None:
            raise LakefloorError(tr("Cannot write the raster '{}'.").format(path.name))
        self._dataset.SetGeoTransform((grid.west, grid.dx, 0.0, grid.north, 0.0, -grid.dy))
        self._dataset.SetProjection(srs_wkt(crs))
        for number, description in enumerate(descriptions, start=1):
            band = self._dataset.GetRasterBand(number)
            band.SetDescription(description)
            band.SetNoDataValue(NODATA)

    def __enter__(self):
        return self

    def __exit__(self, kind, error, trace):
        try:
            # Closing writes the last blocks and the directory of the file.
            self._dataset = None
            if kind is None and self._driver != "GTiff":
                self._convert()
        finally:
            gdal.SetCacheMax(self._cache)
        return False

    def describe(self, metadata: dict, domain=""):
        """Set metadata items of the raster."""
        self._dataset.SetMetadata({key: str(value) for key, value in metadata.items()}, domain)

    def write(self, rows: slice, cols: slice, bands):
        """Write a part of every band; NaN is no data."""
        for number, values in enumerate(bands, start=1):
            values = np.where(np.isfinite(values), values, NODATA).astype(np.float32)
            failed = True
            # GDAL returns errors, or raises them once any plugin has asked it to.
            with suppress(RuntimeError):
                band = self._dataset.GetRasterBand(number)
                failed = band.WriteArray(values, cols.start, rows.start)
            if failed:
                raise LakefloorError(
                    tr("Cannot write the raster '{}'. Is the disk full?").format(self._path.name)
                )

    def _convert(self):
        made, why = None, ""
        try:
            made = gdal.GetDriverByName(self._driver).CreateCopy(
                str(self._path), gdal.Open(str(self._file))
            )
        except RuntimeError as error:
            why = f" ({str(error).strip()})"
        if made is None:
            raise LakefloorError(
                tr("GDAL cannot write '{}' as {}{}; choose a .tif file.").format(
                    self._path.name, self._driver, why)
            )
        made = None
        self._file.unlink()


def write_raster(path: Path, grids, descriptions, crs, metadata: dict, check=lambda: None):
    """Write grids of one geometry as a raster."""
    with RasterFile(path, grids[0], descriptions, crs) as raster:
        raster.describe(metadata)
        rows, cols = grids[0].shape
        for start in range(0, rows, 1024):
            check()
            part = slice(start, min(start + 1024, rows))
            raster.write(part, slice(0, cols), [grid.values[part] for grid in grids])


__all__ = ["NODATA", "Outputs", "RasterFile", "write_raster"]
