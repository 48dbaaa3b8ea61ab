"""Progress and cancellation, as one callable.

A progress callback takes the fraction done (0..1) and may raise
:class:`~.errors.Cancelled`. Core routines call it once per block of work.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sized
from typing import TypeVar, cast

Progress = Callable[[float], None]

T = TypeVar("T")


def silent(fraction: float) -> None:
    """Ignore progress; the default of every core routine."""


#: Rows of a loop between two looks at whether the user wants to stop.
STRIDE = 1000


def watched(
    items: Iterable[T], progress: Progress, total: int | None = None, every: int = STRIDE
) -> Iterator[T]:
    """Yield the items of a long loop, with a call of ``progress`` before each so many items.

    ``total`` is their number, or a guess of it where they have no length.
    """
    total = max(len(cast(Sized, items)) if total is None else total, 1)
    for i, item in enumerate(items):
        if i % every == 0:
            progress(min(i / total, 1.0))
        yield item


def rising(progress: Progress) -> Progress:
    """Return a callback that never reports less than before."""
    most = 0.0

    def report(fraction):
        nonlocal most
        most = max(most, fraction)
        progress(most)

    return report


def span(progress: Progress, start: float, stop: float) -> Progress:
    """Return a callback that maps 0..1 onto ``start``..``stop`` of ``progress``."""
    return lambda fraction: progress(start + (stop - start) * fraction)
