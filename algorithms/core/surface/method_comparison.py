"""Which gridding method suits a survey, told by lanes left out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt
from scipy.spatial import Delaunay, QhullError, cKDTree

from ..blocks import every_fourth_square
from ..chart.contours import NORMAL_95, SUPPORT
from ..errors import LakefloorError
from ..grid import Surface, empty_grid
from ..polygons import inside
from ..progress import Progress, silent, span
from ..soundings import Soundings
from ..spacing import GAP_IN_SPACINGS, lane_spacing, suggest_cell, usable
from ..units import LENGTH
from .idw import idw_surface
from .smooth_surface import smooth_surface
from .surface_nodes import NODES_PER_SPACING, Nodes, check_shoreline, sounding_nodes
from .tin import tin_surface

#: The usual contour intervals, by unit.
INTERVALS = {"ft": (0.5, 1.0, 2.0, 5.0), "m": (0.25, 0.5, 1.0, 2.0)}
#: Bounds of the classes of distance, in lane spacings.
CLASSES = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, np.inf)

_FOLDS = 3
_LEAST_LANES = 4
_LEAST_LEFT_OUT = 60
_REACH_CLASSES = 16
_CELLS_A_SPACING = 6.0
# Steps of the widths of gaps.
_WIDTH_STEP = 1.25


def _smooth(soundings: Soundings, **options) -> Surface:
    return smooth_surface(soundings, **options)[0]


#: Surface of each method, called with soundings, cell, shoreline, max_gap and shore_depth.
METHODS = {"tin": tin_surface, "idw": idw_surface, "smooth": _smooth}


@dataclass(frozen=True)
class Score:
    """Error of one method; surface less left-out sounding, m.

    Attributes
    ----------
    rmse, bias, p95 : float
        Root mean square, mean, and 95th percentile of the size of the misfits of whole lanes
        left out: the error if lanes were twice as far apart, the noise of the soundings in it.
    rmse_here : float
        Root mean square error to expect in the gaps that the survey really has, m.
    within : float
        Share of all misfits within two standard deviations, stated by the surface and by the
        sounding together.
    classes : list of dict
        By distance to the nearest kept sounding: ``distance_from``, ``distance_to`` (m),
        ``count``, ``rmse``, ``bias``, ``p95`` (NaN where the class is empty). Of lanes and of
        pieces one lane spacing long, left out alike.
    """

    rmse: float
    bias: float
    p95: float
    rmse_here: float
    within: float
    classes: list


@dataclass(frozen=True)
class Comparison:
    """Gridding methods compared.

    Attributes
    ----------
    scores : dict of str to Score
        By method, as they were asked for.
    best : str
        Method with the least ``rmse_here``.
    clear : bool
        Whether the next best is worse by more than two standard errors of the difference
        on whole lanes left out too.
    interval : dict of str to (float or None)
        Least usual contour interval, by unit, that the best method supports in the gaps that
        the survey really has; None where even the widest is too narrow.
    interval_wide : dict of str to (float or None)
        The same if lanes were twice as far apart.
    by_lanes : bool
        Whether whole lanes were left out; otherwise squares two lane spacings wide.
    lanes, left_out, unpredicted : int
        Lanes numbered; soundings, thinned to a quarter of the lane spacing, left out and
        predicted by all methods; and those that some method could not predict.
    spacing : float
        Lane spacing, m.
    distance, misfit : array, shape (n,), and dict of str to array
        Of all left-out soundings: distance to the nearest kept one, and surface less
        sounding by method, m.
    whole : array of bool, shape (n,)
        Those of whole lanes (or wide squares); the others are of short pieces.
    """

    scores: dict
    best: str
    clear: bool
    interval: dict
    interval_wide: dict
    by_lanes: bool
    lanes: int
    left_out: int
    unpredicted: int
    spacing: float
    distance: np.ndarray
    misfit: dict
    whole: np.ndarray


def compare_methods(
    soundings: Soundings,
    *,
    methods=("tin", "idw", "smooth"),
    shoreline=None,
    cell: float | None = None,
    max_gap: float | None = None,
    spacing: float | None = None,
    shore_depth: float = 0.0,
    progress: Progress = silent,
) -> Comparison:
    """Leave whole lanes out, predict them by each method, and recommend one.

    Parameters
    ----------
    soundings : Soundings
        Only accepted ones are used. Without at least 4 numbered lanes, squares two lane
        spacings wide are left out instead.
    methods : sequence of str
        Keys of :data:`METHODS`.
    shoreline, cell, max_gap, spacing, shore_depth
        As for :func:`~.tin.tin_surface`. Where soundings are left out, twice ``max_gap`` is
        bridged.
    progress : callable

    Returns
    -------
    Comparison

    Raises
    ------
    LakefloorError
        If a method is unknown or given twice, if there are too few soundings to leave any
        out, or as :func:`~.surface_nodes.frame`.

    Notes
    -----
    The points of a lane are near-copies of each other, so that leaving single points out
    makes any method look several times better than it is. Leaving a lane out doubles the
    gap there, so this error is pessimistic (Roberts et al. 2017). Lanes that neighbour each
    other are left out in different turns.

    For the gaps that are really there, short pieces of lanes are left out as well. The mean
    square of all misfits is taken by classes of :func:`reach`, which
    tells how far into how wide a gap a place lies, and averaged over the reach of the cells
    of the lake as it was surveyed. The methods are ranked by this error: one that spans wide
    gaps well may fill narrow ones badly.

    A contour interval is supported where 1.96 RMSE <= 0.596 interval, that is RMSE <= 0.304
    interval: the rule of the National Map Accuracy Standards, expressed at the 95 % level of
    the NSSDA. An error that all soundings share, as of level, draft or sound speed, does not
    show in lanes left out.

    References
    ----------
    Roberts, D. R. et al. (2017). Cross-validation strategies for data with temporal,
    spatial, hierarchical, or phylogenetic structure. Ecography 40(8), 913-929.
    U.S. Bureau of the Budget (1947). United States National Map Accuracy Standards.
    Federal Geographic Data Committee (1998). Geospatial Positioning Accuracy
    Standards, Part 3: National Standard for Spatial Data Accuracy, FGDC-STD-007.3.
    """
    _check_methods(methods)
    kept = usable(soundings)
    spacing = lane_spacing(kept) if spacing is None else spacing
    cell = suggest_cell(spacing) if cell is None else cell
    max_gap = GAP_IN_SPACINGS * spacing if max_gap is None else max_gap
    if shoreline is not None:
        check_shoreline(shoreline, (kept.x.min(), kept.y.min(), kept.x.max(), kept.y.max()))
    thin = len(sounding_nodes(kept, spacing / NODES_PER_SPACING))
    if thin < 2 * _LEAST_LEFT_OUT:
        raise LakefloorError(_too_few(thin, 2 * _LEAST_LEFT_OUT, "are there"))
    lane = _lane_numbers(kept)
    lanes = int(np.count_nonzero(np.unique(lane)))
    by_lanes = lanes >= _LEAST_LANES
    turns = [(out, True) for out in (
        _lane_folds(kept, lane, spacing) if by_lanes else _squares(kept, 2.0 * spacing, 4)
    )]
    turns += [(out, False) for out in _squares(kept, spacing, 2)]
    turns = [(out, whole) for out, whole in turns if out.any() and np.count_nonzero(~out) >= 4]
    options = {
        "cell": cell, "shoreline": shoreline, "shore_depth": shore_depth,
        # Where a lane is out, the gap is twice as wide.
        "max_gap": 2.0 * max_gap,
    }  # fmt: skip
    found = []
    for number, (out, whole) in enumerate(turns):
        part = span(progress, number / len(turns), (number + 1) / len(turns))
        found.append(_predict(kept, out, whole, lane, spacing, methods, options, part))
    distance, into, group, whole, sd, misfit, sigma = (
        np.concatenate(column, axis=-1) for column in zip(*found)
    )
    known = np.isfinite(misfit).all(axis=0)
    if np.count_nonzero(known & whole) < _LEAST_LEFT_OUT:
        raise LakefloorError(_too_few(
            np.count_nonzero(known & whole), _LEAST_LEFT_OUT, "could be left out and predicted"
        ))
    unpredicted = int(np.count_nonzero(~known))
    distance, into, group, whole, sd = (v[known] for v in (distance, into, group, whole, sd))
    misfit, sigma = misfit[:, known], sigma[:, known]
    weight = _weights(into, _reach_of_cells(kept, spacing, shoreline, max_gap))
    scores = {
        method: _score(error, np.hypot(stated, sd), distance, weight, whole, spacing)
        for method, error, stated in zip(methods, misfit, sigma)
    }
    order = sorted(range(len(methods)), key=lambda k: scores[methods[k]].rmse_here)
    best = methods[order[0]]
    clear = len(methods) > 1 and _clearly_better(*misfit[order[:2]][:, whole], group[whole])
    progress(1.0)
    return Comparison(
        scores, best, clear, supported_interval(scores[best].rmse_here),
        supported_interval(scores[best].rmse), by_lanes, lanes, int(known.sum()), unpredicted,
        spacing, distance, dict(zip(methods, misfit)), whole,
    )  # fmt: skip


def supported_interval(rmse: float) -> dict:
    """Return, by unit, the least of :data:`INTERVALS` that an error supports, or None.

    Parameters
    ----------
    rmse : float
        Root mean square error of depth, m.
    """
    return {
        unit: next(
            (i for i in intervals if NORMAL_95 * rmse <= SUPPORT * i * LENGTH[unit]), None
        )
        for unit, intervals in INTERVALS.items()
    }


def _too_few(count: int, needed: int, what: str) -> str:
    return (
        f"Only {count} soundings, thinned to a quarter of the lane spacing, {what}. A comparison "
        f"needs {needed}. Survey more lanes, or give a larger maximum gap."
    )


def _check_methods(methods) -> None:
    unknown = [str(method) for method in methods if method not in METHODS]
    if unknown or not len(methods) or len(set(methods)) < len(methods):
        raise LakefloorError(
            f"The methods {', '.join(map(str, methods)) or '(none)'} cannot be compared. Choose "
            f"among {', '.join(METHODS)}, each once."
        )


def _lane_numbers(soundings: Soundings) -> np.ndarray:
    """Return one number for each lane of each visit, from 1; 0 for none."""
    _, visit = np.unique(soundings.visit.astype(str), return_inverse=True)
    number = visit * (int(soundings.lane.max()) + 1) + soundings.lane
    number = np.where(soundings.lane > 0, number + 1, 0)
    return np.unique(np.append(0, number), return_inverse=True)[1][1:]


def _lane_folds(soundings: Soundings, lane, spacing: float) -> list:
    """Return masks of soundings in folds of whole lanes, neighbours in different folds.

    Lanes are neighbours as far as edges of a triangulation join them. From the longest down,
    each goes to the fold to which the fewest edges lead.
    """
    part = soundings.select(lane > 0)
    member = lane[lane > 0]
    thin = sounding_nodes(part.replace(lane=member, visit=np.full(len(part), "", dtype=object)),
                          spacing / NODES_PER_SPACING)
    lanes = int(lane.max()) + 1
    edges = np.zeros((lanes, lanes))
    try:
        corners = thin.lane[Delaunay(thin.xy - thin.xy.mean(axis=0)).simplices]
        for a, b in ((0, 1), (1, 2), (2, 0)):
            np.add.at(edges, (corners[:, a], corners[:, b]), 1.0)
    except QhullError:
        pass
    edges += edges.T
    size = np.bincount(thin.lane, minlength=lanes)
    fold = np.full(lanes, -1)
    load = np.zeros(_FOLDS)
    for k in np.argsort(-size, kind="stable"):
        if size[k]:
            joined = [edges[k, fold == f].sum() for f in range(_FOLDS)]
            fold[k] = min(range(_FOLDS), key=lambda f: (joined[f], load[f]))
            load[fold[k]] += size[k]
    return [(lane > 0) & (fold[lane] == f) for f in range(_FOLDS)]


def _squares(soundings: Soundings, side: float, count: int) -> list:
    """Return masks of every fourth square of the lake, in ``count`` turns of four."""
    places = ((0, 0), (1, 1), (0, 1), (1, 0))[:count]
    return [every_fourth_square(soundings.x, soundings.y, side, place) for place in places]


def _predict(kept, out, whole, lane, spacing, methods, options, progress) -> tuple:
    """Return what is known of the soundings left out, and what each method makes of them."""
    rest = kept.select(~out)
    left = kept.select(out)
    # The lane stays known after thinning; a sounding without one is its own group by square.
    group = np.where(lane[out] > 0, lane[out], lane.max() + 1)
    nodes = sounding_nodes(
        left.replace(lane=group, visit=np.full(len(left), "", dtype=object)),
        spacing / NODES_PER_SPACING,
    )
    distance = cKDTree(np.column_stack([rest.x, rest.y])).query(nodes.xy)[0]
    away = _away(rest, spacing, options["shoreline"], kept)
    into = away.like(_reach(away)).sample(nodes.x, nodes.y)
    misfit, sigma = [], []
    for number, method in enumerate(methods):
        part = span(progress, number / len(methods), (number + 1) / len(methods))
        surface = METHODS[method](rest, progress=part, **options)
        misfit.append(surface.depth.sample(nodes.x, nodes.y) - nodes.depth)
        sigma.append(surface.uncertainty.sample(nodes.x, nodes.y))
    return (
        distance, into, _group(nodes, lane.max(), spacing), np.full(len(nodes), whole),
        np.nan_to_num(nodes.uncert), np.array(misfit), np.array(sigma),
    )  # fmt: skip


def _group(nodes: Nodes, lanes: int, spacing: float) -> np.ndarray:
    """Return the lane of each node, or its square where it has none."""
    col, row = (np.floor(v / (2.0 * spacing)).astype(np.int64) for v in (nodes.x, nodes.y))
    square = (row - row.min()) * (np.ptp(col) + 1) + col - col.min()
    return np.where(nodes.lane <= lanes, nodes.lane, lanes + 1 + square)


def _away(soundings: Soundings, spacing: float, shoreline, extent: Soundings):
    """Return a grid of the distance to the nearest sounding or shore, m."""
    bounds = np.array([extent.x.min(), extent.y.min(), extent.x.max(), extent.y.max()])
    margin = GAP_IN_SPACINGS * spacing
    grid = empty_grid(
        tuple(bounds + margin * np.array([-1.0, -1.0, 1.0, 1.0])), spacing / _CELLS_A_SPACING
    )
    free = np.ones(grid.shape, dtype=bool) if shoreline is None else inside(shoreline, grid)
    row, col = grid.rows_cols(soundings.x, soundings.y)
    free[np.rint(row).astype(int), np.rint(col).astype(int)] = False
    return grid.like(distance_transform_edt(free, sampling=grid.dx))


def reach(distance, half_gap) -> np.ndarray:
    """Return how far into a gap places lie: ``sqrt(d (2h - d))``, m.

    Parameters
    ----------
    distance : array
        d, to the nearest known depth, m.
    half_gap : array
        h, half the width of the gap, m.

    Notes
    -----
    The error of linear interpolation across a gap of width 2h is at most half the
    curvature times d (2h - d) (Davis 1975): at the same distance from a lane it is larger
    in a wider gap. In the middle of the gap the reach is h.

    References
    ----------
    Davis, P. J. (1975). Interpolation and Approximation. Dover, theorem 3.1.1.
    """
    half_gap = np.maximum(half_gap, distance)
    return np.sqrt(distance * (2.0 * half_gap - distance))


def half_gap(distance, cell: float) -> np.ndarray:
    """Return half the width of the gap in which each cell lies.

    Parameters
    ----------
    distance : array, shape (rows, cols)
        To the nearest known depth, m.
    cell : float
        m.

    Returns
    -------
    array, shape (rows, cols)
        Radius of the largest circle free of known depths that holds the cell, m, in steps
        of a quarter.

    References
    ----------
    Hildebrand, T. and Ruegsegger, P. (1997). A new method for the model-independent
    assessment of thickness in three-dimensional images. Journal of Microscopy 185(1),
    67-75.
    """
    out = np.array(distance)
    radius, largest = 1.5 * cell, distance.max(initial=0.0)
    while radius <= largest:
        held = distance_transform_edt(distance < radius, sampling=cell) < radius
        out[held] = np.maximum(out[held], radius)
        radius *= _WIDTH_STEP
    return out


def _reach(away) -> np.ndarray:
    return reach(away.values, half_gap(away.values, away.dx))


def _reach_of_cells(kept: Soundings, spacing: float, shoreline, max_gap: float) -> np.ndarray:
    """Return the reach of the cells of the lake as it was surveyed, m."""
    away = _away(kept, spacing, shoreline, kept)
    wet = away.values <= max_gap
    if shoreline is not None:
        wet &= inside(shoreline, away)
    else:
        west, south, east, north = kept.x.min(), kept.y.min(), kept.x.max(), kept.y.max()
        wet &= (away.x >= west) & (away.x <= east)
        wet &= ((away.y >= south) & (away.y <= north))[:, None]
    return _reach(away)[wet]


def _weights(into, here) -> np.ndarray:
    """Return the weight of each misfit for the lake as surveyed, by classes of reach.

    Classes hold as many misfits each; between their means the mean square runs linearly.
    """
    order = np.argsort(into, kind="stable")
    groups = np.array_split(order, int(np.clip(len(order) // 30, 1, _REACH_CLASSES)))
    at = [float(np.mean(into[rows])) for rows in groups]
    weight = np.empty(len(into))
    for rows, share in zip(groups, np.eye(len(groups))):
        weight[rows] = np.mean(np.interp(here, at, share)) / len(rows)
    return weight


def _score(error, stated, distance, weight, whole, spacing: float) -> Score:
    expected = np.sqrt(np.sum(weight * error**2))
    classes = []
    for low, high in zip(CLASSES[:-1], CLASSES[1:]):
        rows = (distance >= low * spacing) & (distance < high * spacing)
        classes.append({
            "distance_from": low * spacing, "distance_to": high * spacing,
            "count": int(rows.sum()), **dict(zip(("rmse", "bias", "p95"), _figures(error[rows]))),
        })
    return Score(
        *_figures(error[whole]), float(expected), float(np.mean(np.abs(error) <= 2.0 * stated)),
        classes,
    )


def _figures(error) -> tuple:
    """Return root mean square, mean and 95th percentile of the size."""
    if not len(error):
        return np.nan, np.nan, np.nan
    return (
        float(np.sqrt(np.mean(error**2))), float(np.mean(error)),
        float(np.quantile(np.abs(error), 0.95)),
    )


def _clearly_better(best, other, group) -> bool:
    """Tell whether the mean square differs by two standard errors, lanes being independent."""
    difference = other**2 - best**2
    mean = difference.mean()
    _, member = np.unique(group, return_inverse=True)
    by_group = np.bincount(member, difference - mean)
    return bool(mean > 2.0 * np.sqrt((by_group**2).sum()) / len(difference))
