"""The layers of a lake that the sharing algorithms take, by role."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterString,
    QgsProcessingParameterVectorLayer,
)

from .._i18n import tr
from .._io import params
from .._io.layer_kinds import require_kind
from .._io.named_crs import require_alive
from .._io.rasters import require_content
from .._styling import apply_style
from ..core.errors import LakefloorError
from ..core.wording.page_layout import PAGE_SIZES

#: Role -> (parameter, fields that the role's layer must have).
ROLES = {
    "contours": ("CONTOURS", ("depth", "unit", "index", "label", "kind", "supported")),
    "shoreline": ("SHORELINE", ()),
    "depth_areas": ("DEPTH_AREAS", ("depth_from_m", "depth_to_m", "label")),
    "surface": ("SURFACE", ()),
    "idw_surface": ("IDW_SURFACE", ()),
    "slope": ("SLOPE", ()),
    "break_lines": ("BREAKLINES", ("kind",)),
    "soundings": ("SOUNDINGS", ("depth_m",)),
    "gauge": ("GAUGE", ()),
    "marks": ("MARKS", ()),
}

RASTERS = ("surface", "idw_surface", "slope")

_STYLE_OF = {"idw_surface": "surface", "marks": "waypoints"}


def layer_parameter(role, optional):
    """Return the layer parameter of a role."""
    name, kind = ROLES[role][0], QgsProcessing.SourceType
    if role in RASTERS:
        label, text = {
            "surface": (tr("Depth surface"), tr("Raster whose band 1 is depth in meters.")),
            "idw_surface": (
                tr("Second depth surface (IDW)"),
                tr("Raster whose band 1 is depth in meters."),
            ),
            "slope": (tr("Bottom slope"), tr("Raster from Bottom slope, in percent.")),
        }[role]
        parameter = params.surface(name, label, optional=optional)
    else:
        label, source_type, text = {
            "contours": (
                tr("Depth contours"),
                kind.TypeVectorLine,
                tr("Lines from Depth contours."),
            ),
            "shoreline": (
                tr("Shoreline"),
                kind.TypeVectorPolygon,
                tr(
                    "Polygon of the lake at the datum, with islands as holes. It sets "
                    "the extent of the map."
                ),
            ),
            "depth_areas": (
                tr("Depth areas"),
                kind.TypeVectorPolygon,
                tr("Polygons from Depth areas. They color the map and fill the depth-area table."),
            ),
            "break_lines": (
                tr("Breaklines"),
                kind.TypeVectorLine,
                tr("Crests, steepest lines and toes from Breaklines."),
            ),
            "soundings": (
                tr("Soundings"),
                kind.TypeVectorPoint,
                tr(
                    "Soundings with their status. They give the dates, counts and "
                    "lanes of the survey."
                ),
            ),
            "gauge": (
                tr("Gauge readings"),
                kind.TypeVector,
                tr("Table of the readings that depths were reduced with."),
            ),
            "marks": (
                tr("Marks"),
                kind.TypeVectorPoint,
                tr("Points of your own, drawn with their names, such as waypoints."),
            ),
        }[role]
        parameter = QgsProcessingParameterVectorLayer(name, label, [source_type], optional=optional)
    if optional:
        text += " " + tr("If empty, its part of the sheet is left out.")
    return params.helped(parameter, text)


def sheet(*roles, needed=("contours", "shoreline"), sizes=tuple(PAGE_SIZES)) -> list:
    """Return the parameters that every sheet begins with: its layers by role and its words."""
    return [
        *(layer_parameter(role, optional=role not in needed) for role in roles),
        *sheet_text(),
        depth_unit(),
        page_size(sizes),
    ]


def depth_unit():
    """Return the choice of the unit on a page."""
    return params.depth_unit(
        tr("Depth unit"), tr("Unit of the depths and lengths that people read.")
    )


def sheet_text() -> list:
    """Return the parameters for what only the user can say."""

    def text(name, label, default, explanation, several_lines=False):
        return params.helped(
            QgsProcessingParameterString(
                name, label, default, multiLine=several_lines, optional=True
            ),
            explanation,
        )

    return [
        text("TITLE", tr("Title"), tr("Lake map"), tr("Heading of the sheet.")),
        text(
            "LAKE",
            tr("Lake and place"),
            "",
            tr(
                "Second line, such as the name of the lake and its county. If empty, there is none."
            ),
        ),
        text(
            "AUTHOR",
            tr("Author"),
            "",
            tr(
                "Who made the map. The author is named in the file's properties too. If empty, "
                "nobody is named."
            ),
        ),
        text(
            "DATUM",
            tr("Name of the lake datum"),
            "",
            tr(
                "What depths are measured from. If empty, it is taken from the soundings or the "
                "surface."
            ),
        ),
        text(
            "SOURCES",
            tr("Data sources"),
            "",
            tr(
                "Who surveyed and with what, and the shoreline's source, date and license. Write "
                "one a line. If empty, only what the layers say is written."
            ),
            several_lines=True,
        ),
    ]


def page_size(names=tuple(PAGE_SIZES)):
    """Return the choice of the page's size."""
    sizes = {name: PAGE_SIZES[name] for name in names}
    return params.choice(
        "PAGE_SIZE",
        tr("Page size"),
        {name: f"{width:.0f} x {height:.0f} mm" for name, (width, height) in sizes.items()},
        "Letter",
        tr("Size of the printed page."),
    )


