"""Map tiles on the Web Mercator square, as phones and browsers take them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..errors import LakefloorError

#: Pixels along a tile.
TILE = 256

#: Radius of the projection's sphere, and half a side of the square, m.
_RADIUS = 6_378_137.0
_HALF = math.pi * _RADIUS

#: Pixels along a side beyond which a picture is refused.
_MOST_PIXELS = 30_000

#: Pixels along a side of a small screen.
_SCREEN = 1024

#: Part of the longer side that is left free around a place, so that it is not at the very edge.
_MARGIN = 0.02


@dataclass(frozen=True)
class Tiling:
    """Tiles that hold a place.

    Attributes
    ----------
    extent : tuple of float
        West, south, east and north edge of the tiles, m in Web Mercator (EPSG:3857).
    pixel : float
        Side of a pixel, m in the projection.
    ground : float
        The same on the ground, in the middle of the place, m.
    place : tuple of float
        West, south, east and north of the place, WGS 84, degrees.
    zoom : int
        Level of the tiles.
    """

    extent: tuple
    pixel: float
    ground: float
    place: tuple
    zoom: int


def tiling(west: float, south: float, east: float, north: float, zoom: int) -> Tiling:
    """Return the tiles of a zoom level that hold a place and a margin around it.

    Parameters
    ----------
    west, south, east, north : float
        Of the place, WGS 84, degrees.
    zoom : int
        Level 0 is one tile; each further level halves the pixel.

    Returns
    -------
    Tiling

    Raises
    ------
    LakefloorError
        If a picture of these tiles would have more than 30 000 pixels along a side.

    Examples
    --------
    >>> round(tiling(-93.2, 45.1, -93.1, 45.2, 15).ground, 2)
    3.37

    References
    ----------
    OGC 17-083r2, Two Dimensional Tile Matrix Set (WebMercatorQuad). IOGP Guidance Note 373-7-2,
    method 1024 (Popular Visualisation Pseudo Mercator).
    """
    pixel = 2.0 * _HALF / (TILE * 2**zoom)
    tile = pixel * TILE
    (left, bottom), (right, top) = _mercator(west, south), _mercator(east, north)
    margin = _MARGIN * max(right - left, top - bottom)
    extent = (
        *(math.floor((v - margin + _HALF) / tile) * tile - _HALF for v in (left, bottom)),
        *(math.ceil((v + margin + _HALF) / tile) * tile - _HALF for v in (right, top)),
    )
    longest = max(extent[2] - extent[0], extent[3] - extent[1]) / pixel
    if longest > _MOST_PIXELS:
        fits = zoom - math.ceil(math.log2(longest / _MOST_PIXELS))
        raise LakefloorError(
            f"Tiles of zoom level {zoom} would have {longest:.0f} pixels along the lake. Choose "
            f"level {fits} or lower."
        )
    ground = pixel * math.cos(math.radians(0.5 * (south + north)))
    return Tiling(extent, pixel, ground, (west, south, east, north), zoom)


def tile_metadata(tiling: Tiling, min_zoom: int, title: str, credit: str) -> dict:
    """Return what a file of tiles says of itself.

    Parameters
    ----------
    tiling : Tiling
    min_zoom : int
        Lowest level of which there are tiles.
    title, credit : str
        Name for people, and who made the map; both may be empty.

    Returns
    -------
    dict of str to str
        Rows of the table ``metadata``. The center's level is one at which the place is no longer
        than a screen.

    Examples
    --------
    >>> held = tile_metadata(tiling(-93.2, 45.1, -93.1, 45.2, 15), 9, "Lake", "")
    >>> held["bounds"], held["center"]
    ('-93.200000,45.100000,-93.100000,45.200000', '-93.150000,45.150000,13')

    References
    ----------
    MBTiles specification 1.3, section Metadata.
    """
    west, south, east, north = tiling.place
    longest = (
        max(tiling.extent[2] - tiling.extent[0], tiling.extent[3] - tiling.extent[1]) / tiling.pixel
    )
    steps = max(math.ceil(math.log2(longest / _SCREEN)), 0)
    whole = max(tiling.zoom - steps, min_zoom)
    return {
        "name": title or "Lake map",
        "description": f"{title or 'Lake map'}. Not for navigation.",
        "attribution": credit,
        "version": "1.0.0",
        "type": "overlay",
        "format": "png",
        "minzoom": str(min_zoom),
        "maxzoom": str(tiling.zoom),
        "bounds": ",".join(f"{value:.6f}" for value in (west, south, east, north)),
        "center": f"{0.5 * (west + east):.6f},{0.5 * (south + north):.6f},{whole}",
    }


def _mercator(lon, lat):
    """Return easting and northing, m, of a place given in degrees."""
    return (
        _RADIUS * math.radians(lon),
        _RADIUS * math.log(math.tan(0.25 * math.pi + 0.5 * math.radians(lat))),
    )
