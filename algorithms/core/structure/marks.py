"""More places like the ones that the user has marked."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from ..errors import LakefloorError
from ..grid import Grid
from ..number_text import written
from ..progress import Progress, silent, span
from .bottom_forms import FORMS
from .signature import (
    LAYER_OF,
    TRANSITION,
    Ground,
    at_cells,
    cells_of,
    check_ground,
    cover,
    distance_grid,
    peaks,
    target,
)
from .spots import TOLERANCE_M, trust
from .wording import depth_text, length_text, short_names

#: Fewer groups of marks than this cannot be tested.
LEAST_GROUPS = 5
#: Random placements that the test is held against.
RANDOM_SETS = 199
_BACKGROUND = 4000
_POOL = 400
_SAMPLED, _STEPS = 200_000, 5000
_BLOCK = 65_536
_SEED = 20


@dataclass(frozen=True)
class Signature:
    """What tells one place from another, over the whole lake.

    Attributes
    ----------
    words : tuple of str
        What each column is.
    grids : tuple of Grid
        Values as measured, to be read by people; the form is a row of ``Ground.forms``' list.
    ranks : tuple of Grid
        Share of the lake, 0..1, with a lower value, ties halved; codes of forms as they are.
    kinds : array of bool, shape (k,)
        True for a column of kinds, which match or do not.
    """

    words: tuple
    grids: tuple
    ranks: tuple
    kinds: np.ndarray


def signature(ground: Ground, progress: Progress = silent) -> Signature:
    """Return the signature of every cell of a lake.

    Parameters
    ----------
    ground : Ground
        Depth, slope and rise above the surroundings are always used; hardness, the form, and the
        distances to crest, toe and transition where their layers are there.

    Returns
    -------
    Signature

    Notes
    -----
    Each value is replaced by the share of the lake with a lower one, so that no unit and no
    stretching of a scale matters: places differ by as much as lies between them on this lake.
    """
    check_ground(ground)
    known = np.isfinite(ground.depth.values)
    columns = [
        ("depth", ground.depth), ("slope", ground.slope_percent), ("rise", ground.rise),
    ]  # fmt: skip
    if ground.hardness is not None:
        x, y, _ = cells_of(ground.depth)
        hardness = np.full(ground.depth.shape, np.nan)
        hardness[known] = ground.hardness.sample(x, y)
        columns.append(("hardness", ground.depth.like(hardness)))
    for k, word in enumerate(("crest", "toe", TRANSITION)):
        progress(k / 4.0)
        if ground.has(LAYER_OF[word]) and len(target(ground, word)):
            columns.append((word, distance_grid(target(ground, word), ground.depth)))
    ranks = [grid.like(_ranks(grid.values, known)) for _, grid in columns]
    if ground.forms is not None and len(ground.forms):
        columns.append(("form", _form_codes(ground)))
        ranks.append(columns[-1][1])
    progress(1.0)
    words = tuple(word for word, _ in columns)
    return Signature(
        words, tuple(grid for _, grid in columns), tuple(ranks),
        np.array([word == "form" for word in words]),
    )  # fmt: skip


def _form_codes(ground: Ground) -> Grid:
    """Return the number of the form in each cell, -1 where there is none."""
    names = [str(form).strip().lower() for form in ground.forms.attributes["form"]]
    rows = cover(ground.forms.polygons, range(len(names)), ground.depth).values
    codes = np.array([FORMS.index(name) if name in FORMS else -1 for name in names], dtype=float)
    out = np.full(rows.shape, -1.0)
    on = np.isfinite(rows)
    out[on] = codes[rows[on].astype(int)]
    return ground.depth.like(np.where(np.isfinite(ground.depth.values), out, np.nan))


def _ranks(values, known) -> np.ndarray:
    """Return the share of the known values below each, ties halved."""
    out = np.full(values.shape, np.nan)
    good = known & np.isfinite(values)
    taken = values[good]
    if not taken.size:
        return out
    # Every so many cells give the shares to a thousandth, which is far less than they mean.
    ladder = np.sort(taken[:: max(taken.size // _SAMPLED, 1)])
    ladder = ladder[:: max(ladder.size // _STEPS, 1)]
    below = np.searchsorted(ladder, taken, side="left")
    out[good] = 0.5 * (below + np.searchsorted(ladder, taken, side="right")) / ladder.size
    return out


def _rows(sign: Signature, x, y) -> np.ndarray:
    """Return the ranks of cells, shape (n, k), at positions."""
    return np.column_stack([at_cells(grid, x, y) for grid in sign.ranks])


def similarity(places, marks, kinds) -> tuple:
    """Return how alike places are to the mark that each is most like.

    Parameters
    ----------
    places : array, shape (n, k)
    marks : array, shape (m, k)
        Ranks, 0..1, or codes of kinds; NaN for what is not known.
    kinds : array of bool, shape (k,)

    Returns
    -------
    likeness : array, shape (n,)
        0..1; 0 where nothing is known of both.
    mark : array of int, shape (n,)
        Row of the mark.

    Notes
    -----
    The general coefficient of similarity (Gower 1971): the mean over the columns known at both of
    ``1 - |a - b|``, or of 1 where kinds match and 0 where not. A place is as good as the mark it
    is most like (Carpenter et al. 1993), so that marks of several sorts may stand together.

    References
    ----------
    Gower, J. C. (1971). A general coefficient of similarity and some of its properties.
    Biometrics 27(4), 857-871.
    Carpenter, G., Gillison, A. N. and Winter, J. (1993). DOMAIN: a flexible modelling procedure
    for mapping potential distributions of plants and animals. Biodiversity and Conservation 2(6),
    667-680.
    """
    best, mark = np.zeros(len(places)), np.zeros(len(places), dtype=int)
    known = np.isfinite(places)
    filled = np.where(known, places, 0.0)
    for i, row in enumerate(np.atleast_2d(marks)):
        both = np.zeros(len(places))
        alike = np.zeros(len(places))
        for k in np.flatnonzero(np.isfinite(row)):
            same = filled[:, k] == row[k] if kinds[k] else 1.0 - np.abs(filled[:, k] - row[k])
            alike += np.where(known[:, k], same, 0.0)
            both += known[:, k]
        with np.errstate(divide="ignore", invalid="ignore"):
            value = np.where(both > 0, alike / both, 0.0)
        better = value > best
        best[better], mark[better] = value[better], i
    return best, mark


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
    sign: Signature, depth: Grid, x, y, *, apart_m: float, progress: Progress = silent
) -> FairTest:
    """Test whether marks are found again from the other marks.

    Parameters
    ----------
    sign : Signature
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
    if count < LEAST_GROUPS:
        nothing = np.nan
        return FairTest(nothing, nothing, nothing, nothing, nothing, count, len(x),
                        np.full(len(x), np.nan))  # fmt: skip
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
    background = _rows(sign, cx[chosen], cy[chosen])
    own = _rows(sign, x, y)
    by_mark = _shares_below(*_likeness_of_each(own, own, sign.kinds, background), group)
    by_group = _group_means(by_mark, group)
    auc = float(by_group.mean())
    pool = background[random.permutation(len(background))[: max(_POOL, 4 * count)]]
    pairs, against = _likeness_of_each(pool, pool, sign.kinds, background, progress)
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


