"""Package for phone or tablet."""

from contextlib import suppress

from osgeo import gdal
from qgis.core import (
    QgsApplication,
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsProcessing,
    QgsProcessingContext,
    QgsProcessingMultiStepFeedback,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterVectorLayer,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.gdal_errors import done, made, quiet, strict, without_sql
from .._io.layer_crs import metric_crs
from .._sheets import sheet_inputs
from .._sheets.own_project import own_project
from .._styling import apply_style
from ..core.errors import Cancelled, LakefloorError
from ..core.exchange.map_tiles import TILE, tiling
from ..core.exchange.waypoints import check_positions
from ._clean_geopackage import keep_drawing_only
from ._exchange import require, wgs84
from ._folder import new_folder
from .map_sheet import MapSheet

#: What the map shows, from the top downward.
_ROLES = ("break_lines", "contours", "shoreline", "soundings", "depth_areas", "surface")
#: Ending of the file of tiles.
_ENDINGS = {"MBTiles": "mbtiles", "GeoPackage": "gpkg"}


class PhonePackage(LakefloorAlgorithm):
    NAME = "phonepackage"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Package for phone or tablet")
    GROUP = "share"
    MAIN_THREAD = True
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

    def declare(self):
        add = self.addParameter
        for role in ("contours", "shoreline", "depth_areas", "surface", "break_lines", "soundings"):
            add(sheet_inputs.layer(role, optional=role not in ("contours", "shoreline")))
        add(
            params.helped(
                QgsProcessingParameterVectorLayer(
                    "MARKS", tr("Marks"), [QgsProcessing.SourceType.TypeVectorPoint], optional=True
                ),
                tr("Points to take along, such as waypoints. If empty, there are none."),
            )
        )
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
        require(shoreline, "polygon", inputs.feedback)
        metric_crs(shoreline.crs(), shoreline.extent(), shoreline.name(), inputs.feedback)
        marks = inputs.vector("MARKS")
        tiles = inputs.choice("TILES")
        zoom = inputs.integer("MAX_ZOOM")
        place = _place(shoreline, inputs.context)
        cut = None if tiles == "no tiles" else tiling(*place, zoom)
        folder = inputs.text(params.OUTPUT)
        steps = _Steps(3, inputs.feedback)
        with new_folder(folder) as staged:
            with own_project(QgsCoordinateReferenceSystem("EPSG:3857")) as project:
                copies = _copies(found, marks, project, inputs.feedback)
                vectors = [c for c in copies if c.type() == shoreline.type()]
                own = QgsProcessingContext()
                own.setProject(project)
                _write_layers(vectors, staged / "lake.gpkg", own, steps)
                progress(0.2)
                if cut is not None:
                    picture = staged / "picture.tif"
                    _draw(copies, cut, picture, own, steps)
                    progress(0.6)
                    _tiles(picture, staged / f"lake_tiles.{_ENDINGS[tiles]}", tiles)
                    for leftover in staged.glob("picture.tif*"):
                        leftover.unlink()
            progress(0.8)
            _write_sheet(inputs.parameters, staged / "lake_map.pdf", inputs.context, steps)
            _require_placed(staged)
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
        return {
            params.OUTPUT: folder,
            "LAYER_COUNT": len(vectors),
            "PIXEL_SIZE": None if cut is None else cut.ground,
        }


def _copies(found, marks, project, feedback) -> list:
    """Return styled copies of the layers and marks, from the top of the map downward."""
    styled = sheet_inputs.styled_copies(found, _ROLES, project)
    for role, copy in styled.items():
        copy.setName(role)
    copies = list(styled.values())
    if marks is not None:
        require(marks, "point", feedback)
        copies.insert(0, _marks_copy(marks, project))
    return copies


def _write_layers(layers, path, context, steps):
    """Write layers with their styles into a GeoPackage."""
    try:
        # QGIS takes no error of GDAL's at closing.
        with strict():
            _run(
                _own("native:package"),
                {
                    "LAYERS": layers,
                    "OUTPUT": str(path),
                    "OVERWRITE": True,
                    "SAVE_STYLES": True,
                    "SAVE_METADATA": False,
                },
                context,
                steps,
            )
    except RuntimeError as error:
        raise _cannot_write(path.name) from error
    keep_drawing_only(path)
    if not _holds(path, layers):
        raise _cannot_write(path.name)


def _draw(layers, cut, path, context, steps):
    """Draw layers as one picture, as large as the tiles cut from it."""
    west, south, east, north = cut.extent
    _run(
        _own("native:rasterize"),
        {
            "EXTENT": f"{west},{east},{south},{north} [EPSG:3857]",
            "MAP_UNITS_PER_PIXEL": cut.pixel,
            "TILE_SIZE": 1024,
            "EXTENT_BUFFER": 0,
            "MAKE_BACKGROUND_TRANSPARENT": True,
            "LAYERS": layers,
            "OUTPUT": str(path),
        },
        context,
        steps,
    )


def _write_sheet(parameters, path, context, steps):
    """Write the map sheet with the parameters that it shares with the package."""
    sheet = MapSheet().create()
    names = [d.name() for d in sheet.parameterDefinitions()]
    _run(
        sheet,
        {
            **{name: parameters[name] for name in names if name in parameters},
            params.OUTPUT: str(path),
        },
        context,
        steps,
    )


def _require_placed(folder):
    """Refuse a package with a file that shows nothing or lies nowhere."""
    for path in sorted(folder.iterdir()):
        if not _placed(path):
            raise LakefloorError(
                tr(
                    "'{}' is empty or has no position on the globe. Nothing was kept. Restart "
                    "QGIS, then run again."
                ).format(path.name)
            )


def _marks_copy(marks, project):
    copy = marks.clone()
    copy.setName("marks")
    apply_style(copy, "waypoints")
    copy.setLabelsEnabled(copy.fields().indexFromName("name") >= 0)
    project.addMapLayer(copy, False)
    project.layerTreeRoot().insertLayer(0, copy)
    return copy


def _place(shoreline, context):
    """Return west, south, east and north of the lake, WGS 84, degrees."""
    to_degrees = QgsCoordinateTransform(shoreline.crs(), wgs84(), context.transformContext())
    place = to_degrees.transformBoundingBox(shoreline.extent())
    box = place.xMinimum(), place.yMinimum(), place.xMaximum(), place.yMaximum()
    check_positions(box[::2], box[1::2], f"Layer '{shoreline.name()}'")
    return box


def _own(name):
    """Return an algorithm of QGIS itself."""
    found = QgsApplication.processingRegistry().createAlgorithmById(name)
    if found is None:
        raise LakefloorError(
            tr(
                "The QGIS algorithm '{}' is missing. Enable the Processing plugin, then run again."
            ).format(name)
        )
    return found


class _Steps(QgsProcessingMultiStepFeedback):
    """Passes on what QGIS's own algorithms say, without the statements of SQL."""

    def __init__(self, count, feedback):
        super().__init__(count, feedback)
        self._whole = feedback

    def isCanceled(self):
        return self._whole.isCanceled()

    def reportError(self, error, fatalError=False):
        super().reportError(without_sql(error), fatalError)


def _run(algorithm, parameters, context, feedback):
    """Run an algorithm within this one."""
    try:
        _, ok = algorithm.run(parameters, context, feedback)
    except Exception:  # QGIS raises nothing more special where it cannot write
        ok = False
    if feedback.isCanceled():
        raise Cancelled
    if not ok:
        raise LakefloorError(
            tr("'{}' failed. See the messages above, and check that the disk has room.").format(
                algorithm.displayName()
            )
        )


def _tiles(picture, path, kind):
    """Cut a picture into tiles, with the lower zoom levels."""
    try:
        options = ["TILE_FORMAT=PNG", "ZOOM_LEVEL_STRATEGY=LOWER"]
        options += (
            ["NAME=lake", "TYPE=overlay"]
            if kind == "MBTiles"
            else ["TILING_SCHEME=GoogleMapsCompatible", "RASTER_TABLE=lake"]
        )
        driver = "MBTiles" if kind == "MBTiles" else "GPKG"
        # GDAL's MBTiles driver says that while it makes overviews.
        with strict(harmless="'hDS' is NULL"):
            tiles = made(
                gdal.Translate(str(path), str(picture), format=driver, creationOptions=options)
            )
            longest = max(tiles.RasterXSize, tiles.RasterYSize)
            factors = [2**k for k in range(1, 20) if longest / 2 ** (k - 1) > TILE]
            if factors:
                done(tiles.BuildOverviews("AVERAGE", factors))
            tiles = None
    except RuntimeError as error:
        raise _cannot_write(path.name) from error


def _holds(path, layers) -> bool:
    """Tell whether a GeoPackage holds layers in full, each with its CRS."""
    with quiet(), suppress(RuntimeError):
        dataset = gdal.OpenEx(str(path))
        return dataset is not None and all(
            (copy := dataset.GetLayerByName(layer.name())) is not None
            and copy.GetFeatureCount() == layer.featureCount()
            and (_defined(copy.GetSpatialRef()) or not layer.crs().isValid())
            for layer in layers
        )
    return False


def _defined(srs) -> bool:
    """Tell whether a GeoPackage states a CRS: its two that state none are called "Undefined"."""
    return srs is not None and not srs.GetName().startswith("Undefined")


def _placed(path) -> bool:
    """Tell whether a file of the package lies somewhere on the globe and shows something."""
    if path.suffix == ".pdf":
        content = path.read_bytes()
        # QGIS can place a PDF only where GDAL has that driver.
        return not gdal.GetDriverByName("PDF") or b"/Measure" in content or b"/LGIDict" in content
    with quiet(), suppress(RuntimeError):
        dataset = gdal.OpenEx(str(path))
        if dataset is None:
            return False
        if not dataset.RasterCount:
            return dataset.GetLayerCount() > 0
        return bool(dataset.GetProjection()) and _shows_something(dataset)
    return False


def _shows_something(picture) -> bool:
    """Tell whether a picture is not transparent all over."""
    alpha, rows = picture.GetRasterBand(picture.RasterCount), picture.RasterYSize
    return any(
        alpha.ReadAsArray(0, row, picture.RasterXSize, min(TILE, rows - row)).any()
        for row in range(0, rows, TILE)
    )


def _cannot_write(name):
    return LakefloorError(
        tr(
            "Cannot write '{}' in full. Nothing was written. Check that the disk has room, then run "
            "again."
        ).format(name)
    )
