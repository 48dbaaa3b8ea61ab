"""Level visits, or lanes, to each other by the depth differences where their tracks meet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from ..correcting.datums import datum_values, datum_words, datums_of
from ..correcting.lake_level import visits_in_time
from ..errors import LakefloorError
from ..number_text import written
from ..progress import Progress, silent, span
from ..soundings import (
    Soundings,
    distinct,
    each_visit,
    parse_corrections,
    visit_list,
    with_corrections,
)
from ..track import track_notes
from .crossings import Crossings, find_crossings, find_overlaps, join_crossings

#: Huber's tuning constant: 95 % efficiency where errors are normal.
_HUBER = 1.345
_ITERATIONS = 50

#: A misfit is a blunder from this many robust standard deviations on.
_OUTLIER = 3.5

#: No scale of misfits is believed below this, m: depths are logged in steps of some centimetres.
_LEAST_SCALE = 0.005

#: A trend with depth is told from this many standard errors on: misfits of one pass over a steep
#: edge share its position error, so that they count for less than their number.
_TREND = 4.0

#: Keys of ``corrections``: what a visit read too deep, and the standard error of that, m.
OFFSET, OFFSET_ERROR = "level_offset_m", "level_offset_sd_m"


@dataclass(frozen=True)
class Network:
    """Adjusted offsets of k units from m observed differences.

    Attributes
    ----------
    offset, std_error : array, shape (k,)
        m; NaN where the unit is not tied to a held one. A held unit has offset and error 0.
    group : int array, shape (k,)
        Number of the connected group of each unit.
    solved : bool array, shape (k,)
    residual : array, shape (m,)
        Adjusted less observed difference, m; NaN in groups that are not solved.
    weight : array, shape (m,)
        As given, times the robust factor (0..1).
    variance : float
        Of an observation of weight 1, m2; NaN where nothing is redundant.
    redundancy : int
        Observations less unknowns.
    cofactor : array, shape (k,)
        Of each offset; times ``variance`` it is the squared standard error.
    """

    offset: np.ndarray
    std_error: np.ndarray
    group: np.ndarray
    solved: np.ndarray
    residual: np.ndarray
    weight: np.ndarray
    variance: float
    redundancy: int
    cofactor: np.ndarray


@dataclass(frozen=True)
class Trend:
    """Misfit of one visit in proportion to depth, m per m; no constant offset mends it."""

    slope: float
    std_error: float
    n: int
    significant: bool


@dataclass(frozen=True)
class Levelled:
    """Offsets of visits or lanes: corrected depth = depth - offset.

    Attributes
    ----------
    unit : str
        ``visit`` or ``lane``.
    visit : object array (str), shape (k,)
    lane : int array, shape (k,)
        0 where the unit is the visit, and for the turns of a visit.
    observations : int array, shape (k,)
        Observations that each unit takes part in.
    held : bool array, shape (k,)
    network : Network
    crossings : Crossings
        The observations used, in the order of ``network.residual``.
    outlier : bool array, shape (m,)
        Observations whose misfit is that of a blunder.
    before, after : float
        Root mean square of the differences, m, as found and as adjusted, solved groups only.
    trend : dict of str to Trend
        By visit, where it can be told.
    datum : tuple or None
        Name and elevation (m) of the lake datum that the held visits carry.
    notes : list of str
        What to bear in mind, in plain words.
    """

    unit: str
    visit: np.ndarray
    lane: np.ndarray
    observations: np.ndarray
    held: np.ndarray
    network: Network
    crossings: Crossings
    outlier: np.ndarray
    before: float
    after: float
    trend: dict
    datum: tuple | None
    notes: list

    @property
    def offset(self) -> np.ndarray:
        """Offset of each unit, m, shape (k,); NaN where it is not tied to the datum."""
        return self.network.offset

    @property
    def std_error(self) -> np.ndarray:
        """Standard error of each offset, m, shape (k,)."""
        return self.network.std_error

    @property
    def largest_offset(self) -> float:
        """Size of the largest offset, m; NaN where nothing is levelled."""
        size = np.abs(self.offset[self.network.solved])
        return float(size.max()) if size.size else np.nan


def solve_network(
    first,
    second,
    difference,
    weight=None,
    *,
    units: int,
    held=None,
    mean_held: bool = False,
    robust: bool = False,
    runs=None,
    progress: Progress = silent,
) -> Network:
    """Adjust a network of differences between units of constant offset.

    Parameters
    ----------
    first, second : int array, shape (m,)
        The two units of each observation, 0 to ``units`` - 1.
    difference : array, shape (m,)
        Depth of the first less depth of the second, m.
    weight : array, shape (m,), optional
        For example the number of crossings in a mean; 1 by default.
    units : int
    held : bool array, shape (units,), optional
        Units whose offset is 0. Without any, the offsets of a network in one piece sum to zero,
        and a network in several pieces is not solved.
    mean_held : bool
        Hold the mean offset of the held units of each group instead of every one.
    robust : bool
        Weigh down large misfits (Huber), where at least five observations are redundant.
    runs : tuple of int array, shape (m,), optional
        Numbers of the two runs of the boat that meet in each observation. What is wrong with a
        run, above all its position, is wrong in all its observations: the standard errors are
        then the larger of those for independent observations and for independent runs.
    progress : callable

    Returns
    -------
    Network

    Notes
    -----
    Minimises ``sum w (d - b_first + b_second)**2``. Robust weights are found by iteration with a
    scale from the median absolute misfit; the standard errors are Huber's for M-estimates. They
    hold for independent observations; with ``runs`` any two that share a run may depend on each
    other.

    References
    ----------
    Wessel, P. (2010). Tools for analyzing intersecting tracks: the x2sys package. Computers &
    Geosciences 36(3), 348-354. Huber, P. J. (1981). Robust Statistics, chapter 7. Wiley.
    Aronow, P. M., Samii, C. & Assenova, V. A. (2015). Cluster-robust variance estimation for
    dyadic data. Political Analysis 23(4), 564-577.
    """
    first, second = np.asarray(first, np.intp), np.asarray(second, np.intp)
    d = np.asarray(difference, float)
    given = np.ones(d.size) if weight is None else np.asarray(weight, float)
    held = np.zeros(units, bool) if held is None else np.asarray(held, bool)
    link = coo_matrix((np.ones(d.size), (first, second)), shape=(units, units))
    _, group = connected_components(link, directed=False)
    tied = np.bincount(group, held) > 0
    if not held.any():
        # A lone unit without observations does not make a network fall apart into pieces ...
        linked = np.unique(group[first])
        tied[linked] = linked.size == 1
    solved = tied[group]
    used = np.flatnonzero(solved[first])
    offset, cofactor = np.full(units, np.nan), np.full(units, np.nan)
    residual, final = np.full(d.size, np.nan), given.copy()
    # Of each group one unit is fixed at 0 to solve; a mean is then moved to 0.
    mean = mean_held or not held.any()
    counted = held if held.any() else solved
    fixed = np.zeros(units, bool)
    if mean:
        members = np.flatnonzero(counted)
        fixed[members[np.unique(group[members], return_index=True)[1]]] = True
    else:
        fixed = held.copy()
    free = np.flatnonzero(solved & ~fixed)
    column = np.full(units, -1)
    column[free] = np.arange(free.size)
    offset[solved], cofactor[solved] = 0.0, 0.0
    redundancy = int(used.size - free.size)
    variance, by_runs = np.nan, np.zeros(units)
    if used.size:
        design = _design(column, first[used], second[used], free.size)
        w = given[used]
        solution, factor, scale, solver = _fit(design, d[used], w, robust, redundancy, progress)
        residual[used] = design @ solution - d[used]
        final[used] = w * factor
        offset[free] = solution
        if redundancy > 0:
            variance = _variance(residual[used], w, factor, scale, redundancy)
        if mean:
            shift, contrast = _to_mean(offset, counted, group, solved, free, column)
            offset -= shift
        else:
            contrast = csr_matrix(
                (np.ones(free.size), (free, np.arange(free.size))), shape=(units, free.size)
            )
        if free.size:
            cofactor[solved] = _quadratic_forms(solver, contrast[np.flatnonzero(solved)])
        if free.size and runs is not None and redundancy > 0:
            score = design.multiply((w * factor * residual[used])[:, None]).tocsr()
            inside = 1.0 if scale is None else np.mean(
                np.sqrt(w) * np.abs(residual[used]) <= _HUBER * scale)
            by_runs[solved] = _error_by_runs(
                solver, score / inside, contrast[np.flatnonzero(solved)],
                *(np.asarray(run)[used] for run in runs))
    progress(1.0)
    error = np.sqrt(variance * cofactor) if used.size else np.full(units, np.nan)
    return Network(
        offset, np.maximum(error, by_runs), group, solved, residual, final, variance, redundancy,
        cofactor,
    )


def _design(column, first, second, width):
    rows = np.arange(first.size)
    row = np.concatenate([rows, rows])
    at = np.concatenate([column[first], column[second]])
    sign = np.concatenate([np.ones(rows.size), -np.ones(rows.size)])
    free = at >= 0
    return csr_matrix((sign[free], (row[free], at[free])), shape=(rows.size, width))


def _fit(design, d, w, robust, redundancy, progress):
    """Return solution, robust factors, their scale and the solver of the last normal equations."""
    factor, scale, solution = np.ones(d.size), None, np.zeros(design.shape[1])
    if design.shape[1] == 0:
        return solution, factor, scale, None
    root = np.sqrt(w)
    for k in range(_ITERATIONS if robust and redundancy >= 5 else 1):
        weighted = design.multiply((w * factor)[:, None]).tocsr()
        solver = _factor(design.T @ weighted)
        before, solution = solution, solver.solve(weighted.T @ d)
        if not (robust and redundancy >= 5):
            break
        misfit = root * np.abs(design @ solution - d)
        # Unknowns draw misfits toward zero.
        scale = 1.4826 * np.median(misfit) * np.sqrt(d.size / redundancy)
        scale = max(scale, _LEAST_SCALE * np.median(root))
        factor = np.minimum(1.0, _HUBER * scale / np.maximum(misfit, 1e-300))
        progress(0.5 * (k + 1) / _ITERATIONS)
        if k and np.abs(solution - before).max() < 1e-6:
            break
    if scale is not None:
        # Huber's standard errors refer to the equations without robust factors.
        solver = _factor(design.T @ design.multiply(w[:, None]).tocsr())
    return solution, factor, scale, solver


def _factor(normal):
    """Factor a symmetric positive definite matrix, unknowns in an order that keeps it sparse."""
    return splu(normal.tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0,
                options={"SymmetricMode": True})


def _variance(residual, w, factor, scale, redundancy):
    if scale is None:
        return float((w * residual**2).sum() / redundancy)
    inside = np.mean(np.sqrt(w) * np.abs(residual) <= _HUBER * scale)
    correction = 1.0 + (residual.size - redundancy) / residual.size * (1.0 - inside) / inside
    return float(correction**2 * (w * (factor * residual) ** 2).sum() / redundancy / inside**2)


def _to_mean(offset, counted, group, solved, free, column):
    """Return what to take off each offset, and the matrix from unknowns to final offsets."""
    units = offset.size
    number = np.bincount(group, counted)
    total = np.bincount(group, np.where(counted, np.nan_to_num(offset), 0.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = (total / number)[group]
    own = csr_matrix(
        (np.ones(free.size), (free, column[free])), shape=(units, free.size)
    )
    members = np.flatnonzero(counted & (column >= 0))
    averages = csr_matrix(
        (1.0 / number[group[members]], (group[members], column[members])),
        shape=(number.size, free.size),
    )
    rows = np.flatnonzero(solved)
    spread = csr_matrix((np.ones(rows.size), (rows, group[rows])), shape=(units, number.size))
    return np.where(solved, shift, 0.0), own - spread @ averages


def _error_by_runs(solver, score, contrast, one, two):
    """Return the standard error of each offset where observations of one run depend on each other.

    ``score`` (m, unknowns) is what each observation adds to the normal equations at the solution.
    """
    number, which = np.unique(np.concatenate([one, two]), return_inverse=True)
    rows = np.arange(one.size)
    member = csr_matrix(
        (np.ones(2 * one.size), (which, np.concatenate([rows, rows]))),
        shape=(number.size, one.size),
    )
    one, two = which[: one.size], which[one.size :]
    pair = np.minimum(one, two) * number.size + np.maximum(one, two)
    _, pair = np.unique(pair, return_inverse=True)
    both = csr_matrix((np.ones(rows.size), (pair, rows)), shape=(pair.max() + 1, rows.size))

    def spread(clusters):
        moved = contrast @ solver.solve((clusters @ score).toarray().T)
        return (moved**2).sum(axis=1)

    # Observations that share both runs were counted twice.
    return np.sqrt(np.maximum(spread(member) - spread(both), 0.0))


def _quadratic_forms(solver, contrast):
    """Return the diagonal of C Q C', Q the inverse of the normal equations, in blocks."""
    out = np.empty(contrast.shape[0])
    for start in range(0, out.size, 256):
        block = contrast[start : start + 256].toarray()
        out[start : start + 256] = np.einsum("ij,ji->i", block, solver.solve(block.T))
    return np.maximum(out, 0.0)


