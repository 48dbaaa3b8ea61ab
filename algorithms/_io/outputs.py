"""The only place where results become files and layers.

Results are written to hidden folders beside their destinations, read again whole, and moved into
place together at the end, so that a cancelled or failed run leaves everything as it was.
"""

from __future__ import annotations

import os
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingContext,
    QgsProcessingOutputLayerDefinition,
    QgsProcessingUtils,
    QgsProperty,
    QgsVectorLayer,
    QgsWkbTypes,
)

from .. import _styling
from .._i18n import tr
from ..core.errors import Cancelled, LakefloorError
from ..core.grid import Areas, Grid, Lines, Surface
from ..core.soundings import SCHEMA, Soundings
from .destinations import Target, check_target, target_of
from .layer_rows import ROWS, Layer, in_order, of_areas, of_features, of_lines, of_soundings
from .layer_sinks import LayerSink
from .named_crs import require_alive
from .package import mark, put_tables, restore_milliseconds
from .raster_file import RasterFile, write_raster
from .rasters import BANDS, spacing_item
from .staging import Staging, write_file
from .whole import check_whole

#: Name and kind of each field of a soundings layer.
_FIELDS = [(name, kind) for name, (_, kind) in SCHEMA.items()]


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
        self._staging = Staging(Path(QgsProcessingUtils.tempFolder()))
        self._placed = False
        self._layers = []  # (source of the layer, layer definition, output name)
        self._written = {}  # staged vector files by output name
        self._counts = {}  # features by staged file
        self._sure = set()  # staged files of which SQLite has reported each write
        self._tables = {}  # by GeoPackage, what put_tables takes
        self._styles = []
        self._temporary = set()  # outputs whose file nobody named

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
            if not staged.is_dir():
                check_target(Target(final))
                if staged.suffix.lower() == ".gpkg":
                    mark(staged)
            if staged not in self._sure or not self._staging.passes(staged):
                check_whole(staged, self._counts.get(staged), self._check)
        self._staging.move()
        for path, tables in self._tables.items():
            put_tables(path, tables, tables[0][1].with_name("copy.gpkg"), self._check)

    def _tell(self):
        """Tell QGIS about the layers that are now in place."""
        opened = {self.results[name]: self._opened(name) for name in self._temporary}
        for source, definition, name in self._layers:
            source = opened.get(source, source)
            if definition is not None and definition.destinationProject is not None:
                details = QgsProcessingContext.LayerDetails(
                    definition.destinationName or self._label(name),
                    definition.destinationProject,
                    name,
                )
                self.context.addLayerToLoadOnCompletion(source, details)
        for name, value in self.results.items():
            if isinstance(value, np.generic):
                # QGIS shows numpy's own numbers as empty.
                self.results[name] = value.item()
            elif isinstance(value, Path):
                self.results[name] = str(value)
            elif isinstance(value, str):
                self.results[name] = opened.get(value, value)
        for target, style, options in self._styles:
            target = opened.get(target, target)
            _styling.style_on_load(self.context, target, style, options)

    def _opened(self, name):
        """Return the id of the layer of a temporary file, which QGIS hands on as one in memory."""
        layer = QgsVectorLayer(self.results[name], self._label(name), "ogr")
        return self.context.temporaryLayerStore().addMapLayer(layer).id()

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
        layer = Layer.build(fields, wkb_type, crs, as_qgis=True)
        self._layer(name, layer, of_features(rows, wkb_type), style, count, **options)

    def _layer(self, name, layer, parts, style=None, count=0, **options):
        """Write a layer from parts of its rows; return whether they were written as columns."""
        if not self.wanted(name):
            return True
        require_alive(layer.crs, self._label(name))
        parameters = {**self.parameters, name: self._resolved(name)}
        definition = self.parameters[name]
        if not isinstance(definition, QgsProcessingOutputLayerDefinition):
            definition = None
        target_file, path = target_of(self.algorithm, parameters, name, self.context), None
        if target_file is not None:
            check_target(target_file)
            path = self._stage(target_file.path)
            if target_file.table is not None:
                path = path.parent.with_name("part.gpkg")
            staged = QgsProcessingOutputLayerDefinition(str(path))
            if definition is not None:
                staged.createOptions = definition.createOptions
            parameters[name] = staged
        sink = LayerSink(
            self.algorithm, parameters, name, self._label(name), self.context, self.feedback
        )
        written = sink.write(layer, parts, count, path)
        target = written.target
        if target_file is not None:
            made_as = path.parent / Path(target.partition("|")[0]).name
            if not path.exists() and made_as.name.startswith(f"{path.name}."):
                os.replace(made_as, path)  # QGIS adds what it thinks the ending should be
            self._written[name] = path
            if written.by_columns:
                self._sure.add(path)
            target = self._keep(target_file, path, written.count)
            self._layers.append((target, definition, name))
        if style:
            self._styles.append((target, style, options))
        self.results[name] = target
        return written.by_columns

    def _resolved(self, name):
        """Return the value of an output; the file that a temporary one goes to, if it is a file."""
        value = self.parameters[name]
        text = value.sink if isinstance(value, QgsProcessingOutputLayerDefinition) else value
        if isinstance(text, QgsProperty):
            text, _ = text.valueAsString(self.context.expressionContext())
        if text != QgsProcessing.TEMPORARY_OUTPUT:
            return value
        place = self.algorithm.parameterDefinition(name).generateTemporaryDestination()
        if place.startswith("memory:"):
            return value
        self._temporary.add(name)
        return place

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
        if isinstance(soundings, Soundings):
            order = slice(None) if given is None else given.back()
            soundings, count = in_order(soundings, order), len(soundings)
        fields, further = list(_FIELDS), None
        own = [] if given is None else given.further_fields()
        if own:
            fields += own
            further = given.further_columns(ROWS)
        times = []
        layer = Layer.build(fields, QgsWkbTypes.Type.Point, crs)
        parts = of_soundings(_noting(times, soundings), further)
        by_columns = self._layer(name, layer, parts, "soundings", count)
        path = self._written.get(name)
        if path is not None and path.suffix.lower() == ".shp":
            self.feedback.pushWarning(
                tr(
                    "A shapefile keeps no times of day, and only ten letters of a field name. "
                    "So '{}' no longer says which corrections and which datum its depths have. "
                    "Work with a GeoPackage (.gpkg)."
                ).format(path.name)
            )
        if path is not None and times and not by_columns:
            restore_milliseconds(path, "time", np.concatenate(times), self._check)

    def lines(self, name, lines: Lines, fields, crs, style=None, **options):
        """Write lines; ``fields`` lists (name, kind) of the attributes to write, in order."""
        layer = Layer.build(fields, QgsWkbTypes.Type.LineString, crs)
        self._layer(name, layer, of_lines(lines, fields), style, len(lines), **options)

    def areas(self, name, areas: Areas, fields, crs, style=None, **options):
        """Write polygons; ``fields`` as in :meth:`lines`."""
        layer = Layer.build(fields, QgsWkbTypes.Type.MultiPolygon, crs)
        self._layer(name, layer, of_areas(areas, fields), style, len(areas), **options)

    def table(self, name, fields, rows):
        """Write a table without geometry; each row is a list of values in field order."""
        self.features(
            name,
            fields,
            QgsWkbTypes.Type.NoGeometry,
            QgsCoordinateReferenceSystem(),
            ((None, list(row)) for row in rows),
        )

    # -- raster and other files -----------------------------------------------

    def surface(self, name, surface: Surface, crs, metadata=None):
        """Write a Lakefloor surface: depth, uncertainty and distance as three bands."""
        self.raster(
            name,
            [surface.depth, surface.uncertainty, surface.distance],
            BANDS,
            crs,
            {**(metadata or {}), **spacing_item(surface.spacing)},
            style="surface",
        )

    @contextmanager
    def surface_parts(self, name, grid: Grid, crs, start: Path | None = None):
        """Write a Lakefloor surface part by part, into the :class:`RasterFile` that this yields."""
        path = self.algorithm.parameterAsOutputLayer(self.parameters, name, self.context)
        staged = self._stage(path)
        with RasterFile(staged, grid, BANDS, crs, start) as raster:
            yield raster
        self._styles.append((path, "surface", {}))
        self.results[name] = path

    def raster(
        self, name, grids: list[Grid], descriptions, crs, metadata=None, style=None, **options
    ):
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

    def folder(self, name) -> Path:
        """Return an empty folder to fill, to be moved into place at the end.

        Raises
        ------
        LakefloorError
            If there is something in the folder asked for.
        """
        path = self.algorithm.parameterAsFileOutput(self.parameters, name, self.context)
        final = Path(path).absolute()
        if final.exists() and (not final.is_dir() or any(final.iterdir())):
            raise LakefloorError(
                tr(
                    "Folder '{}' is not empty. Choose a new folder, so that nothing else is shared "
                    "with the results."
                ).format(final)
            )
        staged = self._stage(final)
        staged.mkdir()
        self.results[name] = path
        return staged

    def text(self, name, make):
        """Write a text that ``make()`` returns, in UTF-8, if that output was asked for."""
        if self.wanted(name):
            write_file(self.file(name), make().encode("utf-8"))

    def _check(self):
        if self.feedback.isCanceled():
            raise Cancelled


def _noting(times, parts):
    """Yield soundings, and keep their times."""
    for part in parts:
        times.append(part.time)
        yield part
