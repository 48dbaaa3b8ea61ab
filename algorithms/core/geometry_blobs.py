"""Geometries of any kind as a GeoPackage stores them, many at a time.

References
----------
OGC 12-128r18, GeoPackage Encoding Standard 1.3, 2.1.3 (geometry encoding).
OGC 06-103r4, Simple feature access, 8.2 (well-known binary).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence

import numpy as np

_POINT, _LINE = 1, 2
_EMPTY, _LITTLE_ENDIAN, _BOX = 0x10, 0x01, 0x02

#: Before well-known binary: magic and version, flags, reference system; then the box.
_HEAD = [("magic", "S2"), ("version", "u1"), ("flags", "u1"), ("srs", "<i4")]
_HEAD_AND_BOX = np.dtype([*_HEAD, ("box", "<f8", (4,))])


def line_wkb(lines: Iterable[np.ndarray]) -> list[bytes]:
    """Return many lines as well-known binary.

    Parameters
    ----------
    lines : iterable of array, shape (k, 2)

    Examples
    --------
    >>> import numpy as np
    >>> line_wkb([np.zeros((2, 2))])[0][:9].hex()
    '010200000002000000'
    """
    return [
        struct.pack("<BII", 1, _LINE, len(xy)) + np.ascontiguousarray(xy, "<f8").tobytes()
        for xy in lines
    ]


def line_bounds(lines: Sequence[np.ndarray]) -> np.ndarray:
    """Return west, south, east and north of each line, shape (n, 4), NaN for an empty one."""
    bounds = np.full((len(lines), 4), np.nan)
    for i, xy in enumerate(lines):
        if len(xy):
            bounds[i] = *np.min(xy, axis=0), *np.max(xy, axis=0)
    return bounds


def empty_wkb(kind: int) -> bytes:
    """Return an empty geometry of a kind as well-known binary; a point's place is NaN."""
    if kind == _POINT:
        return struct.pack("<BI2d", 1, kind, np.nan, np.nan)
    return struct.pack("<BII", 1, kind, 0)


def geometry_blobs(wkb: Sequence[bytes], bounds: np.ndarray, kind: int, srs_id: int) -> list[bytes]:
    """Return geometries as a GeoPackage stores them.

    Parameters
    ----------
    wkb : sequence of bytes, length n
        Little-endian well-known binary.
    bounds : array, shape (n, 4)
        West, south, east, north; NaN where the geometry is empty.
    kind : int
        1 for points: their header has no box. A code of simple features in the plane.
    srs_id : int
        Of the file's table ``gpkg_spatial_ref_sys``.

    Examples
    --------
    >>> import numpy as np
    >>> blob, = geometry_blobs([empty_wkb(2)], np.full((1, 4), np.nan), 2, 32615)
    >>> blob[:4], len(blob)
    (b'GP\\x00\\x11', 17)
    """
    empty = np.isnan(bounds[:, 0])
    bare = struct.pack("<2sBBi", b"GP", 0, _LITTLE_ENDIAN, srs_id)
    without = struct.pack("<2sBBi", b"GP", 0, _LITTLE_ENDIAN | _EMPTY, srs_id)
    if kind == _POINT:
        if not empty.any():
            return [bare + each for each in wkb]
        return [(without if e else bare) + each for e, each in zip(empty.tolist(), wkb)]
    heads = np.zeros(len(wkb), _HEAD_AND_BOX)
    heads["magic"], heads["flags"], heads["srs"] = b"GP", _LITTLE_ENDIAN | _BOX, srs_id
    heads["box"] = bounds[:, [0, 2, 1, 3]]
    raw, size = heads.tobytes(), _HEAD_AND_BOX.itemsize
    return [
        (without if e else raw[i * size : (i + 1) * size]) + each
        for i, (e, each) in enumerate(zip(empty.tolist(), wkb))
    ]