def level_survey(
    soundings: Soundings,
    *,
    unit: str = "visit",
    held=(),
    overlaps: bool = True,
    reach_m: float = 5.0,
    max_gap_m: float = 20.0,
    position_m: float = 1.0,
    depth_m: float = 0.05,
    robust: bool = True,
    progress: Progress = silent,
) -> tuple:
    """Find where the tracks of a survey meet, and level its visits, or its lanes, by it.

    Parameters
    ----------
    soundings : Soundings
    unit, held, position_m, depth_m, robust
        As for :func:`level_visits`.
    overlaps : bool
        Also compare tracks of two visits that run side by side without crossing.
    reach_m : float
        Greatest distance of such tracks, m.
    max_gap_m : float
        Soundings of one track farther apart than this are not joined, m.
    progress : callable

    Returns
    -------
    soundings : Soundings
        With the offsets taken off; see :func:`apply_offsets`.
    levelled : Levelled

    Raises
    ------
    LakefloorError
        As :func:`.crossings.find_crossings` and :func:`level_visits`.

    References
    ----------
    Wessel, P. (2010). Tools for analyzing intersecting tracks: the x2sys package. Computers &
    Geosciences 36(3), 348-354.
    """
    found = find_crossings(soundings, max_gap_m=max_gap_m, progress=span(progress, 0.0, 0.3))
    if overlaps:
        found = join_crossings([found, find_overlaps(
            soundings, found, max_gap_m=max_gap_m, reach_m=reach_m,
            progress=span(progress, 0.3, 0.6),
        )])
    lost = track_notes(soundings)
    if lost and not len(found):
        raise LakefloorError(f"There is no crossing to adjust by. {lost[0]}")
    levelled = level_visits(
        soundings, found, unit=unit, held=held, position_m=position_m, depth_m=depth_m,
        robust=robust, progress=span(progress, 0.6, 1.0),
    )
    levelled.notes.extend(lost)
    return apply_offsets(soundings, levelled), levelled


