"""What counts: the rows of the user's table, and how well values fit them."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import LakefloorError, excerpt
from ..structure.structure_names import FORMS
from ..units import LENGTH
from .target_words import LAYER_OF, TARGETS

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
    def field(self) -> str:
        """The name of the field that holds its value, which ends in the unit."""
        return self.key + {"slope": "_pct", "hardness": ""}.get(self.word, "_m")

    @property
    def layer(self) -> str:
        """The layer that it is taken from."""
        if self.word in VALUES:
            return "bottom type" if self.word == "hardness" else "depth surface"
        return LAYER_OF[self.word]


def read_criteria(rows: Sequence[Sequence], depth_unit: str = "ft") -> list:
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

    Examples
    --------
    >>> [crest] = read_criteria([("crest", "", "30 ft", "2")])
    >>> crest.word, crest.low, round(crest.high, 2), crest.weight
    ('crest', 0.0, 9.14, 2.0)
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
            raise LakefloorError(
                f"Row {number} ('{word}') has no range. Enter 'from', 'to' or both."
            )
        low, high = (-np.inf if low is None else low), (np.inf if high is None else high)
        if not low < high:
            raise LakefloorError(
                f"Row {number} ('{word}'): 'from' ({excerpt(row[1])}) must be below 'to' "
                f"({excerpt(row[2])}). Enter other values."
            )
        if any(word == other.word for other in out):
            raise LakefloorError(
                f"Row {number}: '{word}' is in the table twice. Keep one of the rows."
            )
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
    """Return a cell as a number, in meters if it has a unit of length; None if it is empty.

    ``unit`` is the one of a length that states none; None where no length is meant.
    """
    text = str("" if value is None else value).strip()
    if text in ("", "None", "NULL"):
        return None
    found = re.fullmatch(r"(.*?)\s*(ft|m)?", text, re.DOTALL)
    figure, stated = found.groups() if found else (text, None)
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


def window_fit(value: np.ndarray, low: float, high: float) -> np.ndarray:
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

    Examples
    --------
    >>> window_fit([4.0, 5.0, 6.25, 8.0], 3.0, 6.0).round(2).tolist()
    [1.0, 1.0, 0.93, 0.0]
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


def missing_layers(criteria: list[Criterion], present: Callable[[str], bool]) -> list:
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
