"""How alike two places are, by what the map shows of both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..grid import Areas, Grid
from ..progress import Progress, silent
from ..structure.ground import Ground, at_cells, cells_of, check_ground
from ..structure.structure_names import FORMS
from .target_words import LAYER_OF, TRANSITION
from .targets import cover, distance_grid, target

_SAMPLED, _STEPS = 200_000, 5000


@dataclass(frozen=True)
class Traits:
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


def traits_of(ground: Ground, progress: Progress = silent) -> Traits:
    """Return the traits of every cell of a lake.

    Parameters
    ----------
    ground : Ground
        Depth, slope and rise above the surroundings are always used; hardness, the form, and the
        distances to crest, toe and transition where their layers are there.

    Returns
    -------
    Traits

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
        columns.append(("form", _form_codes(ground.forms, ground.depth)))
        ranks.append(columns[-1][1])
    progress(1.0)
    words = tuple(word for word, _ in columns)
    return Traits(
        words,
        tuple(grid for _, grid in columns),
        tuple(ranks),
        np.array([word == "form" for word in words]),
    )


def _form_codes(forms: Areas, depth: Grid) -> Grid:
    """Return the number of the form in each cell, -1 where there is none."""
    names = [str(form).strip().lower() for form in forms.attributes["form"]]
    rows = cover(forms.polygons, range(len(names)), depth).values
    codes = np.array([FORMS.index(name) if name in FORMS else -1 for name in names], dtype=float)
    out = np.full(rows.shape, -1.0)
    on = np.isfinite(rows)
    out[on] = codes[rows[on].astype(int)]
    return depth.like(np.where(np.isfinite(depth.values), out, np.nan))


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


def traits_at(traits: Traits, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return the ranks of cells, shape (n, k), at positions."""
    return np.column_stack([at_cells(grid, x, y) for grid in traits.ranks])


def similarity(places: np.ndarray, marks: np.ndarray, kinds: np.ndarray) -> tuple:
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

    Examples
    --------
    Two places and one mark, by depth and slope as shares of the lake.

    >>> import numpy as np
    >>> places = np.array([(0.5, 0.5), (0.9, 0.1)])
    >>> likeness, mark = similarity(places, np.array([(0.5, 0.6)]), np.array([False, False]))
    >>> likeness.round(2).tolist()
    [0.95, 0.55]
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
