"""The only place where QGIS layers become arrays."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import numpy as np
from osgeo import gdal, osr
from qgis.core import (
    NULL,
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCoordinateTransformContext,
    QgsFeatureRequest,
    QgsPoint,
    QgsProcessingException,
    QgsUnitTypes,
)
from qgis.PyQt.QtCore import QDateTime, Qt
from shapely import wkb
from shapely.ops import unary_union
from shapely.validation import explain_validity

from ._compat import is_null
from ._i18n import tr
from .core.crs import utm_epsg
from .core.errors import Cancelled, LakefloorError
from .core.grid import Grid, Lines, Surface
from .core.soundings import ACCEPTED, Soundings

#: Field of the soundings layer -> (field of Soundings, kind).
SCHEMA = {
    "visit": ("visit", "text"),
    "lane": ("lane", "int"),
    "time": ("time", "datetime"),
    "raw_depth_m": ("raw_depth", "double"),
    "depth_m": ("depth", "double"),
    "uncert_m": ("uncert", "double"),
    "hardness": ("hardness", "double"),
    "water_temp_c": ("water_temp", "double"),
    "speed_ms": ("speed", "double"),
    "course_deg": ("course", "double"),
    "status": ("status", "text"),
    "corrections": ("corrections", "text"),
}

_NAT = int(np.datetime64("NaT", "ms").astype(np.int64))
# Looking these up takes longer than reading a time.
_LOCAL, _UTC = Qt.TimeSpec.LocalTime, Qt.TimeSpec.UTC


def metric_crs(crs, extent, layer_name: str, feedback) -> QgsCoordinateReferenceSystem:
    """Return ``crs`` where its unit is the metre, else the UTM zone of the extent's centre."""
    _require_crs(crs, layer_name)
    if not crs.isGeographic() and crs.mapUnits() == QgsUnitTypes.DistanceUnit.DistanceMeters:
        return crs
    if extent.isEmpty() and extent.isNull():
        raise LakefloorError(tr("Layer '{}' is empty.").format(layer_name))
    wgs84 = QgsCoordinateReferenceSystem("EPSG:4326")
    center = extent.center()
    if crs != wgs84:
        center = QgsCoordinateTransform(crs, wgs84, QgsCoordinateTransformContext()).transform(
            center
        )
    if crs.isGeographic() and not (abs(center.x()) <= 180.0 and abs(center.y()) <= 90.0):
        raise LakefloorError(
            tr("Layer '{}' is said to be in degrees ({}), but its positions are about {:.0f}, "
               "{:.0f}. Set the right CRS in its properties, then run again.").format(
                layer_name, crs.authid() or tr("custom CRS"), center.x(), center.y()
            )
        )
    target = QgsCoordinateReferenceSystem(
        f"EPSG:{utm_epsg(np.array([center.x()]), np.array([center.y()]))}"
    )
    feedback.pushInfo(
        tr("Layer '{}' ({}) is projected to {} ({}), so that lengths are metres.").format(
            layer_name, crs.authid() or tr("custom CRS"), target.authid(), target.description()
        )
    )
    return target


def _require_crs(crs, layer_name):
    if not crs.isValid():
        raise LakefloorError(
            tr("Layer '{}' has no coordinate reference system. Set the right one in its "
               "properties, then run again.").format(layer_name)
        )


def to_datetime64(value) -> np.datetime64:
    """Return a UTC instant; a time without zone is UTC by the project's contract."""
    return np.datetime64(_milliseconds(value), "ms")


def _milliseconds(value) -> int:
    if isinstance(value, QDateTime):
        if not value.isValid():
            return _NAT
        if value.timeSpec() == _LOCAL:
            value = QDateTime(value.date(), value.time(), _UTC)
        return value.toMSecsSinceEpoch()
    if is_null(value):
        return _NAT
    try:
        return int(np.datetime64(str(value).strip().rstrip("Z").replace(" ", "T", 1), "ms")
                   .astype(np.int64))
    except ValueError:
        return _NAT


