"""What of layers leaves in a copy to share."""

from __future__ import annotations

from qgis.core import QgsGeometry, QgsRasterLayer
from shapely import wkb

from .._compat import is_null
from .._i18n import tr
from .._io.layer_crs import metric_crs, wgs84
from .._io.layer_kinds import geometry_kind
from .._io.rasters import BANDS
from .._io.shoreline import read_cut_edge, require_valid
from ..core.correcting.datums import datum_of
from ..core.correction_keys import COARSENED
from ..core.cut_edge import CUT_EDGE, cut_text
from ..core.errors import LakefloorError
from ..core.exchange import shared_copy
from ..core.exchange.copied_depths import coarse_uncertainty, shared_corrections
from ..core.exchange.copy_readme import CUT_NOTE, coarse_note
from ..core.exchange.waypoints import check_positions
from ..core.geopackage import point_wkb
from ..core.number_text import written
from ..core.polygons import inside
from ..core.soundings import SCHEMA, distinct, parse_corrections

#: Items of a raster that may leave, and descriptions of its first band.
_ITEMS = ("DATUM_NAME", "DATUM_ELEVATION_M")
_BANDS = {BANDS[0]: "depth", "slope (degrees)": "slope", "slope (percent)": "slope"}


def _name(layer):
    return layer.sourceName() if hasattr(layer, "sourceName") else layer.name()


def crs_of_copy(layers, inputs):
    """Return a metric CRS of the EPSG registry: a custom one can bear any name."""
    chosen = None
    for layer in layers:
        source = hasattr(layer, "sourceCrs")
        crs = layer.sourceCrs() if source else layer.crs()
        extent = layer.sourceExtent() if source else layer.extent()
        metric = metric_crs(crs, extent, _name(layer), inputs.feedback)
        if not extent.isNull() and not extent.isEmpty():
            _check_place(crs, extent, _name(layer), inputs)
        if not metric.authid().startswith("EPSG:"):
            place = inputs.transform(metric, wgs84())
            metric = metric_crs(
                wgs84(), place.transformBoundingBox(extent), _name(layer), inputs.feedback
            )
        chosen = chosen or metric
    return chosen


def _check_place(crs, extent, name, inputs):
    to_wgs84 = inputs.transform(crs, wgs84())
    corners = [
        to_wgs84.transform(x, y)
        for x in (extent.xMinimum(), extent.xMaximum())
        for y in (extent.yMinimum(), extent.yMaximum())
    ]
    check_positions([p.x() for p in corners], [p.y() for p in corners], f"Layer '{name}'")


