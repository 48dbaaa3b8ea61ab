"""What a first look at a visit finds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from ..number_text import written

#: Sentences of a message; the log has all of them.
_SHOWN = 6


@dataclass(frozen=True)
class Finding:
    """One thing that was found about a visit.

    Attributes
    ----------
    visit : str
    code : str
        Stable: ``offset``, ``trend``, ``unit``, ``lake``, ``outline``, ``future``, ``rollover``,
        ``date``, ``level``, ``contradicted``, ``twin`` or ``datum``; of notes ``share``, ``hardness``,
        ``unmet``, or ``offset``, ``contradicted`` and ``outline`` where it is not certain or little.
    open : bool
        Whether the visit had better not enter before this is settled; otherwise it is a note.
    sentence : str
        What was found, and the way out.
    value, error : float or None
        What was measured, and its standard error where there is one.
    unit : str
        Of the value: ``m``, ``%``, ``days`` or empty for a ratio.
    """

    visit: str
    code: str
    open: bool
    sentence: str
    value: float | None = None
    error: float | None = None
    unit: str = ""


def error_text(error: float) -> str:
    """Return a standard error in m or another unit, never as nought: three digits if it is small.

    Examples
    --------
    >>> [error_text(error) for error in (0.123, 0.0123, 0.0049, 0.0001)]
    ['0.12', '0.01', '0.005', '0.001']
    """
    return written(error, ".2f") if error >= 0.01 else written(max(error, 0.001), ".3f")


def open_findings(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings that keep visits from entering."""
    return [finding for finding in findings if finding.open]


def refusal(findings: Iterable[Finding]) -> str:
    """Return the sentences of open findings as one message, the first few of them."""
    texts = [finding.sentence for finding in open_findings(findings)]
    more = len(texts) - _SHOWN
    shown = " ".join(texts[:_SHOWN])
    return shown if more <= 0 else f"{shown} The log lists {more} more."
