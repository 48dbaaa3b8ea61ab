"""Candidate spots: where what the user said counts comes together."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from scipy.special import erf

from ..errors import LakefloorError, excerpt
from ..grid import Grid
from ..number_text import written
from ..progress import Progress, silent, span
from ..units import LENGTH
from .bottom_forms import FORMS
from .signature import (
    BOTTOM_CLASSES,
    LAYER_OF,
    TARGETS,
    Ground,
    at_cells,
    bearings,
    check_ground,
    distance_grid,
    nearest,
    peaks,
    target,
)
from .wording import bottom_text, depth_text, fine_text, near_text, short_names

#: What can count by its own value.
VALUES = ("depth", "slope", "hardness")
WORDS = (*VALUES, *TARGETS)
_OTHER_WORDS = {
    "hard": "hard bottom", "medium": "medium bottom", "soft": "soft bottom",
    "steepest": "steepest line", "hard soft transition": "transition",
    "bottom transition": "transition", "drop off crest": "crest", "drop off toe": "toe",
}  # fmt: skip
#: Within so far of a form it counts where no distance was given, m.
FORM_M = 10.0
#: Width of a shoulder, as a share of the window's width or of its one end.
SHOULDER = 0.5
#: Default tolerance of depth, m: 2 feet.
TOLERANCE_M = 2.0 * LENGTH["ft"]


@dataclass(frozen=True)
class Criterion:
    """One thing that counts.

    Attributes
    ----------
    word : str
        One of :data:`WORDS`.
    low, high : float
        Window in which it counts in full: m for depths and distances, percent for slope, 0..1
        for hardness. An end may be infinite.
    weight : float
        Above 0.
    """

    word: str
    low: float
    high: float
    weight: float

    @property
    def key(self) -> str:
        """The word as part of a field name."""
        return self.word.replace(" ", "_")

    @property
    def layer(self) -> str:
        """The layer that it is taken from."""
        if self.word in VALUES:
            return "bottom type" if self.word == "hardness" else "depth surface"
        return LAYER_OF[self.word]


def read_criteria(rows, depth_unit: str = "ft") -> list:
    """Read a table of what counts.

    Parameters
    ----------
    rows : sequence of (word, low, high, weight)
        Texts or numbers; empty low or high leaves that end open. A row without a word is left
        out. Depth is in ``depth_unit``, slope in percent, hardness 0..1, all else a distance, m;
        a depth or a distance may state its own unit, as in ``8 ft``.
    depth_unit : str
        ``ft`` or ``m``.

    Returns
    -------
    list of Criterion

    Raises
    ------
    LakefloorError
        If a word or number is not understood, a window is empty, a thing stands twice, or nothing
        counts. The message names the row.
    """
    out = []
    for number, row in enumerate(rows, start=1):
        if not str("" if row[0] is None else row[0]).strip():
            continue
        word = _word(row[0], number)
        unit = depth_unit if word == "depth" else "m" if word in TARGETS else None
        low, high = (_number(row[1], number, "from", unit), _number(row[2], number, "to", unit))
        weight = _number(row[3], number, "weight")
        weight = 1.0 if weight is None else weight
        if not (np.isfinite(weight) and weight > 0.0):
            raise LakefloorError(
                f"Row {number} ('{word}'): the weight must be above 0. Remove the row if it does "
                "not count."
            )
        if word in TARGETS:
            low = 0.0 if low is None else low
            high = FORM_M if high is None and word in FORMS else high
            if high is None:
                raise LakefloorError(
                    f"Row {number} ('{word}'): enter in 'to' the distance in meters within which "
                    "it counts."
                )
        if low is None and high is None:
            raise LakefloorError(f"Row {number} ('{word}') has no range. Enter 'from', 'to' or "
                                 "both.")
        low, high = (-np.inf if low is None else low), (np.inf if high is None else high)
        if not low < high:
            raise LakefloorError(
                f"Row {number} ('{word}'): 'from' ({excerpt(row[1])}) must be below 'to' "
                f"({excerpt(row[2])}). Enter other values."
            )
        if any(word == other.word for other in out):
            raise LakefloorError(f"Row {number}: '{word}' is in the table twice. Keep one of the "
                                 "rows.")
        out.append(Criterion(word, low, high, weight))
    if not out:
        raise LakefloorError(f"Nothing counts. Fill in a row with one of: {', '.join(WORDS)}.")
    return out


def _word(text, number: int) -> str:
    word = re.sub(r"\(.*?\)|\bwithin\b", " ", str(text).lower())
    word = " ".join(re.sub(r"[-_]", " ", word).split())
    word = _OTHER_WORDS.get(word, word)
    if word not in WORDS and word.endswith("s") and word[:-1] in WORDS:
        word = word[:-1]
    if word not in WORDS:
        raise LakefloorError(
            f"Row {number}: '{excerpt(text)}' is not a thing that can count. Choose one of: "
            f"{', '.join(WORDS)}."
        )
    return word


def _number(value, number: int, column: str, unit: str | None = None):
    """Return a cell as a number, in metres if it has a unit of length; None if it is empty.

    ``unit`` is the one of a length that states none; None where no length is meant.
    """
    text = str("" if value is None else value).strip()
    if text in ("", "None", "NULL"):
        return None
    figure, stated = re.fullmatch(r"(.*?)\s*(ft|m)?", text, re.DOTALL).groups()
    try:
        # A comma cannot be told from a column's end everywhere, so a point it is.
        read = float(text if unit is None else figure)
    except ValueError:
        read = np.nan
    if not np.isfinite(read):
        units = "without a unit" if unit is None else f"in {unit}, or with its unit ft or m"
        raise LakefloorError(
            f"Row {number}: '{excerpt(value)}' in column '{column}' is not a number. Write it "
            f"with a decimal point and {units}."
        )
    return read if unit is None else read * LENGTH[stated or unit]


def membership(value, low: float, high: float) -> np.ndarray:
    """Return how well values fit a window, 0..1.

    Parameters
    ----------
    value : array
        Any shape; NaN fits nothing.
    low, high : float
        Ends of the window; one may be infinite.

    Returns
    -------
    array
        1 in the window; beyond an end falling as half a cosine wave to 0 at half the window's
        width from it. Where the other end is open, at half this end's own size from it.

    References
    ----------
    Zadeh, L. A. (1965). Fuzzy sets. Information and Control 8(3), 338-353.
    """
    value = np.asarray(value, dtype=float)
    width = high - low
    out = np.ones(value.shape)
    for end, beyond in ((low, low - value), (high, value - high)):
        if np.isfinite(end):
            shoulder = SHOULDER * (width if np.isfinite(width) else abs(end))
            if shoulder > 0.0:
                share = np.clip(beyond / shoulder, 0.0, 1.0)
                out *= 0.5 * (1.0 + np.cos(np.pi * share))
            else:
                out *= beyond <= 0.0
    return np.where(np.isnan(value), 0.0, out)


def trust(uncertainty, tolerance_m: float) -> np.ndarray:
    """Return the probability that a depth is within a tolerance of the truth, 0..1.

    Parameters
    ----------
    uncertainty : array
        One standard deviation, m; errors are taken as normal. NaN is not trusted at all.
    tolerance_m : float
    """
    with np.errstate(divide="ignore"):
        odds = tolerance_m / (np.sqrt(2.0) * np.asarray(uncertainty, dtype=float))
    return np.where(np.isnan(odds), 0.0, erf(odds))


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
        By the key of each criterion: its value (m, percent or 0..1) and its membership.
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


def missing_layers(criteria, present) -> list:
    """Return a sentence for each layer that the table needs and that is not there.

    Parameters
    ----------
    criteria : list of Criterion
    present : callable
        Tells whether the layer of a name is there.
    """
    needed = {}
    for criterion in criteria:
        if not present(criterion.layer):
            needed.setdefault(criterion.layer, []).append(f"'{criterion.word}'")
    return [
        f"{' and '.join(words)} {'needs' if len(words) == 1 else 'need'} the layer of {layer}. "
        f"Choose that layer, or remove the {'row' if len(words) == 1 else 'rows'}."
        for layer, words in needed.items()
    ]


def candidate_spots(
    ground: Ground,
    criteria: list,
    *,
    number: int = 15,
    spacing_m: float = 40.0,
    min_score: float = 0.5,
    tolerance_m: float = TOLERANCE_M,
    unit: str = "ft",
    progress: Progress = silent,
) -> Spots:
    """Find where what counts comes together.

    Parameters
    ----------
    ground : Ground
    criteria : list of Criterion
        As :func:`read_criteria` reads them.
    number : int
        At most so many spots.
    spacing_m : float
        No two spots are nearer to each other, m.
    min_score : float
        No spot has a lower score, 0..1.
    tolerance_m : float
        An error of depth that would not matter, m.
    unit : str
        ``ft`` or ``m``, of the reasons.

    Returns
    -------
    Spots

    Raises
    ------
    LakefloorError
        If a layer that the table needs is missing, or a limit makes no sense.

    Notes
    -----
    The fit is the mean of the memberships, weighted; what is not known at a place counts as not
    met. The score is the fit times the probability that depth there is within the tolerance of
    the truth. Spots are the highest cells of the score that keep the spacing, best first.

    References
    ----------
    Malczewski, J. (2000). On the use of weighted linear combination method in GIS: common and best
    practice approaches. Transactions in GIS 4(1), 5-22.
    """
    for name, value, good in (
        ("The maximum number of spots", number, number >= 1),
        ("The minimum distance of spots", spacing_m, np.isfinite(spacing_m) and spacing_m > 0),
        ("The minimum score", min_score, 0.0 <= min_score <= 1.0),
        ("The depth tolerance", tolerance_m, np.isfinite(tolerance_m) and tolerance_m > 0),
    ):
        if not good:
            raise LakefloorError(f"{name} is {value}. Enter a value that is in range.")
    missing = missing_layers(criteria, ground.has)
    if missing:
        raise LakefloorError(" ".join(missing))
    check_ground(ground)
    notes = []
    total = sum(c.weight for c in criteria)
    score = np.zeros(ground.depth.shape)
    step = span(progress, 0.0, 0.8)
    for k, criterion in enumerate(criteria):
        step(k / len(criteria))
        values = _everywhere(ground, criterion)
        fits = membership(values, criterion.low, criterion.high)
        if not fits.any():
            notes.append(f"'{criterion.word}' is in its range nowhere on this lake. Widen the "
                         "range.")
        score += criterion.weight / total * fits
    if ground.uncertainty is None:
        notes.append(
            "The depth raster has no uncertainty band, so uncertain depths do not lower the score."
        )
    else:
        score *= trust(ground.uncertainty.values, tolerance_m)
    grid = ground.depth.like(np.where(np.isfinite(ground.depth.values), score, np.nan))
    progress(0.8)
    rows, cols = peaks(grid, number, spacing_m, max(min_score, 1e-9))
    x, y = ground.depth.x[cols], ground.depth.y[rows]
    found = _at(ground, criteria, x, y)
    # Distances are exact here, and off by up to a cell on the grid.
    fits = {c.key: membership(found[c.key][0], c.low, c.high) for c in criteria}
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
        _reasons(ground, criteria, found, i, unit, depth[i], slopes[i],
                 bottom_text(bottom[i], sure[i]), uncertainty[i], trusted[i])
        for i in order
    ]  # fmt: skip
    progress(1.0)
    return Spots(
        x[order], y[order], short_names("S", depth[order], unit), (fit * trusted)[order],
        fit[order], trusted[order], depth[order], uncertainty[order], reasons,
        {c.key: found[c.key][0][order] for c in criteria},
        {key: value[order] for key, value in fits.items()}, notes, grid,
    )  # fmt: skip


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
                "depth": lambda: ground.depth, "slope": lambda: ground.slope_percent,
                "hardness": lambda: _hardness(ground),
            }[c.word]()  # fmt: skip
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
        fit = float(membership(value, c.low, c.high))
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
    head = [f"{depth_text(depth, unit)} deep", *met]
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
            f"depth is {fine_text(uncertainty, unit)}"
        )
    return text + "."
