"""Copy to share."""

import numpy as np
from qgis.core import (
    QgsCoordinateTransform,
    QgsFeatureRequest,
    QgsGeometry,
    QgsProcessing,
    QgsProcessingOutputString,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterString,
    QgsRasterLayer,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP
from shapely import wkb

from .._base import LakefloorAlgorithm
from .._compat import is_null
from .._i18n import tr
from .._io import params
from .._io.layer_crs import metric_crs
from .._io.raster_file import write_raster
from .._io.rasters import BANDS, read_raster
from .._io.shoreline import read_polygon
from .._io.soundings_layer import read_soundings
from .._io.staging import write_file
from ..core.correcting.datums import datum_of
from ..core.errors import Cancelled, LakefloorError
from ..core.exchange import shared_copy
from ..core.exchange.waypoints import check_positions
from ..core.number_text import written
from ..core.polygons import inside
from ..core.soundings import SCHEMA
from ._clean_geopackage import write_geopackage
from ._exchange import geometry_kind, wgs84
from ._folder import new_folder

#: Items of a raster that may leave, and descriptions of its first band.
_ITEMS = ("DATUM_NAME", "DATUM_ELEVATION_M")
_BANDS = {BANDS[0]: "depth", "slope (degrees)": "slope", "slope (percent)": "slope"}


class CopyToShare(LakefloorAlgorithm):
    NAME = "copytoshare"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Copy to share")
    GROUP = "share"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "share,sharing,privacy,private,anonymous,anonymize,anonymise,publish,publication,export,"
        "clip,coarsen,generalize,generalise,friend,association,GeoPackage,GeoTIFF,license,"
        "licence,copyright,attribution,metadata",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Copies layers into a new folder to give to others: one GeoPackage, a GeoTIFF for each "
        "raster, and a README with license, datum and cautions.\n\n"
        "Soundings keep only position and depth, sorted by position. Times, visits, lanes, raw "
        "depths and rejected soundings are not copied. Contours, breaklines and depth areas keep "
        "their map fields, other polygons their outline, and rasters their first band. Marks are "
        "copied only if you give them; other points and lines never are. The log lists the "
        "contents.\n\n"
        "Dense soundings still show where the boat went: coarsen the positions to the lane "
        "spacing, and clip the copy to an area. You cannot call back a copy.",
    )

    NUMBERS = {
        "FEATURES": QT_TRANSLATE_NOOP("@default", "Features copied"),
        "RASTERS": QT_TRANSLATE_NOOP("@default", "Rasters copied"),
    }

    def declare(self):
        add, kind = self.addParameter, QgsProcessing.SourceType
        add(
            params.helped(
                QgsProcessingParameterMultipleLayers(
                    "LAYERS", tr("Layers to share"), kind.TypeMapLayer, optional=True
                ),
                tr(
                    "Soundings, contours, breaklines, depth areas, shoreline, depth surfaces. If empty, "
                    "only the marks are copied."
                ),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    "AREA", tr("Area to share"), [kind.TypeVectorPolygon], optional=True
                ),
                tr(
                    "Polygons; nothing outside them is copied. If empty, the layers are copied whole."
                ),
            )
        )
        add(
            params.distance(
                "COARSEN",
                tr("Coarsen positions to (m)"),
                None,
                tr(
                    "Size of the grid squares. Each square has one sounding, at its center; lines, "
                    "polygons and rasters follow the grid. If empty, positions are rounded to 1 cm."
                ),
                optional=True,
                minimum=0.1,
            )
        )
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    "MARKS", tr("Marks to share"), [kind.TypeVectorPoint], optional=True
                ),
                tr("Marks are copied with name, symbol and depth. If empty, no marks are copied."),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterString(
                    "EXTRA_FIELDS", tr("Extra fields of soundings"), optional=True
                ),
                tr(
                    "Any of uncert_m, hardness and water_temp_c, separated by commas. If empty, "
                    "soundings have only their depth."
                ),
                advanced=True,
            )
        )
        add(
            params.choice(
                "LICENSE",
                tr("License"),
                shared_copy.LICENSES,
                "personal use only",
                tr("What others may do with the copy."),
                former={
                    "personal": "personal use only",
                    **{name.replace(" ", "-"): name for name in shared_copy.LICENSES},
                },
            )
        )
        for name, label, text in (
            (
                "ATTRIBUTION",
                tr("Attribution"),
                tr("Name that users of the copy give as its source. If empty, none is written."),
            ),
            (
                "DATUM",
                tr("Name of the lake datum"),
                tr("Zero of the depths. If empty, it comes from the layers."),
            ),
        ):
            add(params.helped(QgsProcessingParameterString(name, label, optional=True), text))
        add(QgsProcessingParameterFolderDestination(params.OUTPUT, tr("Folder of the copy")))
        self.addOutput(QgsProcessingOutputString("CONTENTS", tr("Contents of the copy")))

    def check(self, inputs):
        if not (inputs.parameters.get("LAYERS") or inputs.parameters.get("MARKS")):
            raise LakefloorError(tr("There is nothing to share. Choose layers or marks."))

    def compute(self, inputs, outputs):
        progress = inputs.progress
        layers = inputs.layers("LAYERS")
        marks = inputs.source("MARKS")
        area = inputs.source("AREA")
        cell = inputs.number("COARSEN")
        extra = inputs.text("EXTRA_FIELDS")
        picks = [name.strip() for name in extra.split(",") if name.strip()]
        crs = _crs_of_copy([*layers, *filter(None, [marks])], inputs.context, inputs.feedback)
        shape = (
            None
            if area is None
            else read_polygon(area, crs, inputs.context, inputs.feedback, of_lake=False)
        )
        copy = _Copy(crs, shape, cell, inputs.context, inputs.feedback)
        for i, layer in enumerate(layers):
            progress(0.7 * i / len(layers))
            copy.take(layer, picks)
        if marks is not None:
            copy.take_marks(marks)
        if not (copy.vectors or copy.rasters):
            raise LakefloorError(
                tr(
                    "The copy would be empty. Choose layers that can be shared and have something "
                    "in the area. {}"
                )
                .format(" ".join(copy.notes))
                .strip()
            )
        for note in copy.notes:
            inputs.warn(note)
        datum = inputs.text("DATUM").strip() or copy.datum
        folder = inputs.text(params.OUTPUT)
        contents = copy.contents()
        with new_folder(folder) as staged:
            if copy.vectors:
                write_geopackage(
                    staged / "lake.gpkg",
                    copy.vectors,
                    int(crs.authid().split(":")[1]),
                    lambda: progress(0.8),
                )
            for name, grid, band, raster_crs, items in copy.rasters:
                write_raster(
                    staged / f"{name}.tif", [grid], (band,), raster_crs, items, marked=False
                )
            progress(0.9)
            text = shared_copy.readme(
                contents,
                inputs.choice("LICENSE"),
                inputs.text("ATTRIBUTION").strip(),
                datum,
                f"{crs.authid()} ({crs.description()})",
            )
            write_file(staged / "README.txt", text.encode("utf-8"))
            progress(1.0)
        line = tr("The copy has: {}. It has nothing else.").format("; ".join(contents))
        inputs.say(line)
        return {
            params.OUTPUT: folder,
            "FEATURES": sum(len(rows) for *_, rows in copy.vectors),
            "RASTERS": len(copy.rasters),
            "CONTENTS": line,
        }


