"""The layers of a lake that the sharing algorithms take, by role."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterString,
    QgsProcessingParameterVectorLayer,
)

from .. import _params as params
from .._i18n import tr
from .._layers import read_polygon, read_raster, require_content, require_lake, source
from .._named_crs import require_alive
from .._styling import apply_style
from ..core.errors import LakefloorError
from ..core.share.sheet import PAPERS
from ._together import check_together

#: Role -> (parameter, fields that the role's layer must have).
ROLES = {
    "contours": ("CONTOURS", ("depth", "unit", "index", "label", "kind", "supported")),
    "shoreline": ("SHORELINE", ()),
    "depth_areas": ("AREAS", ("depth_from_m", "depth_to_m", "label")),
    "surface": ("SURFACE", ()),
    "idw_surface": ("IDW_SURFACE", ()),
    "slope": ("SLOPE", ()),
    "break_lines": ("BREAK_LINES", ("kind",)),
    "soundings": ("SOUNDINGS", ("depth_m", "status")),
    "gauge": ("GAUGE", ()),
}

RASTERS = ("surface", "idw_surface", "slope")

_STYLE_OF = {"idw_surface": "surface"}


def layer(role, optional):
    """Return the layer parameter of a role."""
    name = ROLES[role][0]
    kind = QgsProcessing.SourceType
    if role in ("surface", "idw_surface"):
        label = tr("Depth surface") if role == "surface" else tr("Second depth surface (IDW)")
        return params.surface(name, label, optional=optional)
    if role == "slope":
        parameter = params.surface(name, tr("Bottom slope"), optional=optional)
        return params.helped(parameter, tr("Raster as written by Bottom slope, in percent."))
    labels = {
        "contours": (tr("Depth contours"), kind.TypeVectorLine,
                     tr("Lines as written by Depth contours.")),
        "shoreline": (tr("Shoreline"), kind.TypeVectorPolygon,
                      tr("Polygon of the lake at the datum, islands as holes. It sets the extent "
                         "of the map.")),
        "depth_areas": (tr("Depth areas"), kind.TypeVectorPolygon,
                        tr("Polygons as written by Depth areas: the blues of the map and the "
                           "depth-area table.")),
        "break_lines": (tr("Break-lines"), kind.TypeVectorLine,
                        tr("Crests, steepest lines and toes as written by Break-lines.")),
        "soundings": (tr("Soundings"), kind.TypeVectorPoint,
                      tr("Soundings with their status, for survey dates, counts and lanes.")),
        "gauge": (tr("Gauge readings"), kind.TypeVector,
                  tr("Table of the readings that depths were reduced with.")),
    }
    label, source_type, text = labels[role]
    return params.helped(
        QgsProcessingParameterVectorLayer(name, label, [source_type], optional=optional), text
    )


def sheet(*roles, needed=("contours", "shoreline"), papers=tuple(PAPERS)) -> list:
    """Return the parameters that every sheet begins with: its layers by role and its words."""
    return [
        *(layer(role, optional=role not in needed) for role in roles), *sheet_text(),
        params.depth_unit(), paper(papers),
    ]


def sheet_text() -> list:
    """Return the parameters for what only the user can say."""
    def text(name, label, default, explanation, several_lines=False):
        return params.helped(
            QgsProcessingParameterString(
                name, label, default, multiLine=several_lines, optional=True),
            explanation,
        )

    return [
        text("TITLE", tr("Title"), tr("Lake map"), tr("Heading of the sheet.")),
        text("LAKE", tr("Lake and place"), "", tr("Second line, such as the lake's county.")),
        text("AUTHOR", tr("Compiled by"), "",
             tr("Who made the map. It is also the author in the file's properties; left empty, "
                "none is named there.")),
        text("DATUM", tr("Name of the lake datum"), "",
             tr("What depths are measured from. Left empty, it is taken from the soundings or "
                "the surface.")),
        text("SOURCES", tr("Data sources"), "",
             tr("Who surveyed and with what, where the shoreline comes from and of what day, "
                "under which licence: one a line. What the layers tell is added."),
             several_lines=True),
    ]


def paper(names=tuple(PAPERS)):
    """Return the choice of the sheet's size."""
    sizes = {name: PAPERS[name] for name in names}
    return params.choice(
        "PAPER", tr("Paper"),
        {name: f"{width:.0f} x {height:.0f} mm" for name, (width, height) in sizes.items()},
        "Letter", tr("Size of the sheet."),
    )


