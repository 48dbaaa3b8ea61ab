"""Which gridding method suits a survey, told by lanes left out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.spatial import Delaunay, QhullError, cKDTree
from shapely.geometry.base import BaseGeometry

from ..blocks import every_fourth_square
from ..chart.support import supports
from ..errors import LakefloorError
from ..grid import Surface
from ..progress import Progress, silent, span
from ..soundings import Soundings
from ..spacing import GAP_IN_SPACINGS, lane_spacing, suggest_cell, usable
from ..units import LENGTH
from .frame import check_shoreline_around
from .gap_reach import reach_of_cells, reach_of_places, weights_by_reach
from .idw import idw_surface
from .nodes import NODES_PER_SPACING, Nodes, sounding_nodes
from .smooth_surface import smooth_surface
from .tin import tin_surface

#: The usual contour intervals, by unit.
INTERVALS = {"ft": (0.5, 1.0, 2.0, 5.0), "m": (0.25, 0.5, 1.0, 2.0)}
#: Bounds of the classes of distance, in lane spacings.
DISTANCE_CLASSES = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, np.inf)
_FOLDS = 3
_LEAST_LANES = 4
_LEAST_LEFT_OUT = 60


def _smooth(soundings: Soundings, **options) -> Surface:
    return smooth_surface(soundings, **options)[0]


#: Surface of each method, called with soundings, cell, shoreline, max_gap and shore_depth.
COMPARED: dict[str, Callable[..., Surface]] = {
    "tin": tin_surface,
    "idw": idw_surface,
    "smooth": _smooth,
}


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
class MethodComparison:
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
    methods: Sequence[str] = ("tin", "idw", "smooth"),
    shoreline: BaseGeometry | None = None,
    cut: BaseGeometry | None = None,
    cell: float | None = None,
    max_gap: float | None = None,
    spacing: float | None = None,
    shore_depth: float = 0.0,
    progress: Progress = silent,
) -> MethodComparison:
    """Leave whole lanes out, predict them by each method, and recommend one.

    Parameters
    ----------
    soundings : Soundings
        Only accepted ones are used. Without at least 4 numbered lanes, squares two lane
        spacings wide are left out instead.
    methods : sequence of str
        Keys of :data:`COMPARED`.
    shoreline, cut, cell, max_gap, spacing, shore_depth
        As for :func:`~.tin.tin_surface`. Where soundings are left out, twice ``max_gap`` is
        bridged.
    progress : callable

    Returns
    -------
    MethodComparison

    Raises
    ------
    LakefloorError
        If a method is unknown or given twice, if there are too few soundings to leave any
        out, or as :func:`~.frame.frame`.

    Notes
    -----
    The points of a lane are near-copies of each other, so that leaving single points out
    makes any method look several times better than it is. Leaving a lane out doubles the
    gap there, so this error is pessimistic (Roberts et al. 2017). Lanes that neighbor each
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
        check_shoreline_around(shoreline, (kept.x.min(), kept.y.min(), kept.x.max(), kept.y.max()))
    _check_count(len(sounding_nodes(kept, spacing / NODES_PER_SPACING)))
    lane = _lane_numbers(kept)
    lanes = int(np.count_nonzero(np.unique(lane)))
    by_lanes = lanes >= _LEAST_LANES
    options = {
        "cell": cell, "shoreline": shoreline, "cut": cut, "shore_depth": shore_depth,
        "max_gap": 2.0 * max_gap,  # a gap is twice as wide where a lane is out
    }  # fmt: skip
    turns = _turns(kept, lane, by_lanes, spacing)
    found = []
    for number, (out, whole) in enumerate(turns):
        part = span(progress, number / len(turns), (number + 1) / len(turns))
        found.append(_predict(kept, out, whole, lane, spacing, methods, options, part))
    out, unpredicted = _predicted_by_all(found)
    weight = weights_by_reach(out.into, reach_of_cells(kept, spacing, shoreline, max_gap))
    scores = {
        method: _score(error, np.hypot(stated, out.sd), out.distance, weight, out.whole, spacing)
        for method, error, stated in zip(methods, out.misfit, out.sigma)
    }
    order = sorted(range(len(methods)), key=lambda k: scores[methods[k]].rmse_here)
    best = methods[order[0]]
    clear = False
    if len(methods) > 1:
        first, second = out.misfit[order[:2]][:, out.whole]
        clear = _clearly_better(first, second, out.group[out.whole])
    progress(1.0)
    return MethodComparison(
        scores,
        best,
        clear,
        supported_interval(scores[best].rmse_here),
        supported_interval(scores[best].rmse),
        by_lanes,
        lanes,
        len(out.into),
        unpredicted,
        spacing,
        out.distance,
        dict(zip(methods, out.misfit)),
        out.whole,
    )


class _LeftOut(NamedTuple):
    """Soundings left out, shape (n,), and what each method makes of them, shape (methods, n).

    ``distance`` is that to the nearest kept sounding and ``into`` the reach into the gap, m;
    ``group`` the lane or square; ``whole`` whether a whole lane was left out; ``sd`` the standard
    uncertainty of the sounding, m; ``misfit`` surface less sounding and ``sigma`` the standard
    uncertainty of the surface, m.
    """

    distance: np.ndarray
    into: np.ndarray
    group: np.ndarray
    whole: np.ndarray
    sd: np.ndarray
    misfit: np.ndarray
    sigma: np.ndarray


def _turns(kept: Soundings, lane, by_lanes: bool, spacing: float) -> list:
    """Return masks of what is left out in turn, and whether that is whole lanes."""
    lanes = _lane_folds(kept, lane, spacing) if by_lanes else _squares(kept, 2.0 * spacing, 4)
    turns = [(out, True) for out in lanes]
    turns += [(out, False) for out in _squares(kept, spacing, 2)]
    return [(out, whole) for out, whole in turns if out.any() and np.count_nonzero(~out) >= 4]