def to_qdatetime(value):
    """Return a QDateTime in UTC, or NULL for NaT."""
    if np.isnat(value):
        return NULL
    return QDateTime.fromMSecsSinceEpoch(int(value.astype("datetime64[ms]").astype(np.int64)),
                                         Qt.TimeSpec.UTC)


def field_indexes(source, names) -> list:
    """Return where fields of a layer stand.

    Raises
    ------
    LakefloorError
        If the layer lacks one.
    """
    indexes = [source.fields().indexFromName(name) for name in names]
    if -1 in indexes:
        raise LakefloorError(
            tr("Layer '{}' has no field '{}'.").format(
                source.sourceName(), names[indexes.index(-1)])
        )
    return indexes


def _require_fields(source, needed):
    present = set(source.fields().names())
    missing = [name for name in needed if name not in present]
    if missing:
        raise LakefloorError(
            tr("Layer '{}' has no field {}. It needs the fields that Read logs or Soundings from "
               "point layer write; run one of them first.").format(
                source.sourceName(), ", ".join(f"'{name}'" for name in missing)
            )
        )


def read_soundings(source, context, feedback, crs=None, fields=None):
    """Read a soundings layer.

    Parameters
    ----------
    source : QgsProcessingFeatureSource
    crs : QgsCoordinateReferenceSystem, optional
        Where to project to; by default the layer's own, or UTM if that is not metric.
    fields : tuple of str, optional
        Fields of Soundings to read, all if None. The others are as if not logged, and take
        neither time nor memory.

    Returns
    -------
    soundings : Soundings
    crs : QgsCoordinateReferenceSystem

    Raises
    ------
    LakefloorError
        If a needed field or the CRS is missing, the layer is empty, or a number is none.
    """
    _require_fields(source, ("depth_m",))
    if source.featureCount() == 0:
        raise LakefloorError(tr("Layer '{}' holds no soundings.").format(source.sourceName()))
    _require_crs(source.sourceCrs(), source.sourceName())
    if crs is None:
        crs = metric_crs(source.sourceCrs(), source.sourceExtent(), source.sourceName(), feedback)
    names = source.fields().names()
    columns = [
        (names.index(name), name, attr, kind) for name, (attr, kind) in SCHEMA.items()
        if name in names and (fields is None or attr in fields)
    ]  # fmt: skip
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    request.setSubsetOfAttributes([index for index, *_ in columns])
    parts = {attr: [] for attr in ("x", "y", *(attr for *_, attr, _ in columns))}
    places, rows, texts, done = [], [], {}, 0

    def pack():
        nonlocal done
        if feedback.isCanceled():
            raise Cancelled
        x, y = np.array(places, dtype=float).reshape(-1, 2).T
        parts["x"].append(x.copy())
        parts["y"].append(y.copy())
        values = list(zip(*rows)) or [()] * len(names)
        for index, name, attr, kind in columns:
            try:
                packed = _column(values[index], attr, kind, texts)
            except ValueError:
                raise _not_a_number(source, name, values[index], done) from None
            parts[attr].append(packed)
        done += len(rows)
        places.clear()
        rows.clear()

    for feature in source.getFeatures(request):
        places.append(_position(feature))
        rows.append(feature.attributes())
        if len(rows) == _ROWS:
            pack()
    pack()
    # One column at a time, so that parts and wholes are never both there.
    known = {attr: np.concatenate(parts.pop(attr)) for attr in list(parts)}
    return _with_defaults(known), crs


#: Rows between two looks at cancel.
_ROWS = 4_000
_NOWHERE = (np.nan, np.nan)


def _position(feature) -> tuple:
    if not feature.hasGeometry():
        return _NOWHERE
    geometry = feature.geometry()
    point = geometry.constGet()
    if not isinstance(point, QgsPoint):
        point = point.geometryN(0) if point.numGeometries() else None
        if point is None:
            return _NOWHERE
    return point.x(), point.y()