def track():
    """Return the choice to draw the soundings."""
    return params.helped(
        QgsProcessingParameterBoolean("TRACK", tr("Draw the soundings"), False),
        tr("Draw the soundings used as faint points, to show where the boat went."),
    )


def texts(algorithm, parameters, context) -> dict:
    """Return what :func:`sheet_text` asks for, as arguments of ``collect_facts``."""
    return {
        name.lower(): algorithm.parameterAsString(parameters, name, context).strip()
        for name in ("TITLE", "LAKE", "AUTHOR", "DATUM", "SOURCES")
    }


def layers(algorithm, parameters, context, feedback) -> dict:
    """Return the layers given, by role; warn where they are not from one run.

    Raises
    ------
    LakefloorError
        If a layer cannot be loaded, is empty, lacks a field that its role needs, holds something
        else, or belongs to another lake.
    """
    found = {}
    for role, (name, fields) in ROLES.items():
        if algorithm.parameterDefinition(name) is None or not parameters.get(name):
            continue
        raster = role in RASTERS
        read = algorithm.parameterAsRasterLayer if raster else algorithm.parameterAsVectorLayer
        found[role] = read(parameters, name, context)
        if found[role] is None or not found[role].isValid():
            raise LakefloorError(
                tr("The layer for '{}' cannot be loaded.").format(
                    algorithm.parameterDefinition(name).description())
            )
        require_alive(found[role].crs(), found[role].name())
        if raster:
            require_content(found[role], "slope" if role == "slope" else "depth")
            continue
        present = set(found[role].fields().names())
        missing = [field for field in fields if field not in present]
        if missing:
            raise LakefloorError(
                tr("Layer '{}' has no field {}; '{}' needs a layer that Lakefloor wrote.").format(
                    found[role].name(), ", ".join(f"'{f}'" for f in missing),
                    algorithm.parameterDefinition(name).description())
            )
        if role in ("contours", "shoreline") and not found[role].featureCount():
            raise LakefloorError(tr("Layer '{}' is empty.").format(found[role].name()))
        if role == "shoreline":
            require_lake(found[role])
    check_together(found, context, feedback)
    return found


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

#: Standard uncertainty of the datum where the user states none, m: a tenth of a foot, a common
#: step of gauge readings.
DATUM_UNCERTAINTY = 0.03
#: Standard uncertainty of a point of the shoreline where the user states none, m: traced from
#: aerial pictures, a common practice.
SHORELINE_UNCERTAINTY = 1.0


def figures() -> list:
    """Return the parameters that every algorithm on the figures of a lake begins with."""
    return [
        params.surface(),
        params.shoreline(optional=False),
        params.choice(
            "UNIT", tr("Unit of depth"),
            {"ft": tr("feet, acres, acre-feet"), "m": tr("metres, m², m³")}, "ft",
            tr("Unit of the depths and levels below, and units in which results are written."),
        ),
    ]


def surface_and_shoreline(algorithm, parameters, context, feedback) -> tuple:
    """Return the surface, the shoreline in its CRS, that CRS and the surface's metadata."""
    surface, crs, metadata = read_raster(
        algorithm.parameterAsRasterLayer(parameters, params.INPUT, context), feedback)
    shoreline = read_polygon(
        source(algorithm, parameters, params.SHORELINE, context), crs, context, feedback)
    return surface, shoreline, crs, metadata


def datum_uncertainty():
    """Return the parameter of the datum's standard uncertainty."""
    return params.distance(
        "DATUM_UNCERTAINTY", tr("Standard uncertainty of the datum (m)"), DATUM_UNCERTAINTY,
        tr("How well the water level of the visits is tied to the datum, the same error for all "
           "of the lake. 0.03 m is a tenth of a foot, a common step of gauge readings."),
        advanced=True,
    )


def shoreline_uncertainty():
    """Return the parameter of the shoreline's standard uncertainty."""
    return params.distance(
        "SHORELINE_UNCERTAINTY", tr("Standard uncertainty of the shoreline (m)"),
        SHORELINE_UNCERTAINTY,
        tr("How far a point of the shoreline may lie off, in easting and in northing, one standard "
           "deviation. 1 m suits one that was traced from aerial pictures; 0 leaves it out."),
        advanced=True,
    )
