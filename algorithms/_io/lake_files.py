"""The files of a lake's folder that are made from what people have: shoreline and gauge readings."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from qgis.core import (
    QgsFeature,
    QgsFeatureRequest,
    QgsFeatureSink,
    QgsFields,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsVectorFileWriter,
    QgsVectorLayer,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import QDate, QDateTime, Qt, QTime

from .._i18n import tr
from ..core.correcting.gauge import GaugeFields
from ..core.errors import LakefloorError
from .features import read_table
from .gdal_errors import strict, without_sql
from .iterating import iterate
from .layer_crs import metric_crs
from .layer_kinds import require_kind
from .shoreline import read_polygon
from .staging import write_file
from .values import to_text

__all__ = ["has_values", "source_of", "write_gauge", "write_shoreline"]


def source_of(given):
    """Return the features of a layer, or of a vector file or table that is given by its path.

    Raises
    ------
    LakefloorError
        If the file holds none.
    """
    if not isinstance(given, (str, Path)):
        return given
    path = str(given)
    layer = QgsVectorLayer(path, Path(path.partition("|")[0]).stem, "ogr")
    if not layer.isValid():
        raise LakefloorError(
            tr("'{}' is no layer or table that QGIS can open. Choose another file.").format(path)
        )
    return layer


def write_shoreline(given, path: Path):
    """Write the polygons of a lake into a new GeoPackage, with their fields.

    Parameters
    ----------
    given : QgsFeatureSource, str or Path
    path : Path

    Raises
    ------
    LakefloorError
        If the layer is no shoreline (as :func:`.shoreline.read_polygon`), its CRS cannot be right,
        or it cannot be written.
    """
    source, context, feedback = (
        source_of(given),
        QgsProcessingContext(),
        QgsProcessingFeedback(False),
    )
    require_kind(source, "polygon", feedback)
    metric_crs(source.sourceCrs(), source.sourceExtent(), source.sourceName(), feedback)
    read_polygon(source, source.sourceCrs(), context, feedback)
    _write_multipart(source, path, "shoreline")


def _write_multipart(source, path: Path, table: str):
    """Write all features of a layer, as multipart ones, into the only table of a new GeoPackage.

    Raises
    ------
    LakefloorError
        If they are not there in full.
    """
    fields = QgsFields()
    columns = [i for i, f in enumerate(source.fields()) if f.name().lower() != "fid"]
    for index in columns:
        fields.append(source.fields()[index])
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName, options.layerName, options.fileEncoding = "GPKG", table, "UTF-8"
    context, feedback = QgsProcessingContext(), QgsProcessingFeedback(False)
    kind, count, wrong = QgsWkbTypes.multiType(source.wkbType()), 0, ""
    try:
        # QGIS takes no error of GDAL's at closing.
        with strict():
            writer = QgsVectorFileWriter.create(
                str(path), fields, kind, source.sourceCrs(), context.transformContext(), options
            )
            for feature in iterate(source, None, context, feedback):
                row = QgsFeature(fields)
                row.setAttributes([feature[i] for i in columns])
                geometry = feature.geometry()
                geometry.convertToMultiType()
                row.setGeometry(geometry)
                writer.addFeature(row, QgsFeatureSink.Flag.FastInsert)
                count += 1
            writer.flushBuffer()
            wrong = writer.errorMessage()
            writer = None  # closes the file
    except RuntimeError as error:
        wrong = without_sql(str(error))
    finally:
        writer = None
    copy = QgsVectorLayer(f"{path}|layername={table}", table, "ogr")
    if wrong or not copy.isValid() or copy.featureCount() != count:
        raise LakefloorError(
            tr(
                "Layer '{}' could not be copied in full ({}). Nothing was kept. Check that the disk "
                "has room, then run again."
            ).format(source.sourceName(), wrong or tr("it is incomplete"))
        )


def write_gauge(given, path: Path):
    """Write a table of gauge readings as delimited text, with all its columns.

    Raises
    ------
    LakefloorError
        If the table has no column that looks like a level, or like a time or visit.
    """
    source = source_of(given)
    columns = read_table(source, QgsProcessingFeedback(False))
    require_gauge(columns, source.sourceName())
    # A table of delimited text stays as people wrote it.
    if isinstance(given, (str, Path)) and Path(given).suffix.lower() in (".csv", ".txt"):
        write_file(path, Path(given).read_bytes())
        return
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(zip(*([_written(v) for v in values] for values in columns.values())))
    write_file(path, text.getvalue().encode("utf-8"))


def require_gauge(columns, name: str):
    """Refuse a table without gauge readings.

    Raises
    ------
    LakefloorError
    """
    GaugeFields().found_in(list(columns), name)
    if not any(values for values in columns.values()):
        raise LakefloorError(tr("Table '{}' is empty. Choose another.").format(name))


def _written(value):
    if isinstance(value, QDateTime) and value.timeSpec() != Qt.TimeSpec.LocalTime:
        value = value.toUTC()
    if isinstance(value, (QDate, QDateTime, QTime)):
        return to_text(value)
    return "" if value is None else value


def has_values(given, field: str) -> bool:
    """Say whether a layer, or a vector file, has a field with a value in any row."""
    layer = given if isinstance(given, QgsVectorLayer) else QgsVectorLayer(str(given), "", "ogr")
    if not layer.isValid() or layer.fields().lookupField(field) < 0:
        return False
    request = QgsFeatureRequest().setFilterExpression(f'"{field}" IS NOT NULL')
    request.setFlags(QgsFeatureRequest.Flag.NoGeometry).setLimit(1)
    return any(True for _ in layer.getFeatures(request))
