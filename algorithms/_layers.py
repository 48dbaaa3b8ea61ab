"""The only place where QGIS layers become arrays."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from osgeo import gdal, osr
from qgis.core import (
    NULL,
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCoordinateTransformContext,
    QgsFeatureRequest,
    QgsField,
    QgsPoint,
    QgsProcessingException,
    QgsUnitTypes,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP, QDate, QDateTime, Qt, QTime
from shapely import wkb
from shapely.ops import unary_union
from shapely.validation import explain_validity

from ._compat import is_null
from ._i18n import tr
from ._named_crs import require_alive
from .core.crs import utm_epsg
from .core.errors import Cancelled, LakefloorError
from .core.formulas import from_text
from .core.grid import Grid, Lines, Surface
from .core.soundings import ACCEPTED, SCHEMA, Soundings
from .core.track import logged_order

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
    require_alive(crs, layer_name)


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
        # Shapefiles have no type for a time: QGIS writes 2026/05/14 14:00:00.250 there.
        text = str(value).strip().rstrip("Z").replace("/", "-").replace(" ", "T", 1)
        return int(np.datetime64(text, "ms").astype(np.int64))
    except ValueError:
        return _NAT


def to_text(value) -> str:
    """Return an attribute as text; GDAL makes dates of names like 2025-05-17 in some formats."""
    if isinstance(value, QDateTime):
        return value.toString(Qt.DateFormat.ISODateWithMs)
    if isinstance(value, (QDate, QTime)):
        return value.toString(Qt.DateFormat.ISODate)
    return str(value)


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


@dataclass(frozen=True)
class GivenRows:
    """The rows of a layer as they were given, so that what is written has them in their order.

    Attributes
    ----------
    source : QgsProcessingFeatureSource
    order : int array, shape (n,)
        The row as given, from 0, of each sounding; the points of a multipoint share one.
    ids : int array, shape (m,)
        Feature id of each row as given.
    """

    source: object
    order: np.ndarray
    ids: np.ndarray

    def back(self) -> np.ndarray:
        """Return the soundings' numbers, shape (n,), in the order of the rows as given."""
        return np.argsort(self.order, kind="stable")

    def further_fields(self) -> list[QgsField]:
        """Return the layer's own fields, those that soundings do not have."""
        return [self.source.fields()[index] for index in self._indexes()]

    def further_values(self):
        """Yield for each sounding, in the order of the rows as given, its values of these fields.

        Raises
        ------
        LakefloorError
            If the layer is no longer as it was when the soundings were read.
        """
        indexes, rows = self._indexes(), np.sort(self.order)
        if not indexes:
            for _ in rows:
                yield []
            return
        request = QgsFeatureRequest().setFlags(QgsFeatureRequest.Flag.NoGeometry)
        request.setSubsetOfAttributes(indexes)
        at = 0
        for row, feature in enumerate(self.source.getFeatures(request)):
            if row >= self.ids.size or feature.id() != self.ids[row]:
                break
            while at < rows.size and rows[at] == row:
                values = feature.attributes()
                yield [values[index] for index in indexes]
                at += 1
        if at < rows.size:
            raise LakefloorError(
                tr("Layer '{}' was changed while it was read. Run again.").format(
                    self.source.sourceName())
            )

    def _indexes(self) -> list:
        # The number of a feature in its file is no value of the user's.
        known = {*SCHEMA, "fid"}
        names = self.source.fields().names()
        return [i for i, name in enumerate(names) if name.lower() not in known]