def level_visits(
    soundings: Soundings,
    crossings: Crossings,
    *,
    unit: str = "visit",
    held=(),
    position_m: float = 1.0,
    depth_m: float = 0.05,
    robust: bool = True,
    progress: Progress = silent,
) -> Levelled:
    """Find the constant offset of each visit, or of each lane, from where tracks meet.

    Parameters
    ----------
    soundings : Soundings
    crossings : Crossings
        From :func:`.crossings.find_crossings`, and :func:`.crossings.find_overlaps` if wanted.
    unit : str
        ``visit``, or ``lane``; the turns of a visit are one unit then.
    held : sequence of str
        Visits whose datum holds. If empty, those that are reduced to a datum of known level; if
        there are none, those at the water of one day, or the first of them in time; if there are
        none, the offsets sum to zero. By visit, each held offset is 0; by lane, the mean of the
        held visits' lanes is 0.
    position_m, depth_m : float
        Standard uncertainty of a position and of a depth, m: a crossing on a slope counts less,
        by 1 / (depth_m**2 + (slope * position_m)**2).
    robust : bool
        Weigh down large misfits.
    progress : callable

    Returns
    -------
    Levelled

    Raises
    ------
    LakefloorError
        If there are no crossings to level by, a held visit is not there, the held visits are at
        different datums, or soundings were levelled before.
    """
    if unit not in ("visit", "lane"):
        raise LakefloorError(f"Unit '{unit}' is unknown. Choose visit or lane.")
    if not (position_m >= 0.0 and depth_m > 0.0):
        raise LakefloorError(
            "The position uncertainty is below 0 m, or the uncertainty of a difference is not "
            "above 0 m. Enter larger ones."
        )
    _refuse_levelled(soundings)
    names, visit_number = distinct(soundings.visit)
    held_names = _held(soundings, names, held)
    datum = _datum(soundings, held_names)
    lane = soundings.lane if unit == "lane" else np.zeros(len(soundings), np.int32)
    if unit == "visit":
        crossings = crossings.select(crossings.between)
    if len(crossings) == 0:
        raise LakefloorError(
            "There is no place where two visits meet, so nothing can be adjusted. Run cross-lines "
            "over the lanes of another visit, or use overlaps too."
            if unit == "visit" else
            "There is no crossing, so nothing can be adjusted. Run cross-lines over the lanes."
        )
    keys = np.column_stack([visit_number, lane])
    unit_keys = np.unique(keys, axis=0)
    number = {(names[v], int(k)): i for i, (v, k) in enumerate(unit_keys)}
    lanes_of = (crossings.lane_a, crossings.lane_b) if unit == "lane" else (np.zeros(
        len(crossings), int),) * 2
    first, second = (
        np.array([number[str(v), int(k)] for v, k in zip(visits, lanes)])
        for visits, lanes in zip((crossings.visit_a, crossings.visit_b), lanes_of)
    )
    own = first == second
    crossings, first, second = crossings.select(~own), first[~own], second[~own]
    visit = np.array([names[v] for v, _ in unit_keys], dtype=object)
    is_held = np.array([v in held_names for v in visit])
    slope = np.nan_to_num(crossings.slope)
    weight = depth_m**2 / (depth_m**2 + (slope * position_m) ** 2)
    network = solve_network(
        first, second, crossings.difference, weight, units=len(unit_keys), held=is_held,
        mean_held=unit == "lane", robust=robust,
        runs=runs_of(crossings) if unit == "visit" else None, progress=progress,
    )
    standard = np.sqrt(weight) * network.residual
    known = np.isfinite(standard)
    scale = 1.4826 * np.median(np.abs(standard[known])) if known.any() else np.nan
    if network.redundancy > 0:
        scale *= np.sqrt(known.sum() / network.redundancy)
    with np.errstate(invalid="ignore"):
        outlier = np.abs(standard) > _OUTLIER * max(scale, _LEAST_SCALE)
    outlier &= network.redundancy >= 5
    count = np.bincount(first, minlength=len(unit_keys))
    count += np.bincount(second, minlength=len(unit_keys))
    levelled = Levelled(
        unit, visit, unit_keys[:, 1], count, is_held, network, crossings, outlier,
        _rms(crossings.difference[known]), _rms(network.residual[known]),
        _trends(crossings, network, weight, outlier), datum, [],
    )
    levelled.notes.extend(_notes(levelled))
    return levelled