def _point_wkb(x, y) -> list:
    """Return points as well-known binary, of many at once."""
    points = np.zeros(len(x), [("order", "u1"), ("type", "<u4"), ("x", "<f8"), ("y", "<f8")])
    points["order"] = points["type"] = 1
    points["x"], points["y"] = x, y
    size, raw = points.itemsize, points.tobytes()
    return [raw[i : i + size] for i in range(0, len(raw), size)]


def _name(layer):
    return layer.sourceName() if hasattr(layer, "sourceName") else layer.name()


def _crs_of_copy(layers, context, feedback):
    """Return a metric CRS of the EPSG registry: a custom one can bear any name."""
    chosen = None
    for layer in layers:
        source = hasattr(layer, "sourceCrs")
        crs = layer.sourceCrs() if source else layer.crs()
        extent = layer.sourceExtent() if source else layer.extent()
        metric = metric_crs(crs, extent, _name(layer), feedback)
        if not extent.isNull() and not extent.isEmpty():
            _check_place(crs, extent, _name(layer), context)
        if not metric.authid().startswith("EPSG:"):
            place = QgsCoordinateTransform(metric, wgs84(), context.transformContext())
            metric = metric_crs(wgs84(), place.transformBoundingBox(extent), _name(layer), feedback)
        chosen = chosen or metric
    return chosen


