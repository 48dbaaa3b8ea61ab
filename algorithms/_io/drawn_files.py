"""Drawn maps as files that lie on the globe: raster tiles, and the check that a file does so."""

from __future__ import annotations

import sqlite3
from contextlib import closing, suppress
from pathlib import Path

from osgeo import gdal

from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.exchange.map_tiles import TILE, Tiling, tile_metadata
from .gdal_errors import done, made, quiet, strict
from .layer_copies import cannot_write
from .qgis_algorithms import qgis_algorithm, run_within

#: Kind of file -> its ending, GDAL's driver and how tiles are written into it.
TILE_FILES = {
    "MBTiles": ("mbtiles", "MBTiles", ()),
    "GeoPackage": ("gpkg", "GPKG", ("TILING_SCHEME=GoogleMapsCompatible", "RASTER_TABLE=lake")),
}


def draw_tiles(layers, tiling: Tiling, path: Path, kind: str, words: tuple, context, feedback):
    """Draw layers as raster tiles, with the lower zoom levels.

    Parameters
    ----------
    layers : list of QgsMapLayer
        From the top downward.
    path : Path
        Of a new file, whose ending :data:`TILE_FILES` gives.
    kind : str
        A key of :data:`TILE_FILES`.
    words : tuple of str
        Title of the map and who made it, for the file's description of itself.

    Raises
    ------
    LakefloorError
        If they cannot be written in full.
    Cancelled
    """
    picture = path.with_name("picture.tif")
    _draw(layers, tiling, picture, context, feedback)
    try:
        _cut(picture, path, kind)
        _describe(path, kind, tiling, *words)
    except (RuntimeError, sqlite3.Error) as error:
        raise cannot_write(path.name) from error
    for leftover in path.parent.glob("picture.tif*"):
        leftover.unlink()


def _draw(layers, tiling, path, context, feedback):
    """Draw layers as one picture, as large as the tiles cut from it."""
    west, south, east, north = tiling.extent
    run_within(
        qgis_algorithm("native:rasterize"),
        {
            "EXTENT": f"{west},{east},{south},{north} [EPSG:3857]",
            "MAP_UNITS_PER_PIXEL": tiling.pixel,
            "TILE_SIZE": 1024,
            "EXTENT_BUFFER": 0,
            "MAKE_BACKGROUND_TRANSPARENT": True,
            "LAYERS": layers,
            "OUTPUT": str(path),
        },
        context,
        feedback,
    )


def _cut(picture, path, kind):
    _, driver, options = TILE_FILES[kind]
    # GDAL's MBTiles driver says that while it makes overviews.
    with strict(harmless="'hDS' is NULL"):
        tiles = made(
            gdal.Translate(
                str(path),
                str(picture),
                format=driver,
                creationOptions=["TILE_FORMAT=PNG", "ZOOM_LEVEL_STRATEGY=LOWER", *options],
            )
        )
        longest = max(tiles.RasterXSize, tiles.RasterYSize)
        factors = [2**k for k in range(1, 20) if longest / 2 ** (k - 1) > TILE]
        if factors:
            done(tiles.BuildOverviews("AVERAGE", factors))
        tiles = None


def _describe(path, kind, tiling, title, credit):
    """Write what the file says of itself. GDAL knows no title, and no level without tiles."""
    with closing(sqlite3.connect(path)) as db, db:
        if kind == "MBTiles":
            ((lowest,),) = db.execute("SELECT min(zoom_level) FROM tiles")
            rows = tile_metadata(tiling, lowest, title, credit)
            db.executemany("DELETE FROM metadata WHERE name = ?", ((name,) for name in rows))
            db.executemany("INSERT INTO metadata VALUES (?, ?)", rows.items())
        else:
            db.execute(
                "UPDATE gpkg_contents SET identifier = ?, description = ?",
                (title or tr("Lake map"), credit),
            )


def require_placed(folder: Path):
    """Refuse a folder with a file that shows nothing or lies nowhere.

    Raises
    ------
    LakefloorError
    """
    for path in sorted(folder.iterdir()):
        if not _placed(path):
            raise LakefloorError(
                tr(
                    "'{}' is empty or has no position on the globe. Nothing was kept. Restart "
                    "QGIS, then run again."
                ).format(path.name)
            )


def _placed(path) -> bool:
    """Tell whether a file lies somewhere on the globe and shows something."""
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
