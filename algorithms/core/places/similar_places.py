"""Other places that are like the user's marks."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ..errors import LakefloorError
from ..grid import Grid
from ..number_text import written
from ..progress import Progress, silent, span
from ..structure.form_ground import FORMS
from ..structure.ground import Ground, at_cells, cells_of, check_ground
from .fair_test import FairTest, fair_test
from .place_texts import length_text, rounded_depth_text, short_names
from .ranking import TOLERANCE_M, peaks, trust
from .similarity import similarity, traits_at, traits_of

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
    x,
    y,
    names,
    *,
    number: int = 15,
    spacing_m: float = 40.0,
    tolerance_m: float = TOLERANCE_M,
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
    SimilarPlaces

    Raises
    ------
    LakefloorError
        If no mark lies on the mapped bottom, or a limit makes no sense.

    Notes
    -----
    See :func:`traits_of`, :func:`similarity` and :func:`fair_test`.
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
    traits = traits_of(ground, span(progress, 0.0, 0.4))
    own = traits_at(traits, x[used], y[used])
    cx, cy, known = cells_of(ground.depth)
    cells = np.flatnonzero(known)
    likeness, mark = np.empty(len(cx)), np.empty(len(cx), dtype=int)
    step = span(progress, 0.4, 0.8)
    for start in range(0, len(cx), _BLOCK):
        step(start / len(cx))
        part = slice(start, start + _BLOCK)
        ranks = np.column_stack([grid.values.ravel()[cells[part]] for grid in traits.ranks])
        likeness[part], mark[part] = similarity(ranks, own, traits.kinds)
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
        traits, ground.depth, x[used], y[used], apart_m=spacing_m,
        progress=span(progress, 0.8, 1.0),
    )  # fmt: skip
    by_mark = np.full(len(x), np.nan)
    by_mark[used] = test.by_mark
    px, py = ground.depth.x[cols], ground.depth.y[rows]
    reasons = [
        _reason(traits, px[i], py[i], x[used[k]], y[used[k]], names[used[k]], unit)
        for i, k in enumerate(which)
    ]
    return SimilarPlaces(
        px, py, depth,
        unknown if ground.uncertainty is None else ground.uncertainty.values[rows, cols],
        short_names("M", depth, unit), everywhere[rows, cols], score[rows, cols], used[which],
        reasons, replace(test, by_mark=by_mark), traits.words,
        np.flatnonzero(~on), like,
    )  # fmt: skip


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
