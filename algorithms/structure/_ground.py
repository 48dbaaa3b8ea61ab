"""What candidate spots, marks and profiles share: the surface with the structure found on it."""

import numpy as np
from qgis.core import (
    QgsGeometry,
    QgsPoint,
    QgsProcessing,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
    QgsProcessingParameterRasterLayer,
    QgsWkbTypes,
)

from .._i18n import tr
from .._io import params
from .._io.layer_crs import srs_wkt
from .._io.rasters import require_content
from .._io.values import field_indexes
from ..core.crs import transform
from ..core.errors import LakefloorError
from ..core.grid import Areas, Lines

#: Fields of marks with the user's own remark, the first that has one counts.
_REMARKS = ("note", "desc", "cmt", "remark")
#: Parameter of each layer, by the name that the core gives it.
LAYER_PARAMETERS = {
    "breaklines": "BREAKLINES",
    "transitions": "TRANSITIONS",
    "bottom forms": "BOTTOM_FORMS",
    "bottom type": "BOTTOM_TYPE",
}


def bottom_type():
    """Return the optional bottom type raster parameter."""
    return params.helped(
        QgsProcessingParameterRasterLayer("BOTTOM_TYPE", tr("Bottom type"), optional=True),
        tr("Raster from Bottom type. If empty, hardness and class of the bottom are not used."),
    )


def add_layers(algorithm):
    """Add the depth surface and the layers of structure, all but the surface optional."""
    kinds = QgsProcessing.SourceType
    algorithm.addParameter(params.surface())
    for name, label, kind, text in (
        (
            "BREAKLINES",
            tr("Breaklines"),
            kinds.TypeVectorLine,
            tr(
                "Lines from Breaklines (drop-offs). The field kind separates crest and toe. If empty, "
                "drop-offs are not used."
            ),
        ),
        (
            "TRANSITIONS",
            tr("Hard-soft transitions"),
            kinds.TypeVectorLine,
            tr(
                "Lines along which hard bottom changes to soft. Unsupported lines are left out. If "
                "empty, transitions are not used."
            ),
        ),
        (
            "BOTTOM_FORMS",
            tr("Bottom forms"),
            kinds.TypeVectorPolygon,
            tr(
                "Polygons from Bottom forms. The field form has their names. If empty, forms are not "
                "used."
            ),
        ),
    ):
        algorithm.addParameter(
            params.helped(
                QgsProcessingParameterFeatureSource(name, label, [kind], optional=True), text
            )
        )
    algorithm.addParameter(bottom_type())


def add_deep(algorithm):
    """Add the depth from which water is deep."""
    from ..core.structure.structure_names import DEEP_SHARE

    algorithm.addParameter(
        params.number(
            "DEEP_FROM",
            tr("Deep water begins at (depth unit)"),
            None,
            tr(
                "If empty, it is the depth that {:.0f}% of the mapped bottom does not reach."
            ).format(100 * DEEP_SHARE),
            optional=True,
            advanced=True,
            minimum=0.0,
        )
    )


def unit():
    """Return the choice of the unit of depths and of distances in words."""
    return params.depth_unit(
        tr("Depth unit"),
        tr(
            "Unit of the depths entered here, and of depths and distances in texts. Fields with a "
            "name ending in _m stay in meters."
        ),
    )


def tolerance():
    """Return the tolerance of depth."""
    return params.number(
        "TOLERANCE",
        tr("Depth tolerance (depth unit)"),
        None,
        tr(
            "A depth error that does not matter. The score is multiplied by the probability that "
            "the depth is right within it. If empty, it is 2 ft (0.61 m)."
        ),
        optional=True,
        advanced=True,
        minimum=0.001,
    )


def name_field():
    """Return the field of the names of marks."""
    return params.helped(
        QgsProcessingParameterField("NAME_FIELD", tr("Name field"), None, "MARKS", optional=True),
        tr("If empty, it is the field 'name'. Without such a field, marks are numbered."),
        advanced=True,
    )


def marks():
    """Return the marks parameter."""
    return params.helped(
        QgsProcessingParameterFeatureSource(
            "MARKS", tr("Marks"), [QgsProcessing.SourceType.TypeVectorPoint]
        ),
        tr("Your own places: any point layer, or waypoints from a GPX file."),
    )


def read_ground(inputs) -> tuple:
    """Read the surface and what layers were given.

    Returns
    -------
    ground : Ground
    crs : QgsCoordinateReferenceSystem
    """
    from ..core.structure.ground import Ground

    surface, crs, _ = inputs.surface()
    ground = Ground(
        surface.depth,
        surface.uncertainty,
        surface.distance,
        breaklines=_lines(inputs, "BREAKLINES", crs, ["kind", "height_m"], ["confidence"]),
        transitions=_lines(inputs, "TRANSITIONS", crs, [], ["supported", "confidence"]),
        forms=_forms(inputs, crs),
        **_bottom(inputs, crs),
        deep_m=inputs.depth("DEEP_FROM"),
        crs=srs_wkt(crs),
    )
    return ground, crs