def _with_defaults(known) -> Soundings:
    """Return soundings whose other fields are not logged: one value seen many times."""
    blank = vars(Soundings.build([np.nan], [np.nan], [np.nan]))
    n = len(known["x"])
    if "raw_depth" not in known:
        known["raw_depth"] = known["depth"].view()
        known["raw_depth"].flags.writeable = False
    return Soundings(**{**{k: np.broadcast_to(v, (n,)) for k, v in blank.items()}, **known})


def _column(values, attr, kind, texts):
    """Return an array of attribute values; ``texts`` keeps each text once for all parts."""
    if kind == "datetime":
        return np.array([_milliseconds(v) for v in values], dtype=np.int64).view("datetime64[ms]")
    if kind == "text":
        empty = ACCEPTED if attr == "status" else ""
        out = np.empty(len(values), dtype=object)
        for i, value in enumerate(values):
            text = value if type(value) is str else empty if is_null(value) else str(value)
            out[i] = texts.setdefault(text, text)
        return out
    if kind == "int":
        return np.array(
            [v if type(v) is int else 0 if is_null(v) else int(float(v)) for v in values],
            dtype=np.int32,
        )
    return np.array(
        [v if type(v) is float else np.nan if is_null(v) else float(v) for v in values],
        dtype=float,
    )


def _not_a_number(source, name, values, done) -> LakefloorError:
    """Return the error that names the first value of a field that is no number."""
    def is_number(value):
        try:
            return is_null(value) or float(value) == float(value)
        except (TypeError, ValueError):
            return False

    row, value = next((i, v) for i, v in enumerate(values, start=done + 1) if not is_number(v))
    return LakefloorError(
        tr("Layer '{}', row {}: field '{}' holds '{}', which is not a number. Mend it, or choose "
           "another field with Soundings from point layer.").format(
            source.sourceName(), row, name, value
        )
    )


def as_numbers(source, name, values) -> list:
    """Return the values of a field of a layer as float, NaN for None.

    Raises
    ------
    LakefloorError
        If one is not a number; the message names the row.
    """
    try:
        return [np.nan if value is None else float(value) for value in values]
    except (TypeError, ValueError):
        raise _not_a_number(source, name, values, 0) from None


def read_polygon(source, crs, context, feedback):
    """Read all polygons of a layer as one shapely geometry in ``crs``.

    Raises
    ------
    LakefloorError
        If a polygon is invalid (the message says where), or there is none.
    """
    _require_crs(source.sourceCrs(), source.sourceName())
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    request.setInvalidGeometryCheck(QgsFeatureRequest.InvalidGeometryCheck.GeometryNoCheck)
    parts = []
    for feature in source.getFeatures(request):
        if feedback.isCanceled():
            raise Cancelled
        if not feature.hasGeometry():
            continue
        shape = wkb.loads(bytes(feature.geometry().asWkb()))
        if not shape.is_valid:
            raise LakefloorError(
                tr("Layer '{}', feature {}: the polygon is not valid ({}). Mend it with the "
                   "vertex tool or 'Fix geometries', then run again.").format(
                    source.sourceName(), feature.id(), explain_validity(shape)
                )
            )
        if shape.area > 0.0:
            parts.append(shape)
    if not parts:
        raise LakefloorError(
            tr("Layer '{}' holds no polygon. Lines become one with 'Lines to polygons'.").format(
                source.sourceName()
            )
        )
    return unary_union(parts)


def read_lines(source, crs, context, feedback) -> list:
    """Read all lines of a layer in ``crs``, as arrays (k, 2), or (k, 3) where they carry Z."""
    _require_crs(source.sourceCrs(), source.sourceName())
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    lines = []
    for feature in source.getFeatures(request):
        if feedback.isCanceled():
            raise Cancelled
        for part in feature.geometry().constParts():
            has_z = part.is3D()
            lines.append(
                np.array([(p.x(), p.y(), p.z())[: 3 if has_z else 2] for p in part.vertices()])
            )
    return lines