def runs_of(crossings: Crossings) -> tuple:
    """Return the numbers of the two runs, lanes of a visit, that meet in each place, shape (m,)."""
    visits = np.concatenate([crossings.visit_a, crossings.visit_b])
    lanes = np.concatenate([crossings.lane_a, crossings.lane_b])
    _, run = np.unique(
        np.column_stack([distinct(visits)[1], lanes]), axis=0, return_inverse=True)
    run = run.ravel()
    return run[: len(crossings)], run[len(crossings) :]


def apply_offsets(soundings: Soundings, levelled: Levelled) -> Soundings:
    """Return soundings with the offsets of :func:`level_visits` taken off their depths.

    Every sounding of a levelled unit is changed, the rejected ones too; units that are not tied
    to the datum stay as they are. Soundings without a datum take on that of the held visits.

    Raises
    ------
    LakefloorError
        If soundings were levelled before, or belong to a unit that was not levelled.
    """
    _refuse_levelled(soundings)
    number = {
        (str(v), int(k)): i for i, (v, k) in enumerate(zip(levelled.visit, levelled.lane))
    }
    lane = soundings.lane if levelled.unit == "lane" else np.zeros(len(soundings), np.int32)
    which = np.array([number.get((str(v), int(k)), -1) for v, k in zip(soundings.visit, lane)])
    if (which < 0).any():
        raise LakefloorError(
            f"Visit {visit_list(soundings.visit[which < 0])} was not there when the offsets were "
            "found. Adjust all soundings together."
        )
    offset, error = levelled.offset[which], levelled.std_error[which]
    tied = np.isfinite(offset)
    depth = np.where(tied, soundings.depth - np.where(tied, offset, 0.0), soundings.depth)
    uncert = np.hypot(soundings.uncert, np.where(np.isfinite(error), error, 0.0))
    texts = np.array([f"{b:.4f}" for b in levelled.offset], dtype=object)
    errors = np.array(
        [f"{e:.4f}" if np.isfinite(e) else None for e in levelled.std_error], dtype=object)
    values = {OFFSET: texts[which[tied]], OFFSET_ERROR: errors[which[tied]]}
    if levelled.datum is not None:
        values.update(datum_values(levelled.datum))
    corrections = soundings.corrections.copy()
    corrections[tied] = with_corrections(corrections[tied], **values)
    return soundings.replace(depth=depth, uncert=uncert, corrections=corrections)


