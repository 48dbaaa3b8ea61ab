"""The polygon of a lake, and the one check that a layer is one."""

from __future__ import annotations

from math import isfinite

from qgis.core import QgsCoordinateTransform, QgsGeometry
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP
from shapely import wkb
from shapely.ops import unary_union
from shapely.validation import explain_validity

from .._compat import is_null
from .._i18n import tr
from ..core.cut_edge import CUT_EDGE, as_lines, cut_from_text
from ..core.errors import LakefloorError
from .features import iterate
from .layer_crs import wgs84

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
    if of_lake:
        _refuse_parts_of_a_lake(source)
    parts, numbers = [], []
    for feature in iterate(source, crs, context, feedback):
        if not feature.hasGeometry():
            continue
        shape = wkb.loads(bytes(feature.geometry().asWkb()))
        _require_places(shape, source)
        require_valid(shape, feature.id(), source)
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


def read_cut_edge(source, crs, context, feedback):
    """Return the edges of a layer's polygons that are no shore, in ``crs``, or None.

    Raises
    ------
    LakefloorError
        If what the layer says of them is not whole.
    """
    if CUT_EDGE not in source.fields().names():
        return None
    to_crs = QgsCoordinateTransform(wgs84(), crs, context.transformContext())
    lines = []
    for feature in iterate(source, None, context, feedback):
        text = feature[CUT_EDGE]
        if is_null(text) or not str(text).strip():
            continue
        geometry = QgsGeometry()
        geometry.fromWkb(cut_from_text(str(text)).wkb)
        geometry.transform(to_crs)
        lines.append(wkb.loads(bytes(geometry.asWkb())))
    return as_lines(unary_union(lines)) if lines else None


def _require_places(shape, source):
    """Refuse what could not be projected."""
    if not shape.is_empty and not all(map(isfinite, shape.bounds)):
        raise LakefloorError(
            tr(
                "The CRS of layer '{}' ({}) cannot be right: its positions are nowhere on the earth. "
                "Set the right CRS in its properties, then run again."
            ).format(source.sourceName(), source.sourceCrs().authid() or tr("custom CRS"))
        )


def require_valid(shape, number: int, source):
    """Refuse a polygon of a layer, its feature ``number``, that is not valid."""
    if not shape.is_valid:
        raise LakefloorError(
            tr(
                "Layer '{}', feature {}: the polygon is not valid ({}). Correct it with "
                "the vertex tool or 'Fix geometries', then run again."
            ).format(source.sourceName(), number, explain_validity(shape))
        )


def require_lake(layer, feedback):
    """Refuse a layer whose polygons are parts of a lake, or lie on one another.

    Unlike :func:`read_polygon` it lets polygons pass that are not valid.
    """
    _refuse_parts_of_a_lake(layer)
    found = [
        (wkb.loads(bytes(feature.geometry().asWkb())), feature.id())
        for feature in iterate(layer, None, None, feedback)
        if feature.hasGeometry()
    ]
    found = [(shape, number) for shape, number in found if shape.is_valid]
    _refuse_what_is_no_lake(layer, *([each[k] for each in found] for k in (0, 1)))


def _refuse_parts_of_a_lake(source):
    count = source.featureCount()
    for fields, word in _PARTS_OF_A_LAKE.items():
        if count != 1 and set(fields) <= set(source.fields().names()):
            raise LakefloorError(
                tr(
                    "Layer '{}' holds {}, not a shoreline. Choose the layer with the polygon of the "
                    "lake."
                ).format(source.sourceName(), tr(word))
            )
    if count > _MOST_BASINS:
        raise LakefloorError(
            tr(
                "Layer '{}' holds {} features, too many for one lake. Select the polygon of your "
                "lake and tick 'Selected features only', or choose another layer."
            ).format(source.sourceName(), count)
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
                    tr(
                        "Layer '{}' is no shoreline: its features {} and {} overlap. Islands must "
                        "be holes in the lake's polygon ('Difference' cuts them out); keep one "
                        "polygon for each basin."
                    ).format(source.sourceName(), numbers[i], numbers[j])
                )
            if by_depth and a.boundary.intersection(b.boundary).length > 0.0:
                raise LakefloorError(
                    tr(
                        "Layer '{}' is no shoreline: it has a field of depth, and its features {} "
                        "and {} lie side by side. Choose the layer with the polygon of the lake, "
                        "or make it with 'Dissolve'."
                    ).format(source.sourceName(), numbers[i], numbers[j])
                )