def read_contours(source, crs, field, context, feedback) -> Lines:
    """Read lines with the number in a field as attribute ``depth``, NaN where it is none."""
    _require_crs(source.sourceCrs(), source.sourceName())
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    (index,) = field_indexes(source, [field])
    coords, depth = [], []
    for feature in source.getFeatures(request):
        if feedback.isCanceled():
            raise Cancelled
        value = feature.attributes()[index]
        try:
            number = np.nan if is_null(value) else float(value)
        except ValueError:
            number = np.nan
        for part in feature.geometry().constParts():
            coords.append(np.array([(p.x(), p.y()) for p in part.vertices()]))
            depth.append(number)
    return Lines(coords, {"depth": np.array(depth)})


def read_table(source, feedback) -> dict:
    """Read the attributes of a layer as a dict of field name to list (None for NULL)."""
    names = source.fields().names()
    columns = {name: [] for name in names}
    for feature in source.getFeatures():
        if feedback.isCanceled():
            raise Cancelled
        for name, value in zip(names, feature.attributes()):
            columns[name].append(None if is_null(value) else value)
    return columns


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
            "", dataset, format="MEM", srcSRS=layer.crs().toWkt(), dstSRS=crs.toWkt(),
            resampleAlg=resampling, outputType=gdal.GDT_Float64, dstNodata=float("nan"),
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
            tr("Raster '{}' cannot be read in full; its file is damaged. Make it anew.").format(
                name
            )
        )
    return values


