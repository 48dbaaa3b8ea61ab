"""Constant offsets of units, such as visits, by least squares from differences between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from ..progress import Progress, silent

#: No scale of differences is believed below this, m: depths are logged in steps of some
#: centimeters.
LEAST_SCALE = 0.005

#: Huber's tuning constant: 95% efficiency where errors are normal.
_HUBER = 1.345

_ITERATIONS = 50

#: A misfit of more robust standard deviations than this, and of more than this, m, is a blunder,
#: or a bottom that has changed.
_BLUNDER, _LEAST_BLUNDER = 3.5, 0.05

#: What is left of the weight of such an observation: enough to tie a unit that nothing else ties.
_TRACE = 1e-6


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
    blunder : bool array, shape (m,)
        Observations that keep next to no weight, since no good one is as far off.
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
    blunder: np.ndarray


def solve_network(
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    difference: npt.ArrayLike,
    weight: npt.ArrayLike | None = None,
    *,
    units: int,
    held: npt.ArrayLike | None = None,
    mean_held: bool = False,
    robust: bool = False,
    runs: tuple | None = None,
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
        Weigh down large misfits (Huber), and leave out blunders, where at least five observations
        are redundant.
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
    Minimizes ``sum w (d - b_first + b_second)**2``. Robust weights are found by iteration with a
    scale from the median absolute misfit. Where that has settled, misfits above 3.5 times the scale
    keep next to no weight, and it goes on: by Huber's weights alone a hole dredged 1.8 m deep in a
    quarter of the places moves a visit by 0.1 m.

    The standard errors are Huber's for M-estimates. They hold for independent observations; with
    ``runs`` any two that share a run may depend on each other.

    References
    ----------
    Wessel, P. (2010). Tools for analyzing intersecting tracks: the x2sys package. Computers &
    Geosciences 36(3), 348-354. Huber, P. J. (1981). Robust Statistics, chapter 7. Wiley.
    Aronow, P. M., Samii, C. & Assenova, V. A. (2015). Cluster-robust variance estimation for
    dyadic data. Political Analysis 23(4), 564-577.

    Examples
    --------
    Three visits, the first one held; what was measured agrees.

    >>> network = solve_network(
    ...     [0, 1, 0], [1, 2, 2], [0.3, -0.1, 0.2], units=3, held=[True, False, False])
    >>> [round(float(offset), 2) for offset in network.offset]
    [0.0, -0.3, -0.2]
    >>> network.redundancy
    1
    """
    first, second = np.asarray(first, np.intp), np.asarray(second, np.intp)
    d = np.asarray(difference, float)
    given = np.ones(d.size) if weight is None else np.asarray(weight, float)
    held = np.zeros(units, bool) if held is None else np.asarray(held, bool)
    unknowns = _Unknowns.of(first, second, held, mean_held)
    solved, free = unknowns.solved, unknowns.free
    used = np.flatnonzero(solved[first])
    redundancy = int(used.size - free.size)
    offset, cofactor = np.where(solved, 0.0, np.nan), np.where(solved, 0.0, np.nan)
    residual, final = np.full(d.size, np.nan), given.copy()
    blunder = np.zeros(d.size, bool)
    variance, by_runs = np.nan, np.zeros(units)
    if used.size:
        design = _design(unknowns.column, first[used], second[used], free.size)
        w = given[used]
        solution, factor, scale, solver = _fit(design, d[used], w, robust, redundancy, progress)
        left = design @ solution - d[used]
        residual[used], final[used], blunder[used] = left, w * factor, factor <= _TRACE
        offset[free] = solution
        if redundancy > 0:
            variance = _variance(left, w, factor, scale, redundancy)
        shift, contrast = unknowns.to_final(offset)
        offset -= shift
        if free.size:
            contrast = contrast[np.flatnonzero(solved)]
            cofactor[solved] = _quadratic_forms(solver, contrast)
            if runs is not None and redundancy > 0:
                score = design.multiply((final[used] * left)[:, None]).tocsr()
                inside = 1.0 if scale is None else _share_inside(left, w, scale)
                by_runs[solved] = _error_by_runs(
                    solver, score / inside, contrast, *(np.asarray(run)[used] for run in runs)
                )
    progress(1.0)
    error = np.sqrt(variance * cofactor) if used.size else np.full(units, np.nan)
    return Network(
        offset,
        np.maximum(error, by_runs),
        unknowns.group,
        solved,
        residual,
        final,
        variance,
        redundancy,
        cofactor,
        blunder,
    )


