"""Bottom samples that turn relative hardness into named classes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import LakefloorError
from ..number_text import written

CLASS_NAMES = ("soft", "medium", "hard")
#: Samples that each class needs.
MIN_SAMPLES = 5


@dataclass(frozen=True)
class Calibration:
    """Thresholds found from samples, and how well they tell the samples' classes.

    Attributes
    ----------
    present : tuple of str
        Classes that the samples hold, from soft to hard.
    thresholds : array, shape (k - 1,)
        Hardness that parts each class from the next.
    confusion : int array, shape (k, k)
        Row: class of the sample; column: class told from hardness, with thresholds found
        without that sample.
    agreement, kappa : float
        Share of samples told right, and Cohen's kappa.
    used, off : int
        Samples used, and those off the map.
    """

    present: tuple
    thresholds: np.ndarray
    confusion: np.ndarray
    agreement: float
    kappa: float
    used: int
    off: int


def read_class(text: object) -> int:
    """Return 0, 1 or 2 for soft, medium or hard (or 1, 2, 3); -1 for anything else."""
    word = str(text).strip().lower()
    if word in CLASS_NAMES:
        return CLASS_NAMES.index(word)
    number = word[:-2] if word.endswith(".0") else word
    return int(number) - 1 if number in ("1", "2", "3") else -1


def calibrate(hardness: np.ndarray, sample_class: np.ndarray) -> Calibration:
    """Find the thresholds of hardness that agree best with samples.

    Parameters
    ----------
    hardness : array, shape (n,)
        Of the map at each sample; NaN off the map.
    sample_class : int array, shape (n,)
        0 soft, 1 medium, 2 hard.

    Raises
    ------
    LakefloorError
        If fewer than two classes have :data:`MIN_SAMPLES` samples on the map, or one that
        occurs has fewer, or if the classes do not rise with hardness.

    References
    ----------
    Cohen, J. (1960). A coefficient of agreement for nominal scales. Educational and
    Psychological Measurement 20(1), 37-46.

    Examples
    --------
    >>> soft, hard = [0.2, 0.25, 0.3, 0.28, 0.22], [0.7, 0.65, 0.72, 0.8, 0.75]
    >>> found = calibrate(soft + hard, [0] * 5 + [2] * 5)
    >>> found.present, found.thresholds.round(3).tolist(), found.agreement
    (('soft', 'hard'), [0.475], 1.0)
    """
    hardness, sample_class = np.asarray(hardness, dtype=float), np.asarray(sample_class)
    on = np.isfinite(hardness)
    h, c = hardness[on], sample_class[on]
    count = np.bincount(c, minlength=3)
    present = np.flatnonzero(count)
    if len(present) < 2 or (count[present] < MIN_SAMPLES).any():
        found = ", ".join(f"{count[i]} {name}" for i, name in enumerate(CLASS_NAMES))
        raise LakefloorError(
            f"Too few bottom samples on the map ({found}). Two classes or more are needed, with "
            f"{MIN_SAMPLES} samples of each. Take more samples, or leave the layer of samples "
            "empty for relative hardness."
        )
    c = np.searchsorted(present, c)
    k = len(present)
    middles = [np.median(h[c == i]) for i in range(k)]
    if not (np.diff(middles) > 0).all():
        raise LakefloorError(
            "Samples of harder bottom do not have a higher hardness on the map "
            f"(medians {', '.join(written(m, '.2f') for m in middles)}, from soft to hard). Check "
            "the positions and classes of the samples. If they are right, the sounder cannot "
            "separate these bottoms."
        )
    confusion = np.zeros((k, k), dtype=int)
    for i in range(len(h)):
        rest = np.arange(len(h)) != i
        told = int(np.searchsorted(best_thresholds(h[rest], c[rest], k), h[i], side="right"))
        confusion[c[i], told] += 1
    agreement, kappa = cohen_kappa(confusion)
    return Calibration(
        tuple(CLASS_NAMES[i] for i in present),
        best_thresholds(h, c, k),
        confusion,
        agreement,
        kappa,
        int(on.sum()),
        int((~on).sum()),
    )


def best_thresholds(hardness: np.ndarray, number: np.ndarray, classes: int) -> np.ndarray:
    """Return the rising thresholds with the fewest samples on the wrong side, shape (k - 1,).

    Each lies midway between two samples; of equally good ones the middle is taken.
    """
    order = np.argsort(hardness, kind="stable")
    h, c = hardness[order], number[order]
    # wrong[j, i]: samples among the first i that are not of class j.
    wrong = np.array([np.r_[0, np.cumsum(c != j)] for j in range(classes)])
    n = len(h)
    positions = np.flatnonzero(np.r_[True, np.diff(h) > 0, True])
    # Fewest errors of the samples from each position on, with the classes from each on.
    behind = [wrong[-1][-1] - wrong[-1][positions]]
    for missed in wrong[-2::-1]:
        missed = missed[positions]
        behind.insert(0, np.minimum.accumulate((behind[0] + missed)[::-1])[::-1] - missed)
    limits, start = [], 0
    for missed, rest in zip(wrong, behind[1:]):
        # Each threshold is chosen with those before it, so that all are best together.
        free = positions >= start
        total = (missed[positions] + rest)[free]
        good = positions[free][total == total.min()]
        inner = good[(good > 0) & (good < n)]
        start = inner[len(inner) // 2] if inner.size else good[0]
        if start == n:
            limits.append(np.nextafter(h[-1], np.inf))
        else:
            limits.append(0.5 * (h[max(start - 1, 0)] + h[start]))
    return np.array(limits)


def cohen_kappa(confusion: np.ndarray) -> tuple:
    """Return the share of agreement and Cohen's kappa of a square table of counts.

    Examples
    --------
    >>> agreement, kappa = cohen_kappa([[20, 5], [10, 15]])
    >>> round(agreement, 2), round(kappa, 2)
    (0.7, 0.4)
    """
    table = np.asarray(confusion, dtype=float)
    total = table.sum()
    observed = np.trace(table) / total
    chance = (table.sum(axis=0) @ table.sum(axis=1)) / total**2
    kappa = (observed - chance) / (1.0 - chance) if chance < 1.0 else 1.0
    return float(observed), float(kappa)
