"""The only place where results become files and layers.

Results are written to hidden folders beside their destinations, read again whole, and moved into
place together at the end, so that a cancelled or failed run leaves everything as it was.
"""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager, suppress
from itertools import repeat
from pathlib import Path

import numpy as np
from osgeo import gdal
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFeatureSink,
    QgsField,
    QgsFields,
    QgsGeometry,
    QgsLineString,
    QgsPoint,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingOutputLayerDefinition,
    QgsRasterFileWriter,
    QgsWkbTypes,
)
from shapely.geometry import MultiPolygon

from . import _styling
from ._compat import make_field, restore_milliseconds
from ._destinations import RASTER_MARK, Target, check_target, target_of
from ._gdal import done, made, strict, without_sql
from ._i18n import tr
from ._layers import BANDS, SCHEMA, spacing_item, srs_wkt, to_qdatetime
from ._named_crs import require_alive
from ._package import mark, put_tables
from ._staging import Staging, write_file
from ._whole import check_whole
from .core.errors import Cancelled, LakefloorError
from .core.formulas import as_text
from .core.grid import Areas, Grid, Lines, Surface
from .core.soundings import Soundings

NODATA = -9999.0
_BATCH = 2000
_PAGE = 20_000
_MOST_CACHE = 256 * 2**20