def read_soundings(source, context, feedback, crs=None, fields=None):
    """Read a soundings layer, in the order of :func:`.core.track.logged_order`.

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
    return read_given(source, context, feedback, crs, fields)[:2]


def read_given(source, context, feedback, crs=None, fields=None):
    """Read a soundings layer as :func:`read_soundings`, to write it in the order given.

    Returns
    -------
    soundings : Soundings
    crs : QgsCoordinateReferenceSystem
    given : GivenRows
    """
    _require_fields(source, ("depth_m",))
    if source.featureCount() == 0:
        raise LakefloorError(tr("Layer '{}' holds no soundings.").format(source.sourceName()))
    _require_crs(source.sourceCrs(), source.sourceName())
    if crs is None:
        crs = metric_crs(source.sourceCrs(), source.sourceExtent(), source.sourceName(), feedback)
    names = _full_names(source.fields().names())
    columns = [
        (names.index(name), name, attr, kind) for name, (attr, kind) in SCHEMA.items()
        if name in names and (fields is None or attr in fields or attr in _ORDERING)
    ]  # fmt: skip
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    request.setSubsetOfAttributes([index for index, *_ in columns])
    parts = {attr: [] for attr in ("x", "y", *(attr for *_, attr, _ in columns))}
    places, rows, numbers, ids, texts, done = [], [], [], [], {}, 0

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
        ids.append(np.array(numbers, dtype=np.int64))
        done += len(rows)
        for each in (places, rows, numbers):
            each.clear()

    for feature in source.getFeatures(request):
        places.append(_position(feature))
        rows.append(feature.attributes())
        numbers.append(feature.id())
        if len(rows) == _ROWS:
            pack()
    pack()
    # One column at a time, so that parts and wholes are never both there.
    known = {attr: np.concatenate(parts.pop(attr)) for attr in list(parts)}
    order = logged_order(_with_defaults(known))
    if fields is not None:
        for attr in known.keys() & _ORDERING - set(fields):
            del known[attr]
    if (order[1:] < order[:-1]).any():
        for attr in known:
            known[attr] = known[attr][order]
    return _with_defaults(known), crs, GivenRows(source, order, np.concatenate(ids))


def _full_names(names):
    """Return names of fields as they were before a shapefile cut them to ten characters."""
    cut = {name[:10]: name for name in SCHEMA if name not in names}
    return [cut.get(name, name) for name in names]


#: What tells the order of logging, whatever else is asked for.
_ORDERING = {"visit", "time"}
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
    """Return an array of attribute values; ``texts`` keeps each text once for all parts.

    A text is taken as it was before a table of text marked it as no formula.
    """
    if kind == "datetime":
        return np.array([_milliseconds(v) for v in values], dtype=np.int64).view("datetime64[ms]")
    if kind == "text":
        empty = ACCEPTED if attr == "status" else ""
        out = np.empty(len(values), dtype=object)
        for i, value in enumerate(values):
            text = value if type(value) is str else empty if is_null(value) else to_text(value)
            if text not in texts:
                texts[text] = from_text(text)
            out[i] = texts[text]
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


#: So many polygons may be one lake: its basins, or ponds that are surveyed together.
_MOST_BASINS = 30
#: Fields by which a layer is known as one of Lakefloor's that parts a lake.
_PARTS_OF_A_LAKE = {
    ("depth_from_m", "depth_to_m"): QT_TRANSLATE_NOOP("@default", "depth areas"),
    ("form", "relief_m"): QT_TRANSLATE_NOOP("@default", "bottom forms"),
    ("bottom", "area_m2", "share"): QT_TRANSLATE_NOOP("@default", "areas of bottom type"),
    ("drawdown_m", "area_m2"): QT_TRANSLATE_NOOP("@default", "areas that fall dry"),
}


def read_polygon(source, crs, context, feedback, of_lake=True):
    """Read all polygons of a layer as one shapely geometry in ``crs``.

    Parameters
    ----------
    of_lake : bool
        Whether they must be the water of a lake: basins that lie apart, not its parts by depth.

    Raises
    ------
    LakefloorError
        If a polygon is invalid (the message says where), there is none, or they are no lake.
    """
    _require_crs(source.sourceCrs(), source.sourceName())
    if of_lake:
        _refuse_parts_of_a_lake(source)
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    request.setInvalidGeometryCheck(QgsFeatureRequest.InvalidGeometryCheck.GeometryNoCheck)
    parts, numbers = [], []
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
            numbers.append(feature.id())
    if not parts:
        raise LakefloorError(
            tr("Layer '{}' holds no polygon. Lines become one with 'Lines to polygons'.").format(
                source.sourceName()
            )
        )
    if of_lake:
        _refuse_what_is_no_lake(source, parts, numbers)
    return unary_union(parts)


def require_lake(layer):
    """Refuse a layer whose polygons are parts of a lake, or lie on one another.

    Unlike :func:`read_polygon` it lets polygons pass that are not valid.
    """
    _refuse_parts_of_a_lake(layer)
    found = [
        (wkb.loads(bytes(feature.geometry().asWkb())), feature.id())
        for feature in layer.getFeatures() if feature.hasGeometry()
    ]
    found = [(shape, number) for shape, number in found if shape.is_valid]
    _refuse_what_is_no_lake(layer, *([each[k] for each in found] for k in (0, 1)))


def _refuse_parts_of_a_lake(source):
    count = source.featureCount()
    for fields, word in _PARTS_OF_A_LAKE.items():
        if count != 1 and set(fields) <= set(source.fields().names()):
            raise LakefloorError(
                tr("Layer '{}' holds {}, not a shoreline. Choose the layer with the polygon of the "
                   "lake.").format(source.sourceName(), tr(word))
            )
    if count > _MOST_BASINS:
        raise LakefloorError(
            tr("Layer '{}' holds {} polygons, too many for one lake. Select the polygon of your "
               "lake and tick 'Selected features only', or choose another layer.").format(
                source.sourceName(), count)
        )


def _refuse_what_is_no_lake(source, parts, numbers):
    """Refuse polygons that lie on one another, or side by side as the ranges of a depth do."""
    by_depth = any("depth" in name.lower() for name in source.fields().names())
    for i, a in enumerate(parts):
        for j in range(i + 1, len(parts)):
            b = parts[j]
            if not a.intersects(b):
                continue
            common, least, most = a.intersection(b).area, *sorted((a.area, b.area))
            # One polygon drawn twice is still that polygon.
            if 0.001 * least < common < 0.999 * most:
                raise LakefloorError(
                    tr("Layer '{}' is no shoreline: its features {} and {} overlap. Islands must "
                       "be holes in the lake's polygon ('Difference' cuts them out); keep one "
                       "polygon for each basin.").format(
                        source.sourceName(), numbers[i], numbers[j])
                )
            if by_depth and a.boundary.intersection(b.boundary).length > 0.0:
                raise LakefloorError(
                    tr("Layer '{}' is no shoreline: it has a field of depth, and its features {} "
                       "and {} lie side by side. Choose the layer with the polygon of the lake, "
                       "or make it with 'Dissolve'.").format(
                        source.sourceName(), numbers[i], numbers[j])
                )


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
            if isinstance(value, str):
                value = from_text(value)
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
    dataset = _open(layer)  # owns its bands
    described = dataset.GetRasterBand(1).GetDescription()
    known = {description: kind for kind, (_, *all_) in CONTENTS.items() for description in all_}
    if known.get(described, wanted) != wanted:
        raise LakefloorError(
            tr("Raster '{}' holds '{}', but {} is needed here. Choose another raster.").format(
                layer.name(), described, tr(CONTENTS[wanted][0]))
        )


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
        Surface(
            depth, band(2) if lakefloor else None, band(3) if lakefloor else None,
            _spacing(metadata),
        ),
        target,
        metadata,
    )


#: Band descriptions of a Lakefloor surface, in order.
BANDS = ("depth (m)", "standard uncertainty (m)", "distance to the nearest sounding (m)")

#: What a raster of Lakefloor holds: its name, and how its band 1 describes itself.
CONTENTS = {
    "depth": (QT_TRANSLATE_NOOP("@default", "depth"), BANDS[0]),
    "slope": (QT_TRANSLATE_NOOP("@default", "bottom slope"), "slope (degrees)",
              "slope (percent)"),
    "hardness": (QT_TRANSLATE_NOOP("@default", "bottom type"), "relative hardness"),
    "forms": (QT_TRANSLATE_NOOP("@default", "bottom forms"), "bottom form (code)"),
    "difference": (QT_TRANSLATE_NOOP("@default", "a difference of depths"), "change of depth (m)",
                   "general less detail (m)"),
    "likeness": (QT_TRANSLATE_NOOP("@default", "likeness or score"), "similarity (0 to 1)",
                 "score (0 to 1)"),
}


#: Metadata item in which a surface says what standard uncertainty all its depths have in
#: common, a share of depth.
COMMON_SHARE_ITEM = "COMMON_UNCERT_SHARE"


def common_share(metadata) -> float:
    """Return the standard uncertainty that all depths of a surface share; 0 where it says none."""
    try:
        share = float(metadata.get(COMMON_SHARE_ITEM, ""))
    except ValueError:
        return 0.0
    return share if 0.0 < share < 1.0 else 0.0


#: Metadata item in which a raster says with which lane spacing it was drawn, m.
SPACING_ITEM = "LANE_SPACING_M"


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
    require_alive(crs, tr("the result"))
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
    """Read every point of a layer and some of its fields: what :func:`read_given_points` does,
    without the rows.
    """
    return read_given_points(source, crs, names, context, feedback)[:4]


def read_given_points(source, crs, names, context, feedback):
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
    given : GivenRows

    Raises
    ------
    LakefloorError
        If the layer lacks a field or a CRS.
    """
    _require_crs(source.sourceCrs(), source.sourceName())
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    indexes = field_indexes(source, names)
    places, columns, ids, order = [], {name: [] for name in names}, [], []
    for i, feature in enumerate(source.getFeatures(request)):
        if i % 1000 == 0 and feedback.isCanceled():
            raise Cancelled
        points = [
            (p.x(), p.y(), p.z() if p.is3D() else np.nan) for p in feature.geometry().vertices()
        ] or [(np.nan, np.nan, np.nan)]
        places += points
        ids.append(feature.id())
        order += [i] * len(points)
        attributes = feature.attributes()
        for name, index in zip(names, indexes):
            value = attributes[index]
            if is_null(value):
                value = None
            elif isinstance(value, (QDate, QDateTime, QTime)):
                value = to_text(value)
            elif isinstance(value, str):
                value = from_text(value)
            columns[name] += [value] * len(points)
    x, y, z = np.array(places, dtype=float).reshape(-1, 3).T
    rows = GivenRows(source, np.array(order, dtype=np.intp), np.array(ids, dtype=np.int64))
    return x, y, z, columns, rows


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
                    columns[name].append("" if is_null(value) else to_text(value))
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