def _predicted_by_all(found: list[_LeftOut]) -> tuple:
    """Return the soundings of all turns that every method predicts, and the number of others."""
    out = _LeftOut(*(np.concatenate(column, axis=-1) for column in zip(*found)))
    known = np.isfinite(out.misfit).all(axis=0)
    if np.count_nonzero(known & out.whole) < _LEAST_LEFT_OUT:
        raise LakefloorError(
            _too_few(
                np.count_nonzero(known & out.whole),
                _LEAST_LEFT_OUT,
                "could be left out and predicted",
            )
        )
    return _LeftOut(*(column[..., known] for column in out)), int(np.count_nonzero(~known))


def supported_interval(rmse: float) -> dict:
    """Return, by unit, the least of :data:`INTERVALS` that an error supports, or None.

    Parameters
    ----------
    rmse : float
        Root mean square error of depth, m.
    """
    return {
        unit: next((i for i in intervals if supports(rmse, i * LENGTH[unit])), None)
        for unit, intervals in INTERVALS.items()
    }


def _too_few(count: int, needed: int, what: str) -> str:
    return (
        f"After thinning to a quarter of the lane spacing, only {count} soundings {what}. A comparison "
        f"needs {needed}. Survey more lanes, or give a larger search distance."
    )


def _check_methods(methods) -> None:
    unknown = [str(method) for method in methods if method not in COMPARED]
    if unknown or not len(methods) or len(set(methods)) < len(methods):
        raise LakefloorError(
            f"The methods {', '.join(map(str, methods)) or '(none)'} cannot be compared. Choose "
            f"among {', '.join(COMPARED)}, each once."
        )


def _check_count(count: int) -> None:
    if count < 2 * _LEAST_LEFT_OUT:
        raise LakefloorError(_too_few(count, 2 * _LEAST_LEFT_OUT, "are left"))


def _lane_numbers(soundings: Soundings) -> np.ndarray:
    """Return one number for each lane of each visit, from 1; 0 for none."""
    _, visit = np.unique(soundings.visit.astype(str), return_inverse=True)
    number = visit * (int(soundings.lane.max()) + 1) + soundings.lane
    number = np.where(soundings.lane > 0, number + 1, 0)
    return np.unique(np.append(0, number), return_inverse=True)[1][1:]


def _lane_folds(soundings: Soundings, lane, spacing: float) -> list:
    """Return masks of soundings in folds of whole lanes, neighbors in different folds.

    Lanes are neighbors as far as edges of a triangulation join them. From the longest down,
    each goes to the fold to which the fewest edges lead.
    """
    part = soundings.select(lane > 0)
    member = lane[lane > 0]
    thin = sounding_nodes(
        part.replace(lane=member, visit=np.full(len(part), "", dtype=object)),
        spacing / NODES_PER_SPACING,
    )
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


def _predict(kept, out, whole, lane, spacing, methods, options, progress) -> _LeftOut:
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
    into = reach_of_places(nodes.xy, rest, spacing, options["shoreline"], kept)
    misfit, sigma = [], []
    for number, method in enumerate(methods):
        part = span(progress, number / len(methods), (number + 1) / len(methods))
        surface = COMPARED[method](rest, progress=part, **options)
        depth, uncertainty, _ = surface.bands
        misfit.append(depth.sample(nodes.x, nodes.y) - nodes.depth)
        sigma.append(uncertainty.sample(nodes.x, nodes.y))
    return _LeftOut(
        distance,
        into,
        _group(nodes, lane.max(), spacing),
        np.full(len(nodes), whole),
        np.nan_to_num(nodes.uncert),
        np.array(misfit),
        np.array(sigma),
    )


def _group(nodes: Nodes, lanes: int, spacing: float) -> np.ndarray:
    """Return the lane of each node, or its square where it has none."""
    col, row = (np.floor(v / (2.0 * spacing)).astype(np.int64) for v in (nodes.x, nodes.y))
    square = (row - row.min()) * (np.ptp(col) + 1) + col - col.min()
    return np.where(nodes.lane <= lanes, nodes.lane, lanes + 1 + square)


def _score(error, stated, distance, weight, whole, spacing: float) -> Score:
    expected = np.sqrt(np.sum(weight * error**2))
    classes = []
    for low, high in zip(DISTANCE_CLASSES[:-1], DISTANCE_CLASSES[1:]):
        rows = (distance >= low * spacing) & (distance < high * spacing)
        classes.append(
            {
                "distance_from": low * spacing,
                "distance_to": high * spacing,
                "count": int(rows.sum()),
                **dict(zip(("rmse", "bias", "p95"), _figures(error[rows]))),
            }
        )
    rmse, bias, p95 = _figures(error[whole])
    return Score(
        rmse, bias, p95, float(expected), float(np.mean(np.abs(error) <= 2.0 * stated)), classes
    )


def _figures(error) -> tuple:
    """Return root mean square, mean and 95th percentile of the size."""
    if not len(error):
        return np.nan, np.nan, np.nan
    return (
        float(np.sqrt(np.mean(error**2))),
        float(np.mean(error)),
        float(np.quantile(np.abs(error), 0.95)),
    )


def _clearly_better(best, other, group) -> bool:
    """Tell whether the mean square differs by two standard errors, lanes being independent."""
    difference = other**2 - best**2
    mean = difference.mean()
    _, member = np.unique(group, return_inverse=True)
    by_group = np.bincount(member, difference - mean)
    return bool(mean > 2.0 * np.sqrt((by_group**2).sum()) / len(difference))
