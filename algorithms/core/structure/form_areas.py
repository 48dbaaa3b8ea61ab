"""Forms as polygons with attributes, and as codes of cells."""

from __future__ import annotations

import numpy as np
from scipy import ndimage, special
from shapely.geometry import MultiPolygon

from ..chart.contour_domain import cells_polygon, faces, signed_area
from ..chart.marching_squares import square_ranges, trace
from ..grid import Areas, Grid
from ..progress import Progress, watched
from .form_ground import FORMS_A_LOOK, Form, LakeSurface, axes_of, cells_in, widened
from .structure_names import FORM_ATTRIBUTES, FORMS

#: Which form a cell belongs to where several share it, the first drawn last.
_ON_TOP = (
    "saddle", "hump", "hole", "point", "inside turn", "steep break", "flat", "basin",
)  # fmt: skip


def form_codes(found: list[Form], lake: LakeSurface, depth: Grid, factor: int) -> np.ndarray:
    codes = np.zeros(lake.grid.shape)
    for name in reversed(_ON_TOP):
        for form in found:
            if form.form == name:
                codes[form.window][form.mask] = FORMS.index(name) + 1
    rows, cols = depth.shape
    codes = codes.repeat(factor, axis=0).repeat(factor, axis=1)[:rows, :cols]
    return np.where(np.isfinite(depth.values), codes, np.nan)


def on_cells_of(coarse: Grid, depth: Grid, factor: int) -> Grid:
    """Return a working grid on the cells of the surface."""
    if factor == 1:
        return depth.like(coarse.values[1:-1, 1:-1])
    out = np.full(depth.shape, np.nan)
    for start in range(0, depth.shape[0], 256):
        y = depth.y[start : start + 256]
        xx, yy = np.meshgrid(depth.x, y)
        out[start : start + 256] = coarse.sample(xx.ravel(), yy.ravel()).reshape(xx.shape)
    return depth.like(np.where(np.isfinite(depth.values), out, np.nan))


def form_areas(
    found: list[Form], lake: LakeSurface, depth: Grid, factor: int, progress: Progress
) -> Areas:
    rows = []
    for form in watched(found, progress, every=FORMS_A_LOOK):
        polygon = _outline(form, lake)
        x, y, cells = cells_in(lake, form.window, form.mask)
        long, _, _ = axes_of(x, y)
        part = tuple(slice(s.start * factor, s.stop * factor) for s in form.window)
        fine = depth.values[part]
        mask = form.mask.repeat(factor, axis=0).repeat(factor, axis=1)
        inside = fine[mask[: fine.shape[0], : fine.shape[1]]]
        top, bottom = float(np.nanmin(inside)), float(np.nanmax(inside))
        relief = {
            "hump": form.saddle - top,
            "hole": bottom - form.saddle,
            "point": form.relief,
            "inside turn": form.relief,
            "saddle": form.relief,
        }.get(form.form, bottom - top)
        heading = long if form.toward is None else form.toward
        azimuth = np.degrees(np.arctan2(heading[0], heading[1]))
        along = x * heading[0] + y * heading[1]
        row, col = divmod(form.spot, lake.grid.shape[1])
        rows.append(
            (
                polygon,
                {
                    "form": form.form,
                    "top_depth_m": top,
                    "bottom_depth_m": bottom,
                    "saddle_depth_m": form.saddle,
                    "relief_m": relief,
                    "area_m2": polygon.area,
                    "length_m": float(np.ptp(along)) + max(lake.grid.dx, lake.grid.dy),
                    "orientation_deg": float(azimuth % (180.0 if form.toward is None else 360.0)),
                    "slope_pct": float(
                        100.0 * np.hypot(lake.east.ravel()[cells], lake.north.ravel()[cells]).mean()
                    ),
                    "confidence": _confidence(form) * (1.0 - _at_gap(form, lake)),
                    "spot_x": float(lake.grid.x[col]),
                    "spot_y": float(lake.grid.y[row]),
                },
            )
        )
    rows.sort(
        key=lambda row: (
            FORMS.index(row[1]["form"]),
            -row[1]["area_m2" if row[1]["form"] in ("flat", "basin") else "relief_m"],
        )
    )
    numbers = {}
    for _, row in rows:
        numbers[row["form"]] = row["number"] = numbers.get(row["form"], 0) + 1
        row["name"] = f"{row['form']} {row['number']}"
    return Areas(
        [polygon for polygon, _ in rows],
        {name: [row[name] for _, row in rows] for name in FORM_ATTRIBUTES},
    )


def _confidence(form: Form) -> float:
    scale = np.sqrt(2.0) * max(form.error, 1e-6)
    if form.spare is not None:
        return float(special.erf(form.spare / scale))
    return float(special.erf(form.relief / (2.0 * scale)))


def _at_gap(form: Form, lake: LakeSurface) -> float:
    """Return the share of the cells around a form that lie in a gap of the data."""
    outer, mask = widened(form.window, form.mask, (1, 1), lake)
    ring = ndimage.binary_dilation(mask, np.ones((3, 3))) & ~mask
    return float(lake.unknown[outer][ring].mean()) if ring.any() else 0.0


def _outline(form: Form, lake: LakeSurface) -> MultiPolygon:
    """Return the outline of a mask, rounded; the cells themselves where nothing would be left."""
    top, left = form.window[0].start, form.window[1].start
    pad = 4
    soft = ndimage.gaussian_filter(np.pad(form.mask.astype(float), pad), 0.8)
    soft[[0, -1]] = soft[:, [0, -1]] = 0.0
    row, col, _, first = trace(soft, 0.5, square_ranges(soft), 0.0)
    x = lake.grid.x[0] + (col + left - pad) * lake.grid.dx
    y = lake.grid.y[0] - (row + top - pad) * lake.grid.dy
    loops = [np.append(np.arange(a, b), a) for a, b in zip(first[:-1], first[1:])]
    rings = [np.column_stack((x[loop], y[loop])) for loop in loops]
    parts = [f for f, k in faces(rings) if signed_area(rings[k]) > 0]
    if parts:
        return MultiPolygon(parts)
    grid = lake.grid
    west, north = grid.west + left * grid.dx, grid.north - top * grid.dy
    return cells_polygon(form.mask, Grid(form.mask, west, north, grid.dx, grid.dy))