@dataclass(frozen=True)
class _Unknowns:
    """Which of k units are solved for; arrays of length k unless said otherwise.

    Attributes
    ----------
    group : int
        Number of the connected group of each unit.
    solved : bool
        Whether the group of the unit can be solved.
    counted : bool
        Units whose offset is 0, or whose mean offset in each group is 0 if ``mean``.
    mean : bool
    free : int, shape (n,)
        Units that are unknowns; one of each group, or all that are held, are fixed at 0.
    column : int
        Number of the unknown of each unit; -1 for none.
    """

    group: np.ndarray
    solved: np.ndarray
    counted: np.ndarray
    mean: bool
    free: np.ndarray
    column: np.ndarray

    @classmethod
    def of(cls, first, second, held, mean_held) -> _Unknowns:
        units = held.size
        link = coo_matrix((np.ones(first.size), (first, second)), shape=(units, units))
        _, group = connected_components(link, directed=False)
        tied = np.bincount(group, held) > 0
        if not held.any():
            # A lone unit without observations does not make a network fall apart into pieces.
            linked = np.unique(group[first])
            tied[linked] = linked.size == 1
        solved = tied[group]
        mean = bool(mean_held or not held.any())
        counted = held if held.any() else solved
        fixed = held.copy()
        if mean:
            # Of each group one unit is fixed at 0 to solve; the mean is moved to 0 afterwards.
            members = np.flatnonzero(counted)
            fixed[:] = False
            fixed[members[np.unique(group[members], return_index=True)[1]]] = True
        free = np.flatnonzero(solved & ~fixed)
        column = np.full(units, -1)
        column[free] = np.arange(free.size)
        return cls(group, solved, counted, mean, free, column)

    def to_final(self, offset) -> tuple:
        """Return what to take off each offset, and the matrix from unknowns to final offsets."""
        free = self.free
        own = csr_matrix(
            (np.ones(free.size), (free, np.arange(free.size))), shape=(offset.size, free.size)
        )
        if not self.mean:
            return np.zeros(offset.size), own
        shift, averages = self._means(offset)
        rows = np.flatnonzero(self.solved)
        spread = csr_matrix(
            (np.ones(rows.size), (rows, self.group[rows])), shape=(offset.size, averages.shape[0])
        )
        return np.where(self.solved, shift, 0.0), own - spread @ averages

    def _means(self, offset) -> tuple:
        """Return the mean offset of the counted units of each unit's group, and its matrix."""
        group, counted, column = self.group, self.counted, self.column
        number = np.bincount(group, counted)
        total = np.bincount(group, np.where(counted, np.nan_to_num(offset), 0.0))
        with np.errstate(invalid="ignore", divide="ignore"):
            shift = (total / number)[group]
        members = np.flatnonzero(counted & (column >= 0))
        averages = csr_matrix(
            (1.0 / number[group[members]], (group[members], column[members])),
            shape=(number.size, self.free.size),
        )
        return shift, averages


def _share_inside(residual, w, scale) -> float:
    """Return the share of observations that keep their full weight."""
    return np.mean(np.sqrt(w) * np.abs(residual) <= _HUBER * scale)


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
    root, good = np.sqrt(w), np.ones(d.size, bool)
    robust = robust and redundancy >= 5
    for k in range(_ITERATIONS if robust else 1):
        weighted = design.multiply((w * factor)[:, None]).tocsr()
        solver = _factor(design.T @ weighted)
        before, solution = solution, solver.solve(weighted.T @ d)
        if not robust:
            break
        misfit = root * np.abs(design @ solution - d)
        settled = k > 0 and np.abs(solution - before).max() < 1e-6
        if settled:
            # Only a solution that blunders do not draw along tells what is one.
            limit = max(_BLUNDER * scale, _LEAST_BLUNDER * np.median(root))
            last, good = good, misfit <= limit
            if (last == good).all():
                break
        # Unknowns draw misfits toward zero.
        scale = 1.4826 * np.median(misfit[good]) * np.sqrt(d.size / redundancy)
        scale = max(scale, LEAST_SCALE * np.median(root))
        factor = np.minimum(1.0, _HUBER * scale / np.maximum(misfit, 1e-300))
        factor[~good] *= _TRACE
        progress(0.5 * (k + 1) / _ITERATIONS)
    if scale is not None:
        # Huber's standard errors refer to the equations without robust factors.
        solver = _factor(design.T @ design.multiply(w[:, None]).tocsr())
    return solution, factor, scale, solver


def _factor(normal):
    """Factor a symmetric positive definite matrix, unknowns in an order that keeps it sparse."""
    return splu(
        normal.tocsc(),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )


def _variance(residual, w, factor, scale, redundancy):
    if scale is None:
        return float((w * residual**2).sum() / redundancy)
    inside = _share_inside(residual, w, scale)
    correction = 1.0 + (residual.size - redundancy) / residual.size * (1.0 - inside) / inside
    return float(correction**2 * (w * (factor * residual) ** 2).sum() / redundancy / inside**2)


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
