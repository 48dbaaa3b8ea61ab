"""Rows into the sinks of QGIS; into a new GeoPackage by columns, which is many times faster."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import NamedTuple

import numpy as np
from qgis.core import (
    NULL,
    QgsFeature,
    QgsFeatureSink,
    QgsGeometry,
    QgsPointXY,
    QgsProcessingException,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import QDateTime, Qt, QVariant

from .._i18n import tr
from ..core.errors import Cancelled, LakefloorError
from ..core.formulas import as_text
from .bulk_rows import insert_rows, table_in, takes
from .gdal_errors import strict, without_sql
from .values import to_attributes


class Written(NamedTuple):
    """The layer that was made, its number of rows, and whether SQLite wrote them as columns."""

    target: str
    count: int
    by_columns: bool


class LayerSink:
    """A sink of one output.

    Parameters
    ----------
    algorithm : QgsProcessingAlgorithm
    parameters : dict
        Of the run, with the place where the output is made.
    name, label : str
        Of the output.
    context : QgsProcessingContext
    feedback : QgsProcessingFeedback
    """

    def __init__(self, algorithm, parameters, name, label, context, feedback):
        self.algorithm = algorithm
        self.parameters = parameters
        self.name, self.label = name, label
        self.context, self.feedback = context, feedback

    def write(self, layer, parts, count=0, new=None) -> Written:
        """Write rows and close the sink.

        Parameters
        ----------
        layer : Layer
        parts : iterable of Rows
        count : int
            Of all rows, for the progress.
        new : Path, optional
            The file, where it is one that this run makes.

        Raises
        ------
        LakefloorError
            If they cannot be written in full.
        """
        progress = self._progress(count)
        try:
            # QGIS takes no error of GDAL's at closing.
            with strict():
                if new is not None and new.suffix.lower() == ".gpkg" and takes(layer):
                    # The sink is let go of, which closes the file.
                    target = self._made(layer)[1]
                    table = table_in(new, layer) if Path(target) == new else None
                    if table is not None:
                        count = insert_rows(
                            new, table, int(layer.wkb_type), parts, progress, layer.fields
                        )
                        return Written(target, count, True)
                sink, target = self._made(layer)
                return Written(target, self._fill(sink, layer, parts, target, progress), False)
        except (RuntimeError, sqlite3.Error) as error:
            raise self._failed(error) from error

    def _made(self, layer):
        try:
            sink, target = self.algorithm.parameterAsSink(
                self.parameters, self.name, self.context, layer.fields, layer.wkb_type, layer.crs
            )
        except QgsProcessingException as error:
            # Without the place where it was being made.
            reason = without_sql(str(error).rpartition("OGR error: ")[2]).strip().rstrip(")")
            raise LakefloorError(
                tr(
                    "'{}' cannot be written in that format ({}). If the disk is not full, choose a "
                    "GeoPackage (.gpkg)."
                ).format(self.label, reason)
            ) from error
        if sink is None:
            raise LakefloorError(self.algorithm.invalidSinkError(self.parameters, self.name))
        return sink, target

    def _fill(self, sink, layer, parts, target, progress):
        done, into_text = 0, str(target).lower().endswith(".csv")
        for rows in parts:
            features = _features(rows, layer, into_text)
            if not sink.addFeatures(features, QgsFeatureSink.Flag.FastInsert):
                raise self._failed(sink.lastError())
            done += rows.count
            progress(done)
        sink.flushBuffer()
        return done

    def _progress(self, count):
        def look(done):
            if self.feedback.isCanceled():
                raise Cancelled
            if count:
                self.feedback.setProgress(100.0 * done / count)

        return look

    def _failed(self, error):
        # Without the statement of SQL in which it failed.
        return LakefloorError(
            tr(
                "Cannot write '{}' ({}). Nothing was kept. See that the disk is not full, then run "
                "again."
            ).format(self.label, without_sql(str(error)).strip().rstrip(")"))
        )


def _features(rows, layer, into_text):
    """Return rows as features; in a table of text no spreadsheet takes a text for a formula."""
    columns = [_attributes(values, kind) for values, kind in zip(rows.columns, layer.kinds)]
    if into_text:
        columns = [[as_text(v) if isinstance(v, str) else v for v in c] for c in columns]
    else:
        columns = [_wrapped(c, kind) for c, kind in zip(columns, layer.kinds)]
    features = []
    for values in zip(*columns) if columns else [()] * rows.count:
        feature = QgsFeature(layer.fields)
        feature.setAttributes(list(values))
        features.append(feature)
    if rows.places is not None:
        for feature, geometry in zip(features, _geometries(rows.places, layer.wkb_type)):
            if geometry is not None:
                feature.setGeometry(geometry)
    return features


def _attributes(values, kind):
    if kind is None:
        return list(values)
    return _moments(values) if kind == "datetime" else to_attributes(values, kind)


def _moments(times):
    """Return times as QDateTime in UTC, NULL where there is none."""
    times = np.asarray(times, "datetime64[ms]")
    make, utc = QDateTime.fromMSecsSinceEpoch, Qt.TimeSpec.UTC
    numbers = zip(np.isnat(times).tolist(), times.astype(np.int64).tolist())
    return [NULL if lacking else make(ms, utc) for lacking, ms in numbers]


def _wrapped(values, kind):
    """Return values as QGIS keeps them: what occurs again is converted once, not for each row."""
    if kind in ("text", "int"):
        known = {value: NULL if value is None else QVariant(value) for value in set(values)}
        return [known[value] for value in values]
    return [NULL if value is None else value for value in values] if kind == "double" else values


def _geometries(places, wkb_type):
    placed = ~np.isnan(places.bounds[:, 0])
    if wkb_type == QgsWkbTypes.Type.Point:
        points = zip(placed.tolist(), *places.bounds[:, :2].T.tolist())
        make = QgsGeometry.fromPointXY
        return [make(QgsPointXY(x, y)) if here else None for here, x, y in points]
    geometries = []
    for here, wkb in zip(placed.tolist(), places.wkb):
        geometry = QgsGeometry() if here else None
        if here:
            geometry.fromWkb(wkb)
        geometries.append(geometry)
    return geometries