def _numbers(band, name):
    """Return the values of a band, NaN where there is none."""
    values = _cells(band, name).astype(float)
    values[~np.isfinite(values) | (values == band.GetNoDataValue())] = np.nan
    return values


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
        ``uncertainty`` and ``distance`` are None where the raster has no such bands.
    crs : QgsCoordinateReferenceSystem
    metadata : dict of str to str
        The raster's own items, e.g. its datum.

    Raises
    ------
    LakefloorError
        If the raster has no CRS, is rotated or cannot be read, or most of its depths are negative.
    """
    dataset = _open(layer)
    crs = layer.crs()
    target = metric_crs(crs, layer.extent(), layer.name(), feedback)
    metadata = dataset.GetMetadata()
    names = [dataset.GetRasterBand(i + 1).GetDescription() for i in range(dataset.RasterCount)]
    if target != crs:
        dataset = _projected(dataset, layer, target, "bilinear")
    west, dx, skew_x, north, skew_y, dy = dataset.GetGeoTransform()
    if skew_x or skew_y or dy >= 0 or dx <= 0:
        raise LakefloorError(
            tr("Raster '{}' is rotated or not north-up; warp it with 'Warp (reproject)' first.")
            .format(layer.name())
        )

    def band(number):
        values = _numbers(dataset.GetRasterBand(number), layer.name())
        return Grid(values, west, north, dx, -dy)

    depth = band(1)
    known = np.isfinite(depth.values)
    # Land around a lake may be there as negative depth, and be larger than the lake.
    above, below = (np.count_nonzero(v) for v in (depth.values < 0.0, depth.values > 0.0))
    if of_depth and above > 50 * below:
        raise LakefloorError(
            tr("Nearly all cells of raster '{}' are negative. Depth is metres, positive down: if "
               "it holds elevations, subtract them from the water level with the raster "
               "calculator, then run again.").format(layer.name())
        )
    if not known.any():
        feedback.pushWarning(
            tr("Raster '{}' holds no depth: no cell of band 1 has a value.").format(layer.name())
        )
    lakefloor = names[:3] == list(BANDS)
    return (
        Surface(depth, band(2) if lakefloor else None, band(3) if lakefloor else None),
        target,
        metadata,
    )


#: Band descriptions of a Lakefloor surface, in order.
BANDS = ("depth (m)", "standard uncertainty (m)", "distance to the nearest sounding (m)")


#: Metadata domain and item in which a raster says how it was drawn.
RECORD_DOMAIN, RECORD_ITEM = "LAKEFLOOR", "RECORD"


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


def srs_wkt(crs) -> str:
    """Return the WKT that GDAL writes into a raster."""
    srs = osr.SpatialReference()
    if crs.authid().startswith("EPSG:"):
        srs.ImportFromEPSG(int(crs.authid().split(":")[1]))
    else:
        srs.ImportFromWkt(crs.toWkt())
    return srs.ExportToWkt()


def source(algorithm, parameters, name, context):
    """Return the feature source of a parameter, or raise the standard error if it has none."""
    found = algorithm.parameterAsSource(parameters, name, context)
    if found is None:
        raise QgsProcessingException(algorithm.invalidSourceError(parameters, name))
    return found


def optional_source(algorithm, parameters, name, context):
    """Return the feature source of an optional parameter, or None where it was left empty."""
    return source(algorithm, parameters, name, context) if parameters.get(name) else None


def read_points(source, crs, names, context, feedback):
    """Read every point of a layer and some of its fields.

    Parameters
    ----------
    source : QgsProcessingFeatureSource
    crs : QgsCoordinateReferenceSystem
        Where to project to.
    names : list of str
        Fields to read.

    Returns
    -------
    x, y, z : array, shape (n,)
        A feature without geometry gives one row of NaN, a multipoint one row a point.
    columns : dict of str to list
        None for NULL; dates and times as ISO 8601 text with what zone they state.

    Raises
    ------
    LakefloorError
        If the layer lacks a field or a CRS.
    """
    _require_crs(source.sourceCrs(), source.sourceName())
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    indexes = field_indexes(source, names)
    places, columns = [], {name: [] for name in names}
    for i, feature in enumerate(source.getFeatures(request)):
        if i % 1000 == 0 and feedback.isCanceled():
            raise Cancelled
        points = [
            (p.x(), p.y(), p.z() if p.is3D() else np.nan) for p in feature.geometry().vertices()
        ] or [(np.nan, np.nan, np.nan)]
        places += points
        attributes = feature.attributes()
        for name, index in zip(names, indexes):
            value = attributes[index]
            if is_null(value):
                value = None
            elif isinstance(value, QDateTime):
                value = value.toString(Qt.DateFormat.ISODateWithMs)
            columns[name] += [value] * len(points)
    x, y, z = np.array(places, dtype=float).reshape(-1, 3).T
    return x, y, z, columns


def read_shapes(source, crs, names, context, feedback) -> tuple:
    """Read the geometries of a layer as shapely shapes in ``crs``, with some of its fields.

    Parameters
    ----------
    source : QgsProcessingFeatureSource
    names : list of str
        Fields to read; those that the layer does not have are left out.

    Returns
    -------
    shapes : list of shapely geometry
        Single parts; features without geometry are left out.
    columns : dict of str to list
        Numbers as float, NaN for NULL; texts as str, empty for NULL.
    """
    _require_crs(source.sourceCrs(), source.sourceName())
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    request.setInvalidGeometryCheck(QgsFeatureRequest.InvalidGeometryCheck.GeometryNoCheck)
    fields = source.fields()
    indexes = {name: fields.indexFromName(name) for name in names if name in fields.names()}
    shapes, columns = [], {name: [] for name in indexes}
    for i, feature in enumerate(source.getFeatures(request)):
        if i % 1000 == 0 and feedback.isCanceled():
            raise Cancelled
        if not feature.hasGeometry():
            continue
        whole = wkb.loads(bytes(feature.geometry().asWkb()))
        attributes = feature.attributes()
        for part in getattr(whole, "geoms", [whole]):
            if part.is_empty:
                continue
            shapes.append(part)
            for name, index in indexes.items():
                value = attributes[index]
                if fields.at(index).isNumeric():
                    columns[name].append(np.nan if is_null(value) else float(value))
                else:
                    columns[name].append("" if is_null(value) else str(value))
    return shapes, columns


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
    west, dx, skew_x, north, skew_y, dy = dataset.GetGeoTransform()
    if skew_x or skew_y or dy >= 0 or dx <= 0:
        raise LakefloorError(
            tr("Raster '{}' is rotated or not north-up; warp it with 'Warp (reproject)' first.")
            .format(layer.name())
        )
    grids = []
    for number in range(1, dataset.RasterCount + 1):
        values = _numbers(dataset.GetRasterBand(number), layer.name())
        grids.append(Grid(values, west, north, dx, -dy))
    return grids
