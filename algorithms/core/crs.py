"""The metric coordinate system of a lake: its UTM zone, and projecting into it."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

if TYPE_CHECKING:
    from pyproj import CRS

from .errors import LakefloorError
from .number_text import written

#: Positions further apart than this are not one lake, m.
MAX_SPAN_M = 200_000.0

_METERS_PER_DEGREE = 111_320.0

#: PROJ's state of each thread. pyproj 3.7 destroys it with Python's record of the thread and goes
#: on using it; in a thread of QGIS that record ends with each task, and the next one crashes
#: (https://github.com/pyproj4/pyproj/issues/1622).
_CONTEXTS = {}


def utm_epsg(lon: ArrayLike, lat: ArrayLike) -> int:
    """Return the EPSG code of the WGS 84 / UTM zone of the median position.

    Parameters
    ----------
    lon, lat : array, shape (n,)
        WGS 84 degrees; NaN is left out.

    Returns
    -------
    int
        326zz north of the equator, 327zz south of it.

    Raises
    ------
    LakefloorError
        If there is no position, a position is off the globe or beyond 84 N or
        80 S, or the positions span the antimeridian or more than
        :data:`MAX_SPAN_M` (the outermost hundredth at each end is left out of
        this test, so that a stray fix does not decide).

    Notes
    -----
    zone = floor((lon + 180) / 6) + 1. The wider zones of south-west Norway and
    Svalbard are not used: every zone is metric and conformal there as well.

    Examples
    --------
    >>> utm_epsg([-93.1, -93.2], [45.1, 45.2])
    32615
    """
    lon, lat = (np.atleast_1d(np.asarray(v, dtype=float)) for v in (lon, lat))
    known = np.isfinite(lon) & np.isfinite(lat)
    lon, lat = lon[known], lat[known]
    if lon.size == 0:
        raise LakefloorError(
            "There is no position from which to choose a UTM zone. Check the positions of the data."
        )
    off = (np.abs(lon) > 180.0) | (np.abs(lat) > 90.0)
    if off.any():
        i = int(np.argmax(off))
        raise LakefloorError(
            f"Longitude {written(lon[i], 'g')}, latitude {written(lat[i], 'g')} is not on the "
            "globe. If these are projected coordinates, give their coordinate reference system."
        )
    west, east = np.percentile(lon, [1, 99])
    south, north = np.percentile(lat, [1, 99])
    if west < -170.0 and east > 170.0:
        raise LakefloorError(
            "The positions lie on both sides of the 180 degree meridian, so no UTM zone holds them "
            "all. Read each side by itself."
        )
    span = _METERS_PER_DEGREE * np.hypot(
        (east - west) * np.cos(np.radians((south + north) / 2.0)), north - south
    )
    if span > MAX_SPAN_M:
        raise LakefloorError(
            f"The positions span {span / 1000.0:.0f} km (longitude {written(west, '.3f')} to "
            f"{written(east, '.3f')}, latitude {written(south, '.3f')} to "
            f"{written(north, '.3f')}), more than one lake does. Read each lake by itself, or "
            "check the columns of longitude and latitude."
        )
    middle_lon, middle_lat = float(np.median(lon)), float(np.median(lat))
    if not -80.0 <= middle_lat <= 84.0:
        raise LakefloorError(
            f"Latitude {written(middle_lat, '.3f')} is outside the UTM zones (80 S to 84 N). "
            "Leave these positions out."
        )
    zone = min(int((middle_lon + 180.0) // 6.0) + 1, 60)
    return (32600 if middle_lat >= 0.0 else 32700) + zone


def known_crs(code: object) -> CRS:
    """Return a coordinate system, of an EPSG code or anything else that pyproj reads as one.

    Raises
    ------
    LakefloorError
        If it is not known.
    """
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        return CRS.from_user_input(code)
    except CRSError as error:
        raise LakefloorError(
            f"Coordinate reference system '{code}' is not known. Give an EPSG code such as 32615."
        ) from error
    finally:
        _keep_context()


def _keep_context():
    try:
        from pyproj._context import get_context_manager
    except ImportError:  # pyproj before 3.7, which has nothing to keep
        return
    manager = get_context_manager()
    if manager is not None:
        _CONTEXTS[threading.get_ident()] = manager


def is_metric(code: object) -> bool:
    """Tell whether a coordinate system is projected with both axes in meters.

    Errors as :func:`known_crs`.
    """
    crs = known_crs(code)
    return crs.is_projected and all(a.unit_conversion_factor == 1.0 for a in crs.axis_info[:2])


def transform(
    x: ArrayLike, y: ArrayLike, source: int | str, target: int | str
) -> tuple[np.ndarray, np.ndarray]:
    """Return ``x, y`` of coordinate system ``source`` in ``target``, easting first.

    Parameters
    ----------
    x, y : array, shape (n,)
        Easting or longitude, northing or latitude, in the units of ``source``.
    source, target : int or str
        EPSG codes, or anything pyproj reads as a coordinate system.

    Raises
    ------
    LakefloorError
        If a coordinate system is not known.
    """
    from pyproj import Transformer

    transformer = Transformer.from_crs(known_crs(source), known_crs(target), always_xy=True)
    x, y = np.atleast_1d(np.asarray(x, float)), np.atleast_1d(np.asarray(y, float))
    # pyproj takes an array of one element for a scalar.
    one = (x.item(), y.item()) if x.size == 1 else (x, y)
    out_x, out_y = (np.reshape(v, x.shape) for v in transformer.transform(*one))
    bad = ~(np.isfinite(out_x) & np.isfinite(out_y))
    return np.where(bad, np.nan, out_x), np.where(bad, np.nan, out_y)


def project(lon: ArrayLike, lat: ArrayLike, epsg: int | str) -> tuple[np.ndarray, np.ndarray]:
    """Return easting and northing, shape (n,), of WGS 84 positions in ``epsg``.

    Examples
    --------
    >>> x, y = project([-93.0], [45.0], 32615)
    >>> round(float(x[0])), round(float(y[0]))
    (500000, 4982950)
    """
    return transform(lon, lat, 4326, epsg)
