"""Errors that a user can act on, and how much of the user's data they show."""

from __future__ import annotations

from collections.abc import Iterable

#: Characters of the user's own data that a message shows, and of a message as a whole.
EXCERPT, LONGEST = 80, 4000


def excerpt(text: object, most: int = EXCERPT) -> str:
    """Return text of the user's data, str or bytes, for a message: printable and not long."""
    if isinstance(text, bytes):
        text = text[: 4 * most].decode("ascii", "replace")
    text = str(text)
    shown = "".join(c if c.isprintable() else "?" for c in text[: 2 * most].strip())
    return shown if len(shown) <= most and len(text) <= 2 * most else shown[: most - 3] + "..."


def excerpts(texts: Iterable[object], most: int = 20) -> str:
    """Return texts of the user's data as a list for a message, the first few of them.

    Examples
    --------
    >>> excerpts(["lon", "lat", "depth"], most=2)
    'lon, lat and 1 more'
    """
    texts = list(texts)
    shown = ", ".join(excerpt(text, 40) for text in texts[:most])
    return shown if len(texts) <= most else f"{shown} and {len(texts) - most} more"


class LakefloorError(ValueError):
    """Input that cannot be used; the message says what, where and how to correct it.

    ``notes`` are sentences found on the way that help to see why. Of a message longer than
    :data:`LONGEST` characters the middle is left out.
    """

    def __init__(self, message: object, notes: Iterable[str] = ()) -> None:
        message = str(message)
        if len(message) > LONGEST:
            message = f"{message[: LONGEST - 500]} ... {message[-400:]}"
        super().__init__(message)
        self.notes = tuple(notes)


class Cancelled(Exception):  # noqa: N818
    """The user asked to stop; raised from a progress callback."""