def _refuse_levelled(soundings):
    texts, group = distinct(soundings.corrections)
    done = np.array([OFFSET in parse_corrections(text) for text in texts])[group]
    if done.any():
        raise LakefloorError(
            f"Visit {visit_list(soundings.visit[done])} was adjusted before ({done.sum()} "
            "soundings). Use the soundings as they were before."
        )


def _held(soundings, names, held):
    wanted = [str(name).strip() for name in held if str(name).strip()]
    missing = [name for name in wanted if name not in names]
    if missing:
        raise LakefloorError(
            f"Reference visit {visit_list(missing)} is not among the soundings. Choose from "
            f"{visit_list(names)}."
        )
    if wanted:
        return set(wanted)
    reduced = {name: d for name, d in _datums(soundings).items() if None not in d}
    known = {name for name, d in reduced.items() if all(level is not None for _, level in d)}
    # The water of a day on which nobody read a level holds only where there is nothing better.
    if known or len(set().union(*reduced.values())) <= 1:
        return known or set(reduced)
    return {next(name for name, _ in visits_in_time(soundings) if name in reduced)}


def _datums(soundings):
    """Return the set of datums (name, elevation; or None) that each visit's soundings carry."""
    datums, group = datums_of(soundings)
    return {
        name: {datums[k] for k in np.unique(group[rows])} for name, rows in each_visit(soundings)
    }


