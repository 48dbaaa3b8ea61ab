"""Progress and cancellation, as one callable.

A progress callback takes the fraction done (0..1) and may raise
:class:`~.errors.Cancelled`. Core routines call it once per block of work.
"""

from collections.abc import Callable

Progress = Callable[[float], None]


def silent(fraction: float) -> None:
    """Ignore progress; the default of every core routine."""


def span(progress: Progress, start: float, stop: float) -> Progress:
    """Return a callback that maps 0..1 onto ``start``..``stop`` of ``progress``."""
    return lambda fraction: progress(start + (stop - start) * fraction)
