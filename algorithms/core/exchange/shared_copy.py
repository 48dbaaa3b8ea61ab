"""What may leave in a copy to share, and how places are coarsened and put out of order.

Nothing is taken out of a copy: a copy is made of what is named here, and of nothing else.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from shapely.geometry import LineString, MultiLineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union
from shapely.validation import make_valid

from ..blocks import block_mean
from ..cut_edge import NEAR_CUT_M, as_lines, cut_edge
from ..errors import LakefloorError, excerpt
from ..grid import Grid, empty_grid
from ..polygons import contains, rings
from ..soundings import Soundings

#: Places are rounded to this, m, where they are not coarsened further.
ROUNDING_M = 0.01

#: Depths are rounded to so many decimals, m.
_DEPTH_DECIMALS = 3

_UNIT = re.compile("ft|m")
_FIGURES = re.compile(r"(over )?[\d.]+( to [\d.]+)?( (ft|m))?", re.ASCII)
_LINE = re.compile("line|hump|hollow")
_BREAK = re.compile("crest|steepest|toe")
_WRITTEN = re.compile(".*", re.DOTALL)
_NUMBER = None


@dataclass(frozen=True)
class SharedKind:
    """A kind of layer that may be shared.

    Attributes
    ----------
    name : str
        Of the layer in the copy.
    geometry : str
        ``point``, ``line`` or ``polygon``.
    known_by : frozenset of str
        Fields by which such a layer is known.
    keeps : dict
        Field -> None for numbers, or the pattern of texts that may leave.
    picks : tuple of str
        Numbers that may leave as well where the user picks them.
    of_whole : tuple of str
        Fields that describe a whole line, so that of a part they would tell what lies beyond.
    """

    name: str
    geometry: str
    known_by: frozenset
    keeps: dict
    picks: tuple = field(default=())
    of_whole: tuple = field(default=())


KINDS = (
    SharedKind(
        "soundings",
        "point",
        frozenset({"depth_m", "status"}),
        {"depth_m": _NUMBER},
        ("uncert_m", "hardness", "water_temp_c"),
    ),
    SharedKind(
        "contours",
        "line",
        frozenset({"depth", "unit", "depth_m"}),
        {
            "depth": _NUMBER,
            "unit": _UNIT,
            "depth_m": _NUMBER,
            "label": _FIGURES,
            "index": _NUMBER,
            "kind": _LINE,
            "supported": _NUMBER,
        },
        of_whole=("kind",),
    ),
    SharedKind(
        "break_lines",
        "line",
        frozenset({"kind", "drop_off"}),
        {
            "drop_off": _NUMBER,
            "kind": _BREAK,
            "height_m": _NUMBER,
            "width_m": _NUMBER,
            "slope_mean_pct": _NUMBER,
        },
        of_whole=("height_m", "width_m", "slope_mean_pct"),
    ),
    SharedKind(
        "depth_areas",
        "polygon",
        frozenset({"depth_from_m", "depth_to_m"}),
        {
            "depth_from": _NUMBER,
            "depth_to": _NUMBER,
            "unit": _UNIT,
            "label": _FIGURES,
            "depth_from_m": _NUMBER,
            "depth_to_m": _NUMBER,
        },
    ),
    SharedKind("outline", "polygon", frozenset(), {}),
)

#: Marks that the user picked, with what the user wrote.
MARKS = SharedKind(
    "marks", "point", frozenset(), {"name": _WRITTEN, "symbol": _WRITTEN, "depth_m": _NUMBER}
)


def kind_of(geometry: str, fields: Iterable[str]) -> SharedKind | None:
    """Return the kind of a layer, or None where it may not be shared.

    A point layer that is not of soundings holds marks, and a line layer that is no chart may be
    a track: both are None. Soundings of a shared copy, depth and little else, may be shared on.
    """
    fields = set(fields)
    soundings = KINDS[0]
    if (
        geometry == "point"
        and "depth_m" in fields
        and (fields <= {"fid", "corrections", *soundings.keeps, *soundings.picks})
    ):
        return soundings
    return next((k for k in KINDS if k.geometry == geometry and k.known_by <= fields), None)


def with_picks(kind: SharedKind, picked: Iterable[str]) -> SharedKind:
    """Return the kind with fields that the user picked.

    Raises
    ------
    LakefloorError
        If a field may not leave.
    """
    picked = list(dict.fromkeys(picked))
    refused = [name for name in picked if name not in kind.picks]
    if refused:
        raise LakefloorError(
            f"Field '{excerpt(refused[0])}' of {kind.name} cannot be shared: names, times, lanes, "
            "raw "
            "depths and corrections show who was where and when. Choose from: "
            f"{', '.join(kind.picks) or 'nothing'}."
        )
    return replace(kind, keeps={**kind.keeps, **dict.fromkeys(picked, _NUMBER)})


def of_part(kind: SharedKind, shape: BaseGeometry, area: BaseGeometry | None) -> tuple:
    """Return the fields that stay empty for a shape: where it is clipped, those of the whole."""
    return () if area is None or area.contains(shape) else kind.of_whole


def shared_value(kind: SharedKind, name: str, value: Any) -> float | str | None:
    """Return a value as it may leave: a number, a text that fits its pattern, or None."""
    pattern = kind.keeps[name]
    if value is None:
        return None
    if pattern is _NUMBER:
        try:
            number = float(value)
        except (TypeError, ValueError):
            return None
        return round(number, _DEPTH_DECIMALS) if np.isfinite(number) else None
    return str(value) if pattern.fullmatch(str(value)) else None


def shared_soundings(
    soundings: Soundings, names: Sequence[str], *, area: BaseGeometry | None, cell: float | None
) -> tuple[np.ndarray, ...]:
    """Return place and values of the soundings that may leave.

    Parameters
    ----------
    soundings : Soundings
        The accepted ones that have a place and a depth may leave.
    names : sequence of str
        Attributes of :class:`~..soundings.Soundings` that leave.
    area : Polygon or MultiPolygon, optional
        Only soundings within leave.
    cell : float or None
        As for :func:`coarse_soundings`.

    Returns
    -------
    tuple of array
        ``x``, ``y`` and the attributes, as :func:`coarse_soundings` returns them.
    """
    placed = np.isfinite(soundings.x) & np.isfinite(soundings.y)
    leaving = soundings.select(soundings.accepted & placed)
    if area is not None:
        leaving = leaving.select(contains(rings(area), leaving.x, leaving.y))
    return coarse_soundings(
        leaving.x, leaving.y, *(getattr(leaving, name) for name in names), cell=cell
    )


def coarse_soundings(
    x: ArrayLike, y: ArrayLike, *values: ArrayLike, cell: float | None
) -> tuple[np.ndarray, ...]:
    """Return soundings at coarse places, from south to north and west to east.

    Parameters
    ----------
    x, y : array, shape (n,)
        m.
    *values : array, shape (n,)
        For example depth, m.
    cell : float or None
        Side of square cells, m: of each, one sounding at its center with the mean of what is
        known of each value leaves. None rounds places to 1 cm.

    Returns
    -------
    tuple of array
        ``x``, ``y`` and the values. The order is that of place, and says nothing of the order
        in which they were logged.

    Examples
    --------
    >>> x, y, depth = coarse_soundings([1.0, 3.0, 12.0], [1.0] * 3, [2.0, 4.0, 5.0], cell=10.0)
    >>> x.tolist(), y.tolist(), depth.tolist()
    ([5.0, 15.0], [5.0, 5.0], [3.0, 5.0])
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    columns = [np.asarray(v, float) for v in values]
    if x.size and cell:
        known = [np.isfinite(v).astype(float) for v in columns]
        means = block_mean(x, y, cell, *[np.nan_to_num(v) for v in columns], *known)
        mean_x, mean_y = means[:2]
        x, y = ((np.floor(v / cell) + 0.5) * cell for v in (mean_x, mean_y))
        sums, shares = means[2 : 2 + len(columns)], means[2 + len(columns) : -1]
        with np.errstate(invalid="ignore", divide="ignore"):
            columns = [s / share for s, share in zip(sums, shares)]
    x, y = rounded(x), rounded(y)
    columns = [np.round(v, _DEPTH_DECIMALS) for v in columns]
    order = np.lexsort((*columns, x, y))
    return tuple(v[order] for v in (x, y, *columns))