def _datum(soundings, held_names):
    datums = _datums(soundings)
    found = set().union(*(datums[name] for name in held_names))
    if len(found) > 1:
        each = "; ".join(
            f"'{name}' " + " and ".join(map(datum_words, sorted(datums[name], key=str)))
            for name in sorted(held_names)
        )
        raise LakefloorError(
            f"The reference visits are not at one datum: {each}. Reduce them to one lake datum, or "
            "choose reference visits at one datum."
        )
    return next(iter(found), None)


def _rms(values):
    return float(np.sqrt(np.mean(values**2))) if values.size else np.nan


def _trends(crossings, network, weight, outlier):
    """Regress each visit's misfits on depth."""
    trends = {}
    use = np.isfinite(network.residual) & ~outlier & crossings.between
    if not use.any():
        return trends
    a, b = crossings.visit_a[use], crossings.visit_b[use]
    r, depth, w = -network.residual[use], crossings.depth[use], weight[use]
    for name in distinct(np.concatenate([a, b]))[0]:
        here = (a == name) | (b == name)
        n = int(here.sum())
        if n < 10:
            continue
        y, x, k = np.where(a[here] == name, r[here], -r[here]), depth[here], w[here]
        x = x - np.average(x, weights=k)
        spread = (k * x**2).sum()
        if np.ptp(x) < 1.0:
            continue
        slope = (k * x * y).sum() / spread
        rest = y - np.average(y, weights=k) - slope * x
        error = np.sqrt((k * rest**2).sum() / (n - 2) / spread)
        significant = bool(abs(slope) > _TREND * error)
        trends[name] = Trend(float(slope), float(error), n, significant)
    return trends