class Outputs:
    """The results of one run of an algorithm.

    Use as a context manager around the writing; leaving it without an error
    puts every file in place. ``results`` is what the algorithm returns.
    """

    def __init__(self, algorithm, parameters, context, feedback):
        self.algorithm = algorithm
        self.parameters = parameters
        self.context = context
        self.feedback = feedback
        self.results = {}
        self._staging = Staging()
        self._placed = False
        self._layers = []  # (source of the layer, layer definition, output name)
        self._written = {}  # staged vector files by output name
        self._counts = {}  # features by staged file
        self._tables = {}  # by GeoPackage, what put_tables takes
        self._styles = []

    def __enter__(self):
        return self

    def __exit__(self, kind, error, trace):
        with self._staging:
            if kind is None:
                self.place()
                self._staging.finish()
                self._tell()
        return False

    def place(self):
        """Put every file in place; if an error follows, leaving takes it back."""
        if self._placed:
            return
        self._placed = True
        for path in [path for path in self._tables if not path.exists()]:
            staged = self._staging.stage(path)
            put_tables(staged, self._tables.pop(path), staged)
        for staged, final in self._staging.parts():
            check_target(Target(final))
            if staged.suffix.lower() == ".gpkg":
                mark(staged)
            check_whole(staged, self._counts.get(staged), self._check)
        self._staging.move()
        for path, tables in self._tables.items():
            put_tables(path, tables, tables[0][1].with_name("copy.gpkg"), self._check)

    def _tell(self):
        """Tell QGIS about the layers that are now in place."""
        for source, definition, name in self._layers:
            if definition is not None and definition.destinationProject is not None:
                details = QgsProcessingContext.LayerDetails(
                    definition.destinationName or self._label(name),
                    definition.destinationProject, name,
                )
                self.context.addLayerToLoadOnCompletion(source, details)
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

    def _stage(self, final) -> Path:
        return self._staging.stage(Path(final).absolute())

    # -- vector -----------------------------------------------------------------

    def features(self, name, fields, wkb_type, crs, rows, style=None, count=0, **options):
        """Write features.

        Parameters
        ----------
        fields : list of (str, str) or QgsField
            Name and kind (``double``, ``int``, ``text``, ``datetime``), or a field as it is.
        rows : iterable of (QgsGeometry or None, list)
        style : str, optional
            Name of a style in :mod:`._styling`.
        """
        if not self.wanted(name):
            return
        require_alive(crs, self._label(name))
        qgs_fields = QgsFields()
        for field in fields:
            qgs_fields.append(field if isinstance(field, QgsField) else make_field(*field))
        parameters = dict(self.parameters)
        definition = self.parameters[name]
        if not isinstance(definition, QgsProcessingOutputLayerDefinition):
            definition = None
        target_file = target_of(self.algorithm, self.parameters, name, self.context)
        if target_file is not None:
            check_target(target_file)
            path = self._stage(target_file.path)
            if target_file.table is not None:
                path = path.parent.with_name("part.gpkg")
            staged = QgsProcessingOutputLayerDefinition(str(path))
            if definition is not None:
                staged.createOptions = definition.createOptions
            parameters[name] = staged
        try:
            # QGIS takes no error of GDAL's at closing.
            with strict():
                target, written = self._fill(parameters, name, qgs_fields, wkb_type, crs, rows,
                                             count)
        except RuntimeError as error:
            raise LakefloorError(
                tr("Cannot write '{}' ({}). Nothing was kept; is the disk full?").format(
                    self._label(name), error)
            ) from error
        if target_file is not None:
            made_as = path.parent / Path(target.partition("|")[0]).name
            if not path.exists() and made_as.name.startswith(f"{path.name}."):
                os.replace(made_as, path)  # QGIS adds what it thinks the ending should be
            self._written[name] = path
            target = self._keep(target_file, path, written)
            self._layers.append((target, definition, name))
        if style:
            self._styles.append((target, style, options))
        self.results[name] = target

    def _fill(self, parameters, name, fields, wkb_type, crs, rows, count):
        """Write features into a sink and close it; return its layer and their number."""
        try:
            sink, target = self.algorithm.parameterAsSink(
                parameters, name, self.context, fields, wkb_type, crs
            )
        except QgsProcessingException as error:
            # Without the place where it was being made.
            reason = without_sql(str(error).rpartition("OGR error: ")[2]).strip().rstrip(")")
            raise LakefloorError(
                tr("'{}' cannot be written in that format ({}). If the disk is not full, choose a "
                   "GeoPackage (.gpkg).").format(self._label(name), reason)
            ) from error
        if sink is None:
            raise LakefloorError(
                self.algorithm.invalidSinkError(self.parameters, name)
            )
        if str(target).lower().endswith(".csv"):
            rows = _without_formulas(rows)
        batch, i = [], -1
        for i, (geometry, attributes) in enumerate(rows):
            feature = QgsFeature(fields)
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
        return target, i + 1

    def _add(self, sink, batch, name):
        if self.feedback.isCanceled():
            raise Cancelled
        if batch and not sink.addFeatures(batch, QgsFeatureSink.Flag.FastInsert):
            # Without the statement of SQL in which it failed.
            reason = without_sql(sink.lastError()).strip().rstrip(")")
            raise LakefloorError(
                tr("Cannot write '{}' ({}). Nothing was kept; is the disk full?").format(
                    self._label(name), reason)
            )

    def _keep(self, target, path, count) -> str:
        """Note a vector file that was made; return the source of its layer once it is in place."""
        self._counts[path] = count
        if target.table is None:
            return str(target.path)
        check_whole(path, count, self._check)
        self._tables.setdefault(target.path, []).append((target.table, path, count))
        return f"{target.path}|layername={target.table}"

    def soundings(self, name, soundings, crs, count=0, given=None):
        """Write a soundings layer in the schema that all algorithms share.

        Parameters
        ----------
        soundings : Soundings or iterable of Soundings
            Parts of a large layer are written one after the other.
        count : int
            Soundings in all parts, for the progress.
        given : GivenRows, optional
            The rows that the soundings were read from: they keep their order and further fields.
        """
        order = slice(None) if given is None else given.back()
        if isinstance(soundings, Soundings):
            soundings, count = _pages(soundings, order), len(soundings)
        times = []
        more = repeat([]) if given is None else given.further_values()
        fields = [(f, kind) for f, (_, kind) in SCHEMA.items()]

        def rows():
            for part in _slices(soundings):
                times.append(part.time)
                converted = [
                    _to_attributes(getattr(part, attr), kind) for attr, kind in SCHEMA.values()
                ]
                finite = np.isfinite(part.x) & np.isfinite(part.y)
                # In this order, so that no further values are taken that belong to the next part.
                for i, (attributes, further) in enumerate(zip(zip(*converted), more)):
                    point = QgsGeometry(QgsPoint(part.x[i], part.y[i])) if finite[i] else None
                    yield point, [*attributes, *further]

        self.features(
            name, fields if given is None else fields + given.further_fields(),
            QgsWkbTypes.Type.Point, crs, rows(), style="soundings", count=count,
        )
        path = self._written.get(name)
        if path is not None and path.suffix.lower() == ".shp":
            self.feedback.pushWarning(
                tr("A shapefile keeps neither times of day nor field names of more than ten "
                   "letters, so '{}' no longer says which corrections and which datum its "
                   "depths have. Work with a GeoPackage (.gpkg).").format(path.name)
            )
        if path is not None and times:
            restore_milliseconds(path, "time", np.concatenate(times), self._check)

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
                    {**(metadata or {}), **spacing_item(surface.spacing)}, style="surface")

    @contextmanager
    def surface_parts(self, name, grid: Grid, crs, start: Path | None = None):
        """Write a Lakefloor surface part by part, into the :class:`RasterFile` that this yields."""
        path = self.algorithm.parameterAsOutputLayer(self.parameters, name, self.context)
        staged = self._stage(path)
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
        staged = self._stage(path)
        write_raster(staged, grids, descriptions, crs, metadata or {}, self._check)
        if style:
            self._styles.append((path, style, options))
        self.results[name] = path

    def file(self, name) -> Path:
        """Return where to write a file output, to be moved into place at the end."""
        path = self.algorithm.parameterAsFileOutput(self.parameters, name, self.context)
        self.results[name] = path
        return self._stage(path)

    def text(self, name, make):
        """Write a text that ``make()`` returns, in UTF-8, if that output was asked for."""
        if self.wanted(name):
            write_file(self.file(name), make().encode("utf-8"))

    def _check(self):
        if self.feedback.isCanceled():
            raise Cancelled


