"""Points as a GeoPackage stores them, and what SQLite needs to change one.

References
----------
OGC 12-128r18, GeoPackage Encoding Standard 1.3, 2.1.3 (geometry encoding) and F.3 (spatial index).
OGC 06-103r4, Simple feature access, 8.2 (well-known binary).
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Any

import numpy as np

#: Little-endian well-known binary of a point.
_WKB = [("order", "u1"), ("type", "<u4"), ("x", "<f8"), ("y", "<f8")]

#: A point as most programs write it: a header without an envelope, then well-known binary.
_POINT = np.dtype([("magic", "S2"), ("version", "u1"), ("flags", "u1"), ("srs", "<i4"), *_WKB])

#: Bytes of the envelope by its code, which bits 1 to 3 of the flags hold.
_ENVELOPES = (0, 32, 48, 48, 64)

_TRIGGER_FUNCTIONS = ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY")


def point_wkb(x: np.ndarray, y: np.ndarray) -> list[bytes]:
    """Return many points as well-known binary.

    Parameters
    ----------
    x, y : array, shape (n,)

    Examples
    --------
    >>> import numpy as np
    >>> point_wkb(np.array([0.0]), np.array([0.0]))[0].hex()[:10]
    '0101000000'
    """
    points = np.zeros(len(x), _WKB)
    points["order"] = points["type"] = 1
    points["x"], points["y"] = x, y
    return _pieces(points)


def point_blobs(x: np.ndarray, y: np.ndarray, srs_id: int) -> list[bytes | None]:
    """Return many points as a GeoPackage stores them, None for those without a position.

    Parameters
    ----------
    x, y : array, shape (n,)
        NaN or infinite where there is no position.
    srs_id : int
        Of the file's table ``gpkg_spatial_ref_sys``.

    Examples
    --------
    >>> import numpy as np
    >>> blobs = point_blobs(np.array([5.0, np.nan]), np.array([7.0, 1.0]), 32615)
    >>> blobs[0][:4], blobs[1]
    (b'GP\\x00\\x01', None)
    >>> [[float(v) for v in values] for values in positions(blobs)]
    [[5.0, nan], [7.0, nan]]
    """
    points = np.zeros(len(x), _POINT)
    points["magic"], points["flags"], points["srs"] = b"GP", 1, srs_id
    points["order"] = points["type"] = 1
    points["x"], points["y"] = x, y
    placed = np.isfinite(points["x"]) & np.isfinite(points["y"])
    return [blob if here else None for blob, here in zip(_pieces(points), placed.tolist())]


def positions(blobs: Sequence[bytes | None]) -> tuple[np.ndarray, np.ndarray]:
    """Return x and y of points as a GeoPackage stores them, NaN where there is none.

    Parameters
    ----------
    blobs : sequence of bytes or None
        Of any byte order, with or without an envelope, heights and measures.

    Raises
    ------
    ValueError
        If one is no point.
    """
    points = _plain_points(blobs)
    if points is not None:
        return points["x"].astype(float), points["y"].astype(float)
    places = np.array([_position(blob) for blob in blobs], dtype=float).reshape(-1, 2)
    return places[:, 0].copy(), places[:, 1].copy()


def _plain_points(blobs):
    """Return points at once where all are as :data:`_POINT` says, else None."""
    try:
        if set(map(len, blobs)) - {_POINT.itemsize}:
            return None
        points = np.frombuffer(b"".join(blobs), _POINT)
    except TypeError:  # a row without a place, or of another type
        return None
    usual = (points["flags"] == 1) & (points["order"] == 1) & (points["type"] == 1)
    return points if usual.all() else None


def time_texts(times: np.ndarray) -> list[str | None]:
    """Return times in UTC as a GeoPackage has them, None where there is none.

    Parameters
    ----------
    times : datetime64 array, shape (n,)

    Examples
    --------
    >>> import numpy as np
    >>> time_texts(np.array(["2026-05-14T14:00", "NaT"], "datetime64[s]"))
    ['2026-05-14T14:00:00.000Z', None]
    """
    texts = np.datetime_as_string(np.asarray(times, "datetime64[ms]"), unit="ms").tolist()
    return [None if text == "NaT" else f"{text}Z" for text in texts]


def quoted(name: str) -> str:
    """Return the name of a table or column as SQL takes it.

    Examples
    --------
    >>> quoted('the "deep" lake')
    '"the ""deep"" lake"'
    """
    return '"{}"'.format(name.replace('"', '""'))


def is_placed(column: str) -> str:
    """Return the SQL condition for rows that a spatial index holds.

    Those are the ones whose geometry is there and not empty, which the fifth bit of its flags says.
    """
    column = quoted(column)
    return (
        f"{column} IS NOT NULL AND instr('13579BDF', substr(hex(substr({column}, 4, 1)), 1, 1)) = 0"
    )


def allow_updates(db: Any) -> None:
    """Let a connection of sqlite3 change rows of a layer, but not geometries or row numbers.

    SQLite compiles the triggers of the spatial index with every update, and these call functions
    that only GDAL and SpatiaLite have. For the updates allowed here none fires.
    """
    for name in _TRIGGER_FUNCTIONS:
        db.create_function(name, 1, lambda geometry: None)


def _pieces(points) -> list[bytes]:
    size, raw = points.itemsize, points.tobytes()
    return [raw[start : start + size] for start in range(0, len(raw), size)]


def _position(blob):
    if blob is None:
        return np.nan, np.nan
    try:
        start = 8 + _ENVELOPES[(blob[3] >> 1) & 7]
        sign = "<" if blob[start] else ">"
        (kind,) = struct.unpack_from(f"{sign}I", blob, start + 1)
        # Heights and measures add thousands, and in an older way of writing the two upper bits.
        if (kind & 0x3FFFFFFF) % 1000 != 1:
            raise ValueError("a geometry that is no point")
        return struct.unpack_from(f"{sign}2d", blob, start + 5)
    except (struct.error, IndexError, TypeError) as error:
        raise ValueError("bytes that are no geometry") from error
