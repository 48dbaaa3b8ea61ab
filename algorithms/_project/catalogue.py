"""The layers of a lake: the one list of their groups, order, names, styles and map themes."""

from __future__ import annotations

from dataclasses import dataclass

from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

__all__ = ["CHECK", "LAYERS", "PRINT", "SECTIONS", "STRUCTURE", "THEMES", "LakeLayer", "lake_layer"]

#: Key of a map theme -> its name.
THEMES = {
    "check": QT_TRANSLATE_NOOP("@default", "Check"),
    "print": QT_TRANSLATE_NOOP("@default", "Print"),
    "structure": QT_TRANSLATE_NOOP("@default", "Structure"),
}
CHECK, PRINT, STRUCTURE = THEMES

#: Key of a group -> its name, from the top of the map downward. What fills areas lies in the last
#: one, and soundings below the contours.
SECTIONS = {
    "places": QT_TRANSLATE_NOOP("@default", "Places"),
    "outing": QT_TRANSLATE_NOOP("@default", "Next outing"),
    "water": QT_TRANSLATE_NOOP("@default", "On the water"),
    "map": QT_TRANSLATE_NOOP("@default", "Map"),
    "structure": QT_TRANSLATE_NOOP("@default", "Structure"),
    "survey": QT_TRANSLATE_NOOP("@default", "Survey"),
    "surfaces": QT_TRANSLATE_NOOP("@default", "Areas and surfaces"),
}


@dataclass(frozen=True)
class LakeLayer:
    """A layer that a lake may have.

    Attributes
    ----------
    role : str
    section : str
        Key of its group.
    name : str
        As shown, to be translated.
    style : str
        By name; "" for a table.
    shown : bool
        Whether it is ticked at first.
    themes : tuple of str
        Keys of the map themes that show it.
    raster, expanded : bool
        Whether it is a raster; whether its legend is open at first.
    """

    role: str
    section: str
    name: str
    style: str
    shown: bool = True
    themes: tuple = ()
    raster: bool = False
    expanded: bool = False


#: From the top of the map downward. Dialogs list layers by name (with " [EPSG...]" behind it) and
#: offer the first of their kind: that must be the depth surface of the rasters, the shoreline of
#: the polygons, the contours of the lines.
LAYERS = (
    LakeLayer(
        "spots",
        "places",
        QT_TRANSLATE_NOOP("@default", "Spots by rank"),
        "spots",
        themes=(STRUCTURE,),
    ),
    LakeLayer(
        "marks",
        "places",
        QT_TRANSLATE_NOOP("@default", "Marks"),
        "marks",
        themes=(CHECK, PRINT, STRUCTURE),
    ),
    LakeLayer(
        "lanes",
        "outing",
        QT_TRANSLATE_NOOP("@default", "Lanes of the next outing"),
        "planned_lanes",
        expanded=True,
    ),
    LakeLayer(
        "gaps", "outing", QT_TRANSLATE_NOOP("@default", "Survey gaps"), "gaps", themes=(CHECK,)
    ),
    LakeLayer(
        "shoreline",
        "map",
        QT_TRANSLATE_NOOP("@default", "Shoreline"),
        "shoreline",
        themes=(CHECK, PRINT, STRUCTURE),
    ),
    LakeLayer(
        "break_lines",
        "map",
        QT_TRANSLATE_NOOP("@default", "Drop-off lines"),
        "break_lines",
        themes=(PRINT, STRUCTURE),
        expanded=True,
    ),
    LakeLayer(
        "contours",
        "map",
        QT_TRANSLATE_NOOP("@default", "Depth contours"),
        "contours",
        themes=(CHECK, PRINT, STRUCTURE),
        expanded=True,
    ),
    LakeLayer(
        "transitions",
        "structure",
        QT_TRANSLATE_NOOP("@default", "Hard-soft transitions"),
        "transitions",
        themes=(STRUCTURE,),
        expanded=True,
    ),
    LakeLayer(
        "bottom_forms",
        "structure",
        QT_TRANSLATE_NOOP("@default", "Structure: bottom forms"),
        "bottom_forms",
        shown=False,
        themes=(STRUCTURE,),
        expanded=True,
    ),
    LakeLayer(
        "soundings",
        "survey",
        QT_TRANSLATE_NOOP("@default", "Soundings"),
        "soundings",
        shown=False,
        themes=(CHECK,),
        expanded=True,
    ),
    LakeLayer(
        "bottom_change",
        "survey",
        QT_TRANSLATE_NOOP("@default", "Where the bottom changed"),
        "bottom_change",
        themes=(CHECK,),
    ),
    LakeLayer("gauge", "survey", QT_TRANSLATE_NOOP("@default", "Gauge readings"), ""),
    LakeLayer(
        "depth_areas",
        "surfaces",
        QT_TRANSLATE_NOOP("@default", "Water depth areas"),
        "depth_areas",
        themes=(PRINT,),
    ),
    LakeLayer(
        "bottom_type_areas",
        "surfaces",
        QT_TRANSLATE_NOOP("@default", "Soft, medium and hard bottom"),
        "bottom_areas",
        shown=False,
    ),
    LakeLayer(
        "bottom_type",
        "surfaces",
        QT_TRANSLATE_NOOP("@default", "Hardness of the bottom"),
        "bottom_type",
        shown=False,
        themes=(STRUCTURE,),
        raster=True,
    ),
    LakeLayer(
        "slope",
        "surfaces",
        QT_TRANSLATE_NOOP("@default", "Slope of the bottom"),
        "slope",
        shown=False,
        raster=True,
    ),
    LakeLayer(
        "surface",
        "surfaces",
        QT_TRANSLATE_NOOP("@default", "Depth surface"),
        "surface",
        themes=(CHECK,),
        raster=True,
    ),
    LakeLayer(
        "idw_surface",
        "surfaces",
        QT_TRANSLATE_NOOP("@default", "IDW depth surface"),
        "surface",
        shown=False,
        raster=True,
    ),
)


def lake_layer(role) -> LakeLayer:
    """Return the layer of a role."""
    return next(entry for entry in LAYERS if entry.role == role)


def order_of(role) -> int:
    """Return the place of a role from the top of the map."""
    return next(number for number, entry in enumerate(LAYERS) if entry.role == role)