def _pages(soundings, order):
    """Yield soundings in an order, a page at a time, so that no column is there twice."""
    rows = np.arange(len(soundings))[order]
    for start in range(0, rows.size, _PAGE):
        yield soundings.select(rows[start : start + _PAGE])
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
    copy of another raster, ``start``, has its geometry, bands and values. One that is not
    ``marked`` does not say that Lakefloor wrote it.
    """

    def __init__(self, path: Path, grid: Grid, descriptions, crs, start: Path | None = None,
                 marked=True):
        driver = QgsRasterFileWriter.driverForExtension(path.suffix.lstrip(".")) or "GTiff"
        if driver == "VRT":
            # It would point to the GeoTIFF beside it, which is removed.
            raise LakefloorError(
                tr("'{}' would be a virtual raster, which holds no values of its own. Choose a "
                   ".tif file.").format(path.name))
        self._path, self._driver = path, driver
        self._mark = RASTER_MARK if marked else {}
        self._file = path if driver == "GTiff" else path.with_name(f"{path.stem}.part.tif")
        # The cache counts as memory of the run, and its default grows with the computer.
        self._cache = gdal.GetCacheMax()
        gdal.SetCacheMax(min(self._cache, _MOST_CACHE))
        try:
            with self._said():
                self._dataset = self._open(start) if start else self._make(grid, descriptions, crs)
        except BaseException:
            gdal.SetCacheMax(self._cache)
            raise

    def _open(self, start):
        shutil.copyfile(start, self._file)
        return made(gdal.Open(str(self._file), gdal.GA_Update))

    def _make(self, grid, descriptions, crs):
        rows, cols = grid.shape
        dataset = made(gdal.GetDriverByName("GTiff").Create(
            str(self._file), cols, rows, len(descriptions), gdal.GDT_Float32,
            # Measured on a depth surface: level 1 is written in half the time of level 6 and is
            # 2 % larger; with bands apart the depth alone is read in less than half the time.
            ["TILED=YES", "INTERLEAVE=BAND", "COMPRESS=DEFLATE", "PREDICTOR=3", "ZLEVEL=1",
             "BIGTIFF=IF_SAFER"],
        ))
        dataset.SetGeoTransform((grid.west, grid.dx, 0.0, grid.north, 0.0, -grid.dy))
        dataset.SetProjection(srs_wkt(crs))
        dataset.SetMetadata(self._mark)
        for number, description in enumerate(descriptions, start=1):
            band = dataset.GetRasterBand(number)
            band.SetDescription(description)
            band.SetNoDataValue(NODATA)
        return dataset

    @contextmanager
    def _said(self):
        """Raise what GDAL reports, at closing the file too, as a sentence."""
        try:
            with strict():
                yield
        except (RuntimeError, OSError) as error:
            raise LakefloorError(
                tr("Cannot write the raster '{}' ({}). Nothing was kept; is the disk full?").format(
                    self._path.name, getattr(error, "strerror", None) or str(error).strip())
            ) from error

    def __enter__(self):
        return self

    def __exit__(self, kind, error, trace):
        try:
            if kind is not None:
                with suppress(LakefloorError), self._said():
                    self._dataset = None
                return False
            # Closing writes the last blocks and the directory of the file.
            with self._said():
                self._dataset.FlushCache()
                self._dataset = None
            if self._driver != "GTiff":
                check_whole(self._file)
                self._convert()
        finally:
            gdal.SetCacheMax(self._cache)
        return False

    def describe(self, metadata: dict, domain=""):
        """Set metadata items of the raster."""
        items = {key: str(value) for key, value in metadata.items()}
        if not domain:
            items.update(self._mark)
        with self._said():
            self._dataset.SetMetadata(items, domain)

    def write(self, rows: slice, cols: slice, bands):
        """Write a part of every band; NaN is no data."""
        for number, values in enumerate(bands, start=1):
            values = np.where(np.isfinite(values), values, NODATA).astype(np.float32)
            with self._said():
                done(self._dataset.GetRasterBand(number).WriteArray(
                    values, cols.start, rows.start))

    def _convert(self):
        try:
            with strict():
                copy = made(gdal.GetDriverByName(self._driver).CreateCopy(
                    str(self._path), gdal.Open(str(self._file))))
                copy = None
                copy = made(gdal.Open(str(self._path)))
                for number in range(copy.RasterCount):
                    for row in range(copy.RasterYSize):
                        made(copy.GetRasterBand(number + 1).ReadRaster(
                            0, row, copy.RasterXSize, 1))
                copy = None
        except RuntimeError as error:
            raise LakefloorError(
                tr("GDAL cannot write '{}' as {} ({}). If the disk is not full, choose a .tif "
                   "file.").format(self._path.name, self._driver, str(error).strip())
            ) from error
        self._file.unlink()


def write_raster(path: Path, grids, descriptions, crs, metadata: dict, check=lambda: None,
                 marked=True):
    """Write grids of one geometry as a raster."""
    with RasterFile(path, grids[0], descriptions, crs, marked=marked) as raster:
        raster.describe(metadata)
        rows, cols = grids[0].shape
        for start in range(0, rows, 1024):
            check()
            part = slice(start, min(start + 1024, rows))
            raster.write(part, slice(0, cols), [grid.values[part] for grid in grids])


__all__ = ["NODATA", "Outputs", "RasterFile", "write_raster"]