def _notes(levelled):
    notes, network = [], levelled.network
    linked = np.unique(network.group[levelled.observations > 0])
    groups = [
        distinct(levelled.visit[network.group == g])[0] for g in np.unique(network.group)
    ]
    if levelled.unit == "visit" and len(groups) > 1:
        text = "; ".join(visit_list(group) for group in groups[:10])
        notes.append(f"{len(groups)} unconnected groups: {text}.")
    lost = ~network.solved
    if lost.any():
        what = "visits" if levelled.unit == "visit" else "lanes"
        if levelled.held.any():
            reason = "no crossing ties them to a reference visit"
        elif linked.size > 1:
            reason = "there is no reference visit and the crossings fall into separate groups"
        else:
            reason = "they cross no others"
        notes.append(
            f"Not adjusted, because {reason}: {lost.sum()} {what} of visit "
            f"{visit_list(levelled.visit[lost])}. Run cross-lines between the groups, or choose a "
            "reference visit in each group."
        )
    lone = levelled.held & (levelled.observations == 0)
    if levelled.unit == "lane" and lone.any():
        notes.append(
            f"Lanes of reference visits that meet no others and stay as they are: {lone.sum()}."
        )
    if not levelled.held.any() and network.solved.any():
        notes.append(
            "There is no reference visit and no visit at a lake datum. The visit offsets sum to "
            "zero, so depths fit each other but not a lake datum."
        )
    if network.redundancy <= 0 and network.solved.any():
        notes.append(
            "There are no crossings to spare, so the visit offsets have no check and no standard "
            "error. Run more cross-lines."
        )
    if levelled.outlier.any():
        notes.append(
            f"{levelled.outlier.sum()} of {len(levelled.crossings)} crossings are outliers and "
            "count less. Check them on the map."
        )
    for name, trend in levelled.trend.items():
        if trend.significant:
            notes.append(
                f"Visit '{name}' differs in proportion to depth, "
                f"{written(100.0 * trend.slope, '+.2f')}% (standard error "
                f"{written(100.0 * trend.std_error, '.2f')}%). A wrong lake level does not do "
                "that. It was not adjusted. Check the sound speed of that visit."
            )
    return notes