def rounded(values: ArrayLike) -> np.ndarray:
    """Return places rounded to 1 cm."""
    return np.round(np.asarray(values, float), 2)


def shared_shapes(
    shape: BaseGeometry, geometry: str, *, area: BaseGeometry | None, cell: float | None
) -> list:
    """Return what of a shape may leave, cut to an area and coarsened.

    Parameters
    ----------
    shape : shapely geometry
        Valid, if a polygon.
    geometry : str
        ``point``, ``line`` or ``polygon``.
    area : Polygon or MultiPolygon, optional
    cell : float or None
        m; a point leaves as the center of its square. None rounds places to 1 cm.

    Returns
    -------
    list of shapely geometry
        Points one by one, else at most one MultiLineString or MultiPolygon; none is empty.
    """
    if area is not None:
        shape = shape.intersection(area)
    if geometry != "point":
        coarse = coarse_shape(shape, geometry, cell)
        return [] if coarse.is_empty else [coarse]
    at = np.array([(p.x, p.y) for p in _simple_parts(shape)], float).reshape(-1, 2)
    if cell:
        at = (np.floor(at / cell) + 0.5) * cell
    return [Point(*place) for place in rounded(at).tolist()]


def shared_outline(
    shape: BaseGeometry,
    *,
    area: BaseGeometry | None,
    cell: float | None,
    cut: BaseGeometry | None = None,
) -> list[tuple]:
    """Return what of a polygon may leave, as :func:`shared_shapes`, with its edges that are cut.

    Parameters
    ----------
    shape : Polygon or MultiPolygon
        Valid.
    area, cell
        As for :func:`shared_shapes`.
    cut : MultiLineString, optional
        Edges of ``shape`` that were cut before.

    Returns
    -------
    list of (MultiPolygon, MultiLineString)
        None or one.
    """
    parts = shared_shapes(shape, "polygon", area=area, cell=cell)
    edges = [MultiLineString() if area is None else cut_edge(shape.intersection(area), shape)]
    if cut is not None:
        # Written in degrees, it lies beside the polygon by a millimeter or a datum.
        own = cut.intersection(shape.buffer(NEAR_CUT_M))
        edges.append(as_lines(own if area is None else own.intersection(area.buffer(NEAR_CUT_M))))
    lines = [line for each in edges for line in each.geoms]
    return [(part, coarse_shape(MultiLineString(lines), "line", cell)) for part in parts]


