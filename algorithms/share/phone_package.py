"""Package for phone or tablet."""

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessingContext,
    QgsProcessingParameterFolderDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.drawn_files import TILE_FILES, draw_tiles, require_placed
from .._io.layer_copies import package_layers
from .._io.layer_crs import wgs84
from .._io.layer_kinds import require_kind
from .._io.qgis_algorithms import Steps, run_within
from .._sheets import sheet_inputs
from .._sheets.own_project import own_project
from ..core.exchange.map_tiles import tiling
from ..core.exchange.waypoints import check_positions
from .map_sheet import MapSheet

#: What the map shows, from the top downward.
_ROLES = ("marks", "break_lines", "contours", "shoreline", "soundings", "depth_areas", "surface")


class PhonePackage(LakefloorAlgorithm):
    NAME = "phonepackage"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Package for phone or tablet")
    GROUP = "share"
    DRAWS = True
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "phone,smartphone,cell phone,tablet,mobile,app,offline,off-line,MBTiles,"
        "tiles,map tiles,GeoPackage,GeoPDF,field package,on the water,boat,"
        "georeferenced PDF",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Packs the lake map for a phone or tablet that has no network, into a new folder. Use it "
        "before you go on the water.\n\n"
        "The folder holds:\n"
        "- the layers with their styles in one GeoPackage, depths in meters\n"
        "- the drawn map as raster tiles\n"
        "- the map sheet as a georeferenced PDF\n\n"
        "Which of them an app opens depends on the app. All three are open standards. Each zoom "
        "level doubles the detail of the tiles.\n\n"
        "The layers are copied as they are, so the package is for your own use. To share a map, "
        "run Copy to share first. Not for navigation. A phone fails in cold and wet, and says "
        "nothing about ice.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "OGC 12-128r18, GeoPackage Encoding Standard 1.3. MBTiles specification 1.3. OGC 08-139r3, "
        "PDF Geo-registration Encoding Best Practice.",
    )

    NUMBERS = {
        "LAYER_COUNT": QT_TRANSLATE_NOOP("@default", "Number of layers in the package"),
        "PIXEL_SIZE": QT_TRANSLATE_NOOP("@default", "Pixel size on the ground (m)"),
    }
    FORM = ("CONTOURS", "SHORELINE", "DEPTH_AREAS", "SURFACE", "MARKS", "TITLE", "OUTPUT")

    def declare(self):
        add = self.addParameter
        for role in ("contours", "shoreline", "depth_areas", "surface", "break_lines", "soundings"):
            add(sheet_inputs.layer_parameter(role, optional=role not in ("contours", "shoreline")))
        add(sheet_inputs.layer_parameter("marks", optional=True))
        for parameter in sheet_inputs.sheet_text():
            add(parameter)
        add(sheet_inputs.depth_unit())
        add(sheet_inputs.page_size())
        add(
            params.choice(
                "TILES",
                tr("Raster tiles"),
                {
                    "MBTiles": tr("a file that most apps open"),
                    "GeoPackage": tr("a file that QGIS and some apps open"),
                    "no tiles": tr("only layers and sheet"),
                },
                "MBTiles",
                tr("File of the drawn map."),
                former={"mbtiles": "MBTiles", "gpkg": "GeoPackage", "none": "no tiles"},
            )
        )
        add(
            params.number(
                "MAX_ZOOM",
                tr("Maximum zoom level"),
                17,
                tr(
                    "Detail of the tiles. At a latitude of 45 degrees a pixel of level 17 is 0.84 m on "
                    "the ground, and half of it at level 18."
                ),
                minimum=8,
                maximum=22,
                integer=True,
            )
        )
        add(QgsProcessingParameterFolderDestination(params.OUTPUT, tr("Folder of the package")))

    def compute(self, inputs, outputs):
        progress = inputs.progress
        found = sheet_inputs.layers(inputs)
        shoreline = found["shoreline"]
        require_kind(shoreline, "polygon", inputs.feedback)
        inputs.metric_crs(shoreline)
        tiles = inputs.choice("TILES")
        zoom = inputs.integer("MAX_ZOOM")
        place = _place(shoreline, inputs)
        cut = None if tiles == "no tiles" else tiling(*place, zoom)
        staged = outputs.folder(params.OUTPUT)
        steps = Steps(3, inputs.feedback)
        with own_project(QgsCoordinateReferenceSystem("EPSG:3857")) as project:
            copies = _copies(found, project, inputs)
            vectors = [c for c in copies if c.type() == shoreline.type()]
            own = QgsProcessingContext()
            own.setProject(project)
            package_layers(vectors, staged / "lake.gpkg", own, steps)
            progress(0.2)
            if cut is not None:
                path = staged / f"lake_tiles.{TILE_FILES[tiles][0]}"
                words = inputs.text("TITLE").strip(), inputs.text("AUTHOR").strip()
                draw_tiles(copies, cut, path, tiles, words, own, steps)
        progress(0.8)
        _write_sheet(staged / "lake_map.pdf", inputs, steps)
        require_placed(staged)
        progress(1.0)
        inputs.say(
            tr("The package holds lake_map.pdf and lake.gpkg. Layers in lake.gpkg: {}.").format(
                len(vectors)
            )
        )
        if cut is not None:
            inputs.say(
                tr("The tiles reach zoom level {}. A pixel is {:.2f} m on the ground.").format(
                    zoom, cut.ground
                )
            )
        return {"LAYER_COUNT": len(vectors), "PIXEL_SIZE": None if cut is None else cut.ground}


def _copies(found, project, inputs) -> list:
    """Return styled copies of the layers, from the top of the map downward."""
    styled = sheet_inputs.styled_copies(found, _ROLES, project)
    for role, copy in styled.items():
        copy.setName(role)
    return list(styled.values())


def _write_sheet(path, inputs, steps):
    """Write the map sheet with the parameters that it shares with the package."""
    sheet, given = MapSheet().create(), inputs.parameters
    names = [d.name() for d in sheet.parameterDefinitions()]
    shared = {name: given[name] for name in names if name in given}
    run_within(sheet, {**shared, params.OUTPUT: str(path)}, inputs.context, steps)


def _place(shoreline, inputs):
    """Return west, south, east and north of the lake, WGS 84, degrees."""
    to_degrees = inputs.transform(shoreline.crs(), wgs84())
    place = to_degrees.transformBoundingBox(shoreline.extent())
    box = place.xMinimum(), place.yMinimum(), place.xMaximum(), place.yMaximum()
    check_positions(box[::2], box[1::2], f"Layer '{shoreline.name()}'")
    return box
