"""Copy to share."""

import numpy as np
from qgis.core import (
    QgsCoordinateTransform,
    QgsFeatureRequest,
    QgsGeometry,
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingOutputString,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterString,
    QgsRasterLayer,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP
from shapely import wkb

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._compat import is_null
from .._i18n import tr
from .._layers import (
    BANDS,
    SCHEMA,
    metric_crs,
    optional_source,
    read_polygon,
    read_raster,
    read_soundings,
)
from .._outputs import write_raster
from .._staging import write_file
from ..core.correcting.datums import datum_of
from ..core.errors import Cancelled, LakefloorError
from ..core.exchange import shared_copy
from ..core.exchange.marks import check_positions
from ..core.number_text import written
from ..core.polygons import inside
from ._clean_geopackage import write_geopackage
from ._exchange import wgs84
from ._folder import new_folder

_GEOMETRY = {
    QgsWkbTypes.GeometryType.PointGeometry: "point",
    QgsWkbTypes.GeometryType.LineGeometry: "line",
    QgsWkbTypes.GeometryType.PolygonGeometry: "polygon",
}

#: Items of a raster that may leave, and descriptions of its first band.
_ITEMS = ("DATUM_NAME", "DATUM_ELEVATION_M")
_BANDS = {BANDS[0]: "depth", "slope (degrees)": "slope", "slope (percent)": "slope"}


class CopyToShare(LakefloorAlgorithm):
    NAME = "copytoshare"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Copy to share")
    GROUP = "share"
    TAGS = QT_TRANSLATE_NOOP("@default", "privacy,anonymous,publish,clip,friend,GeoPackage,licence")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "A copy of chosen layers to hand on, in a new folder: one GeoPackage, a GeoTIFF for each "
        "raster, and a text with licence, datum and cautions. The copy is written from nothing "
        "rather than cleaned: only what is listed here is in it, and the log says what that is.\n\n"
        "Soundings leave with place and depth only, the accepted ones, in order of place instead "
        "of time. Visits, lanes, times, raw depths, corrections and the rejected soundings stay. "
        "Contours, drop-offs and depth areas keep what they were drawn with; other polygons keep "
        "their outline only. A raster leaves with its first band and the name and elevation of "
        "the lake datum: distance and uncertainty would show where the lanes ran. Names of files, "
        "layers and users, styles, history and metadata do not leave.\n\n"
        "Marks stay at home unless you give them below (choose 'selected features only' to pick "
        "some); they leave with name, symbol and depth. Other point layers, and lines that may be "
        "tracks, are left out, and the log says so.\n\n"
        "Even without order, dense soundings show where the boat went. Coarsen the positions to "
        "about the distance between lanes to hide that: each square of the grid then holds one "
        "sounding at its centre, lines and polygons follow the grid, and rasters get its cells. "
        "Contours and surfaces show good places too; clip the copy to the area you want to show. "
        "A copy cannot be called back.",
    )

    def initAlgorithm(self, configuration=None):
        add, kind = self.addParameter, QgsProcessing.SourceType
        add(params.helped(
            QgsProcessingParameterMultipleLayers(
                "LAYERS", tr("Layers to share"), kind.TypeMapLayer, optional=True),
            tr("Soundings, contours, drop-offs, depth areas, shoreline, surfaces."),
        ))
        add(params.helped(
            QgsProcessingParameterFeatureSource(
                "AREA", tr("Area to share"), [kind.TypeVectorPolygon], optional=True),
            tr("Polygons: nothing outside them leaves. Left empty, the layers leave whole."),
        ))
        add(params.distance(
            "COARSEN", tr("Coarsen positions to (m)"), None,
            tr("Side of the squares of the grid. Left empty, positions are rounded to 1 cm."),
            optional=True, minimum=0.1,
        ))
        add(params.helped(
            QgsProcessingParameterFeatureSource(
                "MARKS", tr("Marks to share"), [kind.TypeVectorPoint], optional=True),
            tr("Left empty, no mark leaves."),
        ))
        add(params.helped(
            QgsProcessingParameterString("PICKS", tr("Fields of soundings to add"), optional=True),
            tr("Of uncert_m, hardness, water_temp_c, with commas between them. Left empty, "
               "soundings leave with their depth only."), advanced=True,
        ))
        add(params.choice(
            "LICENCE", tr("Licence"), shared_copy.LICENCES, "personal",
            tr("What others may do with the copy."),
        ))
        for name, label, text in (
            ("ATTRIBUTION", tr("To be named"), tr("Name that users of the copy give as its "
             "source. Left empty, none is written.")),
            ("DATUM", tr("Name of the lake datum"), tr("What depths are measured from. Left "
             "empty, it is taken from the layers.")),
        ):
            add(params.helped(QgsProcessingParameterString(name, label, optional=True), text))
        add(QgsProcessingParameterFolderDestination(params.OUTPUT, tr("Folder of the copy")))
        self.addOutput(QgsProcessingOutputNumber("FEATURES", tr("Features shared")))
        self.addOutput(QgsProcessingOutputNumber("RASTERS", tr("Rasters shared")))
        self.addOutput(QgsProcessingOutputString("LEAVES", tr("What leaves")))

    def check(self, parameters, context):
        if not (parameters.get("LAYERS") or parameters.get("MARKS")):
            raise LakefloorError(tr("Choose layers or marks to share."))

    def compute(self, parameters, context, feedback):
        progress = self.progress(feedback)
        layers = self.parameterAsLayerList(parameters, "LAYERS", context)
        marks = optional_source(self, parameters, "MARKS", context)
        area = optional_source(self, parameters, "AREA", context)
        cell = params.optional_number(self, parameters, "COARSEN", context)
        picks = [p.strip() for p in self.parameterAsString(parameters, "PICKS", context).split(",")
                 if p.strip()]
        crs = _crs_of_copy([*layers, *filter(None, [marks])], context, feedback)
        shape = None if area is None else read_polygon(
            area, crs, context, feedback, of_lake=False)
        copy = _Copy(crs, shape, cell, context, feedback)
        for i, layer in enumerate(layers):
            progress(0.7 * i / len(layers))
            copy.take(layer, picks)
        if marks is not None:
            copy.take_marks(marks)
        if not (copy.vectors or copy.rasters):
            raise LakefloorError(
                tr("None of the layers may leave, or they hold nothing in the area: the copy would "
                   "be empty. {}").format(" ".join(copy.notes)).strip()
            )
        for note in copy.notes:
            feedback.pushWarning(note)
        datum = self.parameterAsString(parameters, "DATUM", context).strip() or copy.datum
        folder = self.parameterAsString(parameters, params.OUTPUT, context)
        leaves = copy.leaves()
        with new_folder(folder) as staged:
            if copy.vectors:
                write_geopackage(
                    staged / "lake.gpkg", copy.vectors, int(crs.authid().split(":")[1]),
                    lambda: progress(0.8),
                )
            for name, grid, band, raster_crs, items in copy.rasters:
                write_raster(staged / f"{name}.tif", [grid], (band,), raster_crs, items,
                             marked=False)
            progress(0.9)
            text = shared_copy.readme(
                leaves, self.parameterAsEnumString(parameters, "LICENCE", context),
                self.parameterAsString(parameters, "ATTRIBUTION", context).strip(), datum,
                f"{crs.authid()} ({crs.description()})",
            )
            write_file(staged / "README.txt", text.encode("utf-8"))
            progress(1.0)
        line = tr("What leaves: {}. Nothing else.").format("; ".join(leaves))
        feedback.pushInfo(line)
        return {
            params.OUTPUT: folder, "FEATURES": sum(len(rows) for *_, rows in copy.vectors),
            "RASTERS": len(copy.rasters), "LEAVES": line,
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
            metric = metric_crs(
                wgs84(), place.transformBoundingBox(extent), _name(layer), feedback)
        chosen = chosen or metric
    return chosen


def _check_place(crs, extent, name, context):
    to_wgs84 = QgsCoordinateTransform(crs, wgs84(), context.transformContext())
    corners = [
        to_wgs84.transform(x, y) for x in (extent.xMinimum(), extent.xMaximum())
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
        geometry = _GEOMETRY.get(QgsWkbTypes.geometryType(layer.wkbType()))
        kind = shared_copy.kind_of(geometry, layer.fields().names())
        if kind is None:
            self.notes.append({
                "point": tr("Layer '{}' holds marks, not soundings: left out. Give it as marks to "
                            "share it."),
                "line": tr("Layer '{}' holds lines that may be tracks: left out."),
            }.get(geometry, tr("Layer '{}' is a table: left out.")).format(layer.name()))
        elif kind.name == "soundings":
            self._take_soundings(layer, shared_copy.with_picks(kind, picks))
        else:
            self._take_shapes(layer, kind)

    def take_marks(self, source):
        if _GEOMETRY.get(QgsWkbTypes.geometryType(source.wkbType())) != "point":
            raise LakefloorError(tr("Marks are points; layer '{}' holds none.").format(
                source.sourceName()))
        self._take_shapes(source, shared_copy.MARKS)

    def leaves(self) -> list:
        """Say for each layer how much of what leaves."""
        lines = []
        for name, _, fields, rows in self.vectors:
            lines.append(tr("{}: {} features ({})").format(
                name, len(rows), ", ".join(f for f, _ in fields) or tr("outline only")))
        for name, grid, band, _, items in self.rasters:
            lines.append(tr("{}.tif: {} x {} cells of {:g} m ({}{})").format(
                name, *grid.shape, round(grid.dx, 3), band,
                "".join(f", {key}" for key in items)))
        if self.area is None:
            lines.append(tr("area: not clipped"))
        else:
            lines.append(tr("area: clipped to {:.2f} ha").format(self.area.area / 1e4))
        lines.append(
            tr("positions coarsened to {:g} m").format(self.cell) if self.cell
            else tr("positions rounded to {:g} m, not coarsened").format(shared_copy.ROUNDING_M))
        return lines

    def _add(self, kind, layer, fields, rows):
        if rows:
            self.vectors.append((self._free(kind.name), kind.geometry, fields, rows))
        else:
            self.notes.append(tr("Layer '{}' holds nothing in the area.").format(_name(layer)))

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
            layer, self.context, self.feedback, self.crs, (*attributes, "status", "corrections"))
        datum = datum_of(soundings)
        if datum is not None:
            level = "" if datum[1] is None else f" ({written(datum[1], 'g')} m)"
            self.datum = self.datum or f"{datum[0]}{level}"
        x, y, *columns = shared_copy.shared_soundings(
            soundings, attributes, area=self.area, cell=self.cell)
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
                    kind, name, None if is_null(attributes[index]) else attributes[index])
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
                tr("A polygon of layer '{}' is not valid. Mend it with 'Fix geometries', then run "
                   "again.").format(_name(source))
            )
        return shared_copy.shared_shapes(shape, kind.geometry, area=self.area, cell=self.cell)

    def _take_raster(self, layer):
        surface, crs, metadata = read_raster(layer, self.feedback, of_depth=False)
        if not crs.authid().startswith("EPSG:"):
            raise LakefloorError(
                tr("Raster '{}' has a custom coordinate reference system, whose name would leave. "
                   "Warp it to one of the EPSG list first.").format(layer.name())
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
            self.notes.append(tr("Layer '{}' holds nothing in the area.").format(layer.name()))
            return
        described = layer.bandName(1).partition(": ")[2]
        name = self._free(_BANDS.get(described, "raster"))
        band = described if described in _BANDS else "value"
        items = {key: metadata[key] for key in _ITEMS if metadata.get(key)}
        if items.get("DATUM_NAME"):
            self.datum = self.datum or items["DATUM_NAME"]
        self.rasters.append((name, grid, band, crs, items))