def groups_of(x, y, apart_m: float) -> np.ndarray:
    """Return the group, from 0, of each mark; neighbours within a distance share it."""
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


@dataclass(frozen=True)
class LikePlaces:
    """Places like the marks, most alike first; arrays of shape (n,).

    Attributes
    ----------
    x, y, depth, uncertainty : array
        m.
    names : list of str
    likeness : array
        Similarity to the mark most like it, 0..1.
    score : array
        Likeness times the probability that depth is within the tolerance of the truth.
    mark : array of int
        Row of the mark most like it, of the marks given.
    reasons : list of str
    test : FairTest
    words : tuple of str
        What was compared.
    left_out : array of int
        Rows of the marks that lie off the mapped bottom.
    likeness_grid : Grid
        Everywhere.
    """

    x: np.ndarray
    y: np.ndarray
    depth: np.ndarray
    uncertainty: np.ndarray
    names: list
    likeness: np.ndarray
    score: np.ndarray
    mark: np.ndarray
    reasons: list
    test: FairTest
    words: tuple
    left_out: np.ndarray
    likeness_grid: Grid

    def __len__(self) -> int:
        return len(self.x)


def more_like_these(
    ground: Ground,
    x,
    y,
    names,
    *,
    number: int = 15,
    spacing_m: float = 40.0,
    tolerance_m: float = TOLERANCE_M,
    unit: str = "ft",
    progress: Progress = silent,
) -> LikePlaces:
    """Find other places on the lake with the signature of marks, and test how far that carries.

    Parameters
    ----------
    ground : Ground
    x, y : array, shape (m,)
        Marks, m.
    names : sequence of str
        Of the marks.
    number : int
        At most so many places.
    spacing_m : float
        No two places are nearer to each other, nor to a mark, m. Marks nearer to each other are
        left out of the test together.
    tolerance_m : float
        An error of depth that would not matter, m.
    unit : str
        ``ft`` or ``m``, of the reasons.

    Returns
    -------
    LikePlaces

    Raises
    ------
    LakefloorError
        If no mark lies on the mapped bottom, or a limit makes no sense.

    Notes
    -----
    See :func:`signature`, :func:`similarity` and :func:`fair_test`.
    """
    for name, value, good in (
        ("The maximum number of places", number, number >= 1),
        ("The minimum distance of places", spacing_m, np.isfinite(spacing_m) and spacing_m > 0),
        ("The depth tolerance", tolerance_m, np.isfinite(tolerance_m) and tolerance_m > 0),
    ):
        if not good:
            raise LakefloorError(f"{name} is {value}. Enter a value that is in range.")
    check_ground(ground)
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    on = np.isfinite(at_cells(ground.depth, x, y))
    if not on.any():
        raise LakefloorError(
            f"None of the {len(x)} marks lies on the mapped bottom. Check that marks and depth "
            "surface belong to the same lake and have the right CRS."
        )
    used = np.flatnonzero(on)
    sign = signature(ground, span(progress, 0.0, 0.4))
    own = _rows(sign, x[used], y[used])
    cx, cy, known = cells_of(ground.depth)
    cells = np.flatnonzero(known)
    likeness, mark = np.empty(len(cx)), np.empty(len(cx), dtype=int)
    step = span(progress, 0.4, 0.8)
    for start in range(0, len(cx), _BLOCK):
        step(start / len(cx))
        part = slice(start, start + _BLOCK)
        ranks = np.column_stack([grid.values.ravel()[cells[part]] for grid in sign.ranks])
        likeness[part], mark[part] = similarity(ranks, own, sign.kinds)
    everywhere = np.full(ground.depth.shape, np.nan)
    everywhere[known] = likeness
    like = ground.depth.like(everywhere)
    trusted = np.ones(len(cx))
    if ground.uncertainty is not None:
        trusted = trust(ground.uncertainty.values[known], tolerance_m)
    away, _ = cKDTree(np.column_stack((x, y))[used]).query(
        np.column_stack((cx, cy)), distance_upper_bound=spacing_m
    )
    score = np.full(ground.depth.shape, np.nan)
    score[known] = np.where(np.isfinite(away), np.nan, likeness * trusted)
    rows, cols = peaks(ground.depth.like(score), number, spacing_m, 1e-9)
    order = np.argsort(-score[rows, cols], kind="stable")
    rows, cols = rows[order], cols[order]
    which = np.full(ground.depth.shape, -1)
    which[known] = mark
    which = which[rows, cols]
    unknown = np.full(len(rows), np.nan)
    depth = ground.depth.values[rows, cols]
    test = fair_test(
        sign, ground.depth, x[used], y[used], apart_m=spacing_m,
        progress=span(progress, 0.8, 1.0),
    )  # fmt: skip
    by_mark = np.full(len(x), np.nan)
    by_mark[used] = test.by_mark
    px, py = ground.depth.x[cols], ground.depth.y[rows]
    reasons = [
        _reason(sign, px[i], py[i], x[used[k]], y[used[k]], names[used[k]], unit)
        for i, k in enumerate(which)
    ]
    return LikePlaces(
        px, py, depth,
        unknown if ground.uncertainty is None else ground.uncertainty.values[rows, cols],
        short_names("M", depth, unit), everywhere[rows, cols], score[rows, cols], used[which],
        reasons, replace(test, by_mark=by_mark), sign.words,
        np.flatnonzero(~on), like,
    )  # fmt: skip