def coarse_shape(shape: BaseGeometry, geometry: str, cell: float | None) -> BaseGeometry:
    """Return a shape with its vertices on a square grid, empty if nothing is left.

    Parameters
    ----------
    shape : shapely geometry
        Parts of another kind, as a clip leaves them where shapes touch, are left out.
    geometry : str
        ``line`` or ``polygon``.
    cell : float or None
        m; None rounds places to 1 cm.

    Returns
    -------
    shapely MultiLineString or MultiPolygon
    """

    def snapped(coords):
        at = np.asarray(coords, float)[:, :2]
        at = rounded(np.round(at / cell) * cell if cell else at)
        return at[np.concatenate([[True], (np.diff(at, axis=0) != 0.0).any(1)])]

    parts = _simple_parts(shape)
    if geometry == "line":
        lines = [snapped(part.coords) for part in parts if part.geom_type == "LineString"]
        return MultiLineString([LineString(at) for at in lines if len(at) > 1])
    polygons = []
    for part in parts:
        if part.geom_type == "Polygon":
            outer, *holes = (snapped(r.coords) for r in (part.exterior, *part.interiors))
            if len(outer) > 3:
                # Snapping can make a ring cross itself; all that it encloses stays.
                made = make_valid(Polygon(outer, [r for r in holes if len(r) > 3]))
                polygons += [p for p in _simple_parts(made) if p.geom_type == "Polygon"]
    merged = _simple_parts(unary_union(polygons)) if polygons else []
    return MultiPolygon([part for part in merged if part.geom_type == "Polygon"])


def _simple_parts(shape):
    if shape.is_empty:
        return []
    if hasattr(shape, "geoms"):
        return [p for part in shape.geoms for p in _simple_parts(part)]
    return [shape]


def coarse_grid(grid: Grid, mask: np.ndarray | None, cell: float | None) -> Grid:
    """Return a grid cut to a mask and to what it holds, averaged to coarser cells.

    Parameters
    ----------
    grid : Grid
    mask : array of bool, shape of the grid, optional
        Cells that may leave.
    cell : float or None
        m; a grid with cells of this size or larger stays as it is.

    Raises
    ------
    LakefloorError
        If no cell with a value is left.
    """
    values = grid.values if mask is None else np.where(mask, grid.values, np.nan)
    known = np.isfinite(values)
    if not known.any():
        raise LakefloorError(
            "The raster has nothing within the area to share. Choose another area."
        )
    rows, cols = (np.flatnonzero(known.any(axis)) for axis in (1, 0))
    if not cell or cell <= min(grid.dx, grid.dy):
        top, left = rows[0], cols[0]
        return Grid(
            values[top : rows[-1] + 1, left : cols[-1] + 1],
            grid.west + left * grid.dx,
            grid.north - top * grid.dy,
            grid.dx,
            grid.dy,
        )
    row, col = np.nonzero(known)
    x, y, mean, _ = block_mean(grid.x[col], grid.y[row], cell, values[known])
    out = empty_grid((x.min(), y.min(), x.max(), y.max()), cell)
    row, col = (np.rint(v).astype(int) for v in out.rows_cols(x, y))
    out.values[row.clip(0, out.shape[0] - 1), col.clip(0, out.shape[1] - 1)] = mean
    return out