def draw_soundings():
    """Return the choice to draw the soundings."""
    return params.helped(
        QgsProcessingParameterBoolean("DRAW_SOUNDINGS", tr("Draw the soundings"), False),
        tr("Draws the soundings used as faint points, to show where the boat went."),
    )


def settings(inputs):
    """Return what :func:`sheet` asks for besides the layers."""
    from ..core.wording.sheet_facts import SheetSettings

    texts = {
        name.lower(): inputs.text(name).strip()
        for name in ("TITLE", "LAKE", "AUTHOR", "DATUM", "SOURCES")
    }
    drawn = inputs.algorithm.parameterDefinition("DRAW_SOUNDINGS") is not None
    return SheetSettings(
        **texts,
        unit=inputs.unit(),
        page_size=inputs.choice("PAGE_SIZE"),
        draw_soundings=drawn and inputs.flag("DRAW_SOUNDINGS"),
    )


def layers(inputs) -> dict:
    """Return the layers given, by role; warn where they are not from one run.

    Raises
    ------
    LakefloorError
        If a layer cannot be loaded, is empty, lacks a field that its role needs, holds something
        else, or belongs to another lake.
    """
    from .._io.shoreline import require_lake
    from .one_lake import check_together

    found = {}
    for role, (name, fields) in ROLES.items():
        if inputs.algorithm.parameterDefinition(name) is None or not inputs.given(name):
            continue
        found[role] = layer = _loaded(inputs, role, name)
        require_alive(layer.crs(), layer.name())
        if role in RASTERS:
            require_content(layer, "slope" if role == "slope" else "depth")
            continue
        _require_fields(layer, fields, inputs.label(name))
        if role in ("contours", "shoreline") and not layer.featureCount():
            raise LakefloorError(
                tr("Layer '{}' is empty. Choose another layer, then run again.").format(
                    layer.name()
                )
            )
        if role == "shoreline":
            require_lake(layer, inputs.feedback)
        if role == "marks":
            require_kind(layer, "point", inputs.feedback)
    check_together(found, inputs)
    return found


def _loaded(inputs, role, name):
    algorithm = inputs.algorithm
    read = algorithm.parameterAsRasterLayer if role in RASTERS else algorithm.parameterAsVectorLayer
    layer = read(inputs.parameters, name, inputs.context)
    if layer is None or not layer.isValid():
        raise LakefloorError(
            tr("The layer for '{}' cannot be loaded. Choose another layer, then run again.").format(
                inputs.label(name)
            )
        )
    return layer


def _require_fields(layer, fields, label):
    present = set(layer.fields().names())
    missing = [field for field in fields if field not in present]
    if missing:
        raise LakefloorError(
            tr("Layer '{}' has no field {}. Choose a layer that Lakefloor wrote for '{}'.").format(
                layer.name(), ", ".join(f"'{f}'" for f in missing), label
            )
        )


def styled_copies(found, order, project) -> dict:
    """Add styled copies of layers to a private project; the originals stay untouched.

    ``order`` lists the roles to copy, from the top of the map downward.
    """
    copies = {}
    for role in order:
        if role in found:
            copies[role] = found[role].clone()
            style(copies[role], role, **({"faint": True} if role == "soundings" else {}))
            project.addMapLayer(copies[role], False)
            project.layerTreeRoot().addLayer(copies[role])
    return copies


def style(copy, role, **options):
    """Style a layer as its role on a map asks."""
    if role != "gauge":
        apply_style(copy, _STYLE_OF.get(role, role), **options)


# -- figures of a lake --------------------------------------------------------------


def figures() -> list:
    """Return the parameters that every algorithm on the figures of a lake begins with."""
    return [
        params.surface(),
        params.shoreline(optional=False),
        params.depth_unit(
            tr("Depth unit"),
            tr(
                "Unit of the depths and levels given here and of the results. Areas and volumes "
                "are in acres and acre-feet, or in m² and m³."
            ),
        ),
    ]


def surface_and_shoreline(inputs) -> tuple:
    """Return the surface, the shoreline in its CRS, that CRS and the surface's metadata."""
    surface, crs, metadata = inputs.surface(params.INPUT)
    shoreline = inputs.polygon(params.SHORELINE, crs)
    return surface, shoreline, crs, metadata


def datum_uncertainty():
    """Return the parameter of the datum's standard uncertainty."""
    from ..core.figures.figure_defaults import DATUM_UNCERTAINTY

    return params.distance(
        "DATUM_UNCERTAINTY",
        tr("Datum, standard uncertainty (m)"),
        DATUM_UNCERTAINTY,
        tr(
            "How well the lake levels of the visits are tied to the datum. It is the same error "
            "for all of the lake. 0.03 m is a tenth of a foot, a common step of gauge readings."
        ),
        advanced=True,
    )


def shoreline_uncertainty():
    """Return the parameter of the shoreline's standard uncertainty."""
    from ..core.figures.figure_defaults import SHORELINE_UNCERTAINTY

    return params.distance(
        "SHORELINE_UNCERTAINTY",
        tr("Shoreline, standard uncertainty (m)"),
        SHORELINE_UNCERTAINTY,
        tr(
            "Standard uncertainty of a point of the shoreline, in easting and in northing. 1 m "
            "suits a shoreline traced from aerial images. 0 leaves it out."
        ),
        advanced=True,
    )