def _reason(sign, x, y, mark_x, mark_y, name, unit) -> str:
    """Return what a place has in common with a mark, and where it differs most."""
    parts, worst = [], (0.0, "")
    for word, grid, rank, kind in zip(sign.words, sign.grids, sign.ranks, sign.kinds):
        here, there, a, b = (
            float(at_cells(g, np.array([u]), np.array([v]))[0])
            for g in (grid, rank)
            for u, v in ((x, y), (mark_x, mark_y))
        )
        if not (np.isfinite(a) and np.isfinite(b)):
            continue
        parts.append(f"{word} {_value(word, here, unit)} (there {_value(word, there, unit)})")
        apart = float(a != b) if kind else abs(a - b)
        if apart > max(worst[0], 0.2):
            worst = (apart, word)
    text = f"like {name}: " + "; ".join(parts)
    return text + (f". Differs most in {worst[1]}." if worst[1] else ".")


def _value(word, value, unit) -> str:
    if word == "depth":
        return depth_text(value, unit)
    if word == "rise":
        return ("" if value >= 0.0 or length_text(-value, unit)[0] == "0" else "-") + length_text(
            abs(value), unit
        )
    if word == "slope":
        return f"{value:.0f}%"
    if word == "hardness":
        return written(value, ".2f")
    if word == "form":
        return FORMS[int(value)] if value >= 0 else "none"
    return length_text(value, unit)