def _check_place(crs, extent, name, context):
    to_wgs84 = QgsCoordinateTransform(crs, wgs84(), context.transformContext())
    corners = [
        to_wgs84.transform(x, y)
        for x in (extent.xMinimum(), extent.xMaximum())
        for y in (extent.yMinimum(), extent.yMaximum())
    ]
    check_positions([p.x() for p in corners], [p.y() for p in corners], f"Layer '{name}'")


class _Copy:
    """What is to be written: ``vectors`` as write_geopackage takes them, and ``rasters``."""

    def __init__(self, crs, area, cell, context, feedback):
        self.crs, self.area, self.cell = crs, area, cell
        self.context, self.feedback = context, feedback
        self.vectors, self.rasters, self.notes, self.datum = [], [], [], ""
        self._names = set()

    def take(self, layer, picks):
        if isinstance(layer, QgsRasterLayer):
            self._take_raster(layer)
            return
        geometry = geometry_kind(layer)
        kind = shared_copy.kind_of(geometry, layer.fields().names())
        if kind is None:
            self.notes.append(
                {
                    "point": tr(
                        "Layer '{}' has marks, not soundings, and is left out. To share it, "
                        "give it as marks."
                    ),
                    "line": tr("Layer '{}' has lines that may be tracks, and is left out."),
                }.get(geometry, tr("Layer '{}' is a table, and is left out.")).format(layer.name())
            )
        elif kind.name == "soundings":
            self._take_soundings(layer, shared_copy.with_picks(kind, picks))
        else:
            self._take_shapes(layer, kind)

    def take_marks(self, source):
        if geometry_kind(source) != "point":
            raise LakefloorError(
                tr("Layer '{}' has no points. Choose marks.").format(source.sourceName())
            )
        self._take_shapes(source, shared_copy.MARKS)

    def contents(self) -> list:
        """Say for each layer how much of it is copied."""
        lines = []
        for name, _, fields, rows in self.vectors:
            lines.append(
                tr("{}: features {} ({})").format(
                    name, len(rows), ", ".join(f for f, _ in fields) or tr("outline only")
                )
            )
        for name, grid, band, _, items in self.rasters:
            lines.append(
                tr("{}.tif: {} x {} cells of {:g} m ({}{})").format(
                    name, *grid.shape, round(grid.dx, 3), band, "".join(f", {key}" for key in items)
                )
            )
        if self.area is None:
            lines.append(tr("area: not clipped"))
        else:
            lines.append(tr("area: clipped to {:.2f} ha").format(self.area.area / 1e4))
        lines.append(
            tr("positions coarsened to {:g} m").format(self.cell)
            if self.cell
            else tr("positions rounded to {:g} m, not coarsened").format(shared_copy.ROUNDING_M)
        )
        return lines

    def _add(self, kind, layer, fields, rows):
        if rows:
            self.vectors.append((self._free(kind.name), kind.geometry, fields, rows))
        else:
            self.notes.append(tr("Layer '{}' has nothing in the area.").format(_name(layer)))

    def _free(self, name):
        free, k = name, 1
        while free in self._names:
            k += 1
            free = f"{name}_{k}"
        self._names.add(free)
        return free

    def _take_soundings(self, layer, kind):
        attributes = [SCHEMA[name][0] for name in kind.keeps]
        soundings, _ = read_soundings(
            layer, self.context, self.feedback, self.crs, (*attributes, "status", "corrections")
        )
        datum = datum_of(soundings)
        if datum is not None:
            level = "" if datum[1] is None else f" ({written(datum[1], 'g')} m)"
            self.datum = self.datum or f"{datum[0]}{level}"
        x, y, *columns = shared_copy.shared_soundings(
            soundings, attributes, area=self.area, cell=self.cell
        )
        values = [[v if v == v else None for v in c.tolist()] for c in columns]
        rows = list(zip(_point_wkb(x, y), zip(*values)))
        self._add(kind, layer, [(name, "double") for name in kind.keeps], rows)

    def _take_shapes(self, source, kind):
        present = source.fields().names()
        names = [name for name in kind.keeps if name in present]
        indexes = [present.index(name) for name in names]
        request = QgsFeatureRequest().setDestinationCrs(self.crs, self.context.transformContext())
        rows = []
        for i, feature in enumerate(source.getFeatures(request)):
            if i % 500 == 0 and self.feedback.isCanceled():
                raise Cancelled
            if not feature.hasGeometry():
                continue
            shapes = self._shapes(feature.geometry(), kind, source)
            attributes = feature.attributes()
            values = tuple(
                shared_copy.shared_value(
                    kind, name, None if is_null(attributes[index]) else attributes[index]
                )
                for name, index in zip(names, indexes)
            )
            rows += [(shape.wkb, values) for shape in shapes]
        # The order of place, which is not that of making.
        rows.sort(key=lambda row: (row[0], repr(row[1])))
        fields = [(n, "double" if kind.keeps[n] is None else "text") for n in names]
        self._add(kind, source, fields, rows)

    def _shapes(self, geometry, kind, source):
        """Return what of a feature leaves, as a list of shapely shapes."""
        geometry.convertToStraightSegment()
        shape = wkb.loads(bytes(geometry.asWkb()))
        if kind.geometry == "polygon" and not shape.is_valid:
            raise LakefloorError(
                tr(
                    "A polygon of layer '{}' is not valid. Correct it with 'Fix geometries', then "
                    "run again."
                ).format(_name(source))
            )
        return shared_copy.shared_shapes(shape, kind.geometry, area=self.area, cell=self.cell)

    def _take_raster(self, layer):
        surface, crs, metadata = read_raster(layer, self.feedback, of_depth=False)
        if not crs.authid().startswith("EPSG:"):
            raise LakefloorError(
                tr(
                    "Raster '{}' has a custom coordinate reference system, whose name would be "
                    "copied. Warp it to one with an EPSG code first."
                ).format(layer.name())
            )
        grid, mask = surface.depth, None
        if self.area is not None:
            to_raster = QgsCoordinateTransform(self.crs, crs, self.context.transformContext())
            geometry = QgsGeometry()
            geometry.fromWkb(self.area.wkb)
            geometry.transform(to_raster)
            mask = inside(wkb.loads(bytes(geometry.asWkb())), grid)
        try:
            grid = shared_copy.coarse_grid(grid, mask, self.cell)
        except LakefloorError:
            self.notes.append(tr("Layer '{}' has nothing in the area.").format(layer.name()))
            return
        described = layer.bandName(1).partition(": ")[2]
        name = self._free(_BANDS.get(described, "raster"))
        band = described if described in _BANDS else "value"
        items = {key: metadata[key] for key in _ITEMS if metadata.get(key)}
        if items.get("DATUM_NAME"):
            self.datum = self.datum or items["DATUM_NAME"]
        self.rasters.append((name, grid, band, crs, items))
