"""The log-book of a lake: what is known of a visit beside its soundings."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from ..correction_keys import (
    BEAM,
    FIT,
    LEVEL,
    LEVEL_FROM,
    UNKNOWN,
    VISIT_OFFSET,
    VISIT_OFFSET_ERROR,
)
from ..number_text import finite_number
from ..soundings import Soundings, distinct, parse_corrections

#: How the lake level of a visit was got.
GAUGE_READINGS = "gauge readings"
ONE_LEVEL = "one lake level"
FITTED = "fitted to the lake"
LEVEL_UNKNOWN = "unknown"
NOT_REDUCED = "not reduced"

#: What stands between the names of files.
_BETWEEN = "; "

_TEXTS = ("owner", "sounder", "level_from", "remark")


@dataclass(frozen=True)
class VisitFacts:
    """What a log-book says of one visit; None, or no file, where nothing is known.

    Attributes
    ----------
    files : tuple of str
        Names of the files that the visit was read from, never their folders.
    owner, sounder, remark : str
        Whose soundings they are, what they were sounded with, and what else is worth knowing.
    beam_deg : float
        Beam width of the sounder, degrees.
    draft_m : float
        Depth of the transducer below the waterline, m.
    level_m : float
        Lake level, mean of the soundings, m.
    level_from : str
        How it was got: :data:`GAUGE_READINGS`, :data:`ONE_LEVEL`, :data:`FITTED`,
        :data:`LEVEL_UNKNOWN` or :data:`NOT_REDUCED`.
    offset_m, offset_sd_m : float
        By how much the depths of the visit stood off those of the rest when it entered, positive
        where they were deeper, and the standard error of that, m.
    hardness_gain : float
        Hardness of the visit when it entered, divided by that of the rest.
    """

    files: tuple[str, ...] = ()
    owner: str | None = None
    sounder: str | None = None
    beam_deg: float | None = None
    draft_m: float | None = None
    level_m: float | None = None
    level_from: str | None = None
    offset_m: float | None = None
    offset_sd_m: float | None = None
    hardness_gain: float | None = None
    remark: str | None = None

    def updated(self, newer: VisitFacts) -> VisitFacts:
        """Return these facts with those that newer ones give; files are exchanged.

        Examples
        --------
        >>> facts = VisitFacts(owner="Ada", draft_m=0.3).updated(VisitFacts(draft_m=0.4))
        >>> facts.owner, facts.draft_m
        ('Ada', 0.4)
        """
        given = {f.name: getattr(newer, f.name) for f in fields(newer)}
        return replace(self, **{k: v for k, v in given.items() if v not in (None, ())})

    def extended(self, newer: VisitFacts) -> VisitFacts:
        """Return these facts with those of more soundings of the visit; files are joined.

        Examples
        --------
        >>> VisitFacts(("a.csv",)).extended(VisitFacts(("a.csv", "b.csv"))).files
        ('a.csv', 'b.csv')
        """
        return replace(self.updated(newer), files=tuple(dict.fromkeys(self.files + newer.files)))

    def remeasured(self, found: VisitFacts) -> VisitFacts:
        """Return these facts with what corrections of more soundings say; an offset stays."""
        if self.offset_m is not None:
            found = replace(found, offset_m=None, offset_sd_m=None)
        return self.updated(found)

    def told(self) -> VisitFacts:
        """Return what a person said, without what follows from soundings and their store."""
        return VisitFacts(self.files, self.owner, self.sounder, self.beam_deg, remark=self.remark)

    def contradicts(self, other: VisitFacts) -> bool:
        """Say whether soundings with these and with other facts cannot be of one visit.

        Examples
        --------
        >>> VisitFacts(owner="Ada").contradicts(VisitFacts(owner="Ben"))
        True
        >>> VisitFacts(owner="Ada").contradicts(VisitFacts(sounder="a new one"))
        False
        """
        for name in ("owner", "sounder", "beam_deg", "draft_m"):
            a, b = getattr(self, name), getattr(other, name)
            if a is not None and b is not None and a != b:
                return True
        return False

    def columns(self) -> list:
        """Return the values as the table of visits has them, in its order."""
        values = [getattr(self, f.name) for f in fields(self)]
        return [_BETWEEN.join(self.files) or None, *values[1:]]

    @classmethod
    def of_columns(cls, values: Iterable) -> VisitFacts:
        """Return the facts that values of the table of visits stand for.

        Raises
        ------
        TypeError, ValueError
            If a value is none of its column.

        Examples
        --------
        >>> facts = VisitFacts(("a.csv", "b.csv"), "Ada", beam_deg=20.0)
        >>> VisitFacts.of_columns(facts.columns()) == facts
        True
        """
        files, *values = values
        known: dict[str, Any] = {
            field.name: value if value is None or field.name in _TEXTS else float(value)
            for field, value in zip(fields(cls)[1:], values)
        }
        facts = cls(tuple(files.split(_BETWEEN)) if files else (), **known)
        if not all(isinstance(getattr(facts, name), (str, type(None))) for name in _TEXTS):
            raise TypeError("no text")
        return facts


def facts_of(soundings: Soundings) -> VisitFacts:
    """Return what the corrections of one visit's soundings say of it: draft, level, fitted offset.

    Examples
    --------
    >>> s = Soundings.build([0.0], [0.0], [3.0],
    ...                     corrections="draft_m=0.3;datum=dock;datum_elev_m=1;level_m=1.200")
    >>> facts = facts_of(s)
    >>> facts.draft_m, facts.level_m, facts.level_from
    (0.3, 1.2, 'one lake level')
    """
    texts, row = distinct(soundings.corrections)
    return facts_from(texts, np.bincount(row, minlength=len(texts)))


def facts_from(corrections: Iterable[str], counts: Iterable[int]) -> VisitFacts:
    """Return what corrections texts of one visit say of it.

    Parameters
    ----------
    corrections : iterable of str
        The distinct texts.
    counts : iterable of int
        How many soundings have each.

    Returns
    -------
    VisitFacts
        The draft is that of most soundings, the level their mean to the millimeter.
    """
    pairs = [parse_corrections(text) for text in corrections]
    weights = np.array(list(counts), dtype=float)
    level, levels = _mean(pairs, weights, "level_m")
    offset, _ = _mean(pairs, weights, VISIT_OFFSET)
    error, _ = _mean(pairs, weights, VISIT_OFFSET_ERROR)
    unknown = any(p.get(LEVEL) == UNKNOWN for p in pairs)
    if any(p.get(LEVEL_FROM) == FIT for p in pairs):
        way = FITTED
    elif unknown:
        way = LEVEL_UNKNOWN if offset is None else FITTED
    elif level is not None:
        way = GAUGE_READINGS if levels > 1 else ONE_LEVEL
    else:
        way = LEVEL_UNKNOWN if any("datum" in p for p in pairs) else NOT_REDUCED
    return VisitFacts(
        beam_deg=_most(pairs, weights, BEAM),
        draft_m=_most(pairs, weights, "draft_m"),
        level_m=level,
        level_from=way,
        offset_m=offset,
        offset_sd_m=error,
    )


def file_names(paths: Iterable[str]) -> tuple[str, ...]:
    """Return the names of files without their folders, each once.

    Examples
    --------
    >>> file_names(["/home/ada/may.csv", "C:\\\\logs\\\\june.csv"])
    ('may.csv', 'june.csv')
    """
    found = (str(path).replace("\\", "/").rstrip("/").rpartition("/")[2] for path in paths)
    return tuple(dict.fromkeys(name for name in found if name))


def _numbers(pairs, key):
    return np.array([finite_number(p.get(key, "nan")) for p in pairs], dtype=float)


def _mean(pairs, weights, key):
    """Return the mean of what texts say under a key, None without, and how many values it has."""
    values = _numbers(pairs, key)
    there = np.isfinite(values)
    if not there.any() or not weights[there].sum():
        return None, 0
    mean = float(np.average(values[there], weights=weights[there]))
    return round(mean, 4), len(np.unique(values[there]))


def _most(pairs, weights, key):
    """Return what most soundings have under a key, None without."""
    values = _numbers(pairs, key)
    found, at = np.unique(values[np.isfinite(values)], return_inverse=True)
    if not found.size:
        return None
    return float(found[np.argmax(np.bincount(at, weights[np.isfinite(values)]))])
