"""The only place where the values and layers that a user gives become numbers and arrays."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from qgis.core import (
    QgsCoordinateTransform,
    QgsFeatureSource,
    QgsProcessingException,
    QgsProcessingFeatureSourceDefinition,
    QgsProcessingFeedback,
    QgsProperty,
    QgsRasterLayer,
)
from qgis.PyQt.QtCore import Qt

from .._compat import is_null
from .._i18n import tr
from ..core.errors import Cancelled, LakefloorError
from ..core.units import LENGTH, UNIT_OF_WORDS
from . import features, rasters, soundings_layer
from .layer_crs import metric_crs
from .layer_of import remember_layer
from .params import INPUT, SHORELINE
from .shoreline import read_cut_edge, read_polygon
from .time_zones import zone


class Inputs:
    """What one run of an algorithm was given, by the names of its parameters.

    The mirror of :class:`.outputs.Outputs`: bound once to the algorithm's parameters, context and
    feedback. What may be left empty and was, is None.
    """

    def __init__(self, algorithm, parameters, context, feedback=None):
        self.algorithm = algorithm
        self.parameters = parameters
        self.context = context
        self.feedback = feedback or QgsProcessingFeedback(False)

    # -- what is said to the user ----------------------------------------------------

    def say(self, text: str):
        """Write a line into the log."""
        self.feedback.pushInfo(text)

    def warn(self, text: str):
        """Write a warning into the log."""
        self.feedback.pushWarning(text)

    def check_cancel(self):
        """Raise Cancelled if the user asked to stop."""
        if self.feedback.isCanceled():
            raise Cancelled

    def progress(self, fraction: float):
        """Report the progress, 0 to 1, and honor cancel; core routines call it once a block."""
        self.check_cancel()
        self.feedback.setProgress(100.0 * fraction)

    # -- values ------------------------------------------------------------------------

    def given(self, name: str) -> bool:
        """Return whether a parameter has a value; an empty text counts as none."""
        definition = self.algorithm.parameterDefinition(name)
        value = self.parameters.get(name, definition.defaultValue() if definition else None)
        if isinstance(value, QgsProperty):
            value, _ = value.value(self.context.expressionContext())
        return not is_null(value) and str(value).strip() != ""

    def label(self, name: str) -> str:
        """Return how the dialog names a parameter."""
        return self.algorithm.parameterDefinition(name).description()

    def number(self, name: str):
        """Return a number as float."""
        return self._if_given(self.algorithm.parameterAsDouble, name)

    def integer(self, name: str):
        """Return a whole number."""
        return self._if_given(self.algorithm.parameterAsInt, name)

    def depth(self, name: str, unit: str = "UNIT"):
        """Return a number that is given in the depth unit, m."""
        value = self.number(name)
        return None if value is None else value * LENGTH[self.unit(unit)]

    def flag(self, name: str) -> bool:
        """Return whether a box is ticked."""
        return self._read(self.algorithm.parameterAsBool, name)

    def text(self, name: str) -> str:
        """Return a text, '' if empty."""
        return self._read(self.algorithm.parameterAsString, name)

    def choice(self, name: str) -> str:
        """Return the chosen words of a drop-down."""
        return self._read(self.algorithm.parameterAsEnumString, name)

    def unit(self, name: str = "UNIT") -> str:
        """Return a chosen unit of length as a key of :data:`.core.units.LENGTH`, such as 'ft'.

        Words that are no unit, such as 'as stated', come back as they are.
        """
        words = self.choice(name)
        return UNIT_OF_WORDS.get(words, words)

    def file(self, name: str):
        """Return the path of a file or folder."""
        path = self._read(self.algorithm.parameterAsFile, name)
        return Path(path) if path else None

    def files(self, name: str) -> list:
        """Return the paths of a list of files."""
        # QGIS makes one empty path of no files.
        return [path for path in self._read(self.algorithm.parameterAsFileList, name) if path]

    def destination(self, name: str) -> str:
        """Return where a file output is to be written; '' if it was not asked for."""
        return self._read(self.algorithm.parameterAsFileOutput, name)

    def matrix(self, name: str) -> list:
        """Return the cells of a table, row by row."""
        return list(self._read(self.algorithm.parameterAsMatrix, name))

    def crs(self, name: str):
        """Return a QgsCoordinateReferenceSystem, which is not valid if it was left empty."""
        return self._read(self.algorithm.parameterAsCrs, name)

    def extent(self, name: str, crs):
        """Return a QgsRectangle in ``crs``, which is null if it was left empty."""
        return self.algorithm.parameterAsExtent(self.parameters, name, self.context, crs)

    def point(self, name: str, crs):
        """Return a place in ``crs``, shape (2,)."""
        if self._optional(name) and not self.given(name):
            return None
        place = self.algorithm.parameterAsPoint(self.parameters, name, self.context, crs)
        return np.array([place.x(), place.y()])

    def day(self, name: str):
        """Return a day as datetime64[D].

        Raises
        ------
        LakefloorError
            If what was given is no date.
        """
        if self._optional(name) and not self.given(name):
            return None
        day = self._read(self.algorithm.parameterAsDateTime, name).date()
        if not day.isValid():
            raise LakefloorError(
                tr("'{}' is no date. Write it as 2026-05-14.").format(self.parameters[name])
            )
        return np.datetime64(day.toString(Qt.DateFormat.ISODate), "D")

    def moment(self, name: str):
        """Return a date and time as datetime64[ms] in UTC; one that states no zone is in UTC.

        Raises
        ------
        LakefloorError
            If what was given is no date and time.
        """
        if self._optional(name) and not self.given(name):
            return None
        moment = self._read(self.algorithm.parameterAsDateTime, name)
        if not moment.isValid():
            raise LakefloorError(
                tr("'{}' is no date and time. Write it as 2026-05-14T14:30:00.").format(
                    self.parameters[name]
                )
            )
        if moment.timeSpec() == Qt.TimeSpec.OffsetFromUTC:
            moment = moment.toUTC()
        text = f"{moment.date().toString(Qt.DateFormat.ISODate)}T"
        text += moment.time().toString(Qt.DateFormat.ISODateWithMs)
        return np.datetime64(text, "ms")

    def time_zone(self, name: str):
        """Return a time zone as tzinfo; raise LakefloorError if its name is not known."""
        return zone(self.text(name))

    def _if_given(self, read, name):
        if self._optional(name) and not self.given(name):
            return None
        return self._read(read, name)

    def _read(self, read, name):
        return read(self.parameters, name, self.context)

    def _optional(self, name) -> bool:
        definition = self.algorithm.parameterDefinition(name)
        return definition is None or bool(definition.flags() & definition.Flag.FlagOptional)

    # -- layers ------------------------------------------------------------------------

    # A layer that is at hand already may be given in place of the name of its parameter.

    def source(self, name: str | QgsFeatureSource = INPUT):
        """Return the features of a layer as a QgsProcessingFeatureSource."""
        if isinstance(name, QgsFeatureSource):
            return name
        if self._optional(name) and not self.parameters.get(name):
            return None
        found = self._read(self.algorithm.parameterAsSource, name)
        if found is None:
            raise QgsProcessingException(self.algorithm.invalidSourceError(self.parameters, name))
        value = self.parameters.get(name)
        of = value.source if isinstance(value, QgsProcessingFeatureSourceDefinition) else value
        layer = self.algorithm.parameterAsVectorLayer({name: of}, name, self.context)
        if layer is not None:
            remember_layer(found, layer, value)
        return found

    def raster(self, name: str | QgsRasterLayer = INPUT):
        """Return a raster layer."""
        if isinstance(name, QgsRasterLayer):
            return name
        if self._optional(name) and not self.parameters.get(name):
            return None
        layer = self._read(self.algorithm.parameterAsRasterLayer, name)
        if layer is None:
            raise QgsProcessingException(self.algorithm.invalidRasterError(self.parameters, name))
        return layer

    def vector(self, name: str):
        """Return a vector layer."""
        if self._optional(name) and not self.parameters.get(name):
            return None
        return self._read(self.algorithm.parameterAsVectorLayer, name)

    def layers(self, name: str) -> list:
        """Return a list of layers of any kind."""
        return self._read(self.algorithm.parameterAsLayerList, name)

    def soundings(self, name: str = INPUT, crs=None, fields=None) -> tuple:
        """Return soundings and their CRS, as :func:`.soundings_layer.read_soundings`."""
        return self.given_soundings(name, crs, fields)[:2]

    def given_soundings(self, name: str = INPUT, crs=None, fields=None) -> tuple:
        """Return soundings, CRS and the rows as given, to write them back in their order."""
        return soundings_layer.read_given(
            self.source(name), self.context, self.feedback, crs, fields
        )

    def surface(self, name: str = INPUT, of_depth=True) -> tuple:
        """Return a surface, its CRS and its metadata, as :func:`.rasters.read_raster`."""
        return rasters.read_raster(self.raster(name), self.feedback, of_depth)

    def bands(self, name: str, crs) -> list:
        """Return the bands of a raster as grids in ``crs``, none if it was left empty."""
        layer = self.raster(name)
        return rasters.read_bands(layer, crs, self.feedback) if layer is not None else []

    def polygon(self, name: str = SHORELINE, crs=None, of_lake=True):
        """Return all polygons of a layer as one shapely geometry in ``crs``."""
        source = self.source(name)
        if source is None:
            return None
        return read_polygon(source, crs, self.context, self.feedback, of_lake)

    def cut_edge(self, name: str = SHORELINE, crs=None):
        """Return the edges of a shoreline that are no shore, in ``crs``, and say so, or None.

        As *Copy to share* notes them in the outline of a part of a lake.
        """
        source = self.source(name)
        cut = source and read_cut_edge(source, crs, self.context, self.feedback)
        if cut:
            self.say(
                tr(
                    "Shoreline '{}' is that of a part of a lake: {:,.0f} m of its edge were cut. They "
                    "are not taken as shore."
                ).format(source.sourceName(), cut.length)
            )
        return cut

    def lines(self, name: str, crs) -> list:
        """Return the lines of a layer in ``crs`` as arrays, none if it was left empty."""
        source = self.source(name)
        return features.read_lines(source, crs, self.context, self.feedback) if source else []

    def features(self, name: str, crs):
        """Yield the features of a layer in ``crs``, as :func:`.features.iterate`."""
        return features.iterate(self.source(name), crs, self.context, self.feedback)

    def transform(self, source, target) -> QgsCoordinateTransform:
        """Return the transform from one CRS to another, as the project has set it up."""
        return QgsCoordinateTransform(source, target, self.context.transformContext())

    def metric_crs(self, layer):
        """Return the CRS of a map layer where its unit is the meter, else its UTM zone."""
        return metric_crs(layer.crs(), layer.extent(), layer.name(), self.feedback)

    def line_rows(self, name: str, crs, fields: list) -> tuple:
        """Return lines and columns, as :func:`.features.read_line_rows`."""
        return features.read_line_rows(self.source(name), crs, fields, self.context, self.feedback)

    def contours(self, name: str, crs, field: str):
        """Return lines with a depth, as :func:`.features.read_contours`."""
        return features.read_contours(self.source(name), crs, field, self.context, self.feedback)

    def points(self, name: str, crs, fields: list) -> tuple:
        """Return x, y, z, columns and rows as given, as :func:`.features.read_given_points`."""
        return features.read_given_points(
            self.source(name), crs, fields, self.context, self.feedback
        )

    def shapes(self, name: str, crs, fields: list) -> tuple:
        """Return shapely shapes and columns, as :func:`.features.read_shapes`."""
        source = self.source(name)
        if source is None:
            return [], {}
        return features.read_shapes(source, crs, fields, self.context, self.feedback)

    def table(self, name: str) -> dict:
        """Return the columns of a table by their names, as :func:`.features.read_table`."""
        return features.read_table(self.source(name), self.feedback)
