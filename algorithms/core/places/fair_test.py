"""Whether marks lead to each other: each left out and ranked among random places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from ..errors import LakefloorError
from ..grid import Grid
from ..number_text import written
from ..progress import Progress, silent
from ..structure.ground import cells_of
from .similarity import Traits, similarity, traits_at

#: Fewer groups of marks than this cannot be tested.
MIN_GROUPS = 5
#: Random placements that the test is held against.
RANDOM_SETS = 199
_BACKGROUND = 4000
_POOL = 400
_SEED = 20


@dataclass(frozen=True)
class FairTest:
    """How well the marks find each other again.

    Attributes
    ----------
    auc : float
        Probability that a mark left out is more like the other marks than a random place of the
        lake; 0.5 is chance, 1 is perfect. NaN with too few groups.
    sd : float
        Standard uncertainty of ``auc``.
    random_mean, random_sd : float
        The same of random placements.
    p_value : float
        Share of random placements that do as well.
    groups, marks : int
        Groups of marks and marks that were left out.
    by_mark : array, shape (m,)
        Share of the lake less like the other marks than this one, NaN where it was not tested.
    """

    auc: float
    sd: float
    random_mean: float
    random_sd: float
    p_value: float
    groups: int
    marks: int
    by_mark: np.ndarray


def fair_test(
    traits: Traits,
    depth: Grid,
    x: np.ndarray,
    y: np.ndarray,
    *,
    apart_m: float,
    progress: Progress = silent,
) -> FairTest:
    """Test whether marks are found again from the other marks.

    Parameters
    ----------
    traits : Traits
    depth : Grid
        Its cells with a depth are the lake.
    x, y : array, shape (m,)
        Marks on the lake, m.
    apart_m : float
        Marks nearer to each other than this are left out together, and places nearer to a mark
        are no random places, m.

    Returns
    -------
    FairTest

    Notes
    -----
    Marks side by side are near-copies, so whole groups are left out (Roberts et al. 2017). Each
    mark left out is ranked among random places of the lake by the similarity to the marks kept;
    the mean rank is the area under the receiver operating characteristic (Hanley and McNeil
    1982). Groups count alike, and the uncertainty comes from their scatter. The same is done with
    as many single places put on the lake at random, 199 times: the p-value is the share, the
    marks themselves included, that does as well.

    References
    ----------
    Hanley, J. A. and McNeil, B. J. (1982). The meaning and use of the area under a receiver
    operating characteristic (ROC) curve. Radiology 143(1), 29-36.
    Roberts, D. R. et al. (2017). Cross-validation strategies for data with temporal, spatial,
    hierarchical, or phylogenetic structure. Ecography 40(8), 913-929.
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    group = groups_of(x, y, apart_m)
    count = int(group.max()) + 1 if len(group) else 0
    if count < MIN_GROUPS:
        nothing = np.nan
        return FairTest(
            nothing, nothing, nothing, nothing, nothing, count, len(x), np.full(len(x), np.nan)
        )
    random = np.random.default_rng(_SEED)
    cx, cy, _ = cells_of(depth)
    away, _ = cKDTree(np.column_stack((x, y))).query(
        np.column_stack((cx, cy)), distance_upper_bound=apart_m
    )
    free = np.flatnonzero(~np.isfinite(away))
    if len(free) < 10 * count:
        raise LakefloorError(
            f"Nearly the whole lake lies within {written(apart_m, 'g')} m of the marks, so there "
            "are no other places for the test. Choose a smaller minimum distance of places."
        )
    chosen = np.sort(random.choice(free, min(_BACKGROUND, len(free)), replace=False))
    background = traits_at(traits, cx[chosen], cy[chosen])
    own = traits_at(traits, x, y)
    alike, elsewhere = _likeness_of_each(own, own, traits.kinds, background)
    by_mark = _shares_below(alike, elsewhere, group)
    by_group = _group_means(by_mark, group)
    auc = float(by_group.mean())
    pool = background[random.permutation(len(background))[: max(_POOL, 4 * count)]]
    pairs, against = _likeness_of_each(pool, pool, traits.kinds, background, progress)
    null = np.empty(RANDOM_SETS)
    for k in range(RANDOM_SETS):
        drawn = random.choice(len(pool), count, replace=False)
        null[k] = _shares_below(
            pairs[np.ix_(drawn, drawn)], against[drawn], np.arange(count)
        ).mean()
    progress(1.0)
    return FairTest(
        auc,
        float(by_group.std(ddof=1) / np.sqrt(count)),
        float(null.mean()),
        float(null.std(ddof=1)),
        float((1 + (null >= auc).sum()) / (1 + RANDOM_SETS)),
        count,
        len(x),
        by_mark,
    )


def groups_of(x: np.ndarray, y: np.ndarray, apart_m: float) -> np.ndarray:
    """Return the group, from 0, of each mark; neighbors within a distance share it."""
    if not len(x):
        return np.empty(0, dtype=int)
    tree = cKDTree(np.column_stack((x, y)))
    near = tree.sparse_distance_matrix(tree, apart_m, output_type="coo_matrix")
    # Marks on the same place are at distance 0, which a sparse matrix leaves out.
    near.data = np.ones_like(near.data)
    _, group = connected_components(near, directed=False)
    return group


def _group_means(values, group) -> np.ndarray:
    return np.bincount(group, weights=values) / np.bincount(group)


def _likeness_of_each(rows, places, kinds, background, progress: Progress = silent) -> tuple:
    """Return the similarity of every place, and of the background, to every row by itself."""
    pairs = np.empty((len(rows), len(places)))
    against = np.empty((len(rows), len(background)))
    for i, row in enumerate(rows):
        progress(i / len(rows))
        pairs[i] = similarity(places, row[None], kinds)[0]
        against[i] = similarity(background, row[None], kinds)[0]
    return pairs, against


def _shares_below(pairs, against, group) -> np.ndarray:
    """Return the share of the background that is less like the marks of other groups than each.

    Parameters
    ----------
    pairs : array, shape (m, m)
        Similarity of marks to each other.
    against : array, shape (m, b)
        Similarity of the background to each mark.
    group : array of int, shape (m,)
    """
    best = np.array([against[group == g].max(axis=0) for g in range(group.max() + 1)])
    second, first = np.partition(best, len(best) - 2, axis=0)[-2:]
    leader = best.argmax(axis=0)
    out = np.empty(len(pairs))
    for i in range(len(pairs)):
        mine = pairs[group != group[i], i].max()
        theirs = np.where(leader == group[i], second, first)
        # The last bits of the sums are no difference.
        out[i] = np.mean(theirs < mine - 1e-9) + 0.5 * np.mean(np.abs(theirs - mine) <= 1e-9)
    return out