def _bottom(inputs, crs) -> dict:
    """Return the bands of the bottom type by the names that the ground gives them."""
    raster = inputs.raster("BOTTOM_TYPE")
    if raster is None:
        return {}
    require_content(raster, "hardness")
    names = ("hardness", "hardness_sd", "bottom_class", "class_probability")
    return dict(zip(names, inputs.bands("BOTTOM_TYPE", crs)))


def _lines(inputs, name: str, crs, needed: list, fields: list):
    kind = QgsWkbTypes.GeometryType.LineGeometry
    if not _given_with(inputs, name, kind, tr("lines"), needed):
        return None
    shapes, columns = inputs.shapes(name, crs, [*needed, *fields])
    return Lines([np.asarray(shape.coords)[:, :2] for shape in shapes], columns)


def _forms(inputs, crs):
    kind, needed = QgsWkbTypes.GeometryType.PolygonGeometry, ["form", "relief_m"]
    if not _given_with(inputs, "BOTTOM_FORMS", kind, tr("polygons"), needed):
        return None
    return Areas(*inputs.shapes("BOTTOM_FORMS", crs, [*needed, "confidence"]))


def _given_with(inputs, name: str, kind, word: str, needed: list) -> bool:
    """Return whether a layer was given; refuse one of another kind or without these fields."""
    layer = inputs.source(name)
    if layer is None:
        return False
    if QgsWkbTypes.geometryType(layer.wkbType()) != kind:
        raise LakefloorError(
            tr("Layer '{}' does not hold {}. Choose another layer for '{}'.").format(
                layer.sourceName(), word, inputs.label(name)
            )
        )
    field_indexes(layer, needed)
    # Contours and breaklines have that field; transitions, or lines of one's own, have not.
    if name == "TRANSITIONS" and "kind" in layer.fields().names():
        raise LakefloorError(
            tr("Layer '{}' holds contours or breaklines. Choose another layer for '{}'.").format(
                layer.sourceName(), inputs.label(name)
            )
        )
    return True


def read_marks(inputs, crs) -> tuple:
    """Return x, y (m), names and the user's own remarks of marks.

    Raises
    ------
    LakefloorError
        If the layer holds soundings, or no mark with a position.
    """
    layer = inputs.source("MARKS")
    fields = layer.fields().names()
    if {"raw_depth_m", "status", "lane"} <= set(fields):
        raise LakefloorError(
            tr("Layer '{}' holds soundings, not marks. Choose the layer of your own marks.").format(
                layer.sourceName()
            )
        )
    chosen = inputs.text("NAME_FIELD")
    name = chosen or next((f for f in fields if f.lower() == "name"), None)
    wanted = [name] if name else []
    wanted += [f for f in fields if f.lower() in _REMARKS and f not in wanted]
    x, y, _, columns, _ = inputs.points("MARKS", crs, wanted)
    placed = np.isfinite(x) & np.isfinite(y)
    if not placed.any():
        raise LakefloorError(
            tr("Layer '{}' has no mark with a position. Choose another layer of marks.").format(
                layer.sourceName()
            )
        )
    if not placed.all():
        inputs.warn(tr("Marks without a position, left out: {}.").format(int((~placed).sum())))
    rows = np.flatnonzero(placed)
    names = [
        str(columns[name][i]) if name and columns[name][i] is not None else str(i + 1) for i in rows
    ]
    others = [columns[f] for f in wanted if f != name]
    remarks = [next((str(c[i]) for c in others if c[i] not in (None, "")), "") for i in rows]
    return x[rows], y[rows], names, remarks


def read_ranking(inputs, number: str):
    """Return how places are ranked; ``number`` names the parameter of how many there are."""
    from ..core.places.ranking import TOLERANCE_M, Ranking

    return Ranking(
        inputs.integer(number),
        inputs.number("MIN_DISTANCE"),
        inputs.depth("TOLERANCE") or TOLERANCE_M,
    )


def lon_lat(x, y, ground) -> tuple:
    """Return WGS 84 longitude and latitude of positions on the ground."""
    return transform(x, y, ground.crs, 4326)


def write_points(outputs, name, columns, kinds, crs, x, y, style, **options):
    """Write points; ``columns`` is a dict of field name to values, ``kinds`` of those not double.

    NaN and None become NULL.
    """
    fields = [(field, kinds.get(field, "double")) for field in columns]
    values = [
        [_value(v, kinds.get(field, "double")) for v in column] for field, column in columns.items()
    ]
    rows = (
        (QgsGeometry(QgsPoint(float(x[i]), float(y[i]))), [column[i] for column in values])
        for i in range(len(x))
    )
    outputs.features(
        name, fields, QgsWkbTypes.Type.Point, crs, rows, style=style, count=len(x), **options
    )


def _value(value, kind):
    if kind == "text":
        return None if value is None or value == "" else str(value)
    if value is None or not np.isfinite(value):
        return None
    return int(value) if kind == "int" else float(value)