class SharedLayers:
    """What of some layers is copied.

    Attributes
    ----------
    vectors : list
        As :func:`.clean_geopackage.write_geopackage` takes them.
    rasters : list of (str, Grid, str, QgsCoordinateReferenceSystem, dict)
        Name, values, description of the band, CRS and metadata.
    notes : list of str
        What was left out.
    datum : str
        Of the depths, as the user or else the layers say; empty if none does.
    """

    def __init__(self, crs, area, cell, datum, inputs):
        self.crs, self.area, self.cell, self.inputs = crs, area, cell, inputs
        self.vectors, self.rasters, self.notes, self.datum = [], [], [], datum
        self._datum_name = datum
        self._names = set()

    def take(self, layer, picks):
        """Add a layer; ``picks`` are further fields of soundings that leave."""
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
        """Add points that the user wants to share."""
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

    def notes_to_readers(self) -> list:
        """Return what those need to know who use the copy."""
        named = {field for *_, fields, _ in self.vectors for field, _ in fields}
        return [
            *([CUT_NOTE] if CUT_EDGE in named else []),
            *([coarse_note(self.cell)] if self.cell and "uncert_m" in named else []),
        ]

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
        soundings, _ = self.inputs.soundings(
            layer, self.crs, (*attributes, "uncert", "status", "corrections")
        )
        text = shared_corrections(self._datum_of(soundings), self.cell or _coarse(soundings))
        coarse = self.cell and "uncert" not in attributes
        x, y, *columns = shared_copy.shared_soundings(
            soundings, attributes + ["uncert"] * bool(coarse), area=self.area, cell=self.cell
        )
        names = [*kind.keeps, *["uncert_m"] * bool(coarse)]
        if self.cell:
            k = names.index("uncert_m")
            columns[k] = coarse_uncertainty(x, y, columns[0], columns[k], self.cell)
        values = [[v if v == v else None for v in c.tolist()] for c in columns]
        fields = [(name, "double") for name in names]
        if text:
            values, fields = [*values, [text] * len(x)], [*fields, ("corrections", "text")]
        self._add(kind, layer, fields, list(zip(point_wkb(x, y), zip(*values))))

    def _datum_of(self, soundings):
        """Return name and elevation of the datum of soundings, under the name that is shared."""
        datum = datum_of(soundings)
        if datum is None:
            return (self._datum_name, None) if self._datum_name else None
        name = self._datum_name or datum[0]
        if self.datum in ("", self._datum_name):
            level = "" if datum[1] is None else f" ({written(datum[1], 'g')} m)"
            self.datum = f"{name}{level}"
        return name, datum[1]

    def _take_shapes(self, source, kind):
        present = source.fields().names()
        names = [name for name in kind.keeps if name in present]
        indexes = [present.index(name) for name in names]
        rows, context = [], (self.inputs.context, self.inputs.feedback)
        cut = read_cut_edge(source, self.crs, *context) if kind.name == "outline" else None
        for feature in self.inputs.features(source, self.crs):
            if not feature.hasGeometry():
                continue
            shape = self._shape(feature, kind, source)
            if kind.name == "outline":
                rows += self._outlines(shape, cut)
                continue
            empty = shared_copy.of_part(kind, shape, self.area)
            attributes = feature.attributes()
            values = tuple(
                None
                if name in empty or is_null(attributes[index])
                else shared_copy.shared_value(kind, name, attributes[index])
                for name, index in zip(names, indexes)
            )
            shapes = shared_copy.shared_shapes(shape, kind.geometry, area=self.area, cell=self.cell)
            rows += [(part.wkb, values) for part in shapes]
        # The order of place, which is not that of making.
        rows.sort(key=lambda row: (row[0], repr(row[1])))
        fields = [(n, "double" if kind.keeps[n] is None else "text") for n in names]
        if kind.name == "outline":
            fields = [(CUT_EDGE, "text")] if any(values[0] for _, values in rows) else []
            rows = [(shape, values[: len(fields)]) for shape, values in rows]
        self._add(kind, source, fields, rows)

    def _outlines(self, shape, cut):
        """Return the rows of an outline: its shapes, and their cut edges in degrees."""
        found = shared_copy.shared_outline(shape, area=self.area, cell=self.cell, cut=cut)
        to_degrees = self.inputs.transform(self.crs, wgs84())
        rows = []
        for part, edge in found:
            text = None
            if not edge.is_empty:
                geometry = QgsGeometry()
                geometry.fromWkb(edge.wkb)
                geometry.transform(to_degrees)
                text = cut_text(wkb.loads(bytes(geometry.asWkb())))
            rows.append((part.wkb, (text,)))
        return rows

    def _shape(self, feature, kind, source):
        """Return a feature as a shapely shape, valid if it is a polygon."""
        geometry = feature.geometry()
        geometry.convertToStraightSegment()
        shape = wkb.loads(bytes(geometry.asWkb()))
        if kind.geometry == "polygon":
            require_valid(shape, feature.id(), source)
        return shape

    def _take_raster(self, layer):
        surface, crs, metadata = self.inputs.surface(layer, of_depth=False)
        if not crs.authid().startswith("EPSG:"):
            raise LakefloorError(
                tr(
                    "Raster '{}' has a custom coordinate reference system, whose name would be "
                    "copied. Warp it to one with an EPSG code first."
                ).format(layer.name())
            )
        grid, mask = surface.depth, None
        if self.area is not None:
            to_raster = self.inputs.transform(self.crs, crs)
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
        if self._datum_name and band == BANDS[0]:
            items = {**items, "DATUM_NAME": self._datum_name}
        self.datum = self.datum or items.get("DATUM_NAME", "")
        self.rasters.append((name, grid, band, crs, items))


def _coarse(soundings):
    """Return how coarse soundings are that come from a coarsened copy, m, or None."""
    cells = [parse_corrections(text).get(COARSENED) for text in distinct(soundings.corrections)[0]]
    return max((float(cell) for cell in cells if cell), default=None)
