"""What the map shows at places: depth, slope, bottom type, and the structure near them."""

from __future__ import annotations

import numpy as np

from ..grid import Areas
from ..progress import Progress, silent, span
from ..structure.ground import Ground, at_cells, check_ground
from ..structure.structure_names import FORMS
from .target_words import BOTTOM_CLASSES, LAYER_OF, TARGETS
from .targets import bearings, nearest, target


def describe_places(
    ground: Ground, x: np.ndarray, y: np.ndarray, progress: Progress = silent
) -> dict:
    """Return what is known of the bottom at places.

    Parameters
    ----------
    ground : Ground
    x, y : array, shape (n,)
        Positions, m.

    Returns
    -------
    dict of str to array, shape (n,)
        ``depth_m``, ``uncert_m``, ``sounding_m`` (distance to the nearest sounding),
        ``slope_pct``, ``rise_m`` (above the mean of the surroundings), ``hardness``,
        ``hardness_sd``, ``bottom`` (1 soft, 2 medium, 3 hard), ``bottom_prob``. For each word of
        :data:`TARGETS` with a layer, spaces as underscores: ``crest_m`` the distance,
        ``crest_deg`` the direction, ``crest_row`` the row of the line or area, -1 for none.
        ``form_m``, ``form_deg`` and ``form_row`` are those of the nearest form of any kind.
        NaN where there is nothing.

    Examples
    --------
    >>> import numpy as np
    >>> from lakefloor.algorithms.core.grid import Grid
    >>> depth = Grid(np.tile(np.arange(10.0), (10, 1)), 0.0, 100.0, 10.0, 10.0)
    >>> found = describe_places(Ground(depth, deep_m=8.0), [45.0], [50.0])
    >>> round(float(found["depth_m"][0]), 1), round(float(found["slope_pct"][0]))
    (4.0, 10)
    >>> round(float(found["deep_water_m"][0])), round(float(found["deep_water_deg"][0]))
    (40, 83)
    """
    check_ground(ground)
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    unknown = np.full(len(x), np.nan)
    out = {"depth_m": ground.depth.sample(x, y)}
    for name, grid in (
        ("uncert_m", ground.uncertainty), ("sounding_m", ground.distance),
        ("slope_pct", ground.slope_percent), ("rise_m", ground.rise),
        ("hardness", ground.hardness), ("hardness_sd", ground.hardness_sd),
    ):  # fmt: skip
        out[name] = unknown if grid is None else grid.sample(x, y)
    for name, grid in (
        ("bottom", ground.bottom_class), ("bottom_prob", ground.class_probability),
    ):  # fmt: skip
        out[name] = unknown if grid is None else at_cells(grid, x, y)
    words = [w for w in TARGETS if ground.has(LAYER_OF[w])]
    if ground.bottom_class is None:
        words = [w for w in words if w not in BOTTOM_CLASSES]
    step = span(progress, 0.1, 1.0)
    for k, word in enumerate(words):
        step(k / len(words))
        distance, to, row = nearest(target(ground, word), x, y)
        key = word.replace(" ", "_")
        out[f"{key}_m"] = np.where(row >= 0, distance, np.nan)
        out[f"{key}_deg"] = bearings(x, y, to, ground.crs)
        out[f"{key}_row"] = row
    if ground.forms is not None:
        _nearest_form(ground.forms, out)
    progress(1.0)
    return out


def _nearest_form(forms: Areas, out: dict) -> None:
    keys = [form.replace(" ", "_") for form in FORMS]
    away = np.array([np.where(out[f"{k}_row"] >= 0, out[f"{k}_m"], np.inf) for k in keys])
    # Where forms overlap, the smallest tells most.
    size = np.array([p.area for p in forms.polygons] or [0.0])
    area = np.array([size[np.maximum(out[f"{k}_row"], 0)] for k in keys])
    first = np.lexsort((area, away), axis=0)[0]
    for part in ("m", "deg", "row"):
        values = np.array([out[f"{k}_{part}"] for k in keys])
        out[f"form_{part}"] = np.take_along_axis(values, first[None], axis=0)[0]
