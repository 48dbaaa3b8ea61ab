"""Other places that are like the user's marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ..errors import LakefloorError
from ..grid import Grid
from ..number_text import rounded_depth_text, written
from ..progress import Progress, silent, span
from ..structure.ground import Ground, at_cells, cells_of, check_ground
from ..structure.structure_names import FORMS
from .fair_test import FairTest, fair_test
from .place_texts import length_text, short_names
from .ranking import USUAL, Ranking, peaks, trust
from .similarity import Traits, similarity, traits_at, traits_of

_BLOCK = 65_536


@dataclass(frozen=True)
class SimilarPlaces:
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


def find_similar_places(
    ground: Ground,
    x: np.ndarray,
    y: np.ndarray,
    names: Sequence[str],
    ranking: Ranking = USUAL,
    *,
    unit: str = "ft",
    progress: Progress = silent,
) -> SimilarPlaces:
    """Find other places on the lake with the traits of marks, and test how far that carries.

    Parameters
    ----------
    ground : Ground
    x, y : array, shape (m,)
        Marks, m.
    names : sequence of str
        Of the marks.
    ranking : Ranking
        How many places, how far apart, and the tolerance of depth. No place is nearer to a mark
        than the spacing; marks nearer to each other are left out of the test together.
    unit : str
        ``ft`` or ``m``, of the reasons.

    Returns
    -------
    SimilarPlaces

    Raises
    ------
    LakefloorError
        If no mark lies on the mapped bottom.

    Notes
    -----
    See :func:`.similarity.traits_of`, :func:`.similarity.similarity` and
    :func:`.fair_test.fair_test`.
    """
    check_ground(ground)
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    on = np.isfinite(at_cells(ground.depth, x, y))
    if not on.any():
        raise LakefloorError(
            "No mark lies on the mapped bottom. Check that marks and depth surface belong to the "
            "same lake and have the right CRS."
        )
    used = np.flatnonzero(on)
    traits = traits_of(ground, span(progress, 0.0, 0.4))
    like, mark = _likeness_everywhere(ground, traits, x[used], y[used], span(progress, 0.4, 0.8))
    score = _scores(ground, like, x[used], y[used], ranking)
    rows, cols = peaks(score, ranking.number, ranking.spacing_m, 1e-9)
    order = np.argsort(-score.values[rows, cols], kind="stable")
    rows, cols = rows[order], cols[order]
    which = used[mark[rows, cols]]
    test = fair_test(
        traits,
        ground.depth,
        x[used],
        y[used],
        apart_m=ranking.spacing_m,
        progress=span(progress, 0.8, 1.0),
    )
    by_mark = np.full(len(x), np.nan)
    by_mark[used] = test.by_mark
    px, py, depth = ground.depth.x[cols], ground.depth.y[rows], ground.depth.values[rows, cols]
    unknown = np.full(len(rows), np.nan)
    reasons = [
        _reason(traits, px[i], py[i], x[k], y[k], names[k], unit) for i, k in enumerate(which)
    ]
    return SimilarPlaces(
        px,
        py,
        depth,
        unknown if ground.uncertainty is None else ground.uncertainty.values[rows, cols],
        short_names("M", depth, unit),
        like.values[rows, cols],
        score.values[rows, cols],
        which,
        reasons,
        replace(test, by_mark=by_mark),
        traits.words,
        np.flatnonzero(~on),
        like,
    )


def _likeness_everywhere(ground: Ground, traits: Traits, x, y, progress: Progress) -> tuple:
    """Return how alike each cell is to the mark it is most like, and the row of that mark."""
    own = traits_at(traits, x, y)
    known = np.isfinite(ground.depth.values)
    cells = np.flatnonzero(known)
    likeness, mark = np.empty(len(cells)), np.empty(len(cells), dtype=int)
    for start in range(0, len(cells), _BLOCK):
        progress(start / len(cells))
        part = slice(start, start + _BLOCK)
        ranks = np.column_stack([grid.values.ravel()[cells[part]] for grid in traits.ranks])
        likeness[part], mark[part] = similarity(ranks, own, traits.kinds)
    everywhere, which = np.full(known.shape, np.nan), np.full(known.shape, -1)
    everywhere[known], which[known] = likeness, mark
    return ground.depth.like(everywhere), which


def _scores(ground: Ground, like: Grid, x, y, ranking: Ranking) -> Grid:
    """Return the likeness times the trust in depth, NaN about the marks."""
    cx, cy, known = cells_of(ground.depth)
    trusted = np.ones(len(cx))
    if ground.uncertainty is not None:
        trusted = trust(ground.uncertainty.values[known], ranking.tolerance_m)
    away, _ = cKDTree(np.column_stack((x, y))).query(
        np.column_stack((cx, cy)), distance_upper_bound=ranking.spacing_m
    )
    score = np.full(known.shape, np.nan)
    score[known] = np.where(np.isfinite(away), np.nan, like.values[known] * trusted)
    return ground.depth.like(score)


def _reason(traits, x, y, mark_x, mark_y, name, unit) -> str:
    """Return what a place has in common with a mark, and where it differs most."""
    parts, worst = [], (0.0, "")
    for word, grid, rank, kind in zip(traits.words, traits.grids, traits.ranks, traits.kinds):
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
        return rounded_depth_text(value, unit)
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
