"""Candidate spots: where what the user said counts comes together."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..errors import LakefloorError
from ..grid import Grid
from ..number_text import rounded_depth_text, written
from ..progress import Progress, silent, span
from ..structure.ground import Ground, at_cells, check_ground
from .criteria import VALUES, Criterion, missing_layers, window_fit
from .place_texts import bottom_text, fine_depth_text, near_text, short_names
from .ranking import USUAL, Ranking, peaks, trust
from .target_words import BOTTOM_CLASSES
from .targets import bearings, distance_grid, nearest, target


@dataclass(frozen=True)
class Spots:
    """Candidate spots in falling order of score; arrays of shape (n,).

    Attributes
    ----------
    x, y : array
        m.
    names : list of str
    score, fit, trust : array
        0..1; the score is the fit times the trust.
    depth, uncertainty : array
        m.
    reasons : list of str
    values, fits : dict of str to array
        By the key of each criterion: its value (m, percent or 0..1) and its window_fit.
    notes : list of str
        What the user should know of the run as a whole.
    score_grid : Grid
        Score everywhere.
    """

    x: np.ndarray
    y: np.ndarray
    names: list
    score: np.ndarray
    fit: np.ndarray
    trust: np.ndarray
    depth: np.ndarray
    uncertainty: np.ndarray
    reasons: list
    values: dict
    fits: dict
    notes: list
    score_grid: Grid

    def __len__(self) -> int:
        return len(self.x)


def candidate_spots(
    ground: Ground,
    criteria: list[Criterion],
    ranking: Ranking = USUAL,
    *,
    min_score: float = 0.5,
    unit: str = "ft",
    progress: Progress = silent,
) -> Spots:
    """Find where what counts comes together.

    Parameters
    ----------
    ground : Ground
    criteria : list of Criterion
        As :func:`.criteria.read_criteria` reads them.
    ranking : Ranking
        How many spots, how far apart, and the tolerance of depth.
    min_score : float
        No spot has a lower score, 0..1.
    unit : str
        ``ft`` or ``m``, of the reasons.

    Returns
    -------
    Spots

    Raises
    ------
    LakefloorError
        If a layer that the table needs is missing, or the minimum score is out of range.

    Notes
    -----
    The fit is the mean of the fits of all criteria, weighted; what is not known at a place counts
    as not met. The score is the fit times the probability that depth there is within the tolerance
    of the truth. Spots are the highest cells of the score that keep the spacing, best first.

    References
    ----------
    Malczewski, J. (2000). On the use of weighted linear combination method in GIS: common and best
    practice approaches. Transactions in GIS 4(1), 5-22.

    Examples
    --------
    A bottom that falls by 1 m in 10 m eastwards; what counts is a depth of about 5 m.

    >>> import numpy as np
    >>> from lakefloor.algorithms.core.grid import Grid
    >>> from lakefloor.algorithms.core.places.criteria import read_criteria
    >>> depth = Grid(np.tile(0.5 + np.arange(10.0), (10, 1)), 0.0, 100.0, 10.0, 10.0)
    >>> spots = candidate_spots(
    ...     Ground(depth), read_criteria([("depth", 5, 6, 1)], "m"), Ranking(number=1), unit="m")
    >>> float(spots.x[0]), float(spots.depth[0]), spots.names
    (55.0, 5.5, ['S01 5.5M'])
    """
    if not 0.0 <= min_score <= 1.0:
        raise LakefloorError(
            f"The minimum score is {min_score}. Enter a value that is in range, from 0 to 1."
        )
    missing = missing_layers(criteria, ground.has)
    if missing:
        raise LakefloorError(" ".join(missing))
    check_ground(ground)
    scores, notes = _scores(ground, criteria, ranking.tolerance_m, span(progress, 0.0, 0.8))
    rows, cols = peaks(scores, ranking.number, ranking.spacing_m, max(min_score, 1e-9))
    # Distances are exact here, and off by up to a cell on the grid.
    found = _at(ground, criteria, ground.depth.x[cols], ground.depth.y[rows])
    spots = _described(ground, criteria, found, rows, cols, ranking.tolerance_m, unit)
    progress(1.0)
    return replace(spots, notes=notes, score_grid=scores)


def _scores(ground: Ground, criteria, tolerance_m: float, progress: Progress) -> tuple:
    """Return the score everywhere, and what the user should know of it."""
    notes = []
    total = sum(c.weight for c in criteria)
    score = np.zeros(ground.depth.shape)
    for k, criterion in enumerate(criteria):
        progress(k / len(criteria))
        fits = window_fit(_everywhere(ground, criterion), criterion.low, criterion.high)
        if not fits.any():
            notes.append(
                f"'{criterion.word}' is in its range nowhere on this lake. Widen the range."
            )
        score += criterion.weight / total * fits
    if ground.uncertainty is None:
        notes.append(
            "The depth raster has no uncertainty band, so uncertain depths do not lower the score."
        )
    else:
        score *= trust(ground.uncertainty.values, tolerance_m)
    progress(1.0)
    return ground.depth.like(np.where(np.isfinite(ground.depth.values), score, np.nan)), notes


def _described(
    ground: Ground, criteria, found: dict, rows, cols, tolerance_m: float, unit: str
) -> Spots:
    """Return the spots in falling order of score, with their reasons."""
    x, y = ground.depth.x[cols], ground.depth.y[rows]
    total = sum(c.weight for c in criteria)
    fits = {c.key: window_fit(found[c.key][0], c.low, c.high) for c in criteria}
    fit = sum((c.weight / total * fits[c.key] for c in criteria), np.zeros(len(x)))
    depth = ground.depth.values[rows, cols]
    unknown = np.full(len(x), np.nan)
    uncertainty = unknown if ground.uncertainty is None else ground.uncertainty.values[rows, cols]
    trusted = np.ones(len(x)) if ground.uncertainty is None else trust(uncertainty, tolerance_m)
    order = np.argsort(-(fit * trusted), kind="stable")
    slopes = ground.slope_percent.values[rows, cols]
    bottom, sure = (
        unknown if g is None else at_cells(g, x, y)
        for g in (ground.bottom_class, ground.class_probability)
    )
    reasons = [
        _reasons(
            ground,
            criteria,
            found,
            i,
            unit,
            depth[i],
            slopes[i],
            bottom_text(bottom[i], sure[i]),
            uncertainty[i],
            trusted[i],
        )
        for i in order
    ]
    return Spots(
        x[order],
        y[order],
        short_names("S", depth[order], unit),
        (fit * trusted)[order],
        fit[order],
        trusted[order],
        depth[order],
        uncertainty[order],
        reasons,
        {c.key: found[c.key][0][order] for c in criteria},
        {key: value[order] for key, value in fits.items()},
        [],
        ground.depth,
    )


def _everywhere(ground: Ground, criterion: Criterion) -> np.ndarray:
    """Return the value of a criterion in every cell of the surface."""
    if criterion.word == "depth":
        return ground.depth.values
    if criterion.word == "slope":
        return ground.slope_percent.values
    if criterion.word == "hardness":
        x, y = np.meshgrid(ground.depth.x, ground.depth.y)
        return _hardness(ground).sample(x.ravel(), y.ravel()).reshape(x.shape)
    return distance_grid(target(ground, criterion.word), ground.depth).values


def _hardness(ground: Ground) -> Grid:
    if ground.hardness is None:
        raise LakefloorError(
            "'hardness' needs the layer of bottom type. Choose a raster from Bottom type."
        )
    return ground.hardness


def _at(ground: Ground, criteria, x, y) -> dict:
    """Return (value, direction, row of the line or area) by the key of each criterion."""
    nothing = np.full(len(x), np.nan)
    out = {}
    for c in criteria:
        if c.word in VALUES:
            grid = {
                "depth": lambda: ground.depth,
                "slope": lambda: ground.slope_percent,
                "hardness": lambda: _hardness(ground),
            }[c.word]()
            out[c.key] = grid.sample(x, y), nothing, nothing
        else:
            distance, to, row = nearest(target(ground, c.word), x, y)
            distance = np.where(row >= 0, distance, np.nan)
            out[c.key] = distance, bearings(x, y, to, ground.crs), row
    return out


def _reasons(
    ground, criteria, found, i, unit, depth, slope_pct, bottom, uncertainty, trusted
) -> str:
    """Return why a place is proposed, the heaviest reasons first, and what speaks against it."""
    met, unmet = [], []
    for c in sorted(criteria, key=lambda c: -c.weight):
        value, bearing, row = (part[i] for part in found[c.key])
        fit = float(window_fit(value, c.low, c.high))
        if c.word == "depth":
            text = ""
        elif not np.isfinite(value):
            text = f"{c.word} not known here" if c.word in VALUES else f"no {c.word}"
        elif c.word == "slope":
            text = f"slope {value:.0f}%"
        elif c.word == "hardness":
            text = f"hardness {written(value, '.2f')}"
        else:
            text = near_text(ground, c.word, value, bearing, int(row), unit)
        if text or fit < 0.5:
            (met if fit >= 0.5 else unmet).append(text or "this depth")
    head = [f"{rounded_depth_text(depth, unit)} deep", *met]
    named = {c.word for c in criteria}
    if bottom and not named & set(BOTTOM_CLASSES):
        head.append(bottom)
    if "slope" not in named and np.isfinite(slope_pct):
        head.append(f"slope {slope_pct:.0f}%")
    text = "; ".join(head)
    if unmet:
        text += f". Does not fit: {', '.join(unmet)}"
    if trusted < 0.95:
        text += (
            f". Score is {100.0 * (1.0 - trusted):.0f}% lower, because the standard uncertainty of "
            f"depth is {fine_depth_text(uncertainty, unit)}"
        )
    return text + "."
